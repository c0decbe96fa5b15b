"""Fifteen years of daily flow and water temperature at one gauge, from made-up weather."""

from __future__ import annotations

import numpy as np
import pandas as pd

FIRST_DAY, LAST_DAY = "2010-10-01", "2025-09-30"
WET_DAY_MM = 7.2


def make_flows(rng: np.random.Generator, *, mean_m3s: float) -> pd.DataFrame:
    """Return columns `date`, `discharge_m3s`, `water_temp_c`, a row per day, with the given mean flow.

    Snow melts by degree-days, the soil dries by season; what is left runs off through a quick, a middle and a
    slow store.
    """
    days = pd.date_range(FIRST_DAY, LAST_DAY, freq="D")
    air = _air_temperature(rng, days)
    water_mm = _snow(_precipitation(rng, days), air)
    runoff = _soil_and_stores(water_mm, air)
    runoff *= np.exp(_autoregressive(rng, len(days), carry=0.8, sd=0.04))
    return pd.DataFrame(
        {
            "date": days.strftime("%Y-%m-%d"),
            "discharge_m3s": np.round(runoff * mean_m3s / runoff.mean(), 3),
            "water_temp_c": np.round(_water_temperature(rng, air), 1),
        }
    )


def _autoregressive(rng: np.random.Generator, n: int, *, carry: float, sd: float) -> np.ndarray:
    """Return noise of standard deviation `sd` whose day-to-day correlation is `carry`."""
    out = np.empty(n)
    shock = rng.standard_normal(n) * sd * np.sqrt(1.0 - carry * carry)
    last = 0.0
    for i in range(n):
        last = carry * last + shock[i]
        out[i] = last
    return out


def _air_temperature(rng: np.random.Generator, days: pd.DatetimeIndex) -> np.ndarray:
    """Return daily mean air temperature [deg C]: a season, warm and cold years, spells of weather."""
    season = 6.0 + 14.8 * np.cos(2.0 * np.pi * (days.day_of_year.to_numpy() - 198) / 365.25)
    years = days.year.to_numpy() + (days.month.to_numpy() >= 10)
    yearly = {y: 0.7 * rng.standard_normal() for y in sorted(set(years))}
    return season + np.array([yearly[y] for y in years]) + _autoregressive(rng, len(days), carry=0.75, sd=3.8)


def _precipitation(rng: np.random.Generator, days: pd.DatetimeIndex) -> np.ndarray:
    """Return daily precipitation [mm]: wet and dry spells, most in autumn, wet and dry years."""
    day = days.day_of_year.to_numpy()
    season = 1.0 + 0.28 * np.cos(2.0 * np.pi * (day - 295) / 365.25)
    years = days.year.to_numpy() + (days.month.to_numpy() >= 10)
    yearly = {y: float(np.exp(0.17 * rng.standard_normal())) for y in sorted(set(years))}
    wet = np.zeros(len(days), dtype=bool)
    chance = rng.random(len(days))
    for i in range(1, len(days)):
        wet[i] = chance[i] < (0.58 if wet[i - 1] else 0.26)
    depth = rng.gamma(0.85, WET_DAY_MM / 0.85, len(days))
    return wet * depth * season * np.array([yearly[y] for y in years])


def _snow(precipitation: np.ndarray, air: np.ndarray) -> np.ndarray:
    """Return rain and melt [mm/day]; snow falls below 0.5 deg C and melts by 2.4 mm per degree-day."""
    out = np.empty_like(precipitation)
    pack = 0.0
    for i, (fall, temp) in enumerate(zip(precipitation, air, strict=True)):
        snowing = temp < 0.5
        pack += fall if snowing else 0.0
        melt = min(pack, 2.4 * max(temp - 0.5, 0.0))
        pack -= melt
        out[i] = melt + (0.0 if snowing else fall)
    return out


def _soil_and_stores(water_mm: np.ndarray, air: np.ndarray) -> np.ndarray:
    """Return runoff [mm/day] after a soil store with evaporation, a quick and a slow reservoir."""
    out = np.empty_like(water_mm)
    soil, middle, quick, slow = 60.0, 10.0, 0.0, 40.0
    for i, (water, temp) in enumerate(zip(water_mm, air, strict=True)):
        soil += water
        soil = max(soil - max(0.0, 0.17 * temp) * min(1.0, soil / 70.0), 0.0)
        spill = max(soil - 95.0, 0.0) + 0.02 * soil * min(1.0, water / 10.0)
        soil -= spill
        quick += 0.28 * spill
        middle += 0.35 * spill
        slow += 0.37 * spill
        flows = 0.40 * quick, 0.10 * middle, 0.012 * slow
        quick, middle, slow = quick - flows[0], middle - flows[1], slow - flows[2]
        out[i] = sum(flows) + 0.05
    return out


def _water_temperature(rng: np.random.Generator, air: np.ndarray) -> np.ndarray:
    """Return water temperature [deg C]: air smoothed over a week, near zero under ice."""
    out = np.empty_like(air)
    last = air[0]
    for i, temp in enumerate(air):
        last += (temp - last) / 7.0
        out[i] = last
    wobble = _autoregressive(rng, len(air), carry=0.6, sd=0.25)
    warm = np.log1p(np.exp(1.6 * out)) / 1.6  # bends smoothly to zero below freezing
    return np.clip(warm + wobble * np.clip(warm / 3.0, 0.4, 1.0), 0.0, 27.0)
