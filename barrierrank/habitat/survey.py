"""Measured habitat in the place of modelled, and how well the two agree."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from barrierrank.habitat.curves import ClassTable, Floats
from barrierrank.habitat.stages import (
    NO_WIDTH,
    SURVEYED,
    Attributes,
    Bools,
    Codes,
    Ints,
    StageHabitat,
    StageSpec,
    judge,
)
from barrierrank.inputs.report import Report, in_rows
from barrierrank.inputs.survey import AT, SurveyTable
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import Problems


@dataclass(frozen=True, eq=False)
class Model:
    """What a stage was modelled with, so that measured shares of classes can be put in the place of modelled ones.

    Parameters
    ----------
    spec : StageSpec
    attributes : Attributes
    above_fall : (n,) bool or None
    """

    spec: StageSpec
    attributes: Attributes
    above_fall: Bools | None = None


@dataclass(frozen=True)
class Agreement:
    """How modelled values agree with measured ones.

    Parameters
    ----------
    n : int
        Pairs of which both are known.
    bias : float
        Mean of modelled minus measured; NaN without pairs.
    rmse : float
        Root of the mean squared difference; NaN without pairs.
    correlation : float
        Pearson's; NaN for fewer than two pairs, or where one side is the same everywhere.
    """

    n: int
    bias: float
    rmse: float
    correlation: float


@dataclass(frozen=True, eq=False)
class _Placed:
    """Records on reaches, one record a reach: its row in the table, the reach, the reach's share of the record."""

    record: Ints
    reach: Ints
    share: Floats


def apply_survey(
    network: RiverNetwork,
    modelled: StageHabitat,
    records: SurveyTable,
    model: Model,
    *,
    tolerance_m: float,
    problems: Problems,
) -> tuple[StageHabitat, Bools]:
    """Put measured habitat in the place of modelled.

    1. A record on a line counts for all its reaches, an amount shared out by their length as drawn; a record at a
       point for the nearest reach within the tolerance, the lower number of equally near ones.
    2. Of several records for a reach the latest date counts, of equal dates the later row; no date is earlier than any.
    3. An amount or a quality replaces what curves and limits say; amount = quality x size. Shares of classes take the
       place of the modelled shares of that table of classes (the one that knows most of what was found), the other
       curves and the limits stay.

    Parameters
    ----------
    network : RiverNetwork
    modelled : StageHabitat
        Left as it is.
    records : SurveyTable
        Those of this species and stage, see :meth:`SurveyTable.of`.
    model : Model
    tolerance_m : float
        Greatest distance from a point to its line [m].
    problems : Problems
        Gets records that could not be used or were superseded.

    Returns
    -------
    habitat : StageHabitat
    surveyed : (n,) bool
    """
    report = Report(problems, records.label, AT)
    placed = _latest(_place(network, records, tolerance_m, report), records, report)
    record, reach = placed.record, placed.reach
    amount, quality = modelled.amount.copy(), modelled.quality.copy()
    missing, limited_by = modelled.missing.copy(), modelled.limited_by.copy()
    size = modelled.size[reach]
    found_amount = records.amount[record] * placed.share
    found_quality, found_missing = records.quality[record].copy(), np.zeros(reach.size)
    found_limit: Codes = np.full(reach.size, SURVEYED, dtype=np.int8)
    by_class = np.isnan(found_amount) & np.isnan(found_quality)
    if by_class.any():
        found_quality[by_class], found_missing[by_class], found_limit[by_class] = _judge_classes(
            model, records, record[by_class], reach[by_class]
        )
    by_amount = ~np.isnan(found_amount)
    with np.errstate(divide="ignore", invalid="ignore"):
        found_quality = np.where(by_amount, np.where(size > 0.0, found_amount / size, np.nan), found_quality)
    _tell_too_much(records, record[by_amount & (found_quality > 1.0 + 1e-9)], report)
    no_size = np.isnan(size) & ~by_amount
    found_limit[no_size] = NO_WIDTH
    amount[reach] = np.where(by_amount, found_amount, np.where(no_size, 0.0, found_quality * size))
    quality[reach] = np.minimum(found_quality, 1.0)
    missing[reach], limited_by[reach] = found_missing, found_limit
    surveyed = np.zeros(len(network), dtype=np.bool_)
    surveyed[reach] = True
    return replace(modelled, amount=amount, quality=quality, missing=missing, limited_by=limited_by), surveyed


def agreement(modelled: Floats, measured: Floats) -> Agreement:
    """Compare modelled with measured values.

    Parameters
    ----------
    modelled, measured : (n,) float64
        Pairs with NaN on either side are left out.
    """
    both = ~np.isnan(modelled) & ~np.isnan(measured)
    a, b = modelled[both], measured[both]
    if not a.size:
        return Agreement(0, np.nan, np.nan, np.nan)
    off = a - b
    da, db = a - a.mean(), b - b.mean()
    spread = float(np.linalg.norm(da) * np.linalg.norm(db)) if np.ptp(a) > 0.0 and np.ptp(b) > 0.0 else 0.0
    correlation = float(np.clip(da @ db / spread, -1.0, 1.0)) if spread > 0.0 else np.nan
    return Agreement(a.size, float(off.mean()), float(np.sqrt((off**2).mean())), correlation)


def _place(network: RiverNetwork, records: SurveyTable, tolerance_m: float, report: Report) -> _Placed:
    """Return the reaches of every record; a record may have several, a reach too."""
    on_line = np.flatnonzero(records.line >= 0)
    by_row = np.argsort(network.row, kind="stable")
    first = np.searchsorted(network.row[by_row], records.line[on_line], side="left")
    last = np.searchsorted(network.row[by_row], records.line[on_line], side="right")
    count = last - first
    record = np.repeat(on_line, count)
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    reach = by_row[np.repeat(first, count) + within]
    drawn = network.end_m - network.start_m
    whole = np.bincount(record, drawn[reach], minlength=len(records))[record]
    equal = 1.0 / np.bincount(record, minlength=len(records))[record]
    share = np.where(whole > 0.0, drawn[reach] / np.where(whole > 0.0, whole, 1.0), equal)
    _tell_unplaced(records, on_line[count == 0], "the line is not part of the network", "", report)

    at_point = np.flatnonzero(records.line < 0)
    snapped = _snap(network, (records.x[at_point], records.y[at_point]), tolerance_m)
    remedy = "correct x and y, name the line, or raise the tolerance"
    far = f"no stream line lies within {tolerance_m:g} m of the point"
    _tell_unplaced(records, at_point[snapped < 0], far, remedy, report)
    at_point, snapped = at_point[snapped >= 0], snapped[snapped >= 0]
    return _Placed(
        np.concatenate([record, at_point]),
        np.concatenate([reach, snapped]),
        np.concatenate([share, np.ones(at_point.size)]),
    )


def _snap(network: RiverNetwork, points: tuple[Floats, Floats], tolerance_m: float) -> Ints:
    """Return the nearest reach of each point, -1 where none is within the tolerance."""
    point, line, distance, measure = network.polylines.near(points, tolerance_m)
    by_place = np.lexsort((network.start_m, network.line))
    lines = network.line[by_place]
    first = np.searchsorted(lines, line, side="left")
    last = np.searchsorted(lines, line, side="right")
    used = first < last  # not a line that was left out
    point, line, distance, measure = point[used], line[used], distance[used], measure[used]
    # all lines laid end to end, so that one search finds the piece of its line that a measure is on
    begin = np.cumsum(network.polylines.length) - network.polylines.length
    starts = begin[lines] + network.start_m[by_place]
    piece = np.searchsorted(starts, begin[line] + measure, side="right") - 1
    reach = by_place[np.clip(piece, first[used], last[used] - 1)]
    order = np.lexsort((reach, distance, point))
    nearest = order[np.append(True, np.diff(point[order]) > 0)[: order.size]]
    out = np.full(points[0].size, -1, dtype=np.int64)
    out[point[nearest]] = reach[nearest]
    return out


def _latest(placed: _Placed, records: SurveyTable, report: Report) -> _Placed:
    """Keep one record for each reach, the latest; tell the others."""
    day = records.date.astype("datetime64[D]").astype(np.int64)  # NaT is the least of all
    order = np.lexsort((placed.record, day[placed.record], placed.reach))
    reach = placed.reach[order]
    wins = np.append(reach[1:] != reach[:-1], True)[: reach.size]
    lost = np.unique(placed.record[order[~wins]])
    if lost.size:
        rows = records.row[lost].tolist()
        message = f"{in_rows(rows)}: a later record of the same reach counts there instead"
        report.add("note", "survey_superseded", message, ids=rows)
    keep = order[wins]
    return _Placed(placed.record[keep], placed.reach[keep], placed.share[keep])


def _judge_classes(
    model: Model, records: SurveyTable, record: Ints, reach: Ints
) -> tuple[Floats, Floats, Codes]:
    """Return quality, share missing and what limits it with the measured shares of classes."""
    quality, missing = np.empty(reach.size), np.empty(reach.size)
    limited_by: Codes = np.empty(reach.size, dtype=np.int8)
    tables = {n: c for n, c in model.spec.curves.items() if isinstance(c, ClassTable)}
    if not tables:
        raise ValueError("given shares of classes for a stage without a table of classes")
    known = np.array([
        sum((s[record] for label, s in records.shares.items() if label in t.suitability), np.zeros(record.size))
        for t in tables.values()
    ])  # fmt: skip
    chosen = known.argmax(axis=0)
    for k, name in enumerate(tables):
        mine = chosen == k
        if not mine.any():
            continue
        here = model.attributes.take(reach[mine])
        found = {label: share[record[mine]] for label, share in records.shares.items()}
        quality[mine], missing[mine], limited_by[mine] = judge(
            model.spec,
            Attributes(here.numbers, {**here.classes, name: found}),
            int(mine.sum()),
            above_fall=None if model.above_fall is None else model.above_fall[reach[mine]],
        )
    return quality, missing, limited_by


def _tell_unplaced(records: SurveyTable, which: Ints, why: str, remedy: str, report: Report) -> None:
    if which.size:
        rows = records.row[which].tolist()
        message = f"{in_rows(rows)}: {why}; the record is not used"
        report.add(
            "warning", "survey_unplaced", message, ids=rows, remedy=remedy or "see why it was left out"
        )


def _tell_too_much(records: SurveyTable, record: Ints, report: Report) -> None:
    if record.size:
        rows = np.unique(records.row[record]).tolist()
        message = f"{in_rows(rows)}: more habitat is given than the reach is large; it is used as it is"
        remedy = "check its unit (m or m2, as the stage is measured) and the width of the stream"
        report.add("warning", "survey_more_than_reach", message, ids=rows, remedy=remedy)
