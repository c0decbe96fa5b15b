"""Flow duration and floods: small cases worked by hand, closed forms and what must hold for any record."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from barrierrank.passage.frequency import (
    FloodFit,
    annual_maxima,
    exceedance,
    flow_at_exceedance,
    frequency_factor,
    log_pearson3,
)

NAN = np.nan
FLOWS = st.lists(st.one_of(st.floats(0.0, 1e4), st.just(NAN)), max_size=40).map(lambda v: np.array(v, dtype=float))


def test_exceedance_counts_what_is_at_least_as_great() -> None:
    flow = np.array([3.0, NAN, 1.0, 3.0, 9.0])  # 4 known: 9 is reached by 1, 3 by 3, 1 by all 4
    assert exceedance(flow) == pytest.approx([3 / 5, NAN, 4 / 5, 3 / 5, 1 / 5], nan_ok=True)


def test_flow_at_exceedance_is_straight_between_positions() -> None:
    flow = np.array([2.0, 8.0, NAN, 4.0])  # positions .25, .5, .75
    got = flow_at_exceedance(flow, np.array([[0.25, 0.375], [0.75, 0.2]]))
    assert got == pytest.approx(np.array([[8.0, 6.0], [2.0, NAN]]), nan_ok=True)
    assert np.isnan(flow_at_exceedance(flow, 0.76))
    assert np.isnan(flow_at_exceedance(np.array([NAN]), np.array([0.5]))).all()


@given(FLOWS)
def test_exceedance_and_its_inverse_agree(flow: np.ndarray) -> None:
    share = exceedance(flow)
    known = ~np.isnan(flow)
    assert np.array_equal(np.isnan(share), ~known)
    back = flow_at_exceedance(flow, share[known])  # of equal flows the last position
    assert back == pytest.approx(flow[known], rel=1e-9, abs=1e-9)
    order = np.sort(np.unique(share[known]))
    assert (np.diff(flow_at_exceedance(flow, order)) <= 0.0).all()


def test_annual_maxima_of_whole_years_alone() -> None:
    year = np.array([-1, 5, 5, 5, 5, 7, 7, 7, 7, 8, 8])
    flow = np.array([99.0, 1.0, 4.0, NAN, 2.0, 3.0, NAN, NAN, 1.0, 6.0, 5.0])
    assert annual_maxima(flow, year, least_complete=0.75) == pytest.approx([4.0, NAN, NAN], nan_ok=True)
    assert annual_maxima(flow, year, least_complete=0.5) == pytest.approx([4.0, 3.0, 6.0], nan_ok=True)
    assert annual_maxima(flow, year, least_complete=0.5, days=5) == pytest.approx([4.0, NAN, NAN], nan_ok=True)


def test_a_year_of_365_days_is_whole_beside_one_of_366() -> None:
    days = np.arange("2003-01-01", "2005-01-01", dtype="datetime64[D]")
    year = days.astype("datetime64[Y]").astype(np.int64) + 1970
    flow = np.ones(days.size)
    flow[[10, 600]] = 7.0, 8.0
    assert annual_maxima(flow, year, least_complete=0.99).tolist() == [7.0, 8.0]


def test_no_days_and_no_flows_give_no_maxima() -> None:
    assert annual_maxima(np.empty(0), np.empty(0, dtype=np.int64)).size == 0
    assert annual_maxima(np.ones(3), np.full(3, -1)).size == 0
    assert np.isnan(annual_maxima(np.full(3, NAN), np.array([1, 1, 2]))).all()


def test_moments_of_logarithms_by_hand() -> None:
    fit = log_pearson3(np.array([10.0, 100.0, NAN, 10_000.0]))  # logs 1, 2, 4: mean 7/3, off -4/3, -1/3, 5/3
    sd = np.sqrt((16 + 1 + 25) / 9 / 2)
    skew = 3 * (-64 - 1 + 125) / 27 / (2 * 1 * sd**3)
    assert (fit.mean, fit.sd, fit.skew) == pytest.approx((7 / 3, sd, skew))
    assert (fit.years, fit.zero_years, fit.few) == (3, 0, True)
    assert not log_pearson3(np.geomspace(1.0, 9.0, 10)).few


def test_without_skew_the_distribution_is_lognormal() -> None:
    fit = FloodFit(1.0, 0.25, 0.0, 30, 1.2)
    years = np.array([1.5, 2.0, 100.0])
    assert fit.flow(years) == pytest.approx(1.2 * 10 ** (1.0 + 0.25 * norm.isf(1 / years)))


def test_skew_2_is_the_exponential_distribution() -> None:
    years = np.array([2.0, 10.0, 500.0])
    assert frequency_factor(1 / years, 2.0) == pytest.approx(np.log(years) - 1.0)
    assert frequency_factor(1 / years, -2.0) == pytest.approx(1.0 + np.log(1 - 1 / years))


@given(
    st.floats(-2.0, 3.0), st.floats(0.01, 0.6), st.floats(-1.5, 1.5), st.integers(0, 9), st.floats(1.0, 3.0),
    st.floats(1.2, 1000.0),
)  # fmt: skip
def test_flow_and_return_years_are_inverse(
    mean: float, sd: float, skew: float, zero: int, peak: float, years: float
) -> None:
    fit = FloodFit(mean, sd, skew, 30, peak, zero)
    if years <= 1.05 / fit.above_zero:  # no flood that often
        return
    assert fit.return_years(fit.flow(years)) == pytest.approx(years, rel=1e-6)
    assert fit.flow(years * 1.5) >= fit.flow(years)


def test_the_skew_changes_sign_without_a_jump() -> None:
    flows = [FloodFit(1.0, 0.3, g, 30).flow([1.1, 10.0, 100.0]) for g in np.linspace(-3e-4, 3e-4, 41)]
    steps = np.abs(np.diff(np.array(flows), axis=0)) / flows[20]
    assert steps.max() < 1e-4


def test_years_without_flow_take_their_share_of_the_chance() -> None:
    # 10 of 40 years dry: the 20-year flood (chance 1/20) is exceeded by 1/15 of the years with flow
    wet = np.geomspace(1.0, 80.0, 30)
    fit, of_wet = log_pearson3(np.concatenate([wet, np.zeros(10)])), log_pearson3(wet)
    assert (fit.years, fit.zero_years, fit.above_zero) == (40, 10, 0.75)
    assert fit.flow(20.0) == pytest.approx(of_wet.flow(15.0))
    assert fit.return_years(of_wet.flow(15.0)) == pytest.approx(20.0)
    assert fit.flow([1.2, 4 / 3]).tolist() == [0.0, 0.0]
    assert fit.return_years(0.0) == pytest.approx(4 / 3)


def test_years_without_flow_against_chance_itself() -> None:
    rng = np.random.default_rng(3)
    truth = np.where(rng.random(200_000) < 0.3, 0.0, 10 ** rng.normal(1.0, 0.3, 200_000))
    fit = log_pearson3(truth)
    assert fit.flow([5.0, 50.0]) == pytest.approx(np.quantile(truth, [0.8, 0.98]), rel=0.02)


def test_the_same_flood_every_year() -> None:
    fit = log_pearson3(np.full(12, 0.3))
    assert (fit.sd, fit.skew) == (0.0, 0.0)
    assert fit.flow([2.0, 1000.0]) == pytest.approx(0.3)
    assert fit.return_years([0.2, 0.3, 0.31]).tolist() == [1.0, 1.0, np.inf]


def test_what_cannot_be_fitted_is_not_a_number() -> None:
    for maxima in (np.empty(0), np.array([NAN]), np.array([4.0])):
        fit = log_pearson3(maxima)
        assert fit.few
        assert np.isnan(fit.flow(10.0))
        assert np.isnan(fit.return_years(3.0))
    two = log_pearson3(np.array([1.0, 10.0]))
    assert two.skew == 0.0
    assert two.flow(2.0) == pytest.approx(np.sqrt(10.0))


def test_a_stream_that_is_always_dry() -> None:
    fit = log_pearson3(np.zeros(5))
    assert fit.flow([2.0, 100.0]).tolist() == [0.0, 0.0]
    assert np.isinf(fit.return_years(0.1))


def test_flows_and_years_outside_their_range() -> None:
    fit = FloodFit(1.0, 0.3, 0.2, 20)
    assert np.isnan(fit.flow([1.0, 0.5, NAN])).all()
    assert np.isnan(fit.return_years([-1.0, NAN])).all()
    assert fit.return_years(0.0) == pytest.approx(1.0)
    for bad in (-1.0, np.inf):
        with pytest.raises(ValueError, match="allowed: flows of 0 or more"):
            log_pearson3(np.array([1.0, bad]))


def test_peaks_are_higher_than_means_of_days() -> None:
    daily, peak = log_pearson3(np.geomspace(1, 9, 20)), log_pearson3(np.geomspace(1, 9, 20), peak_factor=1.5)
    assert peak.flow(10.0) == pytest.approx(1.5 * daily.flow(10.0))
    assert peak.return_years(1.5 * 7.0) == pytest.approx(daily.return_years(7.0))
