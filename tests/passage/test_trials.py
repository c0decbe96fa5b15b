"""Passability from counts: by definition, combined, and what stands for whom."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from barrierrank.inputs.trials import TrialTable
from barrierrank.passage.trials import ANY_SITE, Trials, combine, trial_passability


def table(*rows: tuple[int, str, int, int, int]) -> TrialTable:
    """Return trials: site, action, species, passed, offered."""
    n = len(rows)
    action = np.empty(n, dtype=object)
    action[:] = [r[1] for r in rows]
    whole = np.array([(r[0], r[2], r[3], r[4]) for r in rows], dtype=np.int64).reshape(-1, 4)
    return TrialTable(
        "trials.csv", np.arange(2, n + 2), whole[:, 0], action, whole[:, 1], whole[:, 3], whole[:, 2]
    )


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 3000), st.integers(0, 3000), st.sampled_from([0.6, 0.9, 0.95, 0.999]))
def test_bounds_by_their_definition(passed: int, stopped: int, confidence: float) -> None:
    n, beyond = passed + stopped, 1.0 - confidence
    made = trial_passability([passed], [n], confidence=confidence)
    lower, upper = made.lower[0], made.upper[0]
    if n == 0:
        assert (lower, upper) == (0.0, 1.0)
        return
    assert lower <= passed / n <= upper
    # were the passability at the bound, so few (so many) would pass with just the chance that is left open
    if stopped:
        assert stats.binom.cdf(passed, n, upper) == pytest.approx(beyond, rel=1e-6)
    else:
        assert upper == 1.0
    if passed:
        assert stats.binom.sf(passed - 1, n, lower) == pytest.approx(beyond, rel=1e-6)
    else:
        assert lower == 0.0


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 400), st.integers(0, 400), st.floats(0.1, 20.0), st.floats(0.1, 20.0))
def test_prior_and_counts_make_the_distribution(passed: int, stopped: int, a: float, b: float) -> None:
    made = trial_passability([passed], [passed + stopped], prior=(a, b))
    assert made.alpha[0] == pytest.approx(passed + a)
    assert made.beta[0] == pytest.approx(stopped + b)
    assert made.mean[0] == pytest.approx(stats.beta.mean(passed + a, stopped + b))


@pytest.mark.parametrize("p", [0.02, 0.3, 0.9])
def test_bounds_hold_as_often_as_they_promise(p: float) -> None:
    n = 25
    k = np.arange(n + 1)
    made = trial_passability(k, np.full(n + 1, n), confidence=0.9)
    chance = stats.binom.pmf(k, n, p)
    assert chance[made.upper >= p].sum() >= 0.9
    assert chance[made.lower <= p].sum() >= 0.9


def test_more_fish_say_more() -> None:
    n = np.array([0, 1, 5, 20, 100, 1000])
    none = trial_passability(np.zeros(6, dtype=int), n)
    assert (np.diff(none.upper) < 0.0).all()
    assert none.lower.tolist() == [0.0] * 6
    every = trial_passability(n, n)
    assert every.lower == pytest.approx(1.0 - none.upper)
    assert every.upper.tolist() == [1.0] * 6
    assert none.mean == pytest.approx(1.0 / (n + 2.0))


def test_an_invader_is_reckoned_with_by_the_upper_bound() -> None:
    made = trial_passability([0, 0, 12], [30, 30, 40])
    invasive = np.array([True, False, True])
    assert made.stands_for(invasive).tolist() == [made.upper[0], made.mean[1], made.upper[2]]
    assert made.stands_for(invasive, how="mean").tolist() == made.mean.tolist()
    assert (made.upper > made.mean).all()


def test_trials_of_the_same_thing_are_added_up() -> None:
    made = combine(
        table(
            (1, "", 0, 3, 10), (0, "Sorter", 1, 5, 50), (1, "", 0, 4, 20), (ANY_SITE, "sorter", 1, 2, 30),
            (0, "sorter", 1, 1, 10), (2, "", 1, 0, 0),
        )
    )  # fmt: skip
    assert made.site.tolist() == [ANY_SITE, 0, 1]
    assert made.action.tolist() == ["sorter", "Sorter", ""]
    assert made.species.tolist() == [1, 1, 0]
    assert made.passed.tolist() == [2, 6, 7]
    assert made.offered.tolist() == [30, 60, 30]
    assert made.count.tolist() == [1, 2, 2]
    assert len(combine(table())) == 0


@settings(max_examples=40, deadline=None)
@given(st.permutations(range(6)))
def test_the_order_of_the_table_makes_no_difference(order: list[int]) -> None:
    rows = [
        (0, "", 0, 1, 9),
        (0, "", 0, 2, 8),
        (1, "a", 1, 3, 7),
        (1, "a", 0, 4, 6),
        (1, "a", 1, 5, 5),
        (2, "", 1, 0, 4),
    ]
    first, other = combine(table(*rows)), combine(table(*(rows[i] for i in order)))
    for name in ("site", "action", "species", "passed", "offered", "count"):
        assert getattr(first, name).tolist() == getattr(other, name).tolist()
    assert other.alike == pytest.approx(first.alike)


def test_trials_that_differ_too_much_are_told_apart() -> None:
    far_off = (0, "", 0, 2, 50), (0, "", 0, 40, 50)
    near, none = ((1, "", 0, 10, 50), (1, "", 0, 11, 50)), ((2, "", 0, 0, 9), (2, "", 0, 0, 5))
    made = combine(table(*far_off, *near, *none))
    wanted = stats.chi2_contingency([[2, 40], [48, 10]], correction=False).pvalue
    assert made.alike[0] == pytest.approx(wanted)
    assert made.alike[0] < 1e-6
    assert made.alike[1] > 0.5
    assert made.alike[2] == 1.0


def some() -> Trials:
    return combine(
        table(
            (0, "", 0, 1, 9), (1, "ramp", 1, 2, 9), (ANY_SITE, "Ramp", 1, 3, 9), (ANY_SITE, "ramp", 0, 4, 9)
        )
    )


def test_which_trial_speaks_of_a_site() -> None:
    trials = some()
    at = trials.of_sites(3, 2)
    assert at.shape == (3, 2)
    assert trials.passed[at[0, 0]] == 1
    assert (np.delete(at.ravel(), 0) == -1).all()  # trials of actions say nothing of the site as it is


def test_which_trial_speaks_of_an_action() -> None:
    trials = some()
    site, action = np.array([1, 2, 0]), np.array(["RAMP", "ramp", "remove"], dtype=object)
    at = trials.of_actions(site, action, 2)
    # the action's own site goes before the action anywhere
    assert trials.passed[at[0]].tolist() == [4, 2]
    assert trials.passed[at[1]].tolist() == [4, 3]
    assert at[2].tolist() == [-1, -1]


@pytest.mark.parametrize(
    ("passed", "offered", "more", "words"),
    [
        ([3], [2], {}, r"passed: given \[3\] of \[2\] offered"),
        ([-1], [2], {}, "passed: given .*whole numbers from 0"),
        ([1.5], [2], {}, "passed: given .*whole numbers from 0"),
        ([1], [np.nan], {}, "offered: given .*whole numbers from 0"),
        ([1], [2], {"prior": (0.0, 1.0)}, "prior: given .*two numbers above 0"),
        ([1], [2], {"prior": (1.0,)}, "prior: given .*two numbers above 0"),
        ([1], [2], {"confidence": 1.0}, "confidence: given 1, allowed: above 0 and below 1"),
    ],
)
def test_counts_that_cannot_be(
    passed: list[float], offered: list[float], more: dict[str, object], words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        trial_passability(passed, offered, **more)  # type: ignore[arg-type]
