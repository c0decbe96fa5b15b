"""The factors of finance against interest tables as printed, and against numpy-financial."""

from __future__ import annotations

import numpy as np
import numpy_financial as npf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from barrierrank.worth import finance


def as_printed(value: float, places: int) -> float:
    """Round as a table of so many decimal places would."""
    return round(float(value), places)


def test_six_per_cent_twenty_years() -> None:
    # from memory: the 6 % page of the interest tables in textbooks of engineering economy, row n = 20
    assert as_printed(finance.capital_recovery_factor(0.06, 20), 5) == 0.08718
    assert as_printed(finance.annuity_factor(0.06, 20), 4) == 11.4699
    assert as_printed(finance.single_payment_factor(0.06, 20), 4) == 0.3118
    assert as_printed(1 / finance.single_payment_factor(0.06, 20), 4) == 3.2071
    # a sinking fund pays what capital recovery pays less the interest
    assert as_printed(finance.capital_recovery_factor(0.06, 20) - 0.06, 5) == 0.02718


def test_quarter_per_cent_twenty_years() -> None:
    # Printed table 1 (0.25 %) of "Discrete Cash Flow: Compound Interest Factor Tables", row n = 20,
    # read at vdocuments.us/discrete-cash-flow.html
    assert as_printed(finance.capital_recovery_factor(0.0025, 20), 5) == 0.05132
    assert as_printed(finance.annuity_factor(0.0025, 20), 4) == 19.4845
    assert as_printed(finance.single_payment_factor(0.0025, 20), 4) == 0.9513
    assert as_printed(1 / finance.single_payment_factor(0.0025, 20), 4) == 1.0512
    assert as_printed(finance.capital_recovery_factor(0.0025, 20) - 0.0025, 5) == 0.04882


def test_thirty_five_per_cent_twenty_years() -> None:
    # Printed table of compound interest factors (35 %), row n = 20, read at issuhub.com/view/index/4775
    assert as_printed(finance.capital_recovery_factor(0.35, 20), 4) == 0.3509
    assert as_printed(finance.annuity_factor(0.35, 20), 3) == 2.850
    assert as_printed(finance.single_payment_factor(0.35, 20), 5) == 0.00247
    # the table's 404.27 keeps five digits
    assert as_printed(1 / finance.single_payment_factor(0.35, 20), 2) == 404.27


@pytest.mark.parametrize(
    ("rate", "years", "recovery", "annuity"),
    [
        # from memory: rows of the same textbooks' tables; the formula gives the same digits
        (0.02, 30, 0.04465, 22.3965),
        (0.03, 20, 0.06722, 14.8775),
        (0.03, 50, 0.03887, 25.7298),
        (0.05, 20, 0.08024, 12.4622),
        (0.06, 10, 0.13587, 7.3601),
        (0.06, 30, 0.07265, 13.7648),
        (0.07, 20, 0.09439, 10.5940),
        (0.07, 30, 0.08059, 12.4090),
        (0.08, 10, 0.14903, 6.7101),
        (0.10, 20, 0.11746, 8.5136),
    ],
)
def test_other_rows(rate: float, years: int, recovery: float, annuity: float) -> None:
    assert as_printed(finance.capital_recovery_factor(rate, years), 5) == recovery
    assert as_printed(finance.annuity_factor(rate, years), 4) == annuity


def test_limits_in_the_heads_of_the_tables() -> None:
    # Head of a printed table of compound interest factors (ru.scribd.com/doc/138353759): the capital recovery
    # factor of infinitely many years is the rate
    rates = np.array([0.0025, 0.01, 0.06, 0.35])
    np.testing.assert_allclose(finance.capital_recovery_factor(rates, np.inf), rates, rtol=1e-14)
    # common practice, no source: without interest the payments are equal shares
    years = np.arange(1.0, 51.0)
    np.testing.assert_allclose(finance.capital_recovery_factor(0.0, years), 1.0 / years, rtol=1e-15)


# The library numpy-financial (pmt, pv, npv), an independent implementation of the same published formulas.


@given(rate=st.floats(0.0005, 0.6), years=st.integers(1, 80))
def test_factors_equal_numpy_financial(rate: float, years: int) -> None:
    assert finance.capital_recovery_factor(rate, years).item() == pytest.approx(
        -npf.pmt(rate, years, 1.0), rel=1e-10
    )
    assert finance.annuity_factor(rate, years).item() == pytest.approx(-npf.pv(rate, years, 1.0), rel=1e-10)
    assert finance.single_payment_factor(rate, years).item() == pytest.approx(
        -npf.pv(rate, years, 0.0, 1.0), rel=1e-10
    )


def test_no_interest_equals_numpy_financial() -> None:
    # numpy-financial, as above
    assert finance.capital_recovery_factor(0.0, 25).item() == pytest.approx(-npf.pmt(0.0, 25, 1.0), rel=1e-14)


@given(rate=st.floats(0.0, 0.3), life=st.integers(1, 40), horizon=st.integers(1, 60))
def test_cost_over_a_horizon_equals_numpy_financial(rate: float, life: int, horizon: int) -> None:
    # numpy-financial, as above: the bills laid out year by year, year 0 first
    bills = np.full(horizon + 1, 2_500.0)
    bills[0] = 400_000.0
    bills[life:horizon:life] += 400_000.0
    terms = finance.cost_terms([400_000.0], [2_500.0], [float(life)], rate=rate, horizon_years=horizon)
    assert terms.total[0] == pytest.approx(npf.npv(rate, bills), rel=1e-10)


def test_benefits_equal_numpy_financial() -> None:
    # numpy-financial, as above: uneven yearly benefits from the end of year 1
    yearly = np.array([0.0, 120.0, -30.0, 410.0, 95.5])
    worth = float(yearly @ finance.discount_weights(0.045, 5))
    assert worth == pytest.approx(npf.npv(0.045, np.concatenate([[0.0], yearly])), rel=1e-12)
