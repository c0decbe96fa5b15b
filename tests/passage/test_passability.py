"""The fast way over nodes against the plain definition, day by day."""

from __future__ import annotations

import numpy as np
import pytest
from support.random_structures import random_structures, some_days, some_fish

from barrierrank.passage import kernels_fields as f
from barrierrank.passage.kernels_days import UNKNOWN, is_up
from barrierrank.passage.kernels_fish import verdict
from barrierrank.passage.passability import (
    RunDays,
    codes_of,
    leap_day,
    run_passability,
    site_log_flow,
    site_states,
)
from barrierrank.passage.structures import Structures

REACH = 1.0


def plain_codes(structures: Structures, i: int, fish: np.ndarray, days: RunDays) -> np.ndarray:
    """Work out the state of every day for itself."""
    with np.errstate(over="ignore"):
        q = np.exp(site_log_flow(structures, i, days.log_flow[0]))
    first, last = int(structures.up_from[i]), int(structures.up_to[i])
    up = np.array([is_up(int(d), first, last) for d in days.day_of_year])
    both = {w: site_states(structures, i, q, logs_in=w, crest_reach_m=REACH) for w in (True, False)}
    row = structures.numbers[i]
    out = np.full((len(fish), q.size), UNKNOWN, dtype=np.int8)
    for d in range(q.size):
        one = both[bool(up[d])][d]
        for s, traits in enumerate(fish):
            if not np.isnan(one[f.DROP]):
                heat = days.temperature[0, d]
                heat = traits[f.WARMTH_AT] if np.isnan(heat) else heat
                out[s, d] = verdict(int(row[f.KIND]), row[f.LIP], one, heat, traits)
    return out


def plain_p(codes: np.ndarray, days: RunDays, s: int, y: int, wait: float) -> float:
    """Return p of one species in one year by its definition."""
    p = 0.0
    for d in np.flatnonzero((days.year[s] == y) & (days.weight[s, 0] > 0)):
        window = (days.day >= days.day[d]) & (days.day <= days.day[d] + wait)
        p += days.weight[s, 0, d] * bool((codes[window] == f.PASSES).any())
    return p


@pytest.mark.parametrize("seed", range(4))
def test_codes_equal_the_plain_definition_on_every_day(seed: int) -> None:
    rng = np.random.default_rng(seed)
    structures, fish = random_structures(rng, 40), some_fish()
    days = some_days(rng, years=3, fish=fish)
    wrong = total = 0
    for i in range(len(structures)):
        fast = codes_of(structures, i, fish, days, crest_reach_m=REACH)
        plain = plain_codes(structures, i, fish, days)
        wrong += int((fast != plain).sum())
        total += plain.size
    # the speed over a crest is greatest just as it drowns: a verdict may turn there and back between two nodes
    assert wrong <= 2e-4 * total, f"{wrong} of {total} days"


@pytest.mark.parametrize("seed", range(3))
def test_p_days_and_reasons_follow_from_the_codes(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    structures, fish = random_structures(rng, 12), some_fish()
    days = some_days(rng, years=3, fish=fish)
    made, unknown = run_passability(structures, fish, days, crest_reach_m=REACH)
    assert not unknown.any()
    for i in range(len(structures)):
        codes = codes_of(structures, i, fish, days, crest_reach_m=REACH)
        for s in range(len(fish)):
            run = days.weight[s, 0] > 0
            for y in range(days.years.size):
                wanted = plain_p(codes[s], days, s, y, fish[s, f.WAIT_DAYS])
                assert made.p[i, s, y] == pytest.approx(wanted, abs=1e-12)
                here = run & (days.year[s] == y)
                assert made.days[i, s, y] == (codes[s, here] == f.PASSES).sum()
                assert made.run_days[i, s, y] == (codes[s, here] != UNKNOWN).sum()
            share = [(days.weight[s, 0, run] * (codes[s, run] == c)).sum() / 3 for c in range(f.REASONS)]
            assert made.stopped[i, s] == pytest.approx(share, abs=1e-12)


def test_nothing_there_lets_all_pass_and_no_gauge_gives_nothing() -> None:
    rng = np.random.default_rng(5)
    structures, fish = random_structures(rng, 3, kinds=(f.NONE,)), some_fish()
    days = some_days(rng, years=2, fish=fish, gaps=False)
    structures.gauge[2] = -1
    made, _ = run_passability(structures, fish, days, crest_reach_m=REACH)
    assert made.p[:2] == pytest.approx(1.0)
    assert np.isnan(made.p[2]).all()
    assert np.isnan(made.mean[2]).all()


def test_a_state_that_cannot_be_worked_out_is_told_not_guessed() -> None:
    rng = np.random.default_rng(6)
    structures, fish = random_structures(rng, 2, kinds=(f.WEIR,)), some_fish()
    structures.numbers[1, f.CHANNEL_N] = np.nan
    days = some_days(rng, years=2, fish=fish, gaps=False)
    made, unknown = run_passability(structures, fish, days, crest_reach_m=REACH)
    assert unknown[0] == 0
    assert not np.isnan(made.p[0]).any()
    assert unknown[1] > 0
    assert np.isnan(made.p[1]).all()


def test_incomplete_years_do_not_count() -> None:
    rng = np.random.default_rng(7)
    structures, fish = random_structures(rng, 2), some_fish()
    days = some_days(rng, years=3, fish=fish, gaps=False)
    days.complete[1, 0, 2] = False
    days.weight[1, 0, days.year[1] == 2] = 0.0
    made, _ = run_passability(structures, fish, days, crest_reach_m=REACH)
    assert np.isnan(made.p[:, 1, 2]).all()
    assert made.mean[:, 1] == pytest.approx(made.p[:, 1, :2].mean(axis=1))
    assert made.stopped.sum(axis=2) == pytest.approx(1.0, abs=0.05)


def test_the_worst_year_is_the_most_open_one_for_an_invader() -> None:
    rng = np.random.default_rng(8)
    structures, fish = random_structures(rng, 30), some_fish()
    days = some_days(rng, years=4, fish=fish)
    made, _ = run_passability(structures, fish, days, crest_reach_m=REACH)
    p, at = made.worst(np.array([True, False, False, False]))
    assert np.array_equal(p[:, 0], made.p[:, 0].max(axis=1))
    assert np.array_equal(p[:, 1:], made.p[:, 1:].min(axis=2))
    assert (at >= 0).all()


def test_days_of_a_leap_year() -> None:
    given = ["2001-01-01", "2001-02-28", "2001-03-01", "2004-02-29", "2004-12-31", "2001-12-31"]
    assert leap_day(np.array(given, "datetime64[D]")).tolist() == [1, 59, 61, 60, 366, 366]


def test_logs_may_stay_in_over_new_year() -> None:
    assert [is_up(d, 330, 30) for d in (329, 330, 366, 1, 30, 31)] == [False, True, True, True, True, False]
    assert is_up(200, -1, -1)


def test_taking_rows_keeps_their_points() -> None:
    rng = np.random.default_rng(9)
    s = random_structures(rng, 3)
    start = np.array([0, 2, 2, 5])
    s = Structures(s.site, s.numbers, start, np.arange(5.0), np.arange(5.0) * 10, s.up_from, s.up_to, s.gauge,
                   s.flow_factor, s.flow_exponent)  # fmt: skip
    taken = s.take(np.array([2, 0, 2, 1]))
    assert taken.tail_start.tolist() == [0, 3, 5, 8, 8]
    assert taken.tail_x.tolist() == [2, 3, 4, 0, 1, 2, 3, 4]
    assert taken.shifted(0.1, 1.2).numbers[0, f.TAIL_SHIFT] == pytest.approx(0.1)
    assert s.numbers[2, f.TAIL_SHIFT] == 0.0
