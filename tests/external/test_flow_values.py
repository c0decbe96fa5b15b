"""Flow duration, floods and carrying flows over, against published values and indices of real gauges.

Sources: daily discharges of the US Geological Survey (public domain) and the hydrologic indices published for the same
records (Olden & Poff, 2003, River Research and Applications 19: 101-121; Henriksen et al., 2006, US Geological Survey
Open-File Report 2006-1093), of the complete water years (October to September).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Literal

import numpy as np
import pandas as pd
import pytest

from barrierrank.inputs.flows import FT3_M3, FlowRecords, read_flows
from barrierrank.passage.frequency import (
    FloodFit,
    annual_maxima,
    exceedance,
    flow_at_exceedance,
    frequency_factor,
    log_pearson3,
)
from barrierrank.passage.timing import run_weights
from barrierrank.passage.transfer import site_flow_factors
from barrierrank.problems import Problems
from barrierrank.project import BasinSpec
from barrierrank.project_passage import FlowsSpec, RunSpec
from barrierrank.project_schema_passage import FLOWS

TO_3_DECIMALS = 5.1e-4


def read(
    path: Path, *, date: str = "date", discharge: str = "discharge", unit: Literal["m3s", "ft3s"] = "ft3s"
) -> tuple[FlowRecords, Problems]:
    """Read the flows of one gauge."""
    spec = FlowsSpec(path, None, date, discharge, unit, None, None, None, 1.0, 0.5, 1.5, (-9999, -999))
    project: Any = SimpleNamespace(flows=spec, basin=BasinSpec("Sample", "EPSG:5070"))
    problems = Problems()
    return read_flows(project, problems), problems


@dataclass(frozen=True)
class Gauge:
    """A record, the table of its published indices, and what that table calls the mean of annual maxima."""

    file: str
    column: str
    site: str
    water_years: int
    typical_maximum: str


GAUGES = [
    Gauge("q_tallulah_02178400_cfs.csv", "discharge", "", 9, "mean"),
    Gauge("q_nj_01396500_cfs.csv", "q_cfs", "01396500", 88, "median"),
    Gauge("q_nj_01405500_cfs.csv", "q_cfs", "01405500", 49, "median"),
]


def published(data: Path, gauge: Gauge) -> Mapping[str, float]:
    """Return the indices of one gauge by name."""
    folder = data / "discharge"
    if not gauge.site:
        table = pd.read_csv(folder / "q_tallulah_02178400_reference_indices.csv")
        return dict(zip(table["Index"], table["Value"], strict=True))
    table = pd.read_csv(folder / "q_nj_reference_indices.csv", dtype={"site": str}).set_index("site")
    return {k: float(v) for k, v in table.loc[gauge.site].items() if v != "NC"}


def water_years(flows: FlowRecords) -> np.ndarray:
    """Return the water year of each day, -1 where the record has not the whole of it."""
    months = flows.day.astype("datetime64[M]").astype(np.int64)
    year = 1970 + (months + 3) // 12
    count = np.bincount(year, ~np.isnan(flows.discharge[0]))
    return np.where(count[year] >= 365, year, -1)


@pytest.mark.real_data
@pytest.mark.parametrize("gauge", GAUGES, ids=lambda g: g.file.split("_cfs")[0])
def test_published_indices_of_flow_duration_and_floods(real_data: Path, gauge: Gauge) -> None:
    flows, problems = read(real_data / "discharge" / gauge.file, discharge=gauge.column)
    assert not problems.of("warning")
    wanted, year = published(real_data, gauge), water_years(flows)
    flow = flows.discharge[0, year > 0] / FT3_M3
    assert np.unique(year[year > 0]).size == gauge.water_years
    q1, q10, q20, q25, q50, q75, q80, q90 = flow_at_exceedance(flow, [0.01, 0.1, 0.2, 0.25, 0.5, 0.75, 0.8, 0.9])
    maxima = annual_maxima(flow, year[year > 0], least_complete=0.99)
    fit = log_pearson3(maxima)
    found = {
        "MA1": flow.mean(),
        "MA2": q50,
        "MA6": q10 / q90,
        "MA7": q20 / q80,
        "MA8": q25 / q75,
        "MH15": q1 / q50,
        "MH16": q10 / q50,
        "MH17": q25 / q50,
        "DH1": getattr(np, gauge.typical_maximum)(maxima),
        "DH6": 100 * maxima.std(ddof=1) / maxima.mean(),  # spread of annual maxima
        "MH18": 100 * fit.sd / fit.mean,  # spread of their logarithms
        "MH19": fit.skew,  # skew of their logarithms
    }
    if not gauge.site:  # the other table defines these otherwise
        found |= {"MA9": (q10 - q90) / q50, "MA10": (q20 - q80) / q50, "MA11": (q25 - q75) / q50}
    assert {k: wanted[k] for k in found} == pytest.approx(found, abs=TO_3_DECIMALS)


@pytest.mark.real_data
def test_a_record_with_many_gaps(real_data: Path) -> None:
    path = real_data / "discharge" / "q_ausable_04135700_cfs.csv"
    flows, problems = read(path)
    plain = pd.read_csv(path, parse_dates=["date"]).set_index("date")["discharge"]
    step = plain.index.to_series().diff().dt.days.dropna()
    gaps = step[step > 1] - 1
    assert len(gaps) == 203
    note = next(p.message for p in problems if p.kind == "flow_gaps")
    assert f"203 gap(s) without a discharge, {int(gaps.sum())} days in all" in note
    assert f"the longest of {int(gaps.max())} days" in note
    assert flows.day.size == (plain.index[-1] - plain.index[0]).days + 1
    assert np.isnan(flows.discharge).sum() == gaps.sum()
    whole = plain.reindex(pd.DatetimeIndex(flows.day)).to_numpy() * FT3_M3
    assert np.array_equal(flows.discharge[0], whole, equal_nan=True)
    # flow duration leaves days without a flow out
    assert np.array_equal(np.isnan(exceedance(flows.discharge[0])), np.isnan(whole))

    run = run_weights(RunSpec("date", (61, 182), ((61.0, 1.0), (182.0, 1.0)), 0.0, 0), flows, 0.9, Problems())
    season = plain[(plain.index.month >= 3) & (plain.index.month <= 6)]  # 1 March to 30 June: 122 days
    days = season.groupby(season.index.year).size().reindex(run.years, fill_value=0)
    assert run.complete[0].tolist() == (days >= 0.9 * 122).tolist()
    assert 0 < run.complete.sum() < run.years.size
    assert run.weight.sum() == pytest.approx(run.complete.sum())
    assert (run.weight[0, np.isnan(whole)] == 0.0).all()


@pytest.mark.real_data
def test_a_record_without_gaps_in_cubic_metres(real_data: Path) -> None:
    path = real_data / "discharge" / "q_choptank_01491000_m3s.csv"
    flows, problems = read(path, date="Date", discharge="Q", unit="m3s")
    assert not [p for p in problems if p.kind in ("flow_gaps", "unsorted_dates", "missing_value")]
    assert flows.discharge[0].tolist() == pd.read_csv(path)["Q"].tolist()


def test_weibull_positions() -> None:
    # Searcy, 1959, US Geological Survey Water-Supply Paper 1542-A (from memory): m / (n + 1)
    shares = exceedance(np.arange(12.0, 0.0, -1.0))
    assert shares[[0, 5, 11]] == pytest.approx([0.0769, 0.4615, 0.9231], abs=5e-5)


#: Frequency factors K for return periods of 2, 5, 10, 25, 50, 100, 200 years.
#: Bulletin 17B (US Water Resources Council, 1982), appendix 3 (from memory), as printed with 3 decimals in
#: Chow, Maidment & Mays, 1988, Applied Hydrology, table 12.3.1.
FACTORS = {
    3.0: (-0.396, 0.420, 1.180, 2.278, 3.152, 4.051, 4.970),
    2.0: (-0.307, 0.609, 1.302, 2.219, 2.912, 3.605, 4.298),
    1.0: (-0.164, 0.758, 1.340, 2.043, 2.542, 3.022, 3.489),
    0.5: (-0.083, 0.808, 1.323, 1.910, 2.311, 2.686, 3.041),
    0.0: (0.000, 0.842, 1.282, 1.751, 2.054, 2.326, 2.576),
    -0.5: (0.083, 0.856, 1.216, 1.567, 1.777, 1.955, 2.108),
    -1.0: (0.164, 0.852, 1.128, 1.366, 1.492, 1.588, 1.664),
}


@pytest.mark.parametrize("skew", FACTORS)
def test_frequency_factors_of_log_pearson_iii(skew: float) -> None:
    years = np.array([2.0, 5.0, 10.0, 25.0, 50.0, 100.0, 200.0])
    # tables of that time round 0.0005 either way: 1.3026 is printed as 1.302, .8565 as .856
    assert frequency_factor(1.0 / years, skew) == pytest.approx(FACTORS[skew], abs=TO_3_DECIMALS + 1e-4)


#: Fishkill Creek at Beacon, New York, peaks of 1945 to 1968 [ft3/s]: worked example of Bulletin 17B, appendix 12
#: (from memory).
FISHKILL = (
    2290, 1470, 2220, 2970, 3020, 1210, 2490, 3170, 3220, 1760, 8800, 8280, 1310, 2500, 1960, 2140, 4340, 3060, 1780,
    1380, 980, 1040, 1580, 3630,
)  # fmt: skip


def test_moments_of_a_worked_example() -> None:
    fit = log_pearson3(np.array(FISHKILL, dtype=float))
    assert fit.years == 24
    assert not fit.few
    # Bulletin 17B, appendix 12 (from memory): mean 3.3684, standard deviation 0.2456, skew 0.7300
    assert (fit.mean, fit.sd, fit.skew) == pytest.approx((3.3684, 0.2456, 0.7300), abs=6e-5)


def test_floods_of_a_worked_example() -> None:
    # Chow, Maidment & Mays, 1988, Applied Hydrology, worked example of section 12.3 (from memory): Guadalupe River near
    # Victoria, Texas, logarithms with mean 4.2743, standard deviation 0.4027, skew -0.0696: 41,170 ft3/s in 5 years and
    # 121,990 ft3/s in 50 years, with factors taken from a table between two skews and logarithms of 4 decimals
    fit = FloodFit(4.2743, 0.4027, -0.0696, 44)
    assert fit.flow([5.0, 50.0]) == pytest.approx([41_170.0, 121_990.0], rel=1e-3)
    assert fit.return_years([41_170.0, 121_990.0]) == pytest.approx([5.0, 50.0], rel=2e-3)
    # the same without skew (lognormal): 126,300 ft3/s in 50 years
    assert FloodFit(4.2743, 0.4027, 0.0, 44).flow(50.0) == pytest.approx(126_300.0, rel=1e-3)


def test_the_usual_limits_of_the_drainage_area_ratio() -> None:
    # US Geological Survey Scientific Investigations Report 2008-5126: discharge in proportion to drainage area where
    # the ratio of areas is 0.5 to 1.5
    defaults = {k.name: k.default for k in FLOWS}
    assert (defaults["exponent"], defaults["ratio_low"], defaults["ratio_high"]) == (1.0, 0.5, 1.5)
    nan = np.array([np.nan])
    day = np.array(["2001-01-01"], dtype="datetime64[D]")
    flows = FlowRecords(np.array(["A"], dtype=object), np.array([100.0]), nan, nan, day, np.ones((1, 1)), nan[None])
    table = SimpleNamespace(
        label="", row=np.arange(4), gauge=np.array([""] * 4, dtype=object), flow_a=np.full(4, np.nan),
        flow_b=np.full(4, np.nan),
    )  # fmt: skip
    spec = FlowsSpec(Path(), None, "", "", "m3s", None, None, None, defaults["exponent"], defaults["ratio_low"],
                     defaults["ratio_high"], ())  # fmt: skip
    problems = Problems()
    _, factor, _ = site_flow_factors(table, np.array([49.0, 50.0, 150.0, 151.0]), flows, spec, problems)
    assert factor == pytest.approx([0.49, 0.5, 1.5, 1.51])
    assert [p.ids for p in problems if p.kind == "area_ratio"] == [("0", "3")]
