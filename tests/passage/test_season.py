"""Seasonal crests: passability under every pair of dates against the plain definition, the trade and the best pair."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.passage import kernels_fields as f
from barrierrank.passage.passability import leap_day, run_days, run_passability
from barrierrank.passage.results import RunWeights
from barrierrank.passage.season import (
    ALWAYS_UP,
    NEVER_UP,
    CrestDays,
    best,
    crest_days,
    date_grid,
    season_trade,
    trade_front,
)
from barrierrank.passage.structures import Structures


def plain_passability(crest: CrestDays, species: int, first: int, last: int) -> float:
    """Day by day, as the definition has it: p = sum of w over days with a passable day within the wait."""

    def is_passable(t: int) -> bool:
        if first in (ALWAYS_UP, NEVER_UP):
            up = first == ALWAYS_UP
        else:
            day = crest.day_of_year[t]
            up = first <= day <= last if first <= last else (day >= first or day <= last)
        return bool((crest.up if up else crest.down)[species, t])

    shares = []
    date = crest.date.astype(np.int64)
    for y in np.flatnonzero(crest.complete[species]):
        share = 0.0
        for t in np.flatnonzero((crest.year[species] == y) & (crest.weight[species] > 0.0)):
            waited = np.flatnonzero((date >= date[t]) & (date <= date[t] + crest.wait_days[species]))
            share += crest.weight[species, t] * any(is_passable(int(u)) for u in waited)
        shares.append(share)
    return float(np.mean(shares)) if shares else float("nan")


def random_crest(rng: np.random.Generator, *, species: int, years: int, chance: float) -> CrestDays:
    """Return random verdicts and runs; seasons may pass new year, days may be left out, years may be incomplete."""
    date = np.arange("2001-01-01", f"{2001 + years}-07-01", dtype="datetime64[D]")
    date = date[rng.random(date.size) > rng.choice([0.0, 0.3])]
    day = leap_day(date)
    calendar = date.astype("datetime64[Y]").astype(np.int64) - 31
    weight, year = np.zeros((species, date.size)), np.full((species, date.size), -1, dtype=np.int64)
    for s in range(species):
        first, length = int(rng.integers(1, 367)), int(rng.integers(5, 120))
        in_season = (day - first) % 366 < length
        began = np.where(day >= first, calendar, calendar - 1)
        year[s] = np.where(in_season & (began >= 0) & (began < years), began, -1)
        for y in range(years):
            here = year[s] == y
            w = rng.random(int(here.sum())) * (rng.random(int(here.sum())) > 0.2)
            weight[s, here] = w / max(w.sum(), 1e-9)
    return CrestDays(
        date, day, rng.random((species, date.size)) < chance * 0.3, rng.random((species, date.size)) < chance,
        weight, year, rng.random((species, years)) < 0.9, rng.integers(0, 12, species).astype(np.float64),
    )  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), chance=st.sampled_from([0.03, 0.2, 0.6]))
def test_passability_is_that_of_the_plain_definition(seed: int, chance: float) -> None:
    rng = np.random.default_rng(seed)
    crest = random_crest(rng, species=2, years=3, chance=chance)
    grid = np.unique(rng.integers(1, 367, 5))
    trade = season_trade(crest, grid, invader=0, native=1)
    assert len(trade) == grid.size**2 + 2
    assert len({*zip(trade.up.tolist(), trade.down.tolist(), strict=True)}) == len(trade)
    for k in range(len(trade)):
        for s in range(2):
            plain = plain_passability(crest, s, int(trade.up[k]), int(trade.down[k]))
            assert trade.p[k, s] == pytest.approx(plain, abs=1e-11, nan_ok=True)


def spring() -> CrestDays:
    """One year, ten days from 1 May: the invader runs on the first five, the native on the last five.

    With the crest up neither passes; with it down both always do.
    """
    date = np.arange("2010-05-01", "2010-05-11", dtype="datetime64[D]")
    weight = np.zeros((2, 10))
    weight[0, :5], weight[1, 5:] = 0.2, 0.2
    return CrestDays(
        date, leap_day(date), np.zeros((2, 10), dtype=bool), np.ones((2, 10), dtype=bool), weight,
        np.zeros((2, 10), dtype=np.int64), np.ones((2, 1), dtype=bool), np.array([0.0, 0.0]),
    )  # fmt: skip


def test_by_hand_the_crest_comes_down_between_the_two_runs() -> None:
    # day 122 of a leap year is 1 May; up from 1 to 5 May stops every invader and no native
    crest = spring()
    assert crest.day_of_year[0] == 122
    grid = date_grid(122, 131, 1)
    trade = season_trade(crest, grid, invader=0, native=1, worth=lambda p: p[:, 1] - p[:, 0])
    assert (trade.up[trade.best], trade.down[trade.best]) == (122, 126)
    assert trade.p[trade.best].tolist() == [0.0, 1.0]
    assert trade.on_front.tolist() == [k == trade.best for k in range(len(trade))]
    assert trade.p[0].tolist() == [0.0, 0.0]
    assert trade.up[0] == trade.down[0] == ALWAYS_UP
    assert trade.p[-1].tolist() == [1.0, 1.0]
    assert trade.up[-1] == trade.down[-1] == NEVER_UP


def test_by_hand_an_invader_that_waits_gets_past_when_the_crest_comes_down() -> None:
    # up to 5 May, down on 6 May; with 2 days of waiting the invaders of 4 and 5 May are let past: 0.2 + 0.2.
    # up to 8 May the native of 6 May waits until 8 May, too early, those of 7 May on get past: 4 x 0.2.
    # up to 7 May the invader of 5 May waits until 7 May, too early, the native of 6 May gets past on 8 May: the best.
    crest = replace(spring(), wait_days=np.array([2.0, 2.0]))
    trade = season_trade(crest, date_grid(122, 131, 1), invader=0, native=1)
    at = {int(d): k for k, (u, d) in enumerate(zip(trade.up, trade.down, strict=True)) if u == 122}
    assert trade.p[at[126]] == pytest.approx([0.4, 1.0])
    assert trade.p[at[129]] == pytest.approx([0.0, 0.8])
    assert trade.p[at[128]] == pytest.approx([0.0, 1.0])
    assert np.flatnonzero(trade.on_front).tolist() == [at[128]]


def test_a_crest_lowered_for_a_window_is_up_over_the_new_year() -> None:
    # up from 6 May to 30 April but for 1 to 5 May: the reverse of what one wants
    trade = season_trade(spring(), np.array([121, 127]), invader=0, native=1)
    reverse = np.flatnonzero((trade.up == 127) & (trade.down == 121))[0]
    assert trade.p[reverse] == pytest.approx([1.0, 0.0])


def test_of_equal_pairs_the_longest_up_stands_first() -> None:
    crest = replace(spring(), weight=np.zeros((2, 10)))
    trade = season_trade(
        crest, date_grid(100, 140, 10), invader=0, native=1, worth=lambda p: p[:, 1] - p[:, 0]
    )
    assert trade.best == 0
    length = (trade.down - trade.up)[1:-1] % 366
    assert (np.diff(length) <= 0).all()


def test_without_a_complete_year_nothing_is_known() -> None:
    crest = replace(spring(), complete=np.zeros((2, 1), dtype=bool))
    trade = season_trade(crest, date_grid(122, 131, 3), invader=0, native=1, worth=lambda p: p[:, 1])
    assert np.isnan(trade.p).all()
    assert not trade.on_front.any()
    assert trade.best == -1


def test_front_is_what_no_other_pair_dominates() -> None:
    rng = np.random.default_rng(4)
    p = rng.integers(0, 6, (60, 2)) / 5.0
    p[7, 0] = np.nan
    front = trade_front(p[:, 0], p[:, 1])
    for k in range(60):
        better = (p[:, 0] <= p[k, 0]) & (p[:, 1] >= p[k, 1]) & ((p[:, 0] < p[k, 0]) | (p[:, 1] > p[k, 1]))
        same_before = ((p == p[k]).all(axis=1))[:k].any()
        assert front[k] == (k != 7 and not better.any() and not same_before)


def test_best_asks_for_one_number_a_pair() -> None:
    p = np.array([[0.0, 0.5], [np.nan, 1.0], [0.0, 0.5]])
    assert best(p, lambda q: q[:, 1] - q[:, 0]) == 0
    with pytest.raises(ValueError, match="one number a pair"):
        best(p, lambda q: q)


@pytest.mark.parametrize(
    ("first", "last", "step", "days"),
    [(1, 10, 3, [1, 4, 7, 10]), (1, 9, 3, [1, 4, 7, 9]), (364, 3, 2, [2, 3, 364, 366]), (5, 5, 3, [5])],
)
def test_date_grid_has_both_ends(first: int, last: int, step: int, days: list[int]) -> None:
    assert date_grid(first, last, step).tolist() == days


@pytest.mark.parametrize(("first", "last", "step"), [(0, 5, 1), (5, 367, 1), (1, 5, 0)])
def test_date_grid_refuses_days_there_are_not(first: int, last: int, step: int) -> None:
    with pytest.raises(ValueError, match="days are 1 to 366"):
        date_grid(first, last, step)


def test_the_days_to_try_must_ascend() -> None:
    with pytest.raises(ValueError, match="must ascend"):
        season_trade(spring(), np.array([5, 5]), invader=0, native=1)


def weir_with_logs() -> Structures:
    """Return a weir with 0.6 m of stop-logs above a channel 8 m wide; the crest stands 0.3 m above its bed."""
    numbers = np.full((1, f.FIELDS), np.nan)
    numbers[0, [f.SIDE, f.THICKNESS, f.LIP, f.CONTRACTIONS, f.NOTCH_WIDTH, f.NOTCH_DEPTH, f.CHANNEL_SIDE]] = (
        0.0
    )
    numbers[0, [f.KIND, f.TAIL, f.TAIL_SHIFT]] = f.WEIR, f.TAIL_CHANNEL, 0.0
    numbers[0, [f.CREST, f.WIDTH, f.BED, f.LOGS]] = 10.3, 8.0, 10.0, 0.6
    numbers[0, [f.CHANNEL_BED, f.CHANNEL_WIDTH, f.CHANNEL_SLOPE, f.CHANNEL_N]] = 10.0, 8.0, 0.002, 0.035
    one = np.array([0], dtype=np.int64)
    return Structures(
        one, numbers, np.array([0, 0]), np.empty(0), np.empty(0), np.array([-1]), np.array([-1]), one, np.ones(1),
        np.ones(1),
    )  # fmt: skip


def test_pairs_are_as_the_structure_with_those_dates() -> None:
    """The whole way round: the same passabilities as the structure has when its logs have those dates."""
    date = np.arange("2001-01-01", "2004-01-01", dtype="datetime64[D]")
    rng = np.random.default_rng(8)
    flow = np.exp(rng.normal(0.5, 1.0, (1, date.size)))
    day, calendar = leap_day(date), date.astype("datetime64[Y]").astype(np.int64) - 31
    runs = []
    for first, last in ((100, 160), (130, 190)):
        weight = ((day >= first) & (day <= last)).astype(np.float64) / (last - first + 1.0)
        year = np.where(weight > 0.0, calendar, -1)
        runs.append(RunWeights(weight[None], year, np.arange(2001, 2004), np.ones((1, 3), dtype=bool)))
    fish = np.full((2, f.TRAITS), np.nan)
    fish[:, [f.LEAPS, f.POOL_SHARE, f.POOL_LEAST, f.DEPTH_LEAST, f.VELOCITY_SHARE, f.WARMTH]] = 0.0
    fish[:, [f.REQUIRED_DROP, f.REQUIRED_DROP_LIP]] = [[0.45], [0.30]]
    fish[:, f.WAIT_DAYS] = [3.0, 0.0]
    days = run_days(date, flow, np.full(flow.shape, np.nan), runs, [3.0, 0.0])
    weir = weir_with_logs()
    trade = season_trade(
        crest_days(weir, 0, fish, days, crest_reach_m=1.0), np.array([110, 150]), invader=0, native=1
    )
    for k in range(len(trade)):
        dated = replace(weir, up_from=trade.up[[k]], up_to=trade.down[[k]])
        passage, unknown = run_passability(dated, fish, days, crest_reach_m=1.0)
        assert unknown.sum() == 0
        assert trade.p[k] == pytest.approx(passage.mean[0], abs=1e-11)
    assert trade.p[0, 0] < trade.p[-1, 0]


def test_a_crest_that_cannot_move_has_no_season() -> None:
    weir = weir_with_logs()
    weir.numbers[0, f.LOGS] = 0.0
    nothing = np.empty((1, 0))
    run = RunWeights(
        nothing, np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), np.ones((1, 0), dtype=bool)
    )
    days = run_days(np.empty(0, dtype="datetime64[D]"), nothing, nothing, [run], [0.0])
    with pytest.raises(ValueError, match="no movable crest"):
        crest_days(weir, 0, np.zeros((1, f.TRAITS)), days, crest_reach_m=1.0)
