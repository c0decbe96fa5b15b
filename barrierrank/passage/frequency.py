"""How often a flow is reached: days of a record (flow duration) and floods of a year (Log-Pearson type III)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import norm, pearson3

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

FEW_YEARS = 10
"""Fewer years than this say little about floods (Bulletin 17B of the US Water Resources Council asks for ten)."""
_FLAT = 1e-10
_NORMAL_BELOW = 1e-4


def exceedance(flow: FloatArray) -> FloatArray:
    """Return the share of time each flow is reached or exceeded, m / (n + 1).

    Parameters
    ----------
    flow : (k,) float64
        [m3/s]; NaN where not known.

    Returns
    -------
    (k,) float64
        m = how many of the n known flows are at least as great; NaN where the flow is not known.

    Notes
    -----
    Plotting position of Weibull; Searcy (1959), US Geological Survey Water-Supply Paper 1542-A.
    """
    known = ~np.isnan(flow)
    ascending = np.sort(flow[known])
    out = np.full(flow.shape, np.nan)
    reached = ascending.size - np.searchsorted(ascending, flow[known], side="left")
    out[known] = reached / (ascending.size + 1.0)
    return out


def flow_at_exceedance(flow: FloatArray, share: npt.ArrayLike) -> FloatArray:
    """Return the flows that are reached or exceeded for given shares of the time.

    Parameters
    ----------
    flow : (k,) float64
        [m3/s]; NaN where not known.
    share : array_like of float
        Between 0 and 1.

    Returns
    -------
    float64 array of the shape of `share`
        [m3/s], straight between Weibull positions; NaN beyond the first and the last of them, where the record is too
        short to say.
    """
    wanted = np.asarray(share, dtype=np.float64)
    descending = np.sort(flow[~np.isnan(flow)])[::-1]
    if not descending.size:
        return np.full(wanted.shape, np.nan)
    position = np.arange(1, descending.size + 1) / (descending.size + 1.0)
    slack = 1e-12  # so that a position asked for as m / (n + 1) is not lost to rounding
    inside = (wanted >= position[0] - slack) & (wanted <= position[-1] + slack)
    return np.asarray(np.where(inside, np.interp(wanted, position, descending), np.nan))


def annual_maxima(
    flow: FloatArray, year: IntArray, *, least_complete: float = 0.9, days: int | None = None
) -> FloatArray:
    """Return the greatest daily flow of each year, or of each season.

    Parameters
    ----------
    flow : (D,) float64
        [m3/s]; NaN where not known.
    year : (D,) int64
        Year (or position of a run) each day belongs to; days below 0 belong to none.
    least_complete : float
        Share of a year's days that must have a known flow; a flood may hide in the others.
    days : int, optional
        Days of a whole year; without it those of the longest one here.

    Returns
    -------
    (Y,) float64
        One for each of ``numpy.unique(year[year >= 0])``; NaN where too few days are known.
    """
    counted = year >= 0
    _, at = np.unique(year[counted], return_inverse=True)
    values = flow[counted]
    count = int(at.max()) + 1 if at.size else 0
    known = ~np.isnan(values)
    greatest = np.full(count, -np.inf)
    np.maximum.at(greatest, at[known], values[known])
    whole = days if days is not None else int(np.bincount(at, minlength=1).max())
    enough = np.bincount(at[known], minlength=count) >= least_complete * whole * (1.0 - 1e-12)
    return np.asarray(np.where(enough & np.isfinite(greatest), greatest, np.nan))


@dataclass(frozen=True)
class FloodFit:
    """A Log-Pearson type III distribution of the greatest flow of a year.

    Parameters
    ----------
    mean, sd, skew : float
        Moments of the decimal logarithms of the annual maxima [log10 m3/s] that are above 0; NaN where there are too
        few to tell: none (mean), fewer than two (sd). The skew of fewer than three is taken as 0.
    years : int
        Years the fit rests on, those without flow included.
    peak_factor : float
        Highest flow of a moment over the mean of its day; `flow` and `return_years` speak of such peaks.
    zero_years : int
        Years without any flow.

    Notes
    -----
    Method of moments with the station skew (US Water Resources Council, Bulletin 17B, 1982), without regional skew and
    without tests for outliers. Years without flow: the conditional probability adjustment of its appendix 5, that is a
    flow above 0 is exceeded in a year with the probability of having flow at all times that of the fitted
    distribution; no synthetic moments are formed.
    """

    mean: float
    sd: float
    skew: float
    years: int
    peak_factor: float = 1.0
    zero_years: int = 0

    @property
    def few(self) -> bool:
        """Whether fewer than ten years with flow stand behind the fit."""
        return self.years - self.zero_years < FEW_YEARS

    @property
    def above_zero(self) -> float:
        """Share of years with flow; NaN without any year."""
        return (self.years - self.zero_years) / self.years if self.years else np.nan

    def flow(self, return_years: npt.ArrayLike) -> FloatArray:
        """Return the floods exceeded once in so many years on the average.

        Parameters
        ----------
        return_years : array_like of float
            [years], above 1.

        Returns
        -------
        float64 array of the same shape
            [m3/s]; NaN for 1 year or less, and where there is no fit. 0 where years without flow are so many that the
            flood is none.
        """
        wanted = np.asarray(return_years, dtype=np.float64)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            given_flow = 1.0 / (wanted * self.above_zero)  # yearly chance of exceeding it, among years with flow
            value = 10.0 ** (self.mean + self.sd * frequency_factor(given_flow, self.skew))
        if self.sd == 0.0:
            value = np.full(wanted.shape, 10.0**self.mean)
        value = np.where(given_flow >= 1.0, 0.0, value * self.peak_factor)
        return np.asarray(np.where(wanted > 1.0, value, np.nan))

    def return_years(self, flow: npt.ArrayLike) -> FloatArray:
        """Return how often floods exceed given flows: once in so many years on the average.

        Parameters
        ----------
        flow : array_like of float
            [m3/s], 0 or more.

        Returns
        -------
        float64 array of the same shape
            [years], 1 or more; inf for flows the distribution never exceeds; NaN where negative or without a fit.
        """
        given = np.asarray(flow, dtype=np.float64)
        with np.errstate(divide="ignore", invalid="ignore"):
            log = np.log10(given / self.peak_factor)
            if self.sd == 0.0:
                chance = np.where(log <= self.mean + _FLAT, 1.0, 0.0)
            else:
                chance = _chance_above((log - self.mean) / self.sd, self.skew)
            if self.above_zero == 0.0:
                chance = np.zeros(given.shape)
            years = 1.0 / (self.above_zero * chance) if self.above_zero else np.full(given.shape, np.inf)
        return np.asarray(np.where(given >= 0.0, years, np.nan))


def log_pearson3(maxima: FloatArray, *, peak_factor: float = 1.0) -> FloodFit:
    """Fit a Log-Pearson type III distribution to the greatest flows of years.

    Parameters
    ----------
    maxima : (Y,) float64
        [m3/s]; NaN where not known, such years are left out.
    peak_factor : float
        Highest flow of a moment over the mean of its day.

    Raises
    ------
    ValueError
        When a flow is negative or infinite.
    """
    known = maxima[~np.isnan(maxima)]
    if ((known < 0.0) | np.isinf(known)).any():
        wrong = known[(known < 0.0) | np.isinf(known)][0]
        raise ValueError(f"maxima: given {wrong:g}, allowed: flows of 0 or more, NaN where not known")
    logs = np.log10(known[known > 0.0])
    n = logs.size
    mean = float(logs.mean()) if n else np.nan
    off = logs - mean
    sd = float(np.sqrt((off**2).sum() / (n - 1))) if n > 1 else np.nan
    if sd <= _FLAT * max(1.0, abs(mean)):  # all the same but for rounding
        sd = 0.0
    skew = 0.0
    if n > 2 and sd > 0.0:
        skew = float(n * (off**3).sum() / ((n - 1) * (n - 2) * sd**3))
    return FloodFit(mean, sd, skew, int(known.size), peak_factor, int(known.size - n))


def frequency_factor(chance: npt.ArrayLike, skew: float) -> FloatArray:
    """Return by how many standard deviations floods of given chances lie above the mean (K of Bulletin 17B).

    Parameters
    ----------
    chance : array_like of float
        Chance of being exceeded in a year, 0 to 1.
    skew : float
        Of the logarithms; NaN gives NaN.
    """
    wanted = np.asarray(chance, dtype=np.float64)
    if np.isnan(skew):
        return np.full(wanted.shape, np.nan)
    if abs(skew) < _NORMAL_BELOW:  # the incomplete gamma function loses digits there, the normal one is as near
        return np.asarray(norm.isf(wanted))
    return np.asarray(pearson3.isf(wanted, skew))


def _chance_above(factor: FloatArray, skew: float) -> FloatArray:
    """Return the chance of exceeding the mean by so many standard deviations; inverse of `frequency_factor`."""
    if np.isnan(skew):
        return np.full(factor.shape, np.nan)
    if abs(skew) < _NORMAL_BELOW:
        return np.asarray(norm.sf(factor))
    return np.asarray(pearson3.sf(factor, skew))
