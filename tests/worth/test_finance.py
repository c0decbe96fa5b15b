"""Discounting, cost over a horizon, failure: by hand, by invariants, and closed form against year by year."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from barrierrank.worth import finance

RATES = st.floats(-0.2, 1.0) | st.sampled_from([0.0, 1e-300, 1e-12, -1e-12, 1e-6])
LIVES = st.integers(1, 60).map(float) | st.floats(0.25, 80.0) | st.sampled_from([np.nan, np.inf])
CHANCES = st.floats(0.0, 1.0)
HORIZONS = st.integers(1, 60)


# ---------------------------------------------------------------------------------------------- factors


def test_discount_weights_by_hand() -> None:
    # 1/1.25 = 0.8, 0.8^2 = 0.64, 0.8^3 = 0.512
    np.testing.assert_allclose(finance.discount_weights(0.25, 3), [0.8, 0.64, 0.512], rtol=1e-14)


def test_no_rate_discounts_nothing() -> None:
    assert finance.discount_weights(0.0, 4).tolist() == [1.0, 1.0, 1.0, 1.0]
    assert finance.annuity_factor(0.0, 4).item() == 4.0
    assert finance.capital_recovery_factor(0.0, 4).item() == 0.25
    assert finance.single_payment_factor(0.0, np.inf).item() == 1.0


def test_annuity_by_hand() -> None:
    # 0.8 + 0.64 = 1.44; 1 / 1.44
    assert finance.annuity_factor(0.25, 2).item() == pytest.approx(1.44, rel=1e-14)
    assert finance.capital_recovery_factor(0.25, 2).item() == pytest.approx(1 / 1.44, rel=1e-14)
    assert finance.annuity_factor(0.25, 0).item() == 0.0


def test_a_very_long_annuity_is_a_perpetuity() -> None:
    assert finance.annuity_factor(0.05, np.inf).item() == pytest.approx(20.0, rel=1e-15)
    assert finance.annuity_factor(0.05, 1e9).item() == pytest.approx(20.0, rel=1e-15)
    assert finance.capital_recovery_factor(0.05, np.inf).item() == pytest.approx(0.05, rel=1e-15)
    assert finance.single_payment_factor(0.05, np.inf).item() == 0.0
    assert finance.annuity_factor(0.0, np.inf).item() == np.inf
    assert finance.annuity_factor(-0.05, np.inf).item() == np.inf


def test_a_tiny_rate_keeps_its_digits() -> None:
    # P/A = n - i n (n + 1) / 2 + ...: 1e-9 * 30 * 31 / 2 = 4.65e-7. (1 - 1.000000001^-30) / 1e-9 in plain
    # floats is off in the seventh digit.
    assert finance.annuity_factor(1e-9, 30).item() == pytest.approx(30 - 4.65e-7, abs=1e-13)


def test_factors_broadcast_and_leave_their_arguments_alone() -> None:
    rates = np.array([0.0, 0.03, 0.07])
    years = np.array([[1.0], [10.0]])
    before = rates.copy(), years.copy()
    table = finance.annuity_factor(rates, years)
    assert table.shape == (2, 3)
    for row, n in enumerate([1.0, 10.0]):
        for column, i in enumerate([0.0, 0.03, 0.07]):
            assert table[row, column] == finance.annuity_factor(i, n).item()
    np.testing.assert_array_equal(rates, before[0])
    np.testing.assert_array_equal(years, before[1])


@given(rate=RATES, years=HORIZONS)
def test_annuity_is_the_sum_of_single_payments(rate: float, years: int) -> None:
    weights = finance.discount_weights(rate, years)
    assert finance.annuity_factor(rate, years).item() == pytest.approx(weights.sum(), rel=1e-12)
    product = finance.annuity_factor(rate, years) * finance.capital_recovery_factor(rate, years)
    assert product.item() == pytest.approx(1.0, rel=1e-12)


@given(rate=RATES, years=st.integers(0, 60), more=st.integers(0, 60))
def test_payments_in_steps(rate: float, years: int, more: int) -> None:
    whole = finance.single_payment_factor(rate, years + more).item()
    steps = finance.single_payment_factor(rate, [years, more]).prod()
    assert whole == pytest.approx(steps, rel=1e-12)


@pytest.mark.parametrize("rate", [-1.0, -2.0, np.inf, np.nan])
def test_impossible_rates_are_refused(rate: float) -> None:
    with pytest.raises(ValueError, match=r"rate: .* a discount rate is a number more than -1"):
        finance.discount_weights(rate, 10)


def test_impossible_years_are_refused() -> None:
    with pytest.raises(ValueError, match="horizon_years: 0 was given; it must be 1 or more"):
        finance.discount_weights(0.03, 0)
    with pytest.raises(ValueError, match="years: -1 was given"):
        finance.annuity_factor(0.03, [3, -1])
    with pytest.raises(ValueError, match="more than 0 years"):
        finance.capital_recovery_factor(0.03, [3, 0])


# -------------------------------------------------------------------------------------- cost over a horizon


def cost_year_by_year(capital: float, upkeep: float, life: float, rate: float, horizon: int) -> list[float]:
    """Walk through the horizon and pay the bills as they come: the slow, obvious reference."""
    upkeep_paid = sum(upkeep / (1.0 + rate) ** year for year in range(1, horizon + 1))
    replaced, k = 0.0, 1
    while np.isfinite(life) and k * life < horizon * (1.0 - 1e-12):
        replaced += capital / (1.0 + rate) ** (k * life)
        k += 1
    return [capital, upkeep_paid, replaced, capital + upkeep_paid + replaced]


def test_cost_by_hand() -> None:
    terms = finance.cost_terms([1000.0], [10.0], [1.0], rate=0.25, horizon_years=3)
    # upkeep 10 (0.8 + 0.64 + 0.512) = 19.52; built again at the ends of years 1 and 2, not of 3: 800 + 640
    assert terms.capital.tolist() == [1000.0]
    assert terms.upkeep.tolist() == pytest.approx([19.52], rel=1e-14)
    assert terms.replacement.tolist() == pytest.approx([1440.0], rel=1e-14)
    assert terms.total.tolist() == pytest.approx([2459.52], rel=1e-14)


def test_replacement_only_strictly_before_the_horizon() -> None:
    lives = [15.0, 29.999, 30.0, 31.0, np.inf, np.nan, 10.0]
    terms = finance.cost_terms(np.full(7, 100.0), np.zeros(7), lives, rate=0.0, horizon_years=30)
    # no discounting: 100 for each rebuild at 15; 29.999; never; never; never; never; 10 and 20
    assert terms.replacement.tolist() == [100.0, 100.0, 0.0, 0.0, 0.0, 0.0, 200.0]


def test_a_life_that_divides_the_horizon_in_decimals_counts_right() -> None:
    # 21 / 0.7 comes out as 30.000000000000004: 29 rebuilds all the same
    assert 21 / 0.7 > 30
    terms = finance.cost_terms([1.0, 1.0], [0.0, 0.0], [0.7, 1.4], rate=0.0, horizon_years=21)
    assert terms.replacement.tolist() == [29.0, 14.0]


@given(
    capital=st.floats(0.0, 1e9),
    upkeep=st.floats(0.0, 1e6),
    life=LIVES,
    rate=st.floats(-0.1, 0.5) | st.just(0.0),
    horizon=HORIZONS,
)
def test_closed_form_equals_year_by_year(
    capital: float, upkeep: float, life: float, rate: float, horizon: int
) -> None:
    terms = finance.cost_terms([capital], [upkeep], [life], rate=rate, horizon_years=horizon)
    expected = cost_year_by_year(capital, upkeep, life, rate, horizon)
    found = [float(a[0]) for a in (terms.capital, terms.upkeep, terms.replacement, terms.total)]
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-9)


@given(life=st.floats(0.5, 40.0), horizon=HORIZONS)
def test_longer_life_and_higher_rate_never_cost_more(life: float, horizon: int) -> None:
    lives = [life, life * 1.5, np.inf]
    ones, none = np.ones(3), np.zeros(3)
    low = finance.cost_terms(ones, none, lives, rate=0.02, horizon_years=horizon).total
    high = finance.cost_terms(ones, none, lives, rate=0.06, horizon_years=horizon).total
    assert (np.diff(low) <= 1e-12).all()
    assert (high <= low + 1e-12).all()


def test_cost_terms_copy_and_keep_missing_values_missing() -> None:
    capital = np.array([np.nan, 5.0])
    terms = finance.cost_terms(capital, [1.0, np.nan], [np.nan, 10.0], rate=0.03, horizon_years=30)
    assert np.isnan(terms.total).all()
    assert np.isnan(terms.replacement).tolist() == [True, False]
    capital[1] = 99.0
    assert terms.capital[1] == 5.0
    empty = finance.cost_terms([], [], [], rate=0.03, horizon_years=30)
    assert empty.total.shape == (0,)


def test_cost_terms_refuse_what_cannot_be() -> None:
    with pytest.raises(ValueError, match=r"capital must be 0 or more; 2 of 3 are not, .* positions 0, 2"):
        finance.cost_terms([-1.0, 0.0, -2.0], np.zeros(3), np.ones(3), rate=0.0, horizon_years=2)
    with pytest.raises(ValueError, match=r"life_years must be more than 0 .* 1 of 1"):
        finance.cost_terms([1.0], [1.0], [0.0], rate=0.0, horizon_years=2)
    with pytest.raises(ValueError, match="equally long; given were 1, 2 and 1"):
        finance.cost_terms([1.0], [1.0, 2.0], [3.0], rate=0.0, horizon_years=2)


# ---------------------------------------------------------------------------------------------- failure


def test_failed_share_by_hand() -> None:
    failed = finance.failed_share([0.5, 0.0, 1.0], horizon_years=3)
    np.testing.assert_allclose(failed, [[0.5, 0.75, 0.875], [0.0, 0.0, 0.0], [1.0, 1.0, 1.0]], rtol=1e-14)


def test_a_replacement_renews_the_structure() -> None:
    failed = finance.failed_share([0.5, 0.5, 0.5], horizon_years=5, life_years=[2.0, 5.0, np.nan])
    # ages 1 2 1 2 1; 1 2 3 4 5; 1 2 3 4 5
    once = [0.5, 0.75, 0.875, 0.9375, 0.96875]
    np.testing.assert_allclose(failed, [[0.5, 0.75, 0.5, 0.75, 0.5], once, once], rtol=1e-14)


@given(q=CHANCES, life=LIVES, horizon=HORIZONS)
def test_failed_share_equals_walking_through_the_years(q: float, life: float, horizon: int) -> None:
    sound, expected = 1.0, []
    for year in range(1, horizon + 1):
        served = (year - 1) % life if np.isfinite(life) else year - 1
        if served < 1.0:  # in this year's first months, or the year before, it was built again
            sound = (1.0 - q) ** served
        sound *= 1.0 - q
        expected.append(1.0 - sound)
    failed = finance.failed_share([q], horizon_years=horizon, life_years=[life])
    np.testing.assert_allclose(failed[0], expected, rtol=1e-9, atol=1e-12)


@given(q=st.floats(1e-12, 0.999), horizon=st.integers(2, 60))
def test_failed_share_grows_and_keeps_small_chances(q: float, horizon: int) -> None:
    failed = finance.failed_share([q], horizon_years=horizon)[0]
    assert failed[0] == pytest.approx(q, rel=1e-12)
    assert (np.diff(failed) >= 0.0).all()
    assert failed[-1] <= min(1.0, q * horizon * (1 + 1e-12))  # at most the sum of the years' chances


@given(p=CHANCES, q=CHANCES, horizon=HORIZONS)
def test_expected_passability_lies_between_sound_and_open(p: float, q: float, horizon: int) -> None:
    failed = finance.failed_share([q], horizon_years=horizon)
    expected = finance.expected_passability([p], failed)
    assert expected.shape == (1, horizon)
    assert (expected >= p - 1e-15).all()
    assert (expected <= 1.0).all()
    # the other route: passed = sound and passed, or failed; so blocked = sound and blocked
    np.testing.assert_allclose(1.0 - expected, (1.0 - failed) * (1.0 - p), rtol=1e-9, atol=1e-12)


def test_expected_passability_by_hand() -> None:
    # 0.75 * 0.2 + 0.25 = 0.4
    expected = finance.expected_passability([0.2, 0.2], [[0.0, 0.25], [1.0, np.nan]])
    np.testing.assert_allclose(expected, [[0.2, 0.4], [1.0, np.nan]], rtol=1e-14)


def test_expected_passability_agrees_with_drawing_structures() -> None:
    rng = np.random.default_rng(7)
    years_to_failure = rng.geometric(0.08, size=200_000)
    failed = finance.failed_share([0.08], horizon_years=12)
    drawn = (years_to_failure[:, None] <= np.arange(1, 13)).mean(axis=0)
    np.testing.assert_allclose(failed[0], drawn, atol=0.005)  # four standard errors


def test_chances_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match=r"annual_probability must be 0 to 1; 1 of 2 .* positions 1"):
        finance.failed_share([0.1, 1.2], horizon_years=3)
    with pytest.raises(ValueError, match="equally long; given were 1 and 2"):
        finance.failed_share([0.1], horizon_years=3, life_years=[1.0, 2.0])
    with pytest.raises(ValueError, match="passability must be 0 to 1"):
        finance.expected_passability([-0.1], np.zeros((1, 3)))
    with pytest.raises(ValueError, match=r"a row for each of the 2 passabilities; its shape is \(1, 3\)"):
        finance.expected_passability([0.1, 0.2], np.zeros((1, 3)))
