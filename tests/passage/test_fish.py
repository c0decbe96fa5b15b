"""What stops a fish: kernels against brute force, and what must hold whatever the fish."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.passage import fish
from barrierrank.passage import kernels_fields as f
from barrierrank.passage import kernels_fish as k
from barrierrank.project_passage import SwimmingSpec

NAN = float("nan")
SWIMMER = SwimmingSpec(
    moves="swims", length_m=0.4, required_drop_m=0.45, required_drop_lip_m=None, leap_m=None, leap_speed_ms=None,
    leap_angle_deg=60.0, pool_share=1.25, pool_least_m=0.2, depth_least_m=0.1, speed_unit="m/s",
    burst=((1.5, 20.0), (3.0, 4.0)), prolonged=((0.5, 9000.0), (1.5, 20.0)), velocity_share=1.0, warmth_per_deg=0.0,
    warmth_at_c=None,
)  # fmt: skip
LEAPER = replace(SWIMMER, moves="leaps", required_drop_m=None, leap_m=0.7)


def row_of(spec: SwimmingSpec | None, *, wait: int | None = 3) -> np.ndarray:
    """Return the traits of one species."""
    run = None if wait is None else SimpleNamespace(wait_days=wait)
    species: Any = SimpleNamespace(key="fish", swimming=spec, run=run)
    return fish.traits_of([species])[0]


def state_of(**given: float) -> np.ndarray:
    """Return a state in which nothing stops anyone but what is given."""
    out = np.zeros(f.STATES)
    out[f.DROP], out[f.DEPTH], out[f.POOL], out[f.DISTANCE] = -1.0, 1.0, NAN, 1.0
    for name, value in given.items():
        if name == "speed":
            out[f.SPEED :] = value
        else:
            out[getattr(f, name.upper())] = value
    return out


def verdict(
    spec: SwimmingSpec, kind: int = f.WEIR, *, lip: float = 0.0, temp: float = NAN, **state: float
) -> int:
    return k.verdict(kind, lip, state_of(**state), temp, row_of(spec))


def plain_way(v: float, factor: float, traits: np.ndarray) -> float:
    """Return the greatest distance by trying many speeds on either line."""
    fastest = traits[f.BURST_TO]
    if np.isnan(fastest) and np.isnan(traits[f.PROLONGED_TO]):
        return np.inf
    if v >= fastest:
        return 0.0
    if v <= 0.0 or v < traits[f.PROLONGED_FROM] * factor:
        return np.inf
    best = 0.0
    for first, by in ((f.PROLONGED_A, factor), (f.BURST_A, 1.0)):
        a, b, slow, fast = traits[first : first + 4]
        if np.isnan(a):
            continue
        for w in np.linspace(slow, fast, 4001):  # speeds as given; the fish swims `by` times as fast
            if w * by <= fastest or np.isnan(fastest):
                best = max(best, (w * by - v) * float(np.exp(a + b * w)))
    return best


@st.composite
def lines(draw: st.DrawFn, low: float = 0.2) -> tuple[tuple[float, float], ...]:
    """Draw two points of endurance."""
    slow = draw(st.floats(low, low + 1.8))
    fast = slow + draw(st.floats(0.05, 2.0))
    short = draw(st.floats(1.0, 500.0))
    return (slow, short * draw(st.floats(1.5, 500.0))), (fast, short)


@st.composite
def swimmers(draw: st.DrawFn) -> SwimmingSpec:
    """Draw a fish that does not leap; one of its lines may not be known."""
    prolonged = draw(lines())
    burst = draw(lines(prolonged[0][0] + 0.1))
    known = draw(st.sampled_from(["both", "both", "burst", "prolonged"]))
    return replace(
        SWIMMER,
        prolonged=() if known == "burst" else prolonged,
        burst=() if known == "prolonged" else burst,
        velocity_share=draw(st.floats(0.3, 1.5)),
        warmth_per_deg=draw(st.sampled_from([0.0, 0.03, -0.03, 0.3])),
        warmth_at_c=12.0,
    )


speeds = st.floats(0.0, 4.0)
temperatures = st.one_of(st.just(NAN), st.floats(0.0, 30.0))


@settings(max_examples=60, deadline=None)
@given(swimmers(), speeds, temperatures)
def test_greatest_distance_is_that_of_brute_force(spec: SwimmingSpec, v: float, temp: float) -> None:
    traits = row_of(spec)
    factor = k.warmth_factor(temp, traits)
    made, speed = k.greatest_way(v * spec.velocity_share, factor, traits)
    plain = plain_way(v * spec.velocity_share, factor, traits)
    assert made >= plain * (1.0 - 1e-12)
    assert made == pytest.approx(plain, rel=0.02, abs=0.02)
    if 0.0 < made < np.inf:
        assert speed > v * spec.velocity_share


@settings(max_examples=60, deadline=None)
@given(swimmers(), st.lists(speeds, min_size=1, max_size=8), st.floats(0.0, 80.0), temperatures)
def test_effort_adds_up_over_pieces(spec: SwimmingSpec, v: list[float], distance: float, temp: float) -> None:
    traits, many = row_of(spec), np.array(v)
    whole = k.effort(many, distance, temp, traits)
    pieces = [k.effort(many[i : i + 1], distance / len(v), temp, traits) for i in range(len(v))]
    assert whole == pytest.approx(sum(pieces), rel=1e-9)
    assert k.effort(many, 2.0 * distance, temp, traits) == pytest.approx(2.0 * whole, rel=1e-9)
    assert k.effort(many[::-1].copy(), distance, temp, traits) == pytest.approx(whole, rel=1e-9)
    assert k.effort(np.repeat(many, 3), distance, temp, traits) == pytest.approx(whole, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(swimmers(), st.floats(0.01, 200.0), temperatures)
def test_greatest_velocity_is_the_inverse_of_effort(spec: SwimmingSpec, distance: float, temp: float) -> None:
    traits = row_of(spec)
    v = k.greatest_velocity(distance, temp, traits)
    assert 0.0 <= v < np.inf
    assert k.effort(np.array([max(v * (1.0 - 1e-9), 0.0)]), distance, temp, traits) <= 1.0 + 1e-8
    assert k.effort(np.array([v * (1.0 + 1e-9) + 1e-12]), distance, temp, traits) > 1.0 - 1e-8
    assert k.greatest_velocity(2.0 * distance, temp, traits) <= v


@settings(max_examples=60, deadline=None)
@given(swimmers(), st.floats(-1.0, 1.0), st.floats(0.0, 1.0), speeds, st.floats(0.0, 60.0), st.data())
def test_a_worse_state_never_lets_a_swimmer_pass(
    spec: SwimmingSpec, drop: float, depth: float, v: float, distance: float, data: st.DataObject
) -> None:
    traits = row_of(spec)
    base = {"drop": drop, "depth": depth, "speed": v, "distance": distance}
    before = k.verdict(f.WEIR, 0.0, state_of(**base), NAN, traits)
    more = data.draw(st.floats(0.0, 3.0))
    for name, sign in (("drop", 1.0), ("depth", -1.0), ("speed", 1.0), ("distance", 1.0)):
        after = k.verdict(f.WEIR, 0.0, state_of(**{**base, name: base[name] + sign * more}), NAN, traits)
        assert after != f.PASSES or before == f.PASSES, name
    assert (before == f.BY_DROP) == (drop >= 0.45 - k.CLOSE)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.01, 1.5), st.floats(0.0, 1.5), st.one_of(st.just(NAN), st.floats(0.0, 2.0)), st.floats(0.0, 1.0),
    st.sampled_from([f.WEIR, f.FALL, f.GATE, f.CULVERT]),
)  # fmt: skip
def test_a_leaper_by_its_definition(drop: float, rise: float, pool: float, depth: float, kind: int) -> None:
    made = verdict(LEAPER, kind, drop=drop, rise_to=rise, pool=pool, depth=depth, speed=2.9, distance=30.0)
    if rise > 0.7 + k.CLOSE:
        assert made == f.BY_LEAP
    elif pool < max(1.25 * rise, 0.2) - k.CLOSE:
        assert made == f.BY_POOL
    elif kind == f.CULVERT:
        assert made == (f.BY_DEPTH if depth < 0.1 - k.CLOSE else f.BY_VELOCITY)
    else:
        assert made == (f.PASSES if depth > 0.0 else f.BY_DEPTH)


@settings(max_examples=60, deadline=None)
@given(swimmers(), speeds, st.floats(0.5, 60.0), st.floats(0.0, 30.0))
def test_temperature_scales_prolonged_speeds_alone(
    spec: SwimmingSpec, v: float, distance: float, temp: float
) -> None:
    at = np.array([v])
    factor = min(max(1.0 + spec.warmth_per_deg * (temp - 12.0), 0.25), 2.0)
    made = k.effort(at, distance, temp, row_of(spec))
    scaled = row_of(
        replace(spec, prolonged=tuple((u * factor, t) for u, t in spec.prolonged), warmth_per_deg=0.0)
    )
    assert made == pytest.approx(k.effort(at, distance, NAN, scaled), rel=1e-9)
    assert k.effort(at, distance, NAN, row_of(spec)) == k.effort(at, distance, 12.0, row_of(spec))
    warmer = k.effort(at, distance, temp + 2.0, row_of(spec))
    assert (warmer <= made * (1 + 1e-12)) if spec.warmth_per_deg >= 0.0 else (warmer >= made * (1 - 1e-12))


def test_warmth_is_kept_within_bounds() -> None:
    traits = row_of(replace(SWIMMER, warmth_per_deg=0.5, warmth_at_c=10.0))
    assert [k.warmth_factor(t, traits) for t in (10.0, 11.0, 0.0, 30.0, NAN)] == [1.0, 1.5, 0.25, 2.0, 1.0]


def test_warmth_makes_no_fish_swim_faster_than_its_burst() -> None:
    # twice as fast, its prolonged speeds are 1.0 to 3.0 m/s; the burst ends at 2.0. At 2.0 m/s, 1.0 m/s at the usual
    # temperature, it holds (9000 x 20)^0.5 s; against 1.9 m/s that is 0.1 x 424.26 m
    traits = row_of(replace(SWIMMER, burst=((1.5, 20.0), (2.0, 4.0)), warmth_per_deg=0.5, warmth_at_c=10.0))
    assert fish.greatest_distance([1.9, 2.0], traits, temperature=30.0) == pytest.approx(
        [42.4264, 0.0], abs=1e-4
    )
    assert fish.best_ground_speed([1.9], traits, temperature=30.0) == pytest.approx([0.1])
    assert fish.greatest_velocity([1.0], traits, temperature=30.0)[0] < 2.0


def test_effort_by_hand() -> None:
    # ln T falls by 1 for each 0.5 m/s: b = -2, so the best ground speed is 0.5 m/s. Against 1 m/s: U = 1.5, held for
    # exp(6 - 3) = 20.0855 s; 0.5 x 20.0855 = 10.0428 m, of which a way of 5 m takes 0.4978707
    spec = replace(SWIMMER, burst=(), prolonged=((0.5, float(np.exp(5.0))), (2.5, float(np.exp(1.0)))))
    traits = row_of(spec)
    assert k.effort(np.array([1.0]), 5.0, NAN, traits) == pytest.approx(0.4978707, abs=1e-7)
    assert fish.greatest_distance([1.0], traits) == pytest.approx([10.042768], abs=1e-6)
    assert fish.best_ground_speed([1.0, 2.2], traits) == pytest.approx(
        [0.5, 0.3]
    )  # it swims no faster than 2.5
    assert k.effort(np.array([0.49, 1.0]), 10.0, NAN, traits) == pytest.approx(0.4978707, abs=1e-7)
    assert k.effort(np.array([2.5]), 0.001, NAN, traits) == np.inf


def test_drop_lip_and_the_ends_of_ranges() -> None:
    with_lip = replace(SWIMMER, required_drop_lip_m=0.3)
    assert verdict(with_lip, drop=0.35) == f.PASSES
    assert verdict(with_lip, drop=0.35, lip=0.15) == f.BY_DROP
    assert verdict(SWIMMER, drop=0.44, lip=0.15) == f.PASSES
    assert verdict(SWIMMER, drop=0.45) == f.BY_DROP
    assert verdict(SWIMMER, drop=200.45 - 200.0) == f.BY_DROP  # 0.44999999999998863
    assert verdict(replace(SWIMMER, required_drop_m=None), drop=5.0) == f.PASSES
    assert verdict(SWIMMER, depth=0.1) == f.PASSES
    assert verdict(SWIMMER, depth=0.0999) == f.BY_DEPTH
    assert verdict(SWIMMER, speed=2.9, distance=0.4) == f.PASSES  # (3 - 2.9) m/s for 4 s
    assert verdict(SWIMMER, speed=2.9, distance=0.41) == f.BY_VELOCITY
    assert verdict(SWIMMER, speed=3.0, distance=0.0) == f.BY_VELOCITY


def test_nothing_stops_where_nothing_stands_and_nothing_passes_a_dry_crest() -> None:
    assert verdict(SWIMMER, f.NONE, drop=9.0, depth=0.0, speed=9.0) == f.PASSES
    shallow = replace(SWIMMER, depth_least_m=0.0)
    assert verdict(shallow, depth=0.0) == f.BY_DEPTH
    assert verdict(replace(LEAPER, depth_least_m=0.0), drop=0.2, rise_to=0.2, depth=0.0) == f.BY_DEPTH
    assert verdict(LEAPER, depth=0.05) == f.BY_DEPTH  # drowned: it swims as others do


def test_a_leaper_leaps_over_the_fast_water_of_a_drowned_crest() -> None:
    fast = {"drop": -0.1, "rise_to": 0.2, "depth": 1.0, "speed": 9.0}
    assert verdict(SWIMMER, **fast) == f.BY_VELOCITY
    assert verdict(LEAPER, **fast) == f.PASSES
    assert verdict(LEAPER, **{**fast, "rise_to": 9.0}) == f.BY_VELOCITY
    assert verdict(LEAPER, f.CULVERT, **fast) == f.BY_VELOCITY  # it would come down in the barrel


@pytest.mark.parametrize(
    ("spec", "kind", "state"),
    [
        (SWIMMER, f.WEIR, {"drop": NAN}),
        (SWIMMER, f.WEIR, {"depth": NAN}),
        (SWIMMER, f.WEIR, {"speed": NAN}),
        (SWIMMER, f.CULVERT, {"distance": NAN}),
        (LEAPER, f.WEIR, {"drop": 0.3, "rise_to": NAN}),
        (LEAPER, f.WEIR, {"drop": 0.3, "rise_to": 0.3, "depth": NAN}),
        (LEAPER, f.CULVERT, {"drop": 0.3, "rise_to": 0.3, "speed": NAN}),
    ],
)
def test_what_is_not_known_is_told_not_guessed(
    spec: SwimmingSpec, kind: int, state: dict[str, float]
) -> None:
    assert verdict(spec, kind, **state) == k.UNKNOWN


def test_what_decides_before_is_enough() -> None:
    assert verdict(SWIMMER, drop=1.0, depth=NAN, speed=NAN) == f.BY_DROP
    assert verdict(LEAPER, drop=1.0, rise_to=1.0, depth=NAN, speed=NAN) == f.BY_LEAP
    assert verdict(LEAPER, drop=0.3, rise_to=0.3, pool=NAN, speed=NAN) == f.PASSES
    assert np.isnan(k.effort(np.array([1.0, NAN]), 1.0, NAN, row_of(SWIMMER)))
    assert np.isnan(k.greatest_velocity(NAN, NAN, row_of(SWIMMER)))
    no_leap = row_of(LEAPER)
    no_leap[f.LEAP] = NAN
    assert k.verdict(f.WEIR, 0.0, state_of(drop=0.3, rise_to=0.3), NAN, no_leap) == k.UNKNOWN


def test_traits_are_those_of_the_project_file() -> None:
    spec = replace(SWIMMER, warmth_per_deg=0.03, warmth_at_c=15.0, velocity_share=0.8)
    row = row_of(spec)
    assert row[[f.LEAPS, f.REQUIRED_DROP, f.REQUIRED_DROP_LIP]].tolist() == [0.0, 0.45, 0.45]
    assert np.isnan(row[f.LEAP])
    assert row[[f.POOL_SHARE, f.POOL_LEAST, f.DEPTH_LEAST]].tolist() == [1.25, 0.2, 0.1]
    assert row[[f.VELOCITY_SHARE, f.WARMTH, f.WARMTH_AT, f.WAIT_DAYS]].tolist() == [0.8, 0.03, 15.0, 3.0]
    assert row[[f.PROLONGED_FROM, f.PROLONGED_TO, f.BURST_FROM, f.BURST_TO]].tolist() == [0.5, 1.5, 1.5, 3.0]
    for (u, t), a, b in (
        (spec.burst[0], f.BURST_A, f.BURST_B),
        (spec.prolonged[1], f.PROLONGED_A, f.PROLONGED_B),
    ):
        assert np.exp(row[a] + row[b] * u) == pytest.approx(t)
    leaper = row_of(replace(LEAPER, required_drop_m=0.2))
    assert leaper[[f.LEAPS, f.LEAP]].tolist() == [1.0, 0.7]
    assert np.isnan(leaper[[f.REQUIRED_DROP, f.REQUIRED_DROP_LIP]]).all()
    assert row_of(replace(LEAPER, leap_m=None, leap_speed_ms=3.0))[f.LEAP] == pytest.approx(0.344, abs=5e-4)


def test_a_species_without_swimming_is_not_known_but_keeps_its_wait() -> None:
    row = row_of(None)
    assert np.isnan(np.delete(row, f.WAIT_DAYS)).all()
    assert row[f.WAIT_DAYS] == 3.0
    assert row_of(SWIMMER, wait=None)[f.WAIT_DAYS] == 0.0
    assert k.verdict(f.WEIR, 0.0, state_of(), NAN, row) == k.UNKNOWN
    assert fish.traits_of([]).shape == (0, f.TRAITS)


def test_lengths_a_second() -> None:
    burst, prolonged = ((3.75, 20.0), (7.5, 4.0)), ((1.25, 9000.0), (3.75, 20.0))
    lengths = replace(SWIMMER, speed_unit="lengths/s", burst=burst, prolonged=prolonged)
    assert row_of(lengths) == pytest.approx(row_of(SWIMMER), nan_ok=True)


def test_endurance_that_is_not_known_or_known_at_one_speed() -> None:
    none = row_of(replace(SWIMMER, burst=(), prolonged=()))
    assert k.effort(np.array([9.0]), 100.0, NAN, none) == 0.0
    assert fish.greatest_velocity([5.0], none).tolist() == [np.inf]
    assert np.isnan(fish.best_ground_speed([1.0], none)).all()
    one = row_of(replace(SWIMMER, burst=((2.0, 10.0),), prolonged=()))
    # 2 m/s for 10 s: (2 - v) x 10 m against v, (2 - 5 / 10) m/s over 5 m
    assert fish.greatest_distance([0.5, 1.0, 2.0], one) == pytest.approx([15.0, 10.0, 0.0])
    assert fish.greatest_distance([0.0], one).tolist() == [np.inf]  # nothing to swim against
    assert fish.greatest_velocity([5.0, 30.0], one) == pytest.approx([1.5, 0.0])
    assert (
        verdict(replace(SWIMMER, burst=((2.0, 10.0),), prolonged=()), speed=1.0, distance=11.0)
        == f.BY_VELOCITY
    )


def test_a_line_through_more_than_two_points_is_the_best_fit() -> None:
    u, t = np.array([0.5, 0.8, 1.1, 1.6]), np.array([2000.0, 700.0, 150.0, 20.0])
    b, a = np.polyfit(u, np.log(t), 1)
    assert fish.endurance_line(list(zip(u, t, strict=True))) == pytest.approx((a, b))


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([], "no points are given"),
        ([[1.0, 0.0], [2.0, 3.0]], "speeds and seconds above 0"),
        ([[-1.0, 5.0]], "speeds and seconds above 0"),
        ([[1.0, NAN]], "speeds and seconds above 0"),
        ([[1.0, 9.0], [1.0, 3.0]], "different speeds"),
        ([[1.0, 3.0], [2.0, 9.0]], "fewer seconds at the greater speed"),
    ],
)
def test_points_of_endurance_that_are_none(points: list[list[float]], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        fish.endurance_line(points)


@pytest.mark.parametrize(
    ("spec", "words"),
    [
        (replace(LEAPER, leap_m=None), "species fish: a fish that leaps needs leap_m or leap_speed_ms"),
        (replace(SWIMMER, speed_unit="lengths/s", length_m=None), "species fish: .*lengths/s need length_m"),
        (replace(SWIMMER, burst=((2.0, 3.0), (3.0, 9.0))), "species fish: burst: .*fewer seconds"),
        (replace(SWIMMER, warmth_per_deg=0.1), "species fish: warmth_per_deg is given without warmth_at_c"),
        (
            replace(LEAPER, leap_m=None, leap_speed_ms=2.0, leap_angle_deg=0.0),
            "species fish: angle_deg: given 0",
        ),
    ],
)
def test_fish_that_cannot_be(spec: SwimmingSpec, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        row_of(spec)


def test_public_functions_take_arrays_and_temperatures() -> None:
    traits = row_of(replace(SWIMMER, warmth_per_deg=0.05, warmth_at_c=12.0))
    v = fish.greatest_velocity([20.0, 20.0, 20.0], traits, temperature=[6.0, 12.0, 18.0])
    assert v[0] < v[1] < v[2]
    assert fish.greatest_velocity([20.0], traits) == pytest.approx(v[1])
    far = fish.greatest_distance([0.8], traits, temperature=[6.0, 12.0, 18.0])
    assert far.shape == (3,)
    assert far[0] < far[1] < far[2]
    assert fish.greatest_distance([], traits).shape == (0,)
    assert fish.greatest_velocity([], traits).shape == (0,)


@pytest.mark.parametrize("angle", [30.0, 60.0, 90.0])
def test_leap_height_and_reach_are_the_top_of_the_flight(angle: float) -> None:
    speed = 3.2
    t = np.linspace(0.0, 1.0, 200_001)
    a = np.deg2rad(angle)
    height = speed * np.sin(a) * t - f.GRAVITY * t**2 / 2.0
    top = int(height.argmax())
    assert fish.leap_height([speed], angle_deg=angle) == pytest.approx([height[top]], rel=1e-6)
    assert fish.leap_reach([speed], angle_deg=angle) == pytest.approx([speed * np.cos(a) * t[top]], abs=1e-4)
    assert fish.leap_speed(fish.leap_height([speed], angle_deg=angle), angle_deg=angle) == pytest.approx(
        [speed]
    )


@pytest.mark.parametrize("angle", [0.0, -5.0, 91.0, NAN])
def test_angles_that_are_none(angle: float) -> None:
    with pytest.raises(ValueError, match=r"angle_deg: given .*above 0 and up to 90"):
        fish.leap_height([1.0], angle_deg=angle)
