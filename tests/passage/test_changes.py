"""What actions do to structures, every change by hand, and what cannot be done."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from barrierrank.passage import kernels_fields as f
from barrierrank.passage.changes import CHANGES, DEVICES, Changes, Impossible, changed, with_device
from barrierrank.passage.structures import Structures

NAN = float("nan")


def rows_of(*rows: dict[int, float]) -> Structures:
    """Return structures whose crest stands at 101.0 m, 8 m wide, bed 100.0 m above and 99.8 m below."""
    numbers = np.full((len(rows), f.FIELDS), NAN)
    for i, given_numbers in enumerate(rows):
        usual = {
            f.KIND: f.WEIR, f.CREST: 101.0, f.WIDTH: 8.0, f.SIDE: 0.0, f.THICKNESS: 0.4, f.COEFFICIENT: 1.7,
            f.BED: 100.0, f.LIP: 0.0, f.CONTRACTIONS: 2.0, f.NOTCH_WIDTH: 0.0, f.NOTCH_DEPTH: 0.0, f.LOGS: 0.0,
            f.TAIL: f.TAIL_CHANNEL, f.CHANNEL_BED: 99.8, f.CHANNEL_WIDTH: 6.0, f.CHANNEL_SIDE: 1.5,
            f.CHANNEL_SLOPE: 0.002, f.CHANNEL_N: 0.035, f.TAIL_SHIFT: 0.0,
        }  # fmt: skip
        for column, value in {**usual, **given_numbers}.items():
            numbers[i, column] = value
    n = len(rows)
    whole = np.arange(n, dtype=np.int64)
    return Structures(
        whole + 40, numbers, np.zeros(n + 1, dtype=np.int64), np.empty(0), np.empty(0), np.full(n, -1), np.full(n, -1),
        np.zeros(n, dtype=np.int64), np.ones(n), np.ones(n),
    )  # fmt: skip


def one(
    code: str, amount: float = NAN, width: float = NAN, up: int = -1, down: int = -1, row: int = 0
) -> Changes:
    return many([(row, code, amount, width, up, down)])


def many(rows: list[tuple[int, str, float, float, int, int]]) -> Changes:
    row, code, amount, width, up, down = zip(*rows, strict=True)
    whole = [np.array(a, dtype=np.int64) for a in (row, up, down)]
    return Changes(
        whole[0], np.array(code, dtype=object), np.array(amount, dtype=float), np.array(width, dtype=float), whole[1],
        whole[2],
    )  # fmt: skip


def made(structures: Structures, change: Changes) -> np.ndarray:
    """Return the numbers after a change that must be possible."""
    after, impossible = changed(structures, change)
    assert impossible == []
    assert len(after) == 1
    return after.numbers[0]


def refused(structures: Structures, change: Changes) -> Impossible:
    after, impossible = changed(structures, change)
    assert len(impossible) == 1
    np.testing.assert_array_equal(
        after.numbers, structures.numbers[change.row]
    )  # as today, never cut to size
    np.testing.assert_array_equal(after.up_from, structures.up_from[change.row])
    assert impossible[0].remedy
    return impossible[0]


def differs(before: np.ndarray, after: np.ndarray) -> set[int]:
    same = (before == after) | (np.isnan(before) & np.isnan(after))
    return set(np.flatnonzero(~same).tolist())


@pytest.mark.parametrize("kind", [f.WEIR, f.FALL, f.GATE])
def test_raise_and_lower_move_the_crest_alone(kind: int) -> None:
    today = rows_of({f.KIND: kind, f.OPENING: 0.5, f.GATE_TOP: 103.0, f.NOTCH_DEPTH: 0.2, f.NOTCH_WIDTH: 1.0})
    higher, lower = made(today, one("raise", 0.3)), made(today, one("lower", 0.8))
    assert higher[f.CREST] == pytest.approx(101.3)  # 101.0 + 0.3
    assert lower[f.CREST] == pytest.approx(100.2)  # 101.0 - 0.8; its notch reaches the bed at 100.0
    for after in (higher, lower):
        assert differs(today.numbers[0], after) == {f.CREST}


def test_a_culvert_and_a_gap_have_no_crest() -> None:
    for code in ("raise", "lower"):
        assert "a culvert stands there" in refused(rows_of({f.KIND: f.CULVERT}), one(code, 0.3)).words
        assert "no structure stands there" in refused(rows_of({f.KIND: f.NONE}), one(code, 0.3)).words


def test_lower_stops_at_the_bed() -> None:
    assert made(rows_of({}), one("lower", 1.0))[f.CREST] == pytest.approx(100.0)
    told = refused(rows_of({}), one("lower", 1.001))
    assert "101 m" in told.words
    assert "bed at 100 m" in told.words
    assert "remove" in told.remedy
    # the bed above is not known: that of the channel below, 99.8 m, stands for it
    assert made(rows_of({f.BED: NAN}), one("lower", 1.2))[f.CREST] == pytest.approx(99.8)
    refused(rows_of({f.BED: NAN}), one("lower", 1.21))
    # a notch 0.4 m deep reaches the bed before the crest does
    refused(rows_of({f.NOTCH_DEPTH: 0.4, f.NOTCH_WIDTH: 1.0}), one("lower", 0.7))


def test_a_sill_is_not_raised_until_the_gate_stands_above_its_top() -> None:
    gate = rows_of({f.KIND: f.GATE, f.OPENING: 0.5, f.GATE_TOP: 102.0})
    assert made(gate, one("raise", 0.5))[f.CREST] == pytest.approx(101.5)  # edge at 101.5 + 0.5 = 102.0
    assert "above its top at 102 m" in refused(gate, one("raise", 0.51)).words
    never_overflowed = rows_of({f.KIND: f.GATE, f.OPENING: 0.5})
    assert made(never_overflowed, one("raise", 5.0))[f.CREST] == pytest.approx(106.0)


def test_notch() -> None:
    after = made(rows_of({}), one("notch", 0.5, 1.2))
    assert (after[f.NOTCH_DEPTH], after[f.NOTCH_WIDTH]) == (0.5, 1.2)
    assert "wider than the crest, 8 m" in refused(rows_of({}), one("notch", 0.5, 8.1)).words
    assert "below the bed" in refused(rows_of({}), one("notch", 1.1, 1.0)).words
    assert "change_width_m" in refused(rows_of({}), one("notch", 0.5)).words
    assert "a gate stands there" in refused(rows_of({f.KIND: f.GATE}), one("notch", 0.5, 1.0)).words


def test_one_notch_can_be_described() -> None:
    notched = rows_of({f.NOTCH_DEPTH: 0.4, f.NOTCH_WIDTH: 1.0})
    assert made(notched, one("notch", 0.5, 1.0))[f.NOTCH_DEPTH] == 0.5
    assert "1 m wide and 0.4 m deep" in refused(notched, one("notch", 0.3, 2.0)).words
    assert "1 m wide and 0.4 m deep" in refused(notched, one("notch", 0.5, 0.5)).words


def test_lip() -> None:
    for kind in (f.WEIR, f.GATE, f.CULVERT):
        today = rows_of({f.KIND: kind})
        after = made(today, one("lip", 0.15))
        assert after[f.LIP] == 0.15
        assert differs(today.numbers[0], after) == {f.LIP}
    assert "a natural fall" in refused(rows_of({f.KIND: f.FALL}), one("lip", 0.15)).words


def test_seasonal_crest_is_movable_in_its_upper_part() -> None:
    # crest at 101.0, movable part 0.4: up it stands at 101.0, down at 101.0 - 0.4 = 100.6
    after, impossible = changed(rows_of({}), one("seasonal", 0.4, up=92, down=197))
    assert impossible == []
    numbers = after.numbers[0]
    assert numbers[f.CREST] == pytest.approx(100.6)
    assert numbers[f.LOGS] == 0.4
    assert (after.up_from[0], after.up_to[0]) == (92, 197)
    # the whole crest may go down to the bed, not further
    assert made(rows_of({}), one("seasonal", 1.0, up=92, down=197))[f.CREST] == pytest.approx(100.0)
    assert "below the bed" in refused(rows_of({}), one("seasonal", 1.1, up=92, down=197)).words


def test_seasonal_crest_of_stop_logs_stands_as_with_the_logs_in() -> None:
    # crest 101.0 with 0.3 m of logs: top 101.3. New dates alone; 0.5 m movable; 0.1 m movable, the rest stays in.
    logged = rows_of({f.LOGS: 0.3})
    for amount, crest in ((0.3, 101.0), (0.5, 100.8), (0.1, 101.2)):
        after = made(logged, one("seasonal", amount, up=300, down=20))
        assert after[f.CREST] == pytest.approx(crest)
        assert after[f.CREST] + after[f.LOGS] == pytest.approx(101.3)


def test_seasonal_crest_leaves_of_a_notch_what_reaches_deeper() -> None:
    notched = rows_of({f.NOTCH_DEPTH: 0.4, f.NOTCH_WIDTH: 1.0, f.LOGS: 0.3})
    for amount, depth in ((0.3, 0.4), (0.5, 0.2), (0.7, 0.0), (0.9, 0.0), (0.1, 0.0)):
        after = made(notched, one("seasonal", amount, up=92, down=197))
        assert after[f.NOTCH_DEPTH] == pytest.approx(depth)
        assert after[f.NOTCH_WIDTH] == (1.0 if depth else 0.0)


def test_seasonal_crest_needs_dates_and_a_weir() -> None:
    for up, down in ((-1, 197), (92, -1), (0, 197), (92, 367)):
        assert "not given" in refused(rows_of({}), one("seasonal", 0.4, up=up, down=down)).words
    for kind in (f.NONE, f.CULVERT, f.GATE, f.FALL):
        assert "stands there" in refused(rows_of({f.KIND: kind}), one("seasonal", 0.4, up=92, down=197)).words


@pytest.mark.parametrize("code", DEVICES)
def test_devices_leave_the_structure(code: str) -> None:
    for kind in (f.WEIR, f.CULVERT, f.GATE, f.FALL):
        today = rows_of({f.KIND: kind})
        assert differs(today.numbers[0], made(today, one(code))) == set()
    assert "fish go past without it" in refused(rows_of({f.KIND: f.NONE}), one(code)).words


def test_remove() -> None:
    for kind in (f.WEIR, f.CULVERT, f.GATE, f.FALL):
        today = rows_of({f.KIND: kind})
        after = made(today, one("remove"))
        assert after[f.KIND] == f.NONE
        assert differs(today.numbers[0], after) == {f.KIND}
    refused(rows_of({f.KIND: f.NONE}), one("remove"))


def test_build_from_bank_to_bank_or_as_wide_as_given() -> None:
    gap = rows_of({f.KIND: f.NONE, f.CREST: NAN, f.WIDTH: NAN, f.BED: NAN, f.LOGS: 0.2})
    after, impossible = changed(gap, many([(0, "build", 0.8, NAN, -1, -1), (0, "build", 0.8, 5.0, -1, -1)]))
    assert impossible == []
    for numbers in after.numbers:
        assert numbers[f.KIND] == f.WEIR
        assert numbers[f.CREST] == pytest.approx(100.6)  # 99.8 + 0.8
        assert numbers[f.BED] == 99.8
        assert numbers[[f.THICKNESS, f.LIP, f.LOGS, f.CONTRACTIONS, f.NOTCH_DEPTH]].tolist() == [0.0] * 5
        assert np.isnan(numbers[f.COEFFICIENT])
    assert after.numbers[0, f.WIDTH] == pytest.approx(8.4)  # 6.0 + 2 x 1.5 x 0.8
    assert after.numbers[0, f.SIDE] == 1.5
    assert after.numbers[1, f.WIDTH] == 5.0
    assert after.numbers[1, f.SIDE] == 0.0


def test_build_needs_a_bed_a_width_and_room() -> None:
    assert (
        "bed of the channel"
        in refused(rows_of({f.KIND: f.NONE, f.CHANNEL_BED: NAN}), one("build", 0.8)).words
    )
    assert "no width" in refused(rows_of({f.KIND: f.NONE, f.CHANNEL_WIDTH: NAN}), one("build", 0.8)).words
    assert "-2 m" in refused(rows_of({f.KIND: f.NONE}), one("build", 0.8, -2.0)).words
    assert "a weir stands there" in refused(rows_of({}), one("build", 0.8)).words


def test_build_over_a_surveyed_section_starts_at_its_lowest_point() -> None:
    gap = rows_of({f.KIND: f.NONE, f.CHANNEL_BED: NAN, f.TAIL: f.TAIL_SECTION})
    surveyed = Structures(
        gap.site, gap.numbers, np.array([0, 3]), np.array([0.0, 3.0, 9.0]), np.array([101.0, 99.5, 102.0]),
        gap.up_from, gap.up_to, gap.gauge, gap.flow_factor, gap.flow_exponent,
    )  # fmt: skip
    after = made(surveyed, one("build", 0.8, 6.0))
    assert (after[f.BED], after[f.CREST]) == (99.5, pytest.approx(100.3))


@pytest.mark.parametrize("code", ["raise", "lower", "notch", "lip", "seasonal", "build"])
@pytest.mark.parametrize("amount", [NAN, 0.0, -0.2, float("inf")])
def test_amounts_are_given_and_more_than_nothing(code: str, amount: float) -> None:
    today = rows_of({f.KIND: f.NONE if code == "build" else f.WEIR})
    told = refused(today, one(code, amount, 1.0, 92, 197))
    assert told.words.startswith(f"{code}: change_m")
    assert "not given" in told.words if np.isnan(amount) else "metres" in told.remedy


def test_a_crest_that_is_not_known_is_not_changed() -> None:
    for code in ("raise", "lower", "notch", "seasonal"):
        assert "crest_m" in refused(rows_of({f.CREST: NAN}), one(code, 0.2, 1.0, 92, 197)).words


def test_many_changes_keep_their_order_and_the_faults_theirs() -> None:
    today = rows_of({}, {f.KIND: f.CULVERT}, {f.KIND: f.NONE})
    before = today.numbers.copy()
    changes = many(
        [
            (1, "raise", 0.3, NAN, -1, -1), (0, "raise", 0.3, NAN, -1, -1), (2, "dredge", NAN, NAN, -1, -1),
            (0, "remove", NAN, NAN, -1, -1), (2, "lower", 0.3, NAN, -1, -1), (0, "raise", 0.6, NAN, -1, -1),
        ]
    )  # fmt: skip
    after, impossible = changed(today, changes)
    assert [i.change for i in impossible] == [0, 2, 4]
    assert '"dredge"' in impossible[1].words
    assert "trap_and_sort" in impossible[1].remedy
    assert after.site.tolist() == [41, 40, 42, 40, 42, 40]
    assert after.numbers[[1, 5], f.CREST] == pytest.approx([101.3, 101.6])  # each from today's 101.0
    assert after.numbers[3, f.KIND] == f.NONE
    np.testing.assert_array_equal(today.numbers, before)


def test_no_changes_give_no_structures() -> None:
    nothing = np.empty(0, dtype=np.int64)
    empty = Changes(nothing, np.empty(0, dtype=object), np.empty(0), np.empty(0), nothing, nothing)
    after, impossible = changed(rows_of({}), empty)
    assert len(after) == len(impossible) == 0


def test_every_change_is_known() -> None:
    assert set(CHANGES) >= set(DEVICES)
    for code in CHANGES:
        _, impossible = changed(rows_of({f.KIND: f.NONE}), one(code, 0.2, 1.0, 92, 197))
        assert not any("no change" in i.words for i in impossible)


share = st.floats(0.0, 1.0)


@given(share, share)
def test_device_lets_past_what_the_structure_stops(p: float, efficiency: float) -> None:
    both = with_device(np.array([p]), np.array([efficiency]))[0]
    assert both == pytest.approx(1.0 - (1.0 - p) * (1.0 - efficiency), abs=1e-15)
    assert max(p, efficiency) - 1e-15 <= both <= 1.0


def test_device_by_hand() -> None:
    # half of what the weir stops (0.8 of them) is let past: 0.2 + 0.8 x 0.5 = 0.6
    got = with_device(np.array([0.2, 0.0, 1.0, NAN, 0.2]), np.array([0.5, 0.3, 0.4, 0.5, NAN]))
    np.testing.assert_allclose(got, [0.6, 0.3, 1.0, NAN, NAN])
