"""Setting two runs side by side: order of rows, pairs of inputs, parameters, the looks of lines."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from barrierrank.outputs.compare import Comparison, compare_runs, unit_of
from barrierrank.outputs.compare_picture import SHOWN, draw_slopes, look_of
from barrierrank.outputs.compare_read import INTERVAL, NUMBERS, RunResult
from barrierrank.outputs.compare_words import sentences

SPECIES = {"eel": {"label": "Eel", "habitat": "length"}}


def result(actions: list[str], *, inputs: dict[str, str] | None = None, **parameters: Any) -> RunResult:
    """Return a run whose list has these actions at one site each, in this order."""
    listed = pd.DataFrame({"action": actions, "rank": np.arange(1, len(actions) + 1)})
    listed["site"] = [f"at {a}" for a in actions]
    listed["name"], listed["purpose"], listed["best"] = "", "both", True
    for name in NUMBERS:
        listed[name] = 1.0
    for name in INTERVAL:
        listed[name] = np.nan
    listed["passability_eel"] = 0.5
    files = inputs or {"/p/project.toml": "0"}
    record = {
        "version": "1",
        "inputs": [{"path": path, "sha256": sha or None} for path, sha in files.items()],
        "parameters": {"species": SPECIES, "economy": {"currency": "USD"}, **parameters},
    }
    return RunResult(Path("folder"), listed, None, record, touched=False)


def numbered(n: int) -> list[str]:
    return [f"a{i:03d}" for i in range(n)]


def states(one: Comparison, what: str) -> dict[str, str]:
    rows = one.changes[one.changes["what"] == what]
    return dict(zip(rows["name"], rows["state"], strict=True))


class TestMoves:
    """Rows and their order."""

    def test_greatest_moves_of_the_first_fifty_then_the_rest(self) -> None:
        before = numbered(120)
        after = [*before[1:30], before[0], *before[30:100], *reversed(before[100:])]  # first falls to 30, tail turned
        moves = compare_runs(result(before), result(after)).moves
        assert moves.loc[0, ["action", "rank_a", "rank_b", "places_up"]].tolist() == ["a000", 1, 30, -29]
        first = moves[moves[["rank_a", "rank_b"]].min(axis=1) <= 50]
        assert list(first.index) == list(range(50))
        assert first["places_up"].abs().is_monotonic_decreasing
        assert moves["places_up"].iloc[50:].abs().is_monotonic_decreasing
        assert moves["places_up"].iloc[50] in (-19, 19)

    def test_new_and_gone_lead(self) -> None:
        moves = compare_runs(result(["x", "y", "z"]), result(["w", "y", "z"])).moves
        assert moves["state"].tolist() == ["new", "gone", "both", "both"]
        assert pd.isna(moves.loc[0, "rank_a"])
        assert pd.isna(moves.loc[1, "rank_b"])

    def test_callers_tables_stay(self) -> None:
        a, b = result(["x", "y"]), result(["y", "x"])
        copy = a.listed.copy()
        compare_runs(a, b)
        pd.testing.assert_frame_equal(a.listed, copy)

    def test_passability_of_today_only_where_both_have_it(self) -> None:
        a, b = result(["x"]), result(["x"])
        assert "today_eel_a" not in compare_runs(a, b).moves
        table = pd.DataFrame({"site": ["at x"], "species": ["eel"], "passability": [0.25]})
        with_table = RunResult(b.folder, b.listed, table, b.record, touched=False)
        assert "today_eel_a" not in compare_runs(a, with_table).moves
        both = compare_runs(with_table, with_table).moves
        assert both[["today_eel_a", "today_eel_b", "passability_eel_b"]].iloc[0].tolist() == [0.25, 0.25, 0.5]


class TestChanges:
    """Inputs by checksum, parameters by dotted path."""

    def test_inputs_are_told_apart(self) -> None:
        a = result(["x"], inputs={"/p/a.toml": "1", "/p/s.csv": "2", "/p/old.csv": "3", "/q/d.tif": "4", "/p/k": "5"})
        b = result(["x"], inputs={"/r/b.toml": "1", "/r/s.csv": "9", "/r/new.csv": "3", "/r/i/d.tif": "4", "/r/k": ""})
        assert states(compare_runs(a, b), "input") == {
            "s.csv": "changed", "new.csv": "new", "old.csv": "gone", "k": "not known", "project file": "same",
            "i/d.tif": "same",
        }  # fmt: skip

    def test_a_part_of_a_shapefile_counts(self) -> None:
        runs = [result(["x"]), result(["x"])]
        for run, part in zip(runs, "12", strict=True):
            files = [{"name": "s.dbf", "sha256": part}]
            run.record["inputs"].append({"path": "/p/s.shp", "sha256": "7", "files": files})
        assert states(compare_runs(*runs), "input")["s.shp"] == "changed"

    def test_parameters_by_path(self) -> None:
        a = result(["x"], sites={"snap_tolerance_m": 50.0, "layer": None, "same": [1, 2]}, ratings={"poor": 0.2})
        b = result(["x"], sites={"snap_tolerance_m": 80.0, "layer": "s", "same": [1, 2]})
        changes = compare_runs(a, b).changes
        rows = changes[changes["what"] == "parameter"].drop(columns="what")
        assert rows.to_numpy().tolist() == [
            ["sites.snap_tolerance_m", "changed", "50.0", "80.0", "m"],
            ["sites.layer", "new", "", "s", ""],
            ["ratings.poor", "gone", "0.2", "", ""],
        ]

    @pytest.mark.parametrize(
        ("name", "unit"),
        [("economy.horizon_years", "years"), ("species.a.treatment.cost_per_unit", "USD"),
         ("a.warmth_per_deg", "per °C"),
         ("species.a.stages.rearing.drift_km", "km"), ("species.a.swimming.leap_speed_ms", "m/s"), ("basin.name", "")],
    )  # fmt: skip
    def test_units(self, name: str, unit: str) -> None:
        assert unit_of(name, "USD") == unit


class TestWords:
    """Sentences."""

    def test_a_passed_action_is_told_as_passed(self) -> None:
        told = " ".join(sentences(compare_runs(result(["x", "y", "z"]), result(["y", "z", "x"]))))
        assert "First is now at y: y (rank 2 in A); before it was at x: x (now rank 3)." in told
        assert "its own figures are as before" in told
        assert "The first 10 are the same actions as before." in told

    def test_into_and_out_of_the_first_ten(self) -> None:
        before = numbered(12)
        told = sentences(compare_runs(result(before), result([before[11], *before[:11]])))
        assert "Came into the first 10: at a011: a011 (12 to 1)." in told
        assert "Left the first 10: at a009: a009 (10 to 11)." in told

    @pytest.mark.parametrize(("a", "b"), [([], []), (["x"], []), ([], ["x"])])
    def test_empty_lists(self, a: list[str], b: list[str]) -> None:
        one = compare_runs(result(a), result(b))
        empty = f"The list of {'A' if b else 'B'} is empty." if a or b else "Neither run ranks any action."
        assert sentences(one)[0] == empty
        draw_slopes(one)

    def test_few_lines(self) -> None:
        before = numbered(200)
        assert 5 <= len(sentences(compare_runs(result(before), result(before[::-1])))) <= 11


class TestPicture:
    """Lines and labels."""

    def test_labels_do_not_overlap(self) -> None:
        before = numbered(1500)
        after = [*before[1400:], *before[:1400]]
        after[5], after[6] = "new thing " * 9, "n" * 300
        figure = draw_slopes(compare_runs(result(before), result(after)))
        boxes = [t.get_window_extent() for t in [*figure.texts, *figure.axes[0].texts] if t.get_text()]
        assert len(boxes) > 4 * SHOWN * 2
        width, height = figure.get_size_inches() * figure.dpi
        for i, one in enumerate(boxes):
            assert one.x0 >= 0
            assert one.x1 <= width + 1
            assert one.y0 >= 0
            assert one.y1 <= height + 1
            # a tenth of a row's height may touch: extents hold the room of letters with tails
            near = [o for o in boxes[i + 1 :] if min(one.x1, o.x1) - max(one.x0, o.x0) > 0]
            assert not [o for o in near if min(one.y1, o.y1) - max(one.y0, o.y0) > 2]

    def test_looks_differ_without_colour(self) -> None:
        moves = compare_runs(result(numbered(9)), result(["a008", *numbered(8)])).moves.set_index("action")
        up, down = look_of(moves.loc["a008"]), look_of(moves.loc["a000"])
        assert up[2] == "solid"
        assert down[2] != "solid"
        assert up[1] > down[1]  # eight places against one
