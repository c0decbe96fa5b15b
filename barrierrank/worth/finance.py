"""The arithmetic of money and failure: discounting, cost over a horizon, the share that has failed.

Conventions, the same everywhere in the package:

* capital is spent now (year 0); benefits and upkeep fall at the ends of years 1, 2, ... T, T the horizon;
* a structure that reaches the end of its life L before the horizon is built again, at L, 2 L, ... and at the
  same cost;
* nothing is credited for what a structure is still worth at the horizon (no residual value);
* all amounts are of constant purchasing power, so the discount rate is a real one.
"""

from __future__ import annotations

import operator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from barrierrank.worth import kernels_failure

FloatArray = npt.NDArray[np.float64]

# Below this a rate is zero for every purpose: the factors are at their limits to the last digit.
_NO_RATE = 1e-200
# 30 / 0.1 must count as 300 periods, not 301.
_WHOLE = 1e-12


@dataclass(frozen=True, eq=False)
class CostTerms:
    """What actions cost over the horizon, as present worths.

    Parameters
    ----------
    capital : (n,) float64 array
        Spent now [money].
    upkeep : (n,) float64 array
        Present worth of the yearly upkeep [money].
    replacement : (n,) float64 array
        Present worth of building again at the ends of lives within the horizon [money].
    total : (n,) float64 array
        Sum of the three [money].
    """

    capital: FloatArray
    upkeep: FloatArray
    replacement: FloatArray
    total: FloatArray


def discount_weights(rate: float, horizon_years: int) -> FloatArray:
    """Return what one unit of money at the end of each year is worth now.

    Parameters
    ----------
    rate : float
        Real discount rate a year [-], e.g. 0.03; more than -1.
    horizon_years : int
        Number of years T, at least 1.

    Returns
    -------
    (T,) float64 array
        ``(1 + rate) ** -t`` for t = 1 to T.

    Raises
    ------
    ValueError
        The rate or the horizon is out of range.
    """
    years = np.arange(1, _horizon(horizon_years) + 1, dtype=np.float64)
    return single_payment_factor(rate, years)


def single_payment_factor(rate: npt.ArrayLike, years: npt.ArrayLike) -> FloatArray:
    """Return the present worth of one unit paid once, after some years (P/F of interest tables).

    Parameters
    ----------
    rate : array_like
        Discount rate a year [-], more than -1.
    years : array_like
        Time of the payment [years], 0 or more, not necessarily whole. Broadcast against `rate`.

    Returns
    -------
    float64 array of the broadcast shape
        ``(1 + rate) ** -years``.

    Raises
    ------
    ValueError
        A rate is not a number more than -1, or a number of years is negative.
    """
    i, n = np.broadcast_arrays(_rates(rate), _years(years))
    with np.errstate(over="ignore", invalid="ignore"):
        # log1p keeps the digits of a small rate that 1 + rate would lose.
        factor = np.exp(-n * np.log1p(i))
    return np.asarray(np.where(i == 0.0, np.where(np.isnan(n), n, 1.0), factor), dtype=np.float64)


def annuity_factor(rate: npt.ArrayLike, years: npt.ArrayLike) -> FloatArray:
    """Return the present worth of one unit paid at the end of every year (P/A of interest tables).

    Parameters
    ----------
    rate : array_like
        Discount rate a year [-], more than -1; 0 is allowed.
    years : array_like
        Number of yearly payments, 0 or more; infinite for a perpetuity. Broadcast against `rate`.

    Returns
    -------
    float64 array of the broadcast shape
        ``(1 - (1 + rate) ** -years) / rate``; at rate 0 its limit, `years`; for infinitely many years and a
        positive rate, ``1 / rate``.

    Raises
    ------
    ValueError
        A rate is not a number more than -1, or a number of years is negative.
    """
    i, n = np.broadcast_arrays(_rates(rate), _years(years))
    none = np.abs(i) < _NO_RATE
    with np.errstate(over="ignore", invalid="ignore"):
        factor = -np.expm1(-n * np.log1p(i)) / np.where(none, 1.0, i)
    return np.asarray(np.where(none, n, factor), dtype=np.float64)


def capital_recovery_factor(rate: npt.ArrayLike, years: npt.ArrayLike) -> FloatArray:
    """Return the yearly payment that pays back one unit spent now (A/P of interest tables).

    Parameters
    ----------
    rate : array_like
        Discount rate a year [-], more than -1; 0 is allowed.
    years : array_like
        Number of yearly payments, more than 0; infinite for a perpetuity. Broadcast against `rate`.

    Returns
    -------
    float64 array of the broadcast shape
        The reciprocal of :func:`annuity_factor`: ``1 / years`` at rate 0, `rate` for infinitely many years.

    Raises
    ------
    ValueError
        A rate is not a number more than -1, or a number of years is not positive.
    """
    n = _years(years)
    if (n == 0.0).any():
        raise ValueError("years: 0 was given; to pay something back takes more than 0 years")
    return np.asarray(1.0 / annuity_factor(rate, n), dtype=np.float64)


def cost_terms(
    capital: npt.ArrayLike,
    upkeep: npt.ArrayLike,
    life_years: npt.ArrayLike,
    *,
    rate: float,
    horizon_years: int,
) -> CostTerms:
    """Return what actions cost over the horizon, term by term.

    A structure that is built now and lasts L years is built again at t = L, 2 L, ... as long as t is before
    the horizon (not at it). What it is still worth at the horizon is not credited (no residual value): a
    horizon just beyond a replacement counts that replacement in full.

    Parameters
    ----------
    capital : (n,) array_like
        Spent now [money], 0 or more. NaN (not known) makes the total NaN.
    upkeep : (n,) array_like
        Spent at the end of every year [money/year], 0 or more. NaN likewise.
    life_years : (n,) array_like
        Life L [years], more than 0; NaN or infinite: never replaced.
    rate : float
        Real discount rate a year [-], more than -1.
    horizon_years : int
        At least 1.

    Returns
    -------
    CostTerms

    Raises
    ------
    ValueError
        An amount or a life is out of range (positions are named), or the arrays differ in shape.
    """
    first = _vector("capital", capital, least=0.0)
    yearly = _vector("upkeep", upkeep, least=0.0)
    life = _lives(life_years)
    if not first.shape == yearly.shape == life.shape:
        raise ValueError(
            "capital, upkeep and life_years must be equally long; "
            f"given were {len(first)}, {len(yearly)} and {len(life)}"
        )
    horizon = _horizon(horizon_years)
    worth_of_upkeep = yearly * annuity_factor(rate, horizon)
    replacement = first * _replacements(life, float(_rates(rate)), horizon)
    return CostTerms(first, worth_of_upkeep, replacement, first + worth_of_upkeep + replacement)


def failed_share(
    annual_probability: npt.ArrayLike, *, horizon_years: int, life_years: npt.ArrayLike | None = None
) -> FloatArray:
    """Return the chance that a structure has failed by the end of each year.

    Failures are independent from year to year and a failed structure stays failed:
    ``F(t) = 1 - (1 - q) ** t``. Where a life L is given, the replacement at the end of year L, 2 L, ...
    renews the structure, failed or not, so that years count from the last renewal:
    ``F(t) = 1 - (1 - q) ** (((t - 1) mod L) + 1)``.

    Parameters
    ----------
    annual_probability : (n,) array_like
        Chance q to fail within a year [-], 0 to 1; NaN gives NaN.
    horizon_years : int
        Number of years T, at least 1.
    life_years : (n,) array_like, optional
        Life L [years], more than 0; NaN or infinite: never renewed. Without it nothing is renewed.

    Returns
    -------
    (n, T) float64 array
        F at the ends of years 1 to T.

    Raises
    ------
    ValueError
        A probability or a life is out of range (positions are named), or the arrays differ in shape.
    """
    q = _vector("annual_probability", annual_probability, least=0.0, most=1.0)
    horizon = _horizon(horizon_years)
    if life_years is None:
        return kernels_failure.failed_by_year(q, np.zeros(q.size, dtype=np.int64), horizon)
    life = _lives(life_years)
    if life.shape != q.shape:
        raise ValueError(
            f"annual_probability and life_years must be equally long; given were {len(q)} and {len(life)}"
        )
    whole = np.isfinite(life) & (life == np.rint(life)) & (life < horizon)
    failed = kernels_failure.failed_by_year(q, np.where(whole, life, 0.0).astype(np.int64), horizon)
    broken = np.flatnonzero((life < horizon) & ~whole)
    if broken.size:  # lives that are no whole years
        age = np.mod(np.arange(horizon, dtype=np.float64), life[broken, None]) + 1.0
        with np.errstate(divide="ignore", invalid="ignore"):
            failed[broken] = -np.expm1(np.log1p(-q[broken, None]) * age)
    return failed


def expected_passability(passability: npt.ArrayLike, failed: npt.ArrayLike) -> FloatArray:
    """Return the passability to be expected in each year of structures that may have failed.

    A failed structure stops nothing: ``(1 - F) p + F``.

    Parameters
    ----------
    passability : (n,) array_like
        Passability p of the sound structure [-], 0 to 1; NaN gives NaN.
    failed : (n, T) array_like
        Chance F that it has failed, from :func:`failed_share`.

    Returns
    -------
    (n, T) float64 array

    Raises
    ------
    ValueError
        A passability is out of range (positions are named), or the shapes do not fit.
    """
    p = _vector("passability", passability, least=0.0, most=1.0)
    share = np.asarray(failed, dtype=np.float64)
    if share.ndim != 2 or share.shape[0] != len(p):
        raise ValueError(
            f"failed must have a row for each of the {len(p)} passabilities; its shape is {share.shape}"
        )
    return kernels_failure.expected(p, np.ascontiguousarray(share))


def _replacements(life: FloatArray, rate: float, horizon: int) -> FloatArray:
    """Return the present worth of one unit at L, 2 L, ... < horizon: a geometric series in closed form."""
    count = np.maximum(np.ceil(horizon / life * (1.0 - _WHOLE)) - 1.0, 0.0)
    # Where nothing is replaced any finite life will do: it is multiplied by a count of zero.
    growth = np.where(count > 0.0, life, 1.0) * np.log1p(rate)
    none = np.abs(growth) < _NO_RATE
    safe = np.where(none, 1.0, growth)
    series = np.exp(-safe) * np.expm1(-count * safe) / np.expm1(-safe)
    return np.where(none, count, series)


def _rates(rate: npt.ArrayLike) -> FloatArray:
    """Return discount rates as an array, checked."""
    values = np.asarray(rate, dtype=np.float64)
    bad = ~((values > -1.0) & np.isfinite(values))
    if bad.any():
        given = values[bad].flat[0]
        raise ValueError(f"rate: {given:g} was given; a discount rate is a number more than -1")
    return values


def _years(years: npt.ArrayLike) -> FloatArray:
    """Return numbers of years as an array, checked."""
    values = np.asarray(years, dtype=np.float64)
    if (values < 0.0).any():
        raise ValueError(f"years: {values[values < 0.0].flat[0]:g} was given; it must be 0 or more")
    return values


def _horizon(years: int) -> int:
    """Return the horizon as a plain int, checked."""
    horizon = operator.index(years)
    if horizon < 1:
        raise ValueError(f"horizon_years: {horizon} was given; it must be 1 or more")
    return horizon


def _vector(what: str, values: npt.ArrayLike, *, least: float, most: float = np.inf) -> FloatArray:
    """Return a fresh vector within bounds (NaN passes), or name the first positions that are not."""
    vector = np.array(values, dtype=np.float64)
    if vector.ndim != 1:
        raise ValueError(f"{what} must be a vector; its shape is {vector.shape}")
    bad = np.flatnonzero((vector < least) | (vector > most) | np.isinf(vector))
    if bad.size:
        allowed = f"{least:g} or more" if np.isinf(most) else f"{least:g} to {most:g}"
        raise ValueError(
            f"{what} must be {allowed}; {bad.size} of {len(vector)} are not, first at positions "
            f"{', '.join(map(str, bad[:5]))} (value {vector[bad[0]]:g})"
        )
    return vector


def _lives(life_years: npt.ArrayLike) -> FloatArray:
    """Return lives as a fresh vector with infinity for 'never', checked."""
    life = np.array(life_years, dtype=np.float64)
    if life.ndim != 1:
        raise ValueError(f"life_years must be a vector; its shape is {life.shape}")
    life[np.isnan(life)] = np.inf
    bad = np.flatnonzero(life <= 0.0)
    if bad.size:
        raise ValueError(
            f"life_years must be more than 0 (empty: never replaced); {bad.size} of {len(life)} are not, "
            f"first at positions {', '.join(map(str, bad[:5]))} (value {life[bad[0]]:g})"
        )
    return life
