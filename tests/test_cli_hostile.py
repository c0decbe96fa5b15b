"""Hostile texts through every output."""

from __future__ import annotations

import csv
import html.parser
import json

import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pytest
from support.command import Said, run
from support.small_basin import SmallBasin

from barrierrank.outputs.cells import restore

HOSTILE = (
    "<script>alert(1)</script>",
    "=cmd|' /C calc'!A0",
    "@SUM(1+1)*cmd",
    "x" * 5000,
    "",
    "Žř漢字🐟 \u202ereversed",
    "line\nbreak, \"quotes\" and 'more'",
    "\x1b[31mred\x07",
    "</style><img src=x onerror=alert(1)>",
    "{label} %s \\n $HOME `id`",
    "'already marked",
)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> tuple[SmallBasin, Said]:
    """Rank a project whose every text is hostile."""
    small = SmallBasin(tmp_path_factory.mktemp("hostile") / "basin")
    sites = pd.DataFrame({"site": [f"<b>{i}</b>" for i in range(len(HOSTILE))], "name": HOSTILE})
    sites["kind"] = ["=1+1"] * len(sites)
    sites["x"], sites["y"], sites["q"] = 500020 + 80 * np.arange(len(sites)), 4600000, 0
    sites["p_lamprey"], sites["p_walleye"] = 0.5, 0.5
    sites.to_csv(small.folder / "sites.csv", index=False)
    actions = pd.DataFrame({"site": sites["site"], "action": [f"do {t}" if t else "do" for t in HOSTILE]})
    actions["cost"], actions["passability_lamprey"], actions["note"] = 5, 0.0, HOSTILE
    actions.to_csv(small.folder / "actions.csv", index=False)
    small.edit('"Example basin"', "'<i>=basin</i>'").edit('"Sea lamprey"', "'<u onclick=x>@lamprey</u>'")
    return small, run("rank", small.project, "--out", small.out)


class TestHostileText:
    """User text is text everywhere: no markup, no formula, no control of the terminal."""

    def test_is_ranked(self, hostile: tuple[SmallBasin, Said]) -> None:
        _, said = hostile
        assert said.code == 0, said.err[-500:]

    def test_csv_gives_back_every_text_and_no_formula(self, hostile: tuple[SmallBasin, Said]) -> None:
        small, _ = hostile
        with (small.out / "priority_list.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        assert {restore(r["name"]) for r in rows} == {t.strip() for t in HOSTILE}
        assert {restore(r["note"]) for r in rows} == {t.strip() for t in HOSTILE}
        assert not [c for r in rows for c in r.values() if c.lstrip()[:1] in tuple("=@")]

    def test_workbook_has_no_formula(self, hostile: tuple[SmallBasin, Said]) -> None:
        small, _ = hostile
        book = openpyxl.load_workbook(small.out / "priority_list.xlsx")
        cells = [c for sheet in book for row in sheet.iter_rows() for c in row]
        assert not [c.coordinate for c in cells if c.data_type == "f"]
        assert not [c.coordinate for c in cells if c.hyperlink is not None and "script" in str(c.hyperlink.target)]

    def test_geopackage_keeps_texts_as_they_are(self, hostile: tuple[SmallBasin, Said]) -> None:
        small, _ = hostile
        sites = pyogrio.read_dataframe(small.out / "results.gpkg", layer="sites")
        assert {n or "" for n in sites["name"]} == {t.strip() for t in HOSTILE}
        assert set(sites["site"]) == {f"<b>{i}</b>" for i in range(len(HOSTILE))}

    def test_map_has_no_element_of_theirs(self, hostile: tuple[SmallBasin, Said]) -> None:
        small, _ = hostile
        text = (small.out / "map.html").read_text(encoding="utf-8")

        class Tags(html.parser.HTMLParser):
            found: set[str] = set()  # noqa: RUF012 - of one test

            def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
                self.found.update([tag, *(name for name, _ in attrs if name.startswith("on"))])

        page = Tags()
        page.feed(text)
        assert not page.found & {"u", "onclick", "onerror"}
        for piece in ("<script>alert(1)", "<b>0</b>", "src=x", "<i>=basin"):
            assert piece not in text, piece

    def test_terminal_is_told_nothing_but_letters(self, hostile: tuple[SmallBasin, Said]) -> None:
        _, said = hostile
        assert all(c == "\n" or c.isprintable() for c in said.out + said.err)

    def test_record_is_whole(self, hostile: tuple[SmallBasin, Said]) -> None:
        small, _ = hostile
        record = json.loads((small.out / "run.json").read_text(encoding="utf-8"))
        assert record["parameters"]["basin"]["name"] == "<i>=basin</i>"
