"""The command line end to end: what is asked for and what comes out."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pytest
import shapely
from support.command import Ranked, Said, rank, run, state_of
from support.small_basin import ACTIONS, COURSES, SITES, SmallBasin

import barrierrank.run
from barrierrank import cli
from barrierrank.outputs.cells import restore
from barrierrank.problems import Problems
from barrierrank.project import load_project
from barrierrank.run import rank_project

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "data_demo"
DEMO_SPECIES = ("lamprey", "walleye", "white_sucker", "brook_trout")
COMMANDS = ("new", "check", "rank", "plan", "compare", "demo")
FILES = {"priority_list.csv", "priority_list.xlsx", "cautions.txt", "results.gpkg", "map.html", "run.json"}
FILES |= {"acceptability.csv", "acceptability.png", "survey_next.csv", "survey_next.png"}


@pytest.fixture
def small(tmp_path: Path) -> SmallBasin:
    """Return a small sound project."""
    return SmallBasin(tmp_path / "basin")


class TestWords:
    """What the commands say of themselves."""

    def test_overview_teaches_by_example(self) -> None:
        said = run("--help")
        assert said.code == 0
        for command in COMMANDS:
            assert f"barrierrank {command}" in said.out

    @pytest.mark.parametrize("command", COMMANDS)
    def test_help_of_each_command_shows_its_use(self, command: str) -> None:
        said = run(command, "--help")
        assert said.code == 0
        examples = [s for s in said.out.splitlines() if s.startswith(f"  barrierrank {command}")]
        assert examples
        assert said.err == ""

    @pytest.mark.parametrize("command", COMMANDS)
    def test_examples_in_the_help_can_be_typed(self, command: str) -> None:
        # every example must get past the parser as it stands
        for line in run(command, "--help").out.splitlines():
            if line.startswith("  barrierrank "):
                words = line.split("  ")[1].split()[1:]
                assert cli.build_parser().parse_args(words).command == command

    @pytest.mark.parametrize(
        "words",
        [
            [],
            ["weigh"],
            ["rank"],
            ["rank", "project.toml"],
            ["check"],
            ["check", "a", "b"],
            ["demo", "--fast"],
        ],
    )
    def test_wrong_use_is_2(self, words: list[str]) -> None:
        said = run(*words)
        assert said.code == 2
        assert "usage: barrierrank" in said.err

    def test_version(self) -> None:
        assert run("--version").out == f"barrierrank {barrierrank.__version__}\n"


class TestDemo:
    """The whole job on the demo basin."""

    def test_says_what_it_did(self, demo: Ranked) -> None:
        assert demo.said.code == 0
        assert "1,5" in demo.said.out  # about 1,500 reaches
        assert "75 sites" in demo.said.out
        assert f"open {demo.folder / 'map.html'}" in demo.said.out
        assert demo.said.out.count("Caution: ") == 4  # of the list, and of the plan
        assert "Traceback" not in demo.said.err

    def test_writes_exactly_the_files_of_the_contract(self, demo: Ranked) -> None:
        pictures = {f"blocked_{s}.png" for s in DEMO_SPECIES}
        names = {p.name for p in demo.folder.iterdir()} - {"plan"}
        profiles = {n for n in names if n.startswith("profile_")}
        passages = {n for n in names if n.startswith("passage_")}
        seasons = {n for n in names if n.startswith("season_")}
        assert names - profiles - passages - seasons == FILES | pictures | {"passage.csv"}
        assert len(profiles) == 12  # a main stem for each of the twelve outlets
        assert len(passages) == 12  # as many as the project asks for
        assert seasons  # one crest has no dates in the table: they are found
        assert [p.name for p in demo.folder.parent.iterdir()] == [
            "results"
        ]  # no folder of its own left beside
        layers = [name for name, _ in pyogrio.list_layers(demo.folder / "results.gpkg")]
        assert {"reaches", "sites", "actions", "problems"} <= set(layers)

    def test_columns_are_those_of_the_contract(self, demo: Ranked) -> None:
        per_reach = [f"{c}_{s}" for s in DEMO_SPECIES for c in ("habitat", "access", "state")]
        reaches = ["reach", "source_id", "downstream", "outlet", "length_m", "strahler", "upstream_km"]
        assert set(reaches + per_reach) <= set(demo.layer("reaches").columns)
        amounts = ("passability", "habitat_above", "habitat_to_next", "blocked")
        per_site = [f"{c}_{s}" for s in DEMO_SPECIES for c in amounts]
        sites = ["site", "name", "kind", "snap_m", "reach", "upstream_km"]
        assert set(sites + per_site) <= set(demo.layer("sites").columns)
        head = ["rank", "site", "name", "action", "purpose", "cost", "present_worth_cost"]
        gains = [f"gain_{s}" for s in DEMO_SPECIES]
        tail = ["treatment_saved", "net_benefit", "benefit_per_cost", "best", "why"]
        columns = list(demo.csv().columns)
        assert set(head + gains + tail) <= set(columns)
        kept = [c for c in columns if c in {*head, *gains, *tail}]
        assert kept == head + gains + tail  # in the order of the contract
        after = [f"passability_{s}" for s in DEMO_SPECIES]
        assert columns[columns.index("why") :][:7] == ["why", "note", "hinges_on", *after]
        assert set(after) <= set(demo.layer("actions").columns)
        told = demo.csv()[after]
        assert ((told >= 0.0) & (told <= 1.0)).all(axis=None)

    def test_tables_refer_to_each_other(self, demo: Ranked) -> None:
        reaches, sites, actions = demo.layer("reaches"), demo.layer("sites"), demo.layer("actions")
        known = set(reaches["reach"])
        assert len(known) == len(reaches)
        assert set(reaches["downstream"].dropna()) <= known
        assert set(sites["reach"].dropna()) <= known
        assert set(actions["site"]) <= set(sites["site"])
        # walking down from any reach ends at an outlet
        down = reaches.set_index("reach")["downstream"]
        here = down
        for _ in range(len(reaches)):
            here = here.dropna().map(down)
            if here.empty:
                break
        assert here.empty
        # reaches end where the one below begins, and a site sits at the foot of the reach above it
        ends = reaches.set_index("reach").geometry
        pairs = reaches.dropna(subset="downstream")
        feet = shapely.get_point(ends[pairs["reach"]].to_numpy(), -1)
        heads = shapely.get_point(ends[pairs["downstream"].astype(int)].to_numpy(), 0)
        assert shapely.distance(feet, heads).max() < 0.51
        foot = shapely.get_point(ends[sites["reach"].astype(int)].to_numpy(), -1)
        np.testing.assert_allclose(
            shapely.distance(foot, sites.geometry.to_numpy()), sites["snap_m"], atol=0.01
        )

    def test_list_is_in_order_and_best_marks_one_action_a_site(self, demo: Ranked) -> None:
        table = demo.csv()
        rank = table["rank"].to_numpy()
        assert rank[0] == 1
        assert (np.diff(rank) >= 0).all()
        # equal ranks count: 1, 2, 2, 4
        first = np.searchsorted(rank, rank, side="left") + 1
        np.testing.assert_array_equal(rank, first)
        best = table[table["best"]]
        assert best["site"].is_unique
        worth = table[table["standing"] == "worth doing"]
        assert set(best["site"]) == set(worth["site"])
        assert (best["rank"] == worth.groupby("site")["rank"].min()[best["site"]].to_numpy()).all()
        ratio = worth["benefit_per_cost"].to_numpy()
        assert (np.diff(ratio) <= 1e-9 * ratio[:-1]).all()
        sites = demo.layer("sites").set_index("site")
        marked = sites["best_rank"].dropna()
        assert marked.astype(int).to_dict() == best.set_index("site")["rank"].to_dict()

    def test_csv_workbook_and_geopackage_hold_the_same_list(self, demo: Ranked) -> None:
        table, layer = demo.csv(), demo.layer("actions")
        sheet = pd.read_excel(
            demo.folder / "priority_list.xlsx", sheet_name=0, keep_default_na=False, na_values=[""]
        )
        book = openpyxl.load_workbook(demo.folder / "priority_list.xlsx", read_only=True)
        assert sheet.shape[0] == len(table) == len(layer), book.sheetnames
        for column in ("rank", "site", "action", "cost", "net_benefit", "gain_lamprey", "why"):
            title = column if column in sheet.columns else None
            if title is not None:
                _same(table[column], sheet[title], column)
            _same(table[column], layer[column], column)

    def test_terms_add_up(self, demo: Ranked) -> None:
        table = demo.csv()
        worth = table[[f"worth_{s}" for s in DEMO_SPECIES]].sum(axis=1) + table["treatment_saved"]
        np.testing.assert_allclose(worth, table["benefit"], rtol=1e-5, atol=0.1)
        net = table["benefit"] - table["present_worth_cost"]
        np.testing.assert_allclose(net, table["net_benefit"], rtol=1e-5, atol=5.0)

    def test_record_names_every_file_with_its_hash(self, demo: Ranked) -> None:
        record = demo.record()
        outputs = {o["path"]: o["sha256"] for o in record["outputs"]}
        mine = {n: h for n, h in state_of(demo.folder).items() if not n.startswith("plan/")}
        assert outputs == {n: h for n, h in mine.items() if n != "run.json"}
        read = {Path(i["path"]).name: i["sha256"] for i in record["inputs"]}
        assert read == {
            p.name: hashlib.sha256(p.read_bytes()).hexdigest()
            for p in DEMO.iterdir()
            if p.name != "README.md"
        }
        assert record["parameters"]["species"]["lamprey"]["treatment"]["interval_years"] == 4
        assert record["parameters"]["sites"]["ambiguous_m"] == 10.0  # a default, filled in
        assert record["command"][:2] == ["barrierrank", "demo"]

    def test_no_value_is_nan(self, demo: Ranked) -> None:
        assert not demo.csv().drop(columns=["note", "tied_with", "hinges_on"]).isna().any(axis=None)
        text = (demo.folder / "priority_list.csv").read_text(encoding="utf-8").lower()
        cells = {c for row in csv.reader(text.splitlines()) for c in row}
        assert not cells & {"nan", "none", "<na>", "inf", "-inf"}
        assert not demo.layer("reaches").drop(columns=["downstream", "stream"]).isna().any(axis=None)
        sites = demo.layer("sites")
        # empty where nothing stops the species, or where passability is given
        unknown = [
            c for c in sites if c.startswith(("stopped_by_", "p_worst_", "design_drop_m_", "raise_needed_m_"))
        ]
        assert not sites.drop(columns=["best_rank", "name", "kind", *unknown]).isna().any(axis=None)
        json.loads((demo.folder / "run.json").read_text(), parse_constant=pytest.fail)  # no NaN in it

    def test_same_inputs_give_the_same_list_and_layers(self, demo: Ranked, tmp_path: Path) -> None:
        again = run("rank", DEMO / "project.toml", "--out", tmp_path / "r", "--quiet")
        assert (again.code, again.out, again.err) == (0, "", "")
        first, second = state_of(demo.folder), state_of(tmp_path / "r")
        first = {n: h for n, h in first.items() if not n.startswith("plan/")}
        dated = {"run.json", "results.gpkg", "priority_list.xlsx"}  # these tell when and how they were made
        assert {n for n in first if first[n] != second[n]} <= dated
        for layer in ("reaches", "sites", "actions", "problems"):
            pd.testing.assert_frame_equal(
                demo.layer(layer), pyogrio.read_dataframe(tmp_path / "r" / "results.gpkg", layer=layer)
            )


def _same(a: pd.Series[Any], b: pd.Series[Any], name: str) -> None:
    """Hold two columns equal, numbers to the places they are written with, texts as the spreadsheet is spared them."""
    if pd.api.types.is_numeric_dtype(a):
        np.testing.assert_allclose(a.astype(float), b.astype(float), rtol=1e-5, atol=0.01, err_msg=name)
    else:
        assert [restore(str(v)) for v in a] == [restore(str(v)) for v in b], name


class TestNew:
    """From layers to a project file to a ranking, as a user goes."""

    def test_new_then_check_then_rank(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        shutil.copy(DEMO / "streams.gpkg", tmp_path)
        for name in (
            "sites.csv",
            "actions.csv",
        ):  # as before anything was measured: every passability is given
            table = pd.read_csv(DEMO / name, dtype=str, keep_default_na=False)
            table = table.drop(
                columns=[c for c in table if c.startswith(("change", "crest_", "efficiency_"))]
            )
            given = [c for c in table if c.startswith(("p_", "passability_"))]
            table[given] = table[given].replace("", "0.3")
            table.to_csv(tmp_path / name, index=False)
        monkeypatch.chdir(tmp_path)
        said = run(
            "new", "streams.gpkg", "--layer", "streams", "--sites", "sites.csv", "--actions", "actions.csv"
        )
        assert said.code == 0
        assert "barrierrank check project.toml" in said.out
        assert run("check", "project.toml").code == 0  # sound as proposed
        # the user puts in what only a user can know
        text = Path("project.toml").read_text(encoding="utf-8")
        assert "PLACEHOLDER" in text
        text = text.replace("\n[points]\n", "\n[money]\ncurrency = 'USD'\n").replace(
            "value = -1.0", "value = -0.95"
        )
        text = text.replace('name = "streams"', 'name = "Lake Thessamer"')
        Path("project.toml").write_text(text, encoding="utf-8")
        checked = run("check", "project.toml")
        assert checked.code == 0, checked.err
        said = run("rank", "project.toml", "--out", "results")
        assert said.code == 0
        assert said.out.startswith("Lake Thessamer: 1,571 reaches, 75 sites")

    def test_project_file_is_never_overwritten(self, small: SmallBasin) -> None:
        before = Path(small.project).read_text(encoding="utf-8")
        said = run("new", small.folder / "streams.gpkg", "--out", small.folder / "project.toml")
        assert said.code == 2
        assert "exists already; name another file with --out" in said.err
        assert Path(small.project).read_text(encoding="utf-8") == before

    def test_folder_that_is_not_there(self, small: SmallBasin) -> None:
        said = run("new", small.folder / "streams.gpkg", "--out", small.folder / "none" / "p.toml")
        assert said.code == 2
        assert "cannot write" in said.err
        assert not (small.folder / "none").exists()

    def test_layer_that_cannot_be_read(self, small: SmallBasin) -> None:
        said = run("new", small.folder / "sites.csv", "--out", small.folder / "p.toml")
        assert said.code == 1
        assert "sites.csv" in said.err
        assert not (small.folder / "p.toml").exists()


class TestCheck:
    """`check`: everything at once, nothing written."""

    def test_sound_project(self, small: SmallBasin) -> None:
        project = small.project
        before = state_of(small.folder)
        assert run("check", project) == Said(
            0,
            "4 lines make 7 reaches, 4.24 km of stream, with 1 outlet; 3 of 3 sites are on them; 4 actions at 3 sites\n"
            "0 errors, 0 warnings, 0 mended, 0 notes\n",
            "",
        )
        assert state_of(small.folder) == before

    def test_faults_of_all_files_at_once(self, small: SmallBasin) -> None:
        small.edit('width = "width_m"', 'width = "wide_m"')
        small.edit("[sites]", '[outlets]\npath = "mouths.csv"\n\n[sites]').write("mouths.csv", "x,y\n1,2\n")
        small.change("sites.csv", "D2,Upper", "D1,Upper").change("sites.csv", "0.6", "60")
        small.change("actions.csv", "D3,replace,400", "D9,replace,-400")
        said = run("check", small.project)
        assert said.code == 1
        lines = said.err.splitlines()
        assert all(line.startswith("error: ") and " -> " in line for line in lines)
        for file, words in (
            ("streams.gpkg", 'there is no column "wide_m" -> did you mean "width_m"?'),
            ("sites.csv", "D1 stand in more than one row (rows 2, 3)"),
            ("sites.csv", 'row 2 ("D1"), column "p_lamprey": given 60, allowed: from 0 to 1'),
            ("actions.csv", 'row 5: there is no site "D9" in sites.csv'),
            ("actions.csv", 'row 5 ("D9"), column "cost": given -400, allowed: 0 or more'),
            ("mouths.csv", ""),
        ):
            assert any(line.startswith(f"error: {file}") and words in line for line in lines), (file, words)
        assert said.out.endswith(f"{len(lines)} errors, 0 warnings, 0 mended, 0 notes\n")

    def test_strict_lets_warnings_fail(self, small: SmallBasin) -> None:
        small.change("sites.csv", "502500,4600500", "502500,4609500")
        assert run("check", small.project).code == 0
        said = run("check", small.project, "--strict")
        assert said.code == 1
        assert "row 4, site D3 (Head culvert): no stream line within 100 m" in said.out
        assert "[at 502500, 4609500]" in said.out
        assert "1 warning" in said.out
        said = run("rank", small.project, "--out", small.out, "--strict")
        assert said.code == 1
        assert "row 4, site D3 (Head culvert): no stream line within 100 m" in said.err
        assert not small.out.exists()

    def test_a_missing_project_file(self, tmp_path: Path) -> None:
        said = run("check", tmp_path / "none.toml")
        assert said.code == 1
        assert "none.toml: there is no such project file" in said.err

    def test_lines_that_cross_are_noted(self, small: SmallBasin) -> None:
        over = shapely.LineString([(500700, 4600400), (500700, 4599600)])
        lines = [*map(shapely.LineString, COURSES), over]
        small.lines({"a": [1, 2, 3, 4, 8], "b": [0, 1, 1, 2, 9]}, lines)
        assert "lines 1 and 5 cross without a node" in run("check", small.project).out


class TestOrderOfRows:
    """The order of rows in any input changes nothing."""

    def test_small_basin_gives_the_same_bytes(self, small: SmallBasin) -> None:
        rank(small)
        whole = (small.out / "priority_list.csv").read_bytes()
        for name, text in (("sites.csv", SITES), ("actions.csv", ACTIONS)):
            head, *rows = text.splitlines()
            small.write(name, "\n".join([head, *reversed(rows)]) + "\n")
        order = [2, 0, 3, 1]
        start, end = np.array([1, 2, 3, 4])[order], np.array([0, 1, 1, 2])[order]
        lines = [shapely.LineString(COURSES[i]) for i in order]
        small.lines({"line_id": np.array(order) + 1, "a": start, "b": end}, lines)
        rank(small)
        assert (small.out / "priority_list.csv").read_bytes() == whole

    def test_demo_basin_gives_the_same_list(self, demo: Ranked, tmp_path: Path) -> None:
        rng = np.random.default_rng(5)
        for name in ("sites.csv", "actions.csv", "structures.csv", "flows.csv", "trials.csv"):
            head, *rows = (DEMO / name).read_text(encoding="utf-8").splitlines()
            rows = [rows[i] for i in rng.permutation(len(rows))]
            (tmp_path / name).write_text("\n".join([head, *rows]), encoding="utf-8")
        streams = pyogrio.read_dataframe(DEMO / "streams.gpkg", layer="streams")
        streams.iloc[rng.permutation(len(streams))].to_file(tmp_path / "streams.gpkg", layer="streams")
        pyogrio.read_dataframe(DEMO / "streams.gpkg", layer="lake").to_file(
            tmp_path / "streams.gpkg", layer="lake", mode="a"
        )
        for name in (
            "project.toml",
            "dem.tif",
            "substrate.tif",
            "gauges.csv",
            "tailwater.csv",
            "sections.csv",
        ):
            shutil.copy(DEMO / name, tmp_path)
        problems = Problems()
        model = rank_project(load_project(tmp_path / "project.toml", problems), problems)
        table = demo.csv()
        for column in ("rank", "site", "action", "purpose", "best", "why"):
            assert model.priority[column].tolist() == table[column].tolist(), column
        for column in ("net_benefit", "gain_lamprey", "gain_brook_trout", "treatment_saved"):
            np.testing.assert_allclose(model.priority[column], table[column], rtol=1e-5, atol=0.01)


def test_record_times_every_stage(demo: Ranked) -> None:
    timings = demo.record()["timings"]
    assert set(timings) >= {"read", "network", "habitat", "access", "ranking", "tables", "write map.html"}
    assert all(seconds >= 0 for seconds in timings.values())
