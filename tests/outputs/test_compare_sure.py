"""Two runs set side by side where either drew its inputs: intervals, chances, and what is said and drawn of them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from barrierrank.outputs.compare import Comparison, compare_runs
from barrierrank.outputs.compare_picture import SHOWN, draw_slopes, look_of
from barrierrank.outputs.compare_read import INTERVAL, NEEDED, NUMBERS, RunResult, read_runs
from barrierrank.outputs.compare_sure import beyond, share_words, shifted, width_words
from barrierrank.outputs.compare_words import sentences
from barrierrank.outputs.compare_write import write_comparison
from barrierrank.outputs.styles import BLUE
from barrierrank.problems import InputError

NAMES = [f"a{i:03d}" for i in range(40)]
DRAWN = {"draws": 400, "level": 0.9, "top": 10}


def listed(actions: list[str], half: int | None, chance: dict[str, float], harm: dict[str, float]) -> pd.DataFrame:
    """Return a list in this order, its intervals `half` places to either side."""
    rank = np.arange(1, len(actions) + 1)
    table = pd.DataFrame({"rank": rank, "site": [f"at {a}" for a in actions], "name": "", "action": actions})
    table["purpose"], table["best"] = "both", True
    for name in NUMBERS:
        table[name] = 1.0
    if half is not None:
        table["rank_low"], table["rank_high"] = np.maximum(rank - half, 1), np.minimum(rank + half, len(actions))
        table["chance_top"] = [chance.get(a, 0.5) for a in actions]
        table["expected_benefit"] = 2.5
        table["chance_of_harm"] = [harm.get(a, 0.0) for a in actions]
    return table


def drawn(
    actions: list[str],
    half: int | None = 3,
    *,
    chance: dict[str, float] | None = None,
    harm: dict[str, float] | None = None,
    **uncertainty: Any,
) -> RunResult:
    """Return a run with such a list; without intervals where `half` is None."""
    told = {"uncertainty": {**DRAWN, **({"draws": 0} if half is None else {}), **uncertainty}}
    record = {"version": "1", "inputs": [{"path": "/p/project.toml", "sha256": "0"}], "parameters": told}
    table = listed(actions, half, chance or {}, harm or {})
    return RunResult(Path("folder"), table, None, record, touched=False)


def words(one: Comparison) -> str:
    return " ".join(sentences(one))


def of(one: Comparison, action: str) -> pd.Series[Any]:
    return one.moves.set_index("action").loc[action]


def down(n: int) -> list[str]:
    """Return the list with its first action n places further down."""
    return [*NAMES[1 : n + 1], NAMES[0], *NAMES[n + 1 :]]


class TestBeyond:
    """Which moves the draws do not leave open."""

    @pytest.mark.parametrize(
        ("a", "b", "told"),
        [
            ((2, 1, 15), (40, 22, 54), True),  # apart
            ((40, 22, 54), (2, 1, 15), True),
            ((172, 1, 176), (1, 1, 152), False),  # 172 is past 152, but 1 is within 1 to 176
            ((172, 6, 176), (1, 1, 152), True),
            ((2, 1, 15), (16, 2, 30), False),  # A's rank is one that B can have
            ((3, 1, 5), (6, 4, 8), True),  # they overlap, but neither holds the rank of the other
            ((3, 1, 5), (5, 4, 8), False),
            ((134, 84, 126), (130, 86, 125), False),  # of equals: ranks outside their own intervals, on the same side
            ((7, 8, 9), (7, 10, 12), False),  # not moved
        ],
    )
    def test_each_rank_is_past_the_interval_of_the_other(
        self, a: tuple[int, int, int], b: tuple[int, int, int], told: bool
    ) -> None:
        names = ("rank", "rank_low", "rank_high")
        row = {f"{n}_{tag}": [float(v)] for tag, end in (("a", a), ("b", b)) for n, v in zip(names, end, strict=True)}
        assert beyond(pd.DataFrame(row)).tolist() == [told]

    @given(st.lists(st.integers(1, 60), min_size=6, max_size=6))
    def test_intervals_that_do_not_overlap_are_beyond_and_the_runs_can_change_places(self, ends: list[int]) -> None:
        low_a, rank_a, high_a = sorted(ends[:3])
        low_b, rank_b, high_b = sorted(ends[3:])
        names = ("rank", "rank_low", "rank_high")
        one = dict(zip(names, (rank_a, low_a, high_a), strict=True))
        two = dict(zip(names, (rank_b, low_b, high_b), strict=True))
        told = [
            bool(beyond(pd.DataFrame([{f"{k}_a": x[k] for k in names} | {f"{k}_b": y[k] for k in names}]))[0])
            for x, y in ((one, two), (two, one))
        ]
        assert told[0] == told[1]
        if high_a < low_b or high_b < low_a:
            assert told[0]
        if low_a <= rank_b <= high_a or low_b <= rank_a <= high_b:
            assert not told[0]

    def test_missing_where_a_run_has_none(self) -> None:
        one = compare_runs(drawn(NAMES, None), drawn(down(20)))
        assert one.moves["beyond"].isna().all()
        other = drawn(NAMES)
        other.listed.loc[0, ["rank_low", "rank_high"]] = np.nan
        half = compare_runs(other, drawn(down(20)))
        assert pd.isna(of(half, NAMES[0])["beyond"])
        assert half.moves["beyond"].notna().sum() == len(NAMES) - 1
        assert "For 1 it is not known." in words(half)

    def test_new_and_gone_have_none(self) -> None:
        one = compare_runs(drawn(NAMES), drawn(["x", *NAMES[1:]]))
        assert one.moves.loc[one.moves["state"] != "both", "beyond"].isna().all()


class TestWords:
    """What a manager is told."""

    def test_moves_beyond_are_parted_from_moves_within(self) -> None:
        told = words(compare_runs(drawn(NAMES), drawn(down(20))))
        assert "Of 40 actions in both runs 21 changed rank" in told
        assert "1 move is beyond what the inputs' uncertainty explains" in told
        assert "other run: at a000: a000 (1 to 21). The other 20 are within it: what is not known" in told
        assert "The interval of a rank holds it in 90 % of 400 draws, in either run." in told

    def test_none_is_beyond(self) -> None:
        told = words(compare_runs(drawn(NAMES, 30), drawn(down(20), 30)))
        assert "No move is beyond what the inputs' uncertainty explains" in told

    def test_all_are_beyond(self) -> None:
        one = compare_runs(drawn(NAMES[:2], 0), drawn(NAMES[1::-1], 0))
        told = words(one)
        assert "2 moves are beyond" in told
        assert "The other" not in told

    def test_those_beyond_are_told_first(self) -> None:
        """A far move within the intervals stands behind a shorter one beyond them."""
        before, after = drawn(NAMES), drawn([NAMES[1], *NAMES[3:9], NAMES[2], NAMES[0], *NAMES[9:]])
        for run in (before, after):
            mine = run.listed["action"] == NAMES[0]
            run.listed.loc[mine, ["rank_low", "rank_high"]] = [1, 40]
        far = [line for line in sentences(compare_runs(before, after)) if " moved " in line]
        assert far[0].startswith("at a002: a002 moved 5 places down, from 3 to 8")
        assert "(beyond its rank intervals, 1–6 in A and 5–11 in B; " in far[0]
        assert far[1].startswith("at a000: a000 moved 8 places down")
        assert "within its rank interval, 1–40 in either run" in far[1]

    def test_who_comes_and_who_leaves_has_chances(self) -> None:
        a = drawn(NAMES, chance={"a000": 0.9, "a010": 0.3})
        b = drawn(down(20), chance={"a000": 0.001, "a010": 0.52})
        told = words(compare_runs(a, b))
        came = "Came into the first 10: at a010: a010 (11 to 10; there in 30 % of the draws in A, 52 % in B)."
        assert came in told
        assert "Left the first 10: at a000: a000 (1 to 21; there in 90 % of the draws in A, <1 % in B)." in told
        assert "among the first 10 in 90 % of the draws in A, <1 % in B)" in told  # of the farthest move

    def test_the_first_are_as_many_as_the_chances_are_of(self) -> None:
        told = words(compare_runs(drawn(NAMES, top=3), drawn(down(20), top=3)))
        assert "Came into the first 3: at a003: a003 (4 to 3; there in 50 % of the draws in either run)." in told
        assert "first 10" not in told

    def test_new_and_gone(self) -> None:
        told = words(compare_runs(drawn(NAMES, chance={"a000": 0.8}), drawn(["x", *NAMES[1:]], chance={"x": 1.0})))
        assert "Came into the first 10: at x: x (new, rank 1; there in 100 % of the draws in B)." in told
        assert "Left the first 10: at a000: a000 (was 1, gone; there in 80 % of the draws in A)." in told

    def test_only_one_has_intervals(self) -> None:
        told = words(compare_runs(drawn(NAMES, None), drawn(down(20), chance={"a000": 0.1})))
        assert "Only B has intervals of ranks, A has none (its [uncertainty] draws is 0): whether" in told
        assert "Rank A with draws to see." in told
        assert "there in 10 % of the draws in B" in told
        assert "beyond what" not in told
        told = words(compare_runs(drawn(down(20)), drawn(NAMES, None, draws=None)))
        assert "Only A has intervals of ranks, B has none (its list has no such columns)" in told

    def test_neither_has(self) -> None:
        told = words(compare_runs(drawn(NAMES, None), drawn(down(20), None)))
        assert "Neither run has intervals of ranks, so how sure a move is cannot be told" in told
        assert "chance" not in told

    def test_levels_and_draws_that_differ_are_told(self) -> None:
        told = words(compare_runs(drawn(NAMES), drawn(down(20), draws=1600, level=0.5)))
        assert "holds it in 90 % of 400 draws in A, in 50 % of 1,600 draws in B. The narrower ones" in told
        assert "more open" not in told
        told = words(compare_runs(drawn(NAMES), drawn(down(20), draws=1600)))
        assert "holds it in 90 % of 400 draws in A, in 90 % of 1,600 draws in B." in told
        assert "narrower" not in told

    def test_chances_of_different_tops_are_not_set_against_each_other(self) -> None:
        a, b = drawn(NAMES, chance={"a000": 0.9}), drawn(down(20), chance={"a000": 0.1}, top=5)
        one = compare_runs(a, b)
        told = words(one)
        assert "Chances are of the first 10 in A, of the first 5 in B: do not set them against each other." in told
        assert "among the first 10 in 90 % of the draws in A, the first 5 in 10 % of the draws in B" in told
        assert not len(shifted(a, b, one.moves))
        assert "chance of a place" not in told

    def test_nothing_moved_but_the_draws(self) -> None:
        a = drawn(NAMES, 10, chance={"a004": 0.6}, harm={"a001": 0.2, "a030": 0.0})
        b = drawn(NAMES, 4, chance={"a004": 0.75}, harm={"a001": 0.4, "a030": 0.9})
        told = sentences(compare_runs(a, b))
        assert told[0].startswith("Nothing moved")
        joined = " ".join(told)
        assert "chance of a place among the first 10 changed for at a004: a004 (60 % to 75 % of the draws)." in joined
        worse = "Likelier than before to do more harm than good, of the first 10 in B: at a001: a001 (20 % to 40 %"
        assert worse in joined
        assert "a030" not in joined  # far down the list
        assert "The order of the first 10 is less open than before: half of their rank intervals hold 9 ranks" in joined
        assert "or fewer, in A 16." in joined

    def test_the_same_run_twice(self) -> None:
        told = sentences(compare_runs(drawn(NAMES), drawn(NAMES)))
        assert "All rank intervals and chances are as before." in told
        assert not [line for line in told if "open" in line]

    def test_widths(self) -> None:
        def of_head(half_a: int, half_b: int) -> str:
            one = compare_runs(drawn(NAMES, half_a), drawn(down(1), half_b))
            return width_words(one.a, one.b, one.moves, first=10)

        assert "about as open as before" in of_head(5, 5)
        assert "more open than before" in of_head(2, 9)
        assert "less open than before" in of_head(9, 2)

    @pytest.mark.parametrize(
        ("share", "told"), [(0.0, "none"), (0.001, "<1 %"), (0.345, "34 %"), (0.999, ">99 %"), (1.0, "100 %")]
    )
    def test_shares(self, share: float, told: str) -> None:
        assert share_words(share) == told


class TestShifted:
    """Chances that differ by more than draws scatter."""

    # common practice, no source: two standard errors of a difference of two shares of independent draws
    @pytest.mark.parametrize(("draws", "told"), [(50, 0), (5000, 1)])
    def test_more_draws_tell_smaller_differences(self, draws: int, told: int) -> None:
        a, b = (drawn(NAMES, draws=draws, chance={"a004": p}) for p in (0.45, 0.55))
        assert len(shifted(a, b, compare_runs(a, b).moves)) == told

    def test_small_ones_are_never_told(self) -> None:
        a, b = (drawn(NAMES, draws=10**6, chance={"a004": p}) for p in (0.45, 0.49))
        assert not len(shifted(a, b, compare_runs(a, b).moves))

    def test_false_alarms_are_rare(self) -> None:
        """Of chances that did not change, about one in twenty at most is told (two standard errors)."""
        rng, names = np.random.default_rng(7), [f"a{i:04d}" for i in range(2000)]
        runs = [
            drawn(names, draws=200, chance=dict(zip(names, rng.binomial(200, 0.5, 2000) / 200, strict=True)))
            for _ in "ab"
        ]
        assert 0 < len(shifted(*runs, compare_runs(*runs).moves)) < 0.07 * 2000

    def test_greatest_first(self) -> None:
        a = drawn(NAMES, chance={"a004": 0.5, "a007": 0.5})
        b = drawn(NAMES, chance={"a004": 0.7, "a007": 0.1})
        assert shifted(a, b, compare_runs(a, b).moves)["action"].tolist() == ["a007", "a004"]


class TestTable:
    """compare.csv."""

    def test_columns_of_both_runs(self, tmp_path: Path) -> None:
        one = compare_runs(drawn(NAMES, chance={"a000": 1 / 3}), drawn(["x", *NAMES[2:], NAMES[0]]))
        write_comparison(tmp_path, one)
        table = pd.read_csv(tmp_path / "compare.csv", dtype=str, keep_default_na=False).set_index("action")
        row = table.loc["a000"]
        assert row[["beyond", "rank_low_a", "rank_high_a", "rank_low_b", "rank_high_b"]].tolist() == [
            "True", "1", "4", "37", "40",
        ]  # fmt: skip
        assert row[["chance_top_a", "chance_top_b", "expected_benefit_b", "chance_of_harm_b"]].tolist() == [
            "0.333333", "0.5", "2.5", "0.0",
        ]  # fmt: skip
        assert table.loc["x", ["beyond", "rank_low_a", "chance_top_a", "rank_low_b"]].tolist() == ["", "", "", "1"]
        assert set(table["beyond"]) == {"True", "False", ""}

    def test_columns_are_there_and_empty_without_draws(self, tmp_path: Path) -> None:
        write_comparison(tmp_path, compare_runs(drawn(NAMES, None), drawn(down(3), None)))
        table = pd.read_csv(tmp_path / "compare.csv", dtype=str, keep_default_na=False)
        for name in ("beyond", *(f"{n}_{tag}" for n in INTERVAL for tag in "ab")):
            assert (table[name] == "").all(), name

    def test_no_line_begins_with_a_per_cent_sign(self, tmp_path: Path) -> None:
        a = drawn(NAMES, chance=dict.fromkeys(NAMES, 0.25))
        write_comparison(tmp_path, compare_runs(a, drawn(NAMES[::-1], chance=dict.fromkeys(NAMES, 0.75))))
        text = (tmp_path / "compare.txt").read_text(encoding="utf-8")
        assert " %" in text
        assert "\u00a0" not in text
        assert not [line for line in text.splitlines() if line.lstrip().startswith("%")]


class TestReading:
    """Columns of intervals in folders."""

    def folder(self, at: Path, table: pd.DataFrame, parameters: dict[str, Any]) -> Path:
        at.mkdir()
        table.to_csv(at / "priority_list.csv", index=False)
        record = {"version": "0.1", "inputs": [], "parameters": parameters}
        (at / "run.json").write_text(json.dumps(record), encoding="utf-8")
        return at

    def test_the_layout_before_intervals(self, tmp_path: Path) -> None:
        old = self.folder(tmp_path / "a", listed(NAMES, None, {}, {})[list(NEEDED)], {})
        new = self.folder(tmp_path / "b", listed(down(20), 3, {}, {}), {"uncertainty": DRAWN})
        a, b = read_runs(old, new)
        assert (a.has_intervals, a.draws, a.level, a.top) == (False, None, None, None)
        assert (b.has_intervals, b.draws, b.level, b.top) == (True, 400, 0.9, 10)
        one = compare_runs(a, b)
        assert "A has none (its list has no such columns)" in words(one)
        write_comparison(tmp_path / "moved", one)
        assert (compare_runs(a, a).moves["places_up"] == 0).all()

    def test_empty_cells_are_no_intervals(self, tmp_path: Path) -> None:
        table = listed(NAMES, 3, {}, {})
        table[["rank_low", "rank_high"]] = table[["rank_low", "rank_high"]].astype("Int64")
        table.loc[3, list(INTERVAL)] = pd.NA
        a, _ = read_runs(*(self.folder(tmp_path / n, table, {"uncertainty": DRAWN}) for n in "ab"))
        assert a.has_intervals
        assert a.listed[list(INTERVAL)].isna().all(axis=1).tolist() == [i == 3 for i in range(40)]

    @pytest.mark.parametrize(
        ("told", "known"),
        [
            ({"draws": True, "level": True, "top": 0}, (None, None, None)),
            ({"draws": "512", "level": 1.5, "top": -1}, (None, None, None)),
            ({"draws": 0, "level": 1, "top": 1}, (0, 1.0, 1)),
            ([1], (None, None, None)),
        ],
    )
    def test_parameters_that_are_none(self, told: Any, known: tuple[Any, ...]) -> None:
        run = drawn(NAMES)
        run.record["parameters"]["uncertainty"] = told
        assert (run.draws, run.level, run.top) == known
        one = compare_runs(run, run)
        assert sentences(one)
        draw_slopes(one)

    @pytest.mark.parametrize(
        ("column", "value", "allowed"),
        [
            ("rank_low", 0, "a whole number from 1 on"),
            ("rank_low", 1.5, "a whole number from 1 on"),
            ("rank_high", 1e300, "a whole number from 1 on"),
            ("rank_high", np.inf, "a whole number from 1 on"),
            ("rank_high", "far", "a number, with a point"),
            ("rank_high", 2, "no less than rank_low"),
            ("chance_top", 1.2, "from 0 to 1"),
            ("chance_of_harm", -0.1, "from 0 to 1"),
        ],
    )
    def test_cells_that_cannot_be(self, tmp_path: Path, column: str, value: Any, allowed: str) -> None:
        table = listed(NAMES, 3, {}, {}).astype({column: object})
        table.loc[9, column] = value
        folder = self.folder(tmp_path / "a", table, {"uncertainty": DRAWN})
        with pytest.raises(InputError) as caught:
            read_runs(folder, folder)
        assert f"row 11: {column} is" in str(caught.value)
        assert allowed in str(caught.value)


def upright(figure: Figure) -> list[Any]:
    """Return the lines that stand for intervals."""
    lines = [line for line in figure.axes[0].lines if len(line.get_xdata()) == 2]
    return [line for line in lines if line.get_xdata()[0] == line.get_xdata()[1]]


class TestPicture:
    """Intervals and pale lines."""

    def test_an_interval_at_each_end(self) -> None:
        assert len(upright(draw_slopes(compare_runs(drawn(NAMES), drawn(NAMES))))) == 2 * SHOWN
        assert len(upright(draw_slopes(compare_runs(drawn(NAMES, None), drawn(NAMES))))) == SHOWN
        assert not upright(draw_slopes(compare_runs(drawn(NAMES, None), drawn(NAMES, None))))

    def test_intervals_end_at_the_ranks_they_end_at(self) -> None:
        """The ends stand level with the rows that have these ranks, those below the first rows too."""
        figure = draw_slopes(compare_runs(drawn(NAMES), drawn(down(30))))
        rows = [t for t in figure.texts if t.get_text().isdecimal()]
        tall = figure.get_figheight()
        left = {int(t.get_text()): tall * (1 - t.get_position()[1]) for t in rows if t.get_ha() == "right"}
        assert set(left) == set(range(1, SHOWN + 2))
        lines = sorted(upright(figure), key=lambda line: float(line.get_xdata()[0]))[: SHOWN + 1]
        for rank, line in enumerate(lines, start=1):
            low, high = line.get_ydata()
            assert low == pytest.approx(left[max(rank - 3, 1)])
            assert high == pytest.approx(left[rank + 3]) if rank + 3 in left else high > left[SHOWN]
            assert low - 1e-9 <= left[rank] <= high + 1e-9

    def test_intervals_do_not_hide_each_other_or_leave_the_sheet(self) -> None:
        figure = draw_slopes(compare_runs(drawn(NAMES, 39), drawn(NAMES[::-1], 39)))
        across = np.sort([line.get_xdata()[0] for line in upright(figure)])
        assert len(across) == 80
        assert np.diff(across).min() > 0.02  # inches
        cautions = min(t.get_window_extent().y1 for t in figure.texts if t.get_text().startswith("–"))
        for line in upright(figure):
            assert figure.dpi * (figure.get_figheight() - max(line.get_ydata())) > cautions

    def test_moves_within_the_intervals_are_pale(self) -> None:
        one = compare_runs(drawn(NAMES), drawn([NAMES[20], NAMES[1], NAMES[0], *NAMES[2:20], *NAMES[21:]]))
        far, near = look_of(of(one, "a020")), look_of(of(one, "a001"))
        assert to_rgb(far[0]) == to_rgb(BLUE)
        assert sum(to_rgb(look_of(of(one, "a000"))[0])) > sum(to_rgb("#D55E00"))
        assert near[0] == "#999999"  # not moved
        none = compare_runs(drawn(NAMES, None), drawn(down(2)))
        assert to_rgb(look_of(of(none, "a001"))[0]) == to_rgb(BLUE)  # not known is not pale

    def test_bold_names_are_those_beyond_however_short_the_move(self) -> None:
        one = compare_runs(drawn(NAMES, 0), drawn(down(1), 0))
        bold = {t.get_text() for t in draw_slopes(one).texts if t.get_weight() == "bold"}
        assert {"at a000: a000", "at a001: a001"} <= bold
        within = compare_runs(drawn(NAMES, 39), drawn(down(20), 39))
        assert "at a000: a000" not in {t.get_text() for t in draw_slopes(within).texts if t.get_weight() == "bold"}

    def test_the_head_counts_moves_beyond(self) -> None:
        def head(half: int | None) -> str:
            figure = draw_slopes(compare_runs(drawn(NAMES, half), drawn(down(20), half)))
            return next(t.get_text() for t in figure.texts if "changed rank" in t.get_text())

        assert "changed rank, 1 of them by more than the inputs' uncertainty explains; shown" in head(3)
        assert "changed rank, none of them by more" in head(39)
        assert "changed rank; shown" in head(None)

    def test_texts_stay_on_the_sheet_and_apart(self) -> None:
        long = [f"{a} {'long name ' * 9}" for a in NAMES]
        figure = draw_slopes(compare_runs(drawn(long), drawn([*long[30:], *long[:30]])))
        boxes = [t.get_window_extent() for t in [*figure.texts, *figure.axes[0].texts] if t.get_text()]
        width, _ = figure.get_size_inches() * figure.dpi
        for i, one in enumerate(boxes):
            assert one.x0 >= 0
            assert one.x1 <= width + 1
            near = [o for o in boxes[i + 1 :] if min(one.x1, o.x1) - max(one.x0, o.x0) > 0]
            assert not [o for o in near if min(one.y1, o.y1) - max(one.y0, o.y0) > 2]
