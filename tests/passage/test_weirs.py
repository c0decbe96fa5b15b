"""Weirs: discharge, headwater and states against each other, through all regimes."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from support.random_structures import random_structures

from barrierrank.passage import hydraulics as h
from barrierrank.passage import kernels_fields as f
from barrierrank.passage import kernels_weirs as k
from barrierrank.passage.hydraulics import CrestShape

Floats = NDArray[np.float64]
NAN = np.nan
G = f.GRAVITY

#: width, side, thickness, height, coefficient, contractions
crests = st.tuples(
    st.floats(0.05, 100.0),
    st.sampled_from([0.0, 0.25, 1.0, 3.0]),
    st.sampled_from([0.0, 0.05, 0.5, 3.0, 20.0]),
    st.sampled_from([NAN, 0.0, 0.02, 0.3, 2.0]),
    st.sampled_from([NAN, NAN, 1.7, 2.1]),
    st.sampled_from([0.0, 1.0, 2.0]),
)
Shape = tuple[float, float, float, float, float, float]


def structure(**values: float) -> Floats:
    """Return a row of a weir of a thin plate, 5 m wide, its crest at 101 m and 1 m above the bed."""
    row = np.full(f.FIELDS, NAN)
    for name, value in {
        "KIND": f.WEIR,
        "CREST": 101.0,
        "WIDTH": 5.0,
        "BED": 100.0,
        "POOL_BED": 99.5,
        **values,
    }.items():
        row[getattr(f, name)] = value
    return row


def state(q: float, row: Floats, tailwater: float, *, logs_in: bool = False, reach: float = 1.0) -> Floats:
    """Return a state."""
    out = np.empty(f.STATES)
    k.weir_state(q, row, tailwater, logs_in, reach, out)
    return out


@settings(max_examples=200, deadline=None)
@given(crests, st.floats(-1.0, 3.0), st.floats(-11.0, 1.4))
def test_head_inverts_discharge(crest: Shape, tail: float, log_rise: float) -> None:
    rise = float(np.exp(log_rise))
    head = max(tail, 0.0) + rise
    q = k.weir_discharge(head, tail, *crest)
    assert q > 0.0
    made = k.weir_head(q, tail, *crest)
    assert made == pytest.approx(head, rel=1e-9)
    assert made - max(tail, 0.0) == pytest.approx(rise, rel=1e-9, abs=1e-15)


@settings(max_examples=200, deadline=None)
@given(crests, st.floats(-1.0, 3.0), st.floats(-14.0, 6.0))
def test_discharge_inverts_head(crest: Shape, tail: float, log_q: float) -> None:
    q = float(np.exp(log_q))
    head = k.weir_head(q, tail, *crest)
    assume(head - max(tail, 0.0) > 1e-6 * head)  # closer, the discharge hangs on the last digits of the head
    assert k.weir_discharge(head, tail, *crest) == pytest.approx(q, rel=1e-9)


@settings(max_examples=200, deadline=None)
@given(crests, st.floats(0.0, 2.0), st.floats(0.0, 0.3), st.floats(0.0, 0.9), st.floats(-14.0, 6.0))
def test_head_with_a_notch_and_logarithms_of_anything(
    crest: Shape, drowned: float, depth: float, share: float, log_q: float
) -> None:
    q = float(np.exp(log_q))
    notch = share * crest[0] if depth > 0.0 else 0.0
    shape = (*crest, notch, depth if notch > 0.0 else 0.0)
    rise = k.rise_over(q, drowned, shape)
    assert k.crest_discharge(drowned + rise, rise, shape) == pytest.approx(q, rel=1e-9)


@settings(max_examples=100, deadline=None)
@given(crests, st.floats(-1.0, 2.0))
def test_discharge_rises_with_head_and_falls_with_tailwater(crest: Shape, tail: float) -> None:
    shape = CrestShape(*crest)
    heads = np.linspace(0.0, 3.0, 400)
    q = h.weir_discharge(heads, tail, shape)
    assert (np.diff(q) >= 0.0).all()
    assert (np.diff(q[heads > max(tail, 0.0)]) > 0.0).all()
    assert (q[heads <= max(tail, 0.0)] == 0.0).all()
    tails = np.linspace(-0.5, 1.5, 400)
    drowned = h.weir_discharge(1.0, tails, shape)
    assert (np.diff(drowned) <= 1e-12 * drowned[0]).all()
    assert (drowned[tails >= 1.0] == 0.0).all()


@settings(max_examples=100, deadline=None)
@given(crests, st.floats(-1.0, 2.0))
def test_head_rises_with_discharge_and_with_tailwater(crest: Shape, tail: float) -> None:
    shape = CrestShape(*crest)
    heads = h.weir_head(np.geomspace(1e-6, 200.0, 200), tail, shape)
    assert (np.diff(heads) >= 0.0).all()
    assert (heads >= max(tail, 0.0)).all()
    tails = np.linspace(-0.5, 3.0, 200)
    drowned = h.weir_head(1.3, tails, shape)
    assert (np.diff(drowned) >= -1e-12).all()
    assert (drowned >= tails).all()


@pytest.mark.parametrize(
    "change",
    [
        lambda x: (x, -1.0, 2.0, 0.5, 0.4, 0.3, NAN, 2.0),  # head, past 0.03 m, width / 3 and the sill
        lambda x: (x, -1.0, 2.0, 0.0, 0.0, 0.05, NAN, 2.0),
        lambda x: (1.0, x, 2.0, 0.5, 0.4, 0.3, NAN, 0.0),  # tailwater
        lambda x: (1.0, x, 2.0, 0.5, 30.0, 0.3, NAN, 0.0),
        lambda x: (1.0, -1.0, 2.0, 0.5, x, 0.3, NAN, 0.0),  # thickness from that of a plate on
        lambda x: (1.0, 0.6, 2.0, 0.5, x, 0.3, NAN, 0.0),
        lambda x: (1.0, -1.0, 2.0, x, 0.4, 0.3, NAN, 0.0),  # ends
        lambda x: (1.0, -1.0, 2.0, 0.5, 0.4, x, NAN, 0.0),  # height from that of a sill at the bed on
    ],
    ids=["head", "sill", "tail", "tail of a broad crest", "thickness", "drowned", "ends", "height"],
)
def test_no_jumps_between_regimes(change: Callable[[float], tuple[float, ...]]) -> None:
    for step in (1e-3, 1e-4):
        q = np.array([k.weir_discharge(*change(float(x))) for x in np.arange(0.0, 0.95, step)])
        assert np.abs(np.diff(q)).max() < 60.0 * step  # a jump would not shrink with the step


@settings(max_examples=100, deadline=None)
@given(st.floats(0.001, 3.0), st.floats(0.001, 20.0))
def test_shares_left_lie_between_those_of_sharp_and_broad_crests(head: float, thickness: float) -> None:
    tails = np.linspace(-0.2, 1.1, 27) * head
    left = h.submerged_share(head, tails, thickness)
    sharp, broad = h.submerged_share(head, tails, 0.0), h.submerged_share(head, tails, 1e6)
    assert (left >= np.minimum(sharp, broad) - 1e-12).all()
    assert (left <= np.maximum(sharp, broad) + 1e-12).all()
    assert (left[tails <= 0.0] == 1.0).all()
    assert (left[tails >= head] == 0.0).all()
    assert broad[np.searchsorted(tails, 0.65 * head)] > sharp[np.searchsorted(tails, 0.65 * head)]


def test_zero_nothing_and_missing() -> None:
    crest = CrestShape(3.0, height=0.5)
    assert h.weir_discharge([0.0, -1.0, 0.5, 0.5], [-1.0, -2.0, 0.5, 0.9], crest).tolist() == [0.0] * 4
    assert h.weir_head([0.0, 0.0], [-1.0, 0.7], crest).tolist() == [0.0, 0.7]
    assert np.isnan(h.weir_discharge([NAN, 1.0], [0.0, NAN], crest)).all()
    assert np.isnan(h.weir_head([NAN, 1.0], [0.0, NAN], crest)).all()
    assert np.isnan(h.submerged_share([NAN, 1.0, 1.0], [0.5, NAN, 0.5], [0.0, 0.0, NAN])).all()
    assert h.submerged_share([0.0, 0.0], [0.0, 0.1]).tolist() == [1.0, 0.0]
    good: list[float] = [0.4, -1.0, 3.0, 0.5, 0.2, 0.5, NAN, 1.0]
    assert k.weir_discharge(*good) > 0.0
    for at in (0, 1, 2, 3, 4, 7):
        bad = [NAN if i == at else value for i, value in enumerate(good)]
        assert np.isnan(k.weir_discharge(*bad)), at
        assert np.isnan(k.weir_head(*bad)), at
    for at, value in ((2, -1.0), (3, -0.1), (4, -1.0), (5, -0.2), (6, 0.0), (6, -1.7), (7, 3.0)):
        bad = [value if i == at else number for i, number in enumerate(good)]
        assert np.isnan(k.weir_discharge(*bad)), (at, value)
        assert np.isnan(k.weir_head(*bad)), (at, value)
    assert np.isnan(k.weir_discharge(0.4, -1.0, 0.0, 0.0, 0.0, NAN, NAN, 0.0))
    assert np.isnan(k.weir_head(-1.0, -1.0, 3.0, 0.0, 0.0, NAN, NAN, 0.0))
    assert np.isnan(k.weir_head(np.inf, -1.0, 3.0, 0.0, 0.0, NAN, NAN, 0.0))


@pytest.mark.parametrize(
    ("shape", "told"),
    [
        ({"width": -1.0}, "width: -1 was given"),
        ({"width": 1.0, "side": -0.5}, "side: -0.5 was given"),
        ({"width": 1.0, "thickness": [0.1, -0.2]}, "thickness: -0.2 was given .1 of 2."),
        ({"width": 1.0, "height": -0.5}, "height: -0.5 was given"),
        ({"width": 1.0, "coefficient": 0.0}, "coefficient: 0 was given .*allowed is above 0"),
        ({"width": 1.0, "contractions": 3.0}, "contractions: 3 was given .*allowed is 0 to 2"),
    ],
)
def test_what_cannot_be_is_told(shape: dict[str, Any], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        h.weir_discharge(0.3, -1.0, CrestShape(**shape))
    with pytest.raises(ValueError, match=told):
        h.weir_head(0.3, -1.0, CrestShape(**shape))


def test_tailwater_far_over_the_crest() -> None:
    for q in (1e-12, 1e-3, 5.0):
        head = k.weir_head(q, 40.0, 3.0, 0.0, 0.5, 1.0, NAN, 0.0)
        assert 40.0 <= head < 40.01
        rise = k.rise_over(q, 40.0, (3.0, 0.0, 0.5, 1.0, NAN, 0.0, 0.0, 0.0))
        assert 0.0 < rise < 0.01
        assert k.crest_discharge(
            40.0 + rise, rise, (3.0, 0.0, 0.5, 1.0, NAN, 0.0, 0.0, 0.0)
        ) == pytest.approx(q)
    assert h.sequent_depth(0.0, 1.0).shape == ()
    assert np.isnan(h.sequent_depth([0.0, NAN], [1.0, 1.0])).all()
    assert h.sequent_depth([0.5], [0.1]).tolist() == [0.5]  # slower than critical: no jump
    with pytest.raises(ValueError, match="depth"):
        h.sequent_depth(-0.1, 1.0)


def test_a_plain_state_by_hand() -> None:
    row = structure(THICKNESS=2.5)
    q = float(h.weir_discharge(0.4, -0.7, CrestShape(5.0, thickness=2.5, height=1.0)))
    made = state(q, row, 100.3)
    assert made[f.TAILWATER] == 100.3
    assert made[f.HEADWATER] == pytest.approx(101.4, abs=1e-9)
    assert made[f.DROP] == pytest.approx(0.7)
    assert made[f.RISE_TO] == pytest.approx(1.1, abs=1e-9)
    assert made[f.POOL] == pytest.approx(0.8)
    depth = ((q / 5.0) ** 2 / G) ** (1 / 3)
    assert made[f.DEPTH] == pytest.approx(depth, rel=1e-9)
    assert made[f.DISTANCE] == 2.5
    assert made[f.SPEED :] == pytest.approx([q / 5.0 / depth] * f.PIECES, rel=1e-9)
    assert state(q, structure(THICKNESS=0.2), 100.3, reach=1.2)[f.DISTANCE] == 1.2


def test_a_drowned_state_by_hand() -> None:
    row = structure()
    q = float(h.weir_discharge(0.9, 0.8, CrestShape(5.0, height=1.0)))
    made = state(q, row, 101.8)
    assert made[f.HEADWATER] == pytest.approx(101.9, abs=1e-9)
    assert made[f.DROP] == pytest.approx(-0.8)
    assert made[f.RISE_TO] == pytest.approx(0.1, abs=1e-9)
    assert made[f.DEPTH] == pytest.approx(0.8)
    assert made[f.SPEED :] == pytest.approx([q / 5.0 / 0.8] * f.PIECES)


def test_state_without_flow() -> None:
    made = state(0.0, structure(), 100.2)
    assert made[f.HEADWATER] == 101.0
    assert made[f.DROP] == pytest.approx(0.8)
    assert made[f.RISE_TO] == pytest.approx(0.8)
    assert made[f.DEPTH] == 0.0
    assert (made[f.SPEED :] == 0.0).all()
    drowned = state(0.0, structure(), 101.5)
    assert drowned[f.HEADWATER] == 101.5
    assert drowned[f.RISE_TO] == 0.0
    assert drowned[f.DEPTH] == 0.5
    little = state(1e-12, structure(), 100.2)
    assert little == pytest.approx(made, abs=1e-3)


def test_logs_raise_the_crest_and_shut_the_notch() -> None:
    row = structure(NOTCH_WIDTH=1.0, NOTCH_DEPTH=0.3, LOGS=0.4)
    out, up = state(2.0, row, 100.2, logs_in=False), state(2.0, row, 100.2, logs_in=True)
    assert out[f.DROP] == pytest.approx(0.5)
    assert up[f.DROP] == pytest.approx(1.2)
    assert up == pytest.approx(state(2.0, structure(CREST=101.4), 100.2))
    for logs in (0.0, NAN):  # nothing to put in: the notch stays open
        row[f.LOGS] = logs
        assert state(2.0, row, 100.2, logs_in=True) == pytest.approx(out)


def test_the_route_lies_through_the_notch() -> None:
    row = structure(NOTCH_WIDTH=0.8, NOTCH_DEPTH=0.3)
    small = state(0.15, row, 100.2)
    assert small[f.HEADWATER] < 101.0  # within the notch
    assert small[f.DEPTH] == pytest.approx(((0.15 / 0.8) ** 2 / G) ** (1 / 3), rel=1e-9)
    q, lowest, top = 4.0, 100.7, 0.0
    big = state(q, row, 100.2)
    top = big[f.HEADWATER] - 101.0
    assert top > 0.0
    through = big[f.SPEED] * big[f.DEPTH] * 0.8
    main = k.weir_discharge(top, -1.0, 4.2, 0.0, 0.0, 1.0, NAN, 0.0)
    assert through + main == pytest.approx(q, rel=1e-9)
    contracted = CrestShape(0.8 - 0.2 * 0.8 / 3)
    assert through == pytest.approx(float(h.weir_discharge(top + 0.3, -1.0, contracted)), rel=1e-9)
    assert big[f.DROP] == pytest.approx(lowest - 100.2)
    drowned = state(q, row, 101.4)
    assert drowned[f.DEPTH] == pytest.approx(0.7)
    assert drowned[f.HEADWATER] > 101.4
    assert state(q, row, 100.2)[f.HEADWATER] < state(q, structure(), 100.2)[f.HEADWATER]


def test_the_water_over_a_low_sill_is_no_deeper_than_its_head() -> None:
    made = state(20.0, structure(BED=100.9), 99.0)
    head = made[f.HEADWATER] - 101.0
    assert head < (16.0 / G) ** (1 / 3)  # critical depth of 4 m2/s
    assert made[f.DEPTH] == pytest.approx(head, rel=1e-9)
    assert made[f.SPEED] == pytest.approx(4.0 / head, rel=1e-9)


def test_a_natural_fall_and_a_v_notch() -> None:
    fall = state(3.0, structure(KIND=f.FALL, BED=101.0), 98.0)
    critical = (9.0 / 25.0 / G) ** (1 / 3)
    assert fall[f.HEADWATER] - 101.0 == pytest.approx(
        critical, rel=1e-9
    )  # a step in the bed is passed at critical depth
    v = state(0.2, structure(WIDTH=0.0, SIDE=1.0), 100.0)
    assert v[f.DEPTH] == pytest.approx((2 * 0.04 / G) ** 0.2, rel=1e-9)
    assert v[f.SPEED] == pytest.approx(0.2 / v[f.DEPTH] ** 2, rel=1e-9)


@pytest.mark.parametrize(
    "values",
    [{"CREST": NAN}, {"WIDTH": NAN}, {"WIDTH": 0.0}, {"WIDTH": -2.0}, {"BED": 101.5}, {"COEFFICIENT": 0.0},
     {"SIDE": -1.0}, {"CONTRACTIONS": 5.0}, {"THICKNESS": -1.0}],
    ids=str,
)  # fmt: skip
def test_states_that_cannot_be_worked_out_are_nan(values: dict[str, float]) -> None:
    for q in (0.0, 1.0):
        assert np.isnan(state(q, structure(**values), 100.2)).all()


def test_missing_flows_and_tailwaters_are_nan_and_missing_pools_are_not_known() -> None:
    assert np.isnan(state(NAN, structure(), 100.0)).all()
    assert np.isnan(state(-1.0, structure(), 100.0)).all()
    assert np.isnan(state(1.0, structure(), NAN)).all()
    made = state(1.0, structure(POOL_BED=NAN, BED=NAN), 100.0)
    assert np.isnan(made[f.POOL])
    assert not np.isnan(np.delete(made, f.POOL)).any()
    assert (
        state(1.0, structure(BED=101.0 + 1e-13), 100.0)[f.HEADWATER] > 101.0
    )  # a bed at the crest, in decimals


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.floats(-8.0, 4.0), st.floats(-1.5, 2.0), st.booleans())
def test_states_hold_together(seed: int, log_q: float, over: float, up: bool) -> None:
    row = random_structures(np.random.default_rng(seed), 1, kinds=(f.WEIR, f.FALL)).numbers[0]
    before = row.copy()
    tail = row[f.CREST] + over
    q = float(np.exp(log_q))
    one = state(q, row, tail, logs_in=up)
    assert np.array_equal(row, before, equal_nan=True)
    assert not np.isnan(np.delete(one, f.POOL)).any()
    crest = one[f.DROP] + tail
    assert one[f.HEADWATER] >= max(crest, tail)
    assert one[f.RISE_TO] == pytest.approx(one[f.HEADWATER] - tail, abs=1e-9)
    assert one[f.DEPTH] <= one[f.HEADWATER] - crest + 1e-9
    assert one[f.DEPTH] >= tail - crest - 1e-9
    assert (one[f.SPEED :] > 0.0).all()
    area = q / one[f.SPEED]
    assert area > 0.0
    more = state(1.01 * q, row, tail, logs_in=up)
    assert more[f.HEADWATER] >= one[f.HEADWATER]
    assert more[f.DEPTH] >= one[f.DEPTH] - 1e-12
    assert more[f.HEADWATER] - one[f.HEADWATER] < 0.05 * (1.0 + one[f.HEADWATER] - crest)  # no jumps


def test_kernels_are_compiled() -> None:
    if os.environ.get("NUMBA_DISABLE_JIT") == "1":
        pytest.skip("kernels run as plain Python on request")
    state(1.0, structure(), 100.0)
    k.rise_over(1.0, 0.0, (3.0, 0.0, 0.5, 1.0, NAN, 0.0, 0.0, 0.0))
    assert k.weir_state.signatures
    assert k.rise_over.signatures
