"""Gates: by hand, one law taking over from another without a step, shut gates, and what must hold for every gate."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.passage import kernels_fields as f
from barrierrank.passage.culverts import gate_head
from barrierrank.passage.kernels_fish import verdict
from barrierrank.passage.kernels_gates import gate_state
from barrierrank.passage.kernels_weirs import weir_discharge, weir_head, weir_state

G = f.GRAVITY
REACH = 1.0
SPEEDS = slice(f.SPEED, f.SPEED + f.PIECES)


def gate(**given: float) -> np.ndarray:
    """Return a gate 2 m wide on a sill at 10 m, opened 0.4 m, unless told otherwise (column names, lower case)."""
    row = np.full(f.FIELDS, np.nan)
    usual = {"kind": f.GATE, "crest": 10.0, "width": 2.0, "side": 0.0, "thickness": 0.5, "contractions": 0.0,
             "lip": 0.0, "logs": 0.0, "opening": 0.4, "notch_width": 0.0, "notch_depth": 0.0}  # fmt: skip
    for name, value in (usual | given).items():
        row[getattr(f, name.upper())] = value
    return row


def state(q: float, row: np.ndarray, tailwater: float, *, logs_in: bool = False) -> np.ndarray:
    """Return the state of one gate at one discharge."""
    out = np.empty(f.STATES)
    gate_state(q, row, tailwater, logs_in, REACH, out)
    return out


def test_free_jet_by_hand() -> None:
    # jet 0.61 x 0.4 = 0.244 m; 2 m3/s over 2 m: V = 1 / 0.244 = 4.098361 m/s; head 0.244 + V^2/2g = 1.100386 m
    got = state(2.0, gate(), 9.5)
    assert got[f.HEADWATER] == pytest.approx(11.100386, abs=2e-6)
    assert got[SPEEDS] == pytest.approx(4.098361, rel=1e-6)
    assert got[f.DEPTH] == pytest.approx(0.244)
    assert got[f.DROP] == pytest.approx(0.5)
    assert got[f.RISE_TO] == pytest.approx(1.600386, abs=2e-6)
    assert got[f.DISTANCE] == REACH


def test_drowned_jet_keeps_momentum_and_energy() -> None:
    q, jet, tail = 0.8, 0.61 * 0.4, 1.0
    head = gate_head(np.array([q]), 0.4, tail)[0]
    depth = head - (q / jet) ** 2 / (2.0 * G)  # what stands on the jet
    assert depth > jet
    above = depth**2 / 2.0 + q**2 / (G * jet)
    assert above == pytest.approx(tail**2 / 2.0 + q**2 / (G * tail), rel=1e-12)


def test_jet_is_drowned_from_its_conjugate_depth_on() -> None:
    # Belanger: y2 = y1 / 2 (sqrt(1 + 8 Fr^2) - 1)
    q, jet = 1.0, 0.244
    conjugate = jet / 2.0 * (np.sqrt(1.0 + 8.0 * q**2 / (G * jet**3)) - 1.0)
    free = gate_head(np.array([q]), 0.4, -1.0)[0]
    assert gate_head(np.array([q]), 0.4, conjugate * 0.93)[0] == pytest.approx(free, rel=0.02)
    assert gate_head(np.array([q]), 0.4, conjugate * 1.1)[0] > free


def test_gate_out_of_the_water_is_a_weir() -> None:
    row = gate(opening=5.0, bed=9.4)
    weir = np.empty(f.STATES)
    for tail in (9.0, 10.3, 10.9):
        for q in (0.2, 1.0, 3.0):
            weir_state(q, row, tail, False, REACH, weir)
            got = state(q, row, tail)
            assert got[f.HEADWATER] == pytest.approx(weir[f.HEADWATER], rel=1e-12)
            assert got[f.DROP] == weir[f.DROP]
            assert got[f.DEPTH] == pytest.approx(weir[f.DEPTH])
            assert got[f.SPEED] == pytest.approx(weir[f.SPEED])


def test_flow_parts_between_opening_and_top() -> None:
    row = gate(gate_top=11.0)
    for tail in (9.0, 10.6, 11.2):
        got = state(4.0, row, tail)
        head = got[f.HEADWATER] - 11.0
        assert head > 0.0
        under = got[f.SPEED] * got[f.DEPTH] * 2.0
        over = weir_discharge(head, tail - 11.0, 2.0, 0.0, 0.0, np.nan, np.nan, 0.0)
        assert under + over == pytest.approx(4.0, rel=1e-9)
        assert state(4.0, gate(), tail)[f.HEADWATER] > got[f.HEADWATER]


def test_shut_gate_is_a_weir_at_its_top() -> None:
    for tail in (9.0, 11.4):
        got = state(1.5, gate(opening=0.0, gate_top=11.0), tail)
        head = weir_head(1.5, tail - 11.0, 2.0, 0.0, 0.0, np.nan, np.nan, 0.0)
        assert got[f.HEADWATER] == pytest.approx(11.0 + head)
        assert got[f.DROP] == pytest.approx(11.0 - tail)
    assert state(0.0, gate(opening=0.0, gate_top=11.0), 9.0)[f.HEADWATER] == 11.0


@pytest.mark.parametrize("q", [0.0, 1.0])
def test_shut_gate_without_a_top_stops_everybody(q: float) -> None:
    got = state(q, gate(opening=0.0), 12.0)
    assert np.isnan(got[f.HEADWATER])
    assert got[f.DROP] == np.inf
    assert got[f.DEPTH] == 0.0
    for leaps in (0.0, 1.0):
        for required in (0.3, np.nan):  # even a fish that no drop, depth or speed stops
            fish = np.zeros(f.TRAITS)
            fish[f.LEAPS], fish[f.REQUIRED_DROP], fish[f.LEAP] = leaps, required, 3.0
            fish[f.VELOCITY_SHARE] = 1.0
            fish[f.PROLONGED_A : f.WAIT_DAYS] = np.nan
            wanted = f.BY_LEAP if leaps else f.BY_DROP if required == 0.3 else f.BY_DEPTH
            assert verdict(f.GATE, 0.0, got, np.nan, fish) == wanted


def test_logs_raise_the_sill_and_take_from_the_opening() -> None:
    row = gate(logs=0.1, thickness=0.0)
    assert state(1.0, row, 9.0, logs_in=True) == pytest.approx(
        state(1.0, gate(crest=10.1, opening=0.3, thickness=0.0), 9.0), nan_ok=True
    )
    assert state(1.0, row, 9.0) == pytest.approx(state(1.0, gate(thickness=0.0), 9.0), nan_ok=True)
    assert state(1.0, gate(logs=0.4), 9.0, logs_in=True)[f.DROP] == np.inf
    # logs piled above the top of the gate: the way leads over them
    assert state(1.0, gate(logs=1.5, gate_top=11.0), 9.0, logs_in=True)[f.DROP] == pytest.approx(2.5)


def test_no_flow_through_an_open_gate() -> None:
    low, high = state(0.0, gate(), 9.0), state(0.0, gate(), 10.8)
    assert (low[f.HEADWATER], low[f.DEPTH], low[f.SPEED]) == (10.0, 0.0, 0.0)
    assert (high[f.HEADWATER], high[f.SPEED]) == (10.8, 0.0)
    assert high[f.DEPTH] == pytest.approx(0.244)
    assert high[f.RISE_TO] == 0.0


@pytest.mark.parametrize("name", ["crest", "width", "opening"])
def test_nan_in_nan_out(name: str) -> None:
    assert np.isnan(state(1.0, gate(**{name: np.nan}), 9.0)).all()
    assert np.isnan(state(np.nan, gate(), 9.0)).all()
    assert np.isnan(state(1.0, gate(), np.nan)).all()
    assert np.isnan(state(1.0, gate(width=0.0), 9.0)).all()
    assert np.isnan(gate_head(np.array([-1.0, np.nan, 1.0]), np.array([0.4, 0.4, 0.0]), 0.0)).all()


def test_pool() -> None:
    assert np.isnan(state(1.0, gate(), 9.5)[f.POOL])
    assert state(1.0, gate(pool_bed=8.7), 9.5)[f.POOL] == pytest.approx(0.8)


OPTIONAL = st.one_of(st.just(np.nan), st.floats(0.0, 3.0))


@st.composite
def gates(draw: st.DrawFn) -> np.ndarray:
    """Return any open gate."""
    opening = draw(st.floats(0.02, 1.5))
    above = draw(OPTIONAL)
    return gate(width=draw(st.floats(0.3, 10.0)), opening=opening, gate_top=10.0 + opening + above,
                thickness=draw(st.sampled_from([0.0, 0.3, 2.0])), bed=10.0 - draw(OPTIONAL))  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(gates(), st.floats(-5.0, 1.5), st.floats(-2.0, 4.0))
def test_what_holds_for_every_gate(row: np.ndarray, log_q: float, above: float) -> None:
    q, tail = 10.0**log_q, 10.0 + above
    got = state(q, row, tail)
    assert np.isfinite(np.delete(got, f.POOL)).all()
    assert got[f.HEADWATER] >= max(tail, 10.0) - 1e-12
    under = got[f.SPEED] * got[f.DEPTH] * row[f.WIDTH]
    if np.isnan(row[f.GATE_TOP]) or got[f.HEADWATER] <= row[f.GATE_TOP]:
        assert under == pytest.approx(q, rel=1e-9)
    else:
        assert 0.0 <= under <= q * (1.0 + 1e-9)
    # nothing passes faster than the head between the two waters drives it, save at a drowned, contracted jet
    if above <= 0.0:
        assert got[f.SPEED] <= np.sqrt(2.0 * G * (got[f.HEADWATER] - 10.0)) * (1.0 + 1e-9)


@settings(max_examples=100, deadline=None)
@given(gates(), st.floats(-4.0, 1.0), st.floats(-2.0, 4.0))
def test_headwater_rises_smoothly_with_discharge(row: np.ndarray, start: float, above: float) -> None:
    greatest = []
    for count in (60, 240):
        q = 10.0 ** np.linspace(start, start + 0.6, count)
        head = np.array([state(v, row, 10.0 + above)[f.HEADWATER] for v in q])
        assert np.diff(head).min() >= -1e-9
        greatest.append(np.diff(head).max())
    assert greatest[1] <= max(0.55 * greatest[0], 1e-4)


@settings(max_examples=100, deadline=None)
@given(gates(), st.floats(-4.0, 1.0), st.floats(-2.0, 3.0))
def test_headwater_never_falls_with_tailwater(row: np.ndarray, log_q: float, above: float) -> None:
    head = [state(10.0**log_q, row, 10.0 + above + d)[f.HEADWATER] for d in np.linspace(0.0, 1.0, 100)]
    assert np.diff(head).min() >= -1e-9
    assert head[-1] >= 11.0 + above


def test_closing_to_nothing_meets_the_shut_gate() -> None:
    shut = state(1.5, gate(opening=0.0, gate_top=11.0), 9.0)[f.HEADWATER]
    heads = [state(1.5, gate(opening=a, gate_top=11.0), 9.0)[f.HEADWATER] for a in (0.1, 0.01, 0.001, 1e-5)]
    assert np.all(np.diff(heads) > 0.0)
    assert heads[-1] == pytest.approx(shut, abs=1e-4)
