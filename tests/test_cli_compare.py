"""`barrierrank compare` end to end: two runs of a small basin that differ in known ways."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import matplotlib.image
import numpy as np
import pandas as pd
import pytest
from support.command import rank, run, state_of
from support.small_basin import SmallBasin

FILES = {"compare.csv", "compare_inputs.csv", "compare.png", "compare.txt"}


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Return the results of two runs: in the second, removing D1 costs more, and walleye count for more."""
    top = tmp_path_factory.mktemp("runs")
    first = rank(SmallBasin(top / "first"))
    later = SmallBasin(top / "later")
    shutil.copy(top / "first" / "streams.gpkg", later.folder)  # written anew it would hold another date
    later.change("actions.csv", "D1,remove,500,", "D1,remove,700,").edit("value = 0.4", "value = 4.0")
    return first.folder, rank(later).folder


@pytest.fixture
def copies(runs: tuple[Path, Path], tmp_path: Path) -> tuple[Path, Path]:
    """Return copies of the two runs, to be spoiled."""
    for name, folder in zip("ab", runs, strict=True):
        shutil.copytree(folder, tmp_path / name)
    return tmp_path / "a", tmp_path / "b"


def table(folder: Path, name: str = "compare.csv") -> pd.DataFrame:
    return pd.read_csv(folder / name, keep_default_na=False, na_values=[""])


def plain(text: str) -> str:
    return " ".join(text.split())


class TestTwoRuns:
    """What moved, what changed, what is said."""

    def test_writes_its_files_and_nothing_else(self, runs: tuple[Path, Path], tmp_path: Path) -> None:
        before = [state_of(r) for r in runs]
        said = run("compare", *runs, "--out", tmp_path / "moved")
        assert (said.code, said.err) == (0, "")
        assert {p.name for p in (tmp_path / "moved").iterdir()} == FILES
        assert [p.name for p in tmp_path.iterdir()] == ["moved"]
        assert [state_of(r) for r in runs] == before

    def test_rows_hold_what_either_list_says(self, runs: tuple[Path, Path], tmp_path: Path) -> None:
        run("compare", *runs, "--out", tmp_path / "moved")
        moves = table(tmp_path / "moved").set_index(["site", "action"])
        for folder, tag in zip(runs, "ab", strict=True):
            listed = pd.read_csv(folder / "priority_list.csv").set_index(["site", "action"]).loc[moves.index]
            for name in ("rank", "best", "purpose", "cost", "benefit", "net_benefit", "benefit_per_cost"):
                assert moves[f"{name}_{tag}"].tolist() == listed[name].tolist(), name
            got, given = moves[f"passability_lamprey_{tag}"], listed["passability_lamprey"]
            np.testing.assert_array_equal(got, given)
        assert (moves["places_up"] == moves["rank_a"] - moves["rank_b"]).all()
        assert (moves["state"] == "both").all()
        assert moves["places_up"].abs().is_monotonic_decreasing
        assert moves["places_up"].ne(0).any()

    def test_tells_inputs_and_parameters_that_differ(self, runs: tuple[Path, Path], tmp_path: Path) -> None:
        said = plain(run("compare", *runs, "--out", tmp_path / "moved").out)
        assert "Inputs between the runs: changed: project file and actions.csv." in said
        assert "Parameters between the runs: changed: species.walleye.value from 0.4 to 4.0." in said
        assert "Which of the changes moved which action is not worked out" in said
        changes = table(tmp_path / "moved", "compare_inputs.csv").set_index("name")
        assert changes.loc["sites.csv", "state"] == "same"
        assert changes.loc["streams.gpkg", "what"] == "input"
        assert changes.loc["species.walleye.value", ["in_a", "in_b"]].tolist() == ["0.4", "4.0"]
        assert changes.loc["barrierrank", "state"] == "same"

    def test_a_move_names_what_differs_in_its_own_row(self, runs: tuple[Path, Path], tmp_path: Path) -> None:
        said = plain(run("compare", *runs, "--out", tmp_path / "moved").out)
        row = table(tmp_path / "moved").set_index(["site", "action"]).loc[("D1", "remove")]
        assert row["places_up"] > 0
        assert f"from {row['rank_a']} to {row['rank_b']}: present-worth cost USD 500 to USD 700 and benefit " in said
        assert "Habitat that can be reached today, as before: Sea lamprey" in said
        assert "Caution: " in said

    def test_picture_is_one(self, runs: tuple[Path, Path], tmp_path: Path) -> None:
        run("compare", *runs, "--out", tmp_path / "moved")
        pixels = matplotlib.image.imread(tmp_path / "moved" / "compare.png")
        assert pixels.shape[1] > 1500
        assert pixels[..., :3].std() > 0.01

    def test_the_same_run_twice_moves_nothing(self, runs: tuple[Path, Path], tmp_path: Path) -> None:
        said = plain(run("compare", runs[0], runs[0], "--out", tmp_path / "moved").out)
        assert said.startswith("Nothing moved: all 4 actions have the same rank in both runs.")
        assert "No input changed between the runs" in said
        assert "No parameter changed between the runs." in said
        assert (table(tmp_path / "moved")["places_up"] == 0).all()

    def test_order_of_rows_does_not_matter(self, copies: tuple[Path, Path], tmp_path: Path) -> None:
        run("compare", *copies, "--out", tmp_path / "one")
        for folder in copies:
            listed = pd.read_csv(folder / "priority_list.csv", dtype=str, keep_default_na=False)
            listed.iloc[::-1].to_csv(folder / "priority_list.csv", index=False)
        said = run("compare", *copies, "--out", tmp_path / "two")
        for name in ("compare.csv", "compare_inputs.csv"):
            assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
        assert "The list of A was changed after its run" in plain(said.out)  # it is another file than rank wrote

    def test_new_and_gone_actions(self, runs: tuple[Path, Path], tmp_path: Path) -> None:
        later = SmallBasin(tmp_path / "basin")
        shutil.copy(runs[0].parent / "streams.gpkg", later.folder)
        later.change("actions.csv", "D3,replace,400", "D3,sleeve,400").change("sites.csv", ",0.2,poor", ",0.3,poor")
        said = plain(run("compare", runs[0], rank(later).folder, "--out", tmp_path / "moved").out)
        state = table(tmp_path / "moved").set_index(["site", "action"])["state"]
        assert state[("D3", "sleeve")] == "new"
        assert state[("D3", "replace")] == "gone"
        assert (state == "both").sum() == 3
        assert "1 is only in B; 1 is only in A" in said
        assert "Inputs between the runs: changed: sites.csv and actions.csv." in said

    def test_points_and_money_are_not_set_against_each_other(self, runs: tuple[Path, Path], tmp_path: Path) -> None:
        other = SmallBasin(tmp_path / "basin").edit('[money]\ncurrency = "USD"', "[points]")
        said = run("compare", runs[0], rank(other).folder, "--out", tmp_path / "moved")
        assert said.code == 0
        assert "Worth is told in USD in A and in points in B" in plain(said.out)
        assert table(tmp_path / "moved")["net_benefit_b"].isna().all()

    def test_quiet(self, runs: tuple[Path, Path], tmp_path: Path) -> None:
        said = run("compare", *runs, "--out", tmp_path / "moved", "--quiet")
        assert (said.code, said.out, said.err) == (0, "", "")


class TestFaults:
    """One line with a remedy, code 1, nothing written."""

    def refused(self, words: tuple[Path, Path], out: Path, *, tells: str, lines: int = 1) -> None:
        there = out.exists()
        said = run("compare", *words, "--out", out)
        assert said.code == 1
        assert said.out == ""
        assert tells in said.err
        assert " -> " in said.err
        assert len(said.err.splitlines()) == lines
        assert all(line.startswith("error: ") for line in said.err.splitlines())
        assert out.exists() == there

    def test_no_folder_and_no_results(self, copies: tuple[Path, Path], tmp_path: Path) -> None:
        a, b = copies
        out = tmp_path / "moved"
        self.refused((tmp_path / "nowhere", b), out, tells="there is no such folder")
        self.refused((a / "run.json", b), out, tells="is a file")
        self.refused((tmp_path, b), out, tells="run.json and priority_list.csv not there")
        self.refused((Path("x" * 5000), b), out, tells="cannot be looked at")
        (b / "run.json").unlink()
        self.refused((a, b), out, tells="no folder of results: run.json not there")
        self.refused((tmp_path, b), out, tells="not there", lines=2)  # both are told at once

    @pytest.mark.parametrize(
        ("name", "content", "tells"),
        [
            ("run.json", b"{", "cannot be read"),
            ("run.json", b"\xff\xfe", "cannot be read"),
            ("run.json", b"[1]", "lacks version, inputs, parameters"),
            ("run.json", b'{"version": "1", "inputs": [3], "parameters": {}}', "lacks inputs"),
            ("priority_list.csv", b"", "cannot be read"),
            ("priority_list.csv", b"\xff\x00,\n", "cannot be read"),
            ("priority_list.csv", b"rank;site;action\n1;D1;raise\n", "has other columns"),
            ("passage.csv", b"site,kind\n", "lacks species, passability"),
        ],
    )
    def test_unreadable(
        self, copies: tuple[Path, Path], tmp_path: Path, name: str, content: bytes, tells: str
    ) -> None:
        (copies[1] / name).write_bytes(content)
        self.refused(copies, tmp_path / "moved", tells=tells)

    @pytest.mark.parametrize(
        ("column", "value", "tells"),
        [("rank", "first", 'rank is "first"'), ("rank", "1.5", "whole"), ("best", "yes", "True or False"),
         ("net_benefit", "1,5", 'net_benefit is "1,5"')],
    )  # fmt: skip
    def test_cells_that_are_no_numbers(
        self, copies: tuple[Path, Path], tmp_path: Path, column: str, value: str, tells: str
    ) -> None:
        listed = pd.read_csv(copies[0] / "priority_list.csv", dtype=str, keep_default_na=False)
        listed.loc[1, column] = value
        listed.to_csv(copies[0] / "priority_list.csv", index=False)
        self.refused(copies, tmp_path / "moved", tells=tells)
        said = run("compare", *copies, "--out", tmp_path / "moved").err
        assert "row 3" in said

    def test_an_action_twice(self, copies: tuple[Path, Path], tmp_path: Path) -> None:
        path = copies[0] / "priority_list.csv"
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        path.write_text("".join([*lines, lines[1]]), encoding="utf-8")
        self.refused(copies, tmp_path / "moved", tells="stands twice")

    def test_refuses_folders_that_are_not_its_own(self, copies: tuple[Path, Path], tmp_path: Path) -> None:
        before = state_of(copies[1])
        self.refused(copies, copies[1], tells="holds the results of a ranking")
        assert state_of(copies[1]) == before
        for name in FILES:
            mine = tmp_path / f"mine_{name}"
            mine.mkdir()
            (mine / name).write_text("my own notes", encoding="utf-8")
            self.refused(copies, mine, tells="was not written by this command")
            assert (mine / name).read_text(encoding="utf-8") == "my own notes"

    def test_written_anew_beside_files_of_others(self, copies: tuple[Path, Path], tmp_path: Path) -> None:
        out = tmp_path / "moved"
        run("compare", *copies, "--out", out)
        (out / "map.html").write_text("mine", encoding="utf-8")
        (out / "notes").mkdir()
        (out / "notes" / "a.txt").write_text("mine too", encoding="utf-8")
        said = run("compare", copies[0], copies[0], "--out", out)
        assert said.code == 0
        assert {p.name for p in out.iterdir()} == FILES | {"map.html", "notes"}
        assert (out / "notes" / "a.txt").read_text(encoding="utf-8") == "mine too"
        assert "Nothing moved" in (out / "compare.txt").read_text(encoding="utf-8")

    def test_an_older_record_without_totals(self, copies: tuple[Path, Path], tmp_path: Path) -> None:
        record = json.loads((copies[0] / "run.json").read_text(encoding="utf-8"))
        record["version"] = "0.0.9"
        for key in ("summary", "outputs"):
            del record[key]
        (copies[0] / "run.json").write_text(json.dumps(record), encoding="utf-8")
        said = run("compare", *copies, "--out", tmp_path / "moved")
        assert said.code == 0
        assert "by versions 0.0.9 and" in plain(said.out)


class TestHostileTexts:
    """Names of users in what is printed and written."""

    HOSTILE = ("=1+1", "@SUM(A1)", "\x1b[31mred\x07", "a\tb\nc", "$x^2$ \\frac", "\u202egnp.exe", "+" + "x" * 3000)

    def test_no_formula_and_no_control_character(self, tmp_path: Path) -> None:
        folders = []
        for number, cost in enumerate((10, 3000)):
            small = SmallBasin(tmp_path / f"run{number}")
            sites = pd.DataFrame({"site": [f"={i}" for i in range(len(self.HOSTILE))], "name": self.HOSTILE})
            sites["kind"], sites["x"], sites["y"], sites["q"] = "weir", 500020 + 80 * np.arange(len(sites)), 4600000, 0
            sites["p_lamprey"], sites["p_walleye"] = 0.5, 0.5
            sites.to_csv(small.folder / "sites.csv", index=False)
            actions = pd.DataFrame({"site": sites["site"], "action": [f"-do {t}" for t in self.HOSTILE]})
            actions["cost"], actions["passability_lamprey"] = [cost, *range(20, 20 + len(sites) - 1)], 0.0
            actions.to_csv(small.folder / "actions.csv", index=False)
            small.edit('"Sea lamprey"', '"=\\u001b[2Jlamprey"')
            assert run("rank", small.project, "--out", small.out, "--quiet").code == 0
            folders.append(small.out)
        said = run("compare", *folders, "--out", tmp_path / "moved")
        assert said.code == 0, said.err
        words = (tmp_path / "moved" / "compare.txt").read_text(encoding="utf-8")
        cells = (tmp_path / "moved" / "compare.csv").read_text(encoding="utf-8")
        for text in (said.out, words, cells):
            assert all(c.isprintable() or c == "\n" for c in text)
        moves = table(tmp_path / "moved")
        texts = [t for name in ("site", "name", "action") for t in moves[name] if isinstance(t, str)]
        assert len(texts) >= 3 * len(self.HOSTILE) - 1
        assert not [t for t in texts if t.lstrip()[:1] in tuple("=@+-")]
        assert (moves["state"] == "both").all()
        assert moves["places_up"].ne(0).any()
