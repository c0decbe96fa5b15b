"""Passability from structures, flows and fish through the command line, end to end on a small basin."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pytest
from support.command import Ranked, rank, run, state_of
from support.small_passage import SmallPassage, flows

from barrierrank.outputs import bundle
from barrierrank.outputs.passage_table import PASSAGE_COLUMNS
from barrierrank.ranking.cautions import short_cautions

ROOT = Path(__file__).resolve().parents[1]
CHANGE = "upkeep,life_years,change,change_m,change_width_m,crest_up,crest_down,efficiency_lamprey,efficiency_walleye"
ROWS = (
    "D1,raise the crest,5000,50,30,raise,0.5,,,,,",
    "D1,remove,900,0,,remove,,,,,,",
    "D2,movable crest,8000,90,30,seasonal,0.8,,,,,",
    "D2,fish ladder,6000,70,30,fishway,,,,,0,0.6",
    "D3,new barrier,20000,90,40,build,1.4,,,,,",
)


def seasons_apart(small: SmallPassage) -> SmallPassage:
    """Let the lamprey come before most of the walleye."""
    whole = 'curve = [["04-01", 1.0], ["06-29", 1.0]]'
    small.text = small.text.replace(whole, 'curve = [["04-01", 1.0], ["05-31", 0.0]]', 1)
    return small.edit(whole, 'curve = [["04-15", 0.0], ["06-29", 1.0]]')


@pytest.fixture
def small(tmp_path: Path) -> SmallPassage:
    """Return a small project of which all passabilities are worked out; see `support.small_passage`."""
    made = seasons_apart(SmallPassage(tmp_path / "basin"))
    return made.actions(CHANGE, *ROWS).trials("D2,,lamprey,40,0", ",fish ladder,walleye,96,61")


@pytest.fixture(scope="module")
def ranked(tmp_path_factory: pytest.TempPathFactory) -> Ranked:
    """Rank the small project once, for all that look at its results."""
    made = seasons_apart(SmallPassage(tmp_path_factory.mktemp("passage")))
    return rank(made.actions(CHANGE, *ROWS).trials("D2,,lamprey,40,0", ",fish ladder,walleye,96,61"))


class TestResults:
    """Every file says the same of a passability."""

    def test_files(self, ranked: Ranked) -> None:
        names = {p.name for p in ranked.folder.iterdir()}
        assert {"passage.csv", "passage_d1.png", "passage_d2.png", "season_d2_1.png"} <= names
        assert "passage_d3.png" not in names, "nothing stands at D3"

    def test_passage_csv(self, ranked: Ranked) -> None:
        table = pd.read_csv(ranked.folder / "passage.csv", keep_default_na=False, na_values=[""])
        assert tuple(table.columns) == PASSAGE_COLUMNS
        assert list(zip(table["site"], table["species"], strict=True)) == [
            (s, k) for s in ("D1", "D2", "D3") for k in ("lamprey", "walleye")
        ]
        assert table["source"].tolist() == ["computed", "computed", "trial", "computed", "computed", "computed"]
        tried = table.iloc[2]
        assert tried["passability"] == pytest.approx(1 - 0.05 ** (1 / 40), rel=1e-5)
        assert (tried["trial_offered"], tried["trial_passed"]) == (40, 0)
        first = table.iloc[0]
        assert first["design_drop_m"] == pytest.approx(0.3)
        assert first["raise_needed_m"] == pytest.approx(0.15)
        assert "the crest is 0.15 m too low" in first["words"]
        assert table["words"].str.len().gt(20).all()

    def test_passabilities_after_the_works(self, ranked: Ranked) -> None:
        listed = ranked.csv().set_index("action")
        assert set(listed.index) == {"raise the crest", "remove", "movable crest", "fish ladder", "new barrier"}
        # the raise keeps the lamprey out and holds the walleye back; the ladder helps the walleye alone
        assert listed.loc["raise the crest", "gain_lamprey"] < 0.0
        assert listed.loc["raise the crest", "gain_walleye"] < 0.0
        assert listed.loc["fish ladder", "gain_walleye"] > 0.0
        assert listed.loc["fish ladder", "gain_lamprey"] == pytest.approx(0.0, abs=1e-9)
        assert listed.loc["movable crest", "gain_walleye"] > 0.0
        assert listed.loc["movable crest", "note"].startswith("dates found: 1 Apr – ")

    def test_workbook(self, ranked: Ranked) -> None:
        book = openpyxl.load_workbook(ranked.folder / "priority_list.xlsx", read_only=True)
        rows = list(book["Passability"].iter_rows(values_only=True))
        assert len(rows) >= 7
        texts = {str(c) for row in rows for c in row if c is not None}
        assert {"D1", "D2", "D3", "computed", "trial"} <= texts

    def test_layers(self, ranked: Ranked) -> None:
        sites = ranked.layer("sites").set_index("site")
        assert sites["source_lamprey"].tolist() == ["computed", "trial", "computed"]
        assert sites.loc["D1", "stopped_by_lamprey"] == "drop"
        assert sites.loc["D2", "stopped_by_walleye"] == "drop"
        assert sites.loc["D1", "p_worst_lamprey"] > sites.loc["D1", "passability_lamprey"]
        assert np.isnan(sites.loc["D2", "p_worst_lamprey"])
        table = pd.read_csv(ranked.folder / "passage.csv", keep_default_na=False, na_values=[""])
        for species in ("lamprey", "walleye"):
            told = table[table["species"] == species].set_index("site")["passability"]
            assert sites[f"passability_{species}"].to_numpy() == pytest.approx(told.to_numpy(), rel=1e-5)

    def test_record(self, ranked: Ranked) -> None:
        record = ranked.record()
        names = [Path(entry["path"]).name for entry in record["inputs"]]
        for name in ("structures.csv", "ratings.csv", "flows.csv", "trials.csv", "actions.csv", "sites.csv"):
            assert names.count(name) == 1
        assert all(entry["sha256"] for entry in record["inputs"])
        kinds = {problem["kind"] for problem in record["problems"]}
        assert "few_years" in kinds

    def test_gauges_and_sections_are_inputs_too(self, small: SmallPassage) -> None:
        small.write("gauges.csv", "gauge,area_km2\nflows,10\n")
        small.write("sections.csv", "site,station_m,elevation_m\nD3,0,101\nD3,1,99\nD3,9,99\nD3,10,101\n")
        small.edit('discharge = "q"\n', 'discharge = "q"\ngauges = "gauges.csv"\n')
        small.edit('ratings = "ratings.csv"\n', 'ratings = "ratings.csv"\nsections = "sections.csv"\n')
        names = [Path(entry["path"]).name for entry in rank(small).record()["inputs"]]
        assert {"gauges.csv", "sections.csv"} <= set(names)

    def test_cautions_are_printed(self, ranked: Ranked) -> None:
        page = (ranked.folder / "map.html").read_text(encoding="utf-8")
        said = run("rank", ranked.folder.parent / "project.toml", "--out", ranked.folder)
        assert said.code == 0
        assert "drown" in said.out
        assert "licensed engineer" in said.out
        assert any(caution[:40] in page for caution in short_cautions())

    def test_the_same_inputs_give_the_same_table(self, small: SmallPassage) -> None:
        first = (rank(small).folder / "passage.csv").read_bytes()
        listed = (small.out / "priority_list.csv").read_bytes()
        assert (rank(small).folder / "passage.csv").read_bytes() == first
        assert (small.out / "priority_list.csv").read_bytes() == listed

    def test_without_structures_nothing_of_it_is_written_and_old_pictures_go(self, small: SmallPassage) -> None:
        rank(small)
        assert (small.out / "passage.csv").is_file()
        start = small.text.index("[structures]")
        small.text = small.text[:start]
        for site in ("D1", "D2", "D3"):
            small.give(site, 0.2, 0.3)
        small.actions("passability_lamprey,passability_walleye", "D1,remove,900,1,1")
        rank(small)
        names = {p.name for p in small.out.iterdir()}
        assert not {n for n in names if n.startswith(("passage", "season"))}
        assert "source_lamprey" not in Ranked(small.out, run("check", small.project)).layer("sites")


class TestCheck:
    """`check` looks at everything and writes nothing."""

    def test_a_sound_project(self, small: SmallPassage) -> None:
        before = state_of(small.folder)
        said = run("check", small.project)
        assert said.code == 0
        assert "0 errors, 0 warnings" in said.out
        after = state_of(small.folder)
        assert {n: h for n, h in after.items() if n != "project.toml"} == before

    @pytest.mark.parametrize(
        ("old", "new", "words"),
        [
            ("D1,weir,100.0,8,99.2", "D1,weir,100.0,8,100.2", 'row 2 (site "D1")'),
            ("D1,weir,100.0,8,99.2", "D1,weir,,8,99.2", "crest_m"),
            ("D1,weir,", "D1,wier,", 'did you mean "weir"'),
            ("D2,weir,100.4", "D1,weir,100.4", "stand in more than one row"),
            ("D2,weir,100.4", "D9,weir,100.4", 'there is no site "D9"'),
        ],
    )
    def test_impossible_structures(self, small: SmallPassage, old: str, new: str, words: str) -> None:
        small.change("structures.csv", old, new)
        said = run("check", small.project)
        assert said.code == 1
        assert "structures.csv" in said.err
        assert words in said.err
        assert run("rank", small.project, "--out", small.out, "--quiet").code == 1
        assert not small.out.exists()

    def test_a_rating_that_falls(self, small: SmallPassage) -> None:
        small.change("ratings.csv", "D2,10,100", "D2,10,98.5")
        said = run("check", small.project)
        assert said.code == 1
        assert "ratings.csv" in said.err
        assert "98.5 m at 10 m3/s, but 99 m at 0 m3/s" in said.err

    def test_a_crest_below_the_water_at_low_flow(self, small: SmallPassage) -> None:
        small.change("structures.csv", "D1,weir,100.0,8,99.2", "D1,weir,99.15,8,98.5")
        small.actions(CHANGE, *ROWS[1:])
        said = run("check", small.project)
        assert said.code == 0
        line = next(line for line in said.out.splitlines() if "the water below stands" in line)
        assert line.startswith("warning: ")
        assert 'site "D1": at low flow (2 m3/s) the water below stands 0.05 m above the crest' in line
        assert "[at 500500, 4600000]" in line
        # the ranking says so too, and puts it on the map
        said = run("rank", small.project, "--out", small.out, "--quiet")
        assert "the water below stands 0.05 m above the crest" in said.err
        problems = pyogrio.read_dataframe(small.out / "results.gpkg", layer="problems")
        assert (problems["kind"] == "negative_drop").sum() == 1

    def test_all_that_is_wrong_is_told_at_once(self, small: SmallPassage) -> None:
        small.change("structures.csv", "D1,weir,100.0,8,99.2", "D1,weir,100.0,8,100.2")
        small.change("flows.csv", "2001-01-02,1.0", "2001-01-32,1.0")
        small.change("trials.csv", "40,0", "40,41")
        small.change("actions.csv", "raise,0.5", "raze,0.5")
        told = run("check", small.project).err
        for words in ("structures.csv", "2001-01-32", "41 passed of 40 offered", '"raze"'):
            assert words in told

    def test_changes_that_cannot_be_made(self, small: SmallPassage) -> None:
        small.change("actions.csv", "build,1.4", "raise,1.4")
        said = run("check", small.project)
        assert said.code == 1
        assert 'row 6 (site "D3", new barrier): raise: no structure stands there' in said.err

    def test_what_is_missing_is_named(self, small: SmallPassage) -> None:
        small.change("structures.csv", "D3,none,,,,,,,,99.0,10,1,1\n", "")
        small.change("ratings.csv", "D3,0,99\nD3,10,100\nD3,30,101\n", "")
        said = run("check", small.project)
        assert said.code == 1
        assert said.err.count('site "D3": not given, and it cannot be worked out: the site is not measured') == 1
        assert 'change "build" is to be worked out, but the site is not measured' in said.err

    def test_a_gauge_that_is_not_there(self, small: SmallPassage) -> None:
        small.change("structures.csv", "flow_a,flow_b", "flow_a,flow_b,gauge")
        small.change("structures.csv", "99.0,10,1,1\nD2", "99.0,10,1,1,flow\nD2")
        said = run("check", small.project)
        assert said.code == 1
        assert 'given "flow", but no gauge of that name has flows' in said.err


class TestDischargeAndUnits:
    """The same water in other units, and the area of the network for the transfer."""

    def test_cubic_feet(self, small: SmallPassage) -> None:
        small.text += "\n[passage]\npictures = 0\n"
        first = pd.read_csv(rank(small).folder / "passage.csv")
        assert not list(small.out.glob("passage_*.png"))
        head, *lines = flows().splitlines()
        feet = [f"{line.split(',')[0]},{float(line.split(',')[1]) / 0.028316846592!r}" for line in lines]
        small.write("flows.csv", "\n".join([head, *feet]) + "\n")
        small.edit('discharge = "q"\n', 'discharge = "q"\ndischarge_unit = "ft3s"\n')
        again = pd.read_csv(rank(small).folder / "passage.csv")
        pd.testing.assert_frame_equal(again, first)

    def test_drainage_areas_come_from_the_network(self, small: SmallPassage) -> None:
        # the lines have 10 km2 everywhere: half the gauge's area halves the flow, and 3.5 m3/s leave 0.65 m at D1
        text = (small.folder / "structures.csv").read_text(encoding="utf-8")
        small.write("structures.csv", text.replace(",flow_a,flow_b", "").replace(",1,1\n", "\n"))
        small.write("gauges.csv", "gauge,area_km2\nflows,20\n")
        small.edit('discharge = "q"\n', 'discharge = "q"\ngauges = "gauges.csv"\n')
        small.text += "\n[passage]\npictures = 0\n"
        table = pd.read_csv(rank(small).folder / "passage.csv")
        assert table.loc[0, "design_flow_m3s"] == pytest.approx(3.5)
        assert table.loc[0, "design_drop_m"] == pytest.approx(0.65)
        assert table.loc[0, "passability"] == 0.0


class TestStops:
    """A run that does not end leaves the results of the one before."""

    def test_a_fault_while_pictures_are_drawn(self, small: SmallPassage, monkeypatch: pytest.MonkeyPatch) -> None:
        rank(small)
        before = state_of(small.out)

        def broken(*_: object) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(bundle, "write_passages", broken)
        small.change("structures.csv", "D1,weir,100.0", "D1,weir,100.3")
        said = run("rank", small.project, "--out", small.out, "--quiet")
        assert said.code == 1
        assert state_of(small.out) == before

    @pytest.mark.skipif(os.name != "posix", reason="signals of this kind are POSIX")
    def test_a_killed_run_leaves_old_results(self, small: SmallPassage) -> None:
        rank(small)
        before = state_of(small.out)
        small.change("structures.csv", "D1,weir,100.0", "D1,weir,100.3")
        words = [sys.executable, "-m", "barrierrank.cli", "rank", small.project, "--out", str(small.out)]
        started = subprocess.Popen(
            words, env={**os.environ, "PYTHONPATH": str(ROOT)}, stderr=subprocess.PIPE, text=True,
            stdout=subprocess.DEVNULL,
        )  # fmt: skip
        assert started.stderr is not None
        for line in started.stderr:
            if "passage.csv" in line:  # told as done: the pictures are still to be drawn
                break
        started.send_signal(signal.SIGKILL)
        started.stderr.read()
        assert started.wait(30) == -signal.SIGKILL
        assert state_of(small.out) == before
        # and the next run is none the worse for it
        rank(small)
        assert state_of(small.out) != before
