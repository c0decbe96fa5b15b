"""From passabilities to the table and the pictures of passage."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barrierrank.inputs.sites import SiteTable
from barrierrank.outputs.model import SeasonTrade, SitePassage
from barrierrank.passage import kernels_fields as f
from barrierrank.passage.design import AS_MEASURED, HIGHEST, LOWEST, drops_over_flows
from barrierrank.passage.designs import SpeciesDesign, logs_in_run, tailwater_range
from barrierrank.passage.passability import RunDays, codes_of, leap_day, site_log_flow
from barrierrank.passage.structures import STOPPED_BY, FloatArray
from barrierrank.passage.today import COMPUTED, TRIED, Measured, SitePassability, Tried
from barrierrank.project import Project
from barrierrank.ranking.cautions import short_cautions
from barrierrank.ranking.seasons import SeasonChoice

_CURVE = 80
_BEYOND = 1.3
"""The curve of drop against flow goes so far beyond the greatest flow shown."""


def passage_frame(
    project: Project, sites: SiteTable, today: SitePassability, measured: Measured | None, tried: Tried,
    designs: Sequence[SpeciesDesign],
) -> pd.DataFrame | None:  # fmt: skip
    """Return the table of passability, a row per site and species; None where everything is given."""
    if not np.isin(today.source, (COMPUTED, TRIED)).any():
        return None
    row = np.full(len(sites), -1) if measured is None else measured.row_of_site(len(sites))
    ranges = None if measured is None else tailwater_range(project, measured)
    parts = []
    for k, species in enumerate(project.species):
        part = pd.DataFrame(
            {
                "site": sites.site,
                "name": sites.name,
                "species": species.key,
                "passability": today.p[:, k],
                "source": today.source[:, k],
            }
        )
        trial = today.trial[:, k]
        for name, values in (
            ("trial_offered", tried.trials.offered),
            ("trial_passed", tried.trials.passed),
            ("trial_upper", tried.says.upper),
        ):
            part[name] = np.where(trial >= 0, np.append(values.astype(np.float64), np.nan)[trial], np.nan)
        computed = today.source[:, k] == COMPUTED
        if measured is not None and ranges is not None:
            invasive = species.role == "invasive"
            for name, column in _years(measured, k, row, computed, invasive=invasive).items():
                part[name] = column
            for name, found in zip(("p_low", "p_high"), ranges, strict=True):
                mean = np.full((len(measured.structures) + 1, len(project.species)), np.nan)
                mean[:-1, measured.species] = found
                part[name] = np.where(computed, mean[row, k], np.nan)
        design = next((d for d in designs if d.species == k), None)
        for name, numbers in _design(design, row).items():
            part[name] = numbers
        if measured is not None and design is None:
            part["required_drop_m"] = _required(measured, k, row)
        parts.append(part)
    table = pd.concat(parts, ignore_index=True)
    order = np.argsort(np.tile(np.arange(len(sites)), len(project.species)), kind="stable")
    return table.iloc[order].reset_index(drop=True)


def _years(
    measured: Measured, k: int, row: NDArray[np.int64], computed: NDArray[np.bool_], *, invasive: bool
) -> dict[str, pd.Series[Any]]:
    """Return what the years of computed sites say of one species."""
    n = row.size
    known = measured.species.tolist()
    numbers = {name: np.full(n, np.nan) for name in ("p_worst", "p_best", "days_passable", "run_days", "stopped_share")}
    years, worst_year = np.zeros(n, dtype=np.int64), pd.array([pd.NA] * n, dtype="Int64")
    stopped_by = np.full(n, "", dtype=object)
    at = np.flatnonzero(computed & (row >= 0))
    if k in known and at.size:
        c, r, passage = known.index(k), row[at], measured.passage
        worst, year = passage.worst(np.full(len(known), invasive))
        best, _ = passage.worst(np.full(len(known), not invasive))
        numbers["p_worst"][at], numbers["p_best"][at] = worst[r, c], best[r, c]
        worst_year[at] = np.where(year[r, c] >= 0, passage.years[year[r, c]], 0)
        worst_year[at[year[r, c] < 0]] = pd.NA
        complete = ~np.isnan(passage.p[r, c])
        years[at] = complete.sum(axis=1)
        for name, values in (("days_passable", passage.days), ("run_days", passage.run_days)):
            numbers[name][at] = np.where(complete, values[r, c], 0.0).sum(axis=1) / np.maximum(years[at], 1)
        share = passage.stopped[r, c, 1:]
        most = share.argmax(axis=1)
        numbers["stopped_share"][at] = share.max(axis=1)
        stopped_by[at] = np.where(share.max(axis=1) > 0.0, np.array(STOPPED_BY, dtype=object)[most + 1], "")
    made = {**numbers, "years": years, "worst_year": worst_year, "stopped_by": stopped_by}
    return {name: pd.Series(column) for name, column in made.items()}


def _required(measured: Measured, k: int, row: NDArray[np.int64]) -> FloatArray:
    """Return the drop that stops one species at every site [m]; NaN where none does or nothing is measured."""
    known = measured.species.tolist()
    if k not in known:
        return np.full(row.size, np.nan)
    traits, lip = measured.fish[known.index(k)], measured.structures.numbers[:, f.LIP] > 0.0
    drop = np.where(lip, traits[f.REQUIRED_DROP_LIP], traits[f.REQUIRED_DROP])
    return np.asarray(np.append(drop, np.nan)[row])


def _design(design: SpeciesDesign | None, row: NDArray[np.int64]) -> dict[str, FloatArray]:
    """Return the design check of one species at every site, NaN where there is none."""
    names = (
        "required_drop_m", "low_flow_drop_m", "design_flow_m3s", "design_drop_m", "holds_return_years",
        "drowns_return_years", "raise_needed_m", "raise_low_m", "raise_high_m",
    )  # fmt: skip
    if design is None:
        return {name: np.full(row.size, np.nan) for name in names}
    c = design.check
    values = (
        c.required_drop, c.drop_at_low_flow, c.design_flow, c.drop[:, AS_MEASURED], c.years_held[:, AS_MEASURED],
        c.years_drowned[:, AS_MEASURED], c.raise_needed[:, AS_MEASURED], c.raise_needed[:, LOWEST],
        c.raise_needed[:, HIGHEST],
    )  # fmt: skip
    return {name: np.append(v, np.nan)[row] for name, v in zip(names, values, strict=True)}


def site_passages(
    project: Project, sites: SiteTable, measured: Measured, designs: Sequence[SpeciesDesign], ranks: pd.Series
) -> tuple[SitePassage, ...]:
    """Return what the pictures of single sites show, best ranked sites first, as many as the project asks for.

    Parameters
    ----------
    ranks : Series of Int64
        Best rank of each site, null where nothing can be done.
    """
    structures = measured.structures
    rank = ranks.to_numpy(dtype=np.float64, na_value=np.inf)[structures.site]
    timed = measured.days.complete[:, np.maximum(structures.gauge, 0)].any(axis=(0, 2))  # a year can be shown
    usable = np.flatnonzero((structures.gauge >= 0) & (structures.numbers[:, f.KIND] != f.NONE) & timed)
    order = usable[np.lexsort((usable, rank[usable]))][: project.passage.pictures]
    return tuple(_site_passage(project, sites, measured, designs, int(i), rank[i]) for i in order)


def _site_passage(
    project: Project, sites: SiteTable, measured: Measured, designs: Sequence[SpeciesDesign], i: int, rank: float
) -> SitePassage:
    structures, s = measured.structures, int(measured.structures.site[i])
    year, shown = _shown_days(measured, int(structures.gauge[i]))
    codes = codes_of(structures, i, measured.fish, shown, crest_reach_m=measured.crest_reach_m)
    flow = np.exp(site_log_flow(structures, i, shown.log_flow[int(structures.gauge[i])]))
    keys = [project.species[k].key for k in measured.species.tolist()]
    design = designs[0] if designs else None
    design_q = float("nan") if design is None else float(design.check.design_flow[i])
    fit = None if design is None else design.floods[int(structures.gauge[i])]
    logs_in = (logs_in_run(measured, 0) if design is None else design.logs_in)[[i]]
    curve = _curve(flow, design_q)
    one = structures.take(np.array([i]))
    error, rough = project.passage.tailwater_error_m, project.passage.roughness_error
    drops = [
        drops_over_flows(one.shifted(sign * error, 1.0 + sign * rough), curve[None], logs_in=logs_in)[0]
        for sign in (0.0, -1.0, 1.0)
    ]
    lip = structures.numbers[i, f.LIP] > 0.0
    required = measured.fish[:, f.REQUIRED_DROP_LIP if lip else f.REQUIRED_DROP]
    culvert = structures.numbers[i, f.KIND] == f.CULVERT
    return SitePassage(
        site=str(sites.site[s]), name=str(sites.name[s]), kind=str(sites.kind[s]),
        rank=int(rank) if np.isfinite(rank) else None, day=shown.date, discharge=flow,
        open={key: codes[c] == f.PASSES for c, key in enumerate(keys)},
        run={key: shown.weight[c, int(structures.gauge[i])] for c, key in enumerate(keys)},
        curve_q=curve, curve_drop=drops[0], crest_m=float(structures.numbers[i, f.OUTLET if culvert else f.CREST]),
        required={key: float(required[c]) for c, key in enumerate(keys)},
        design_q=design_q, design_years=project.passage.design_return_years, curve_low=drops[1], curve_high=drops[2],
        drop_word="perch of the outlet" if culvert else "drop from crest to tailwater", year=year,
        cautions=short_cautions(), design_season=project.passage.design_season,
        design_record_years=0 if fit is None else fit.years, peak_factor=project.passage.peak_factor,
    )  # fmt: skip


def _shown_days(measured: Measured, gauge: int) -> tuple[int, RunDays]:
    """Return the year whose run has the middle flow, and all days from its first run to its last.

    Some year must be complete at the gauge for some species.
    """
    days, flows = measured.days, measured.flows
    complete = days.complete[:, gauge]
    known = np.asarray(complete[complete.any(axis=1)].all(axis=0))  # years in which every run is known
    known = known if known.any() else np.asarray(complete.any(axis=0))
    with np.errstate(divide="ignore"):
        flow = np.nan_to_num(np.exp(days.log_flow[gauge]), nan=0.0)
    year_of = np.where(days.weight[:, gauge] > 0.0, days.year, -1)
    of_year = np.array(
        [
            (days.weight[:, gauge] * flow * (year_of == y)).sum() if known[y] else np.nan
            for y in range(days.years.size)
        ]
    )
    at = np.flatnonzero(~np.isnan(of_year))
    y = int(at[np.argsort(of_year[at], kind="stable")[(at.size - 1) // 2]])
    mine = np.asarray((year_of == y).any(axis=0))
    dates = days.date[mine]
    first = int((dates[0] - flows.day[0]).astype(np.int64))
    last = int((dates[-1] - flows.day[0]).astype(np.int64))
    whole = flows.day[first : last + 1]
    weight = np.zeros((days.weight.shape[0], days.weight.shape[1], whole.size))
    place = (days.date[mine] - whole[0]).astype(np.int64)
    weight[:, :, place] = np.where(year_of[:, mine] == y, 1.0, 0.0)[:, None] * days.weight[:, :, mine]
    with np.errstate(divide="ignore"):
        log_flow = np.log(flows.discharge[:, first : last + 1])
    shown = RunDays(
        whole, np.arange(first, last + 1), leap_day(whole), log_flow,
        np.ascontiguousarray(flows.temperature[:, first : last + 1]), weight,
        np.zeros((weight.shape[0], whole.size), dtype=np.int64), days.years, days.complete,
    )  # fmt: skip
    return int(days.years[y]), shown


def _curve(flow: FloatArray, design_q: float) -> FloatArray:
    """Return flows for the curve of drop against flow [m3/s]."""
    given = flow[np.isfinite(flow) & (flow > 0.0)]
    low = float(given.min()) if given.size else 0.01
    high = float(np.nanmax(np.append(given, [design_q, low * 2.0]))) * _BEYOND
    return np.geomspace(low, high, _CURVE)


def season_trades(
    project: Project, sites: SiteTable, actions: tuple[NDArray[np.int64], NDArray[np.object_]],
    choices: Sequence[SeasonChoice],
) -> tuple[SeasonTrade, ...]:  # fmt: skip
    """Return what the pictures of seasonal crests show.

    Parameters
    ----------
    actions : site and name of every action
    choices : sequence of SeasonChoice
    """
    out = []
    for choice in choices:
        s = int(actions[0][choice.action])
        out += [
            SeasonTrade(
                site=str(sites.site[s]), name=str(sites.name[s]), action=str(actions[1][choice.action]),
                invader=project.species[trade.invader].key, native=project.species[trade.native].key,
                p_invader=trade.p_invader, p_native=trade.p_native, up=trade.pairs.up, down=trade.pairs.down,
                front=trade.pairs.on_front, best=trade.pairs.best,
            )
            for trade in choice.trades
        ]  # fmt: skip
    return tuple(out)
