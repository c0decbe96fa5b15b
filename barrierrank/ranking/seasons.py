"""The dates of a seasonal crest that bring most, all species and the treatment they call for counted."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from barrierrank.inputs.actions import ActionTable
from barrierrank.passage.after import ActionPassability
from barrierrank.passage.season import SeasonTrade, crest_days, date_grid, season_trade, trade_front
from barrierrank.passage.today import Measured
from barrierrank.project import SpeciesSpec

Floats = NDArray[np.float64]
WorthOf = Callable[[int, Floats], Floats]
"""Takes the position of an action and passabilities (k, S), returns the worth of the action with each of them (k,)."""

STEP_DAYS = 3
"""Dates are tried so many days apart."""
_TELLING = 0.01
"""A native whose passability hardly depends on the dates has nothing to trade."""


@dataclass(frozen=True, eq=False)
class Trade:
    """What pairs of dates mean to an invader and a native, by their positions in the project file.

    Parameters
    ----------
    invader, native : int
    p_invader, p_native : (k,) float64
    pairs : SeasonTrade
        `best` is the pair chosen for all species.
    """

    invader: int
    native: int
    p_invader: Floats
    p_native: Floats
    pairs: SeasonTrade


@dataclass(frozen=True, eq=False)
class SeasonChoice:
    """The dates found for one action.

    Parameters
    ----------
    action : int
        Position in the table of actions.
    up, down : int
        Days of a leap year, as in :class:`barrierrank.passage.season.SeasonTrade`.
    p : (S,) float64
        Passability with these dates.
    trades : tuple of Trade
        For each invader and each native to which the dates matter.
    """

    action: int
    up: int
    down: int
    p: Floats
    trades: tuple[Trade, ...]


def choose_dates(
    after: ActionPassability, measured: Measured, species: Sequence[SpeciesSpec], worth_of: WorthOf
) -> list[SeasonChoice]:
    """Find the best dates of every seasonal crest that has none.

    All pairs of dates three days apart within the runs' seasons are tried, and a crest that never moves. Pairs to which
    another is at least as good for every species are put aside; the worth of the others is worked out in full.
    Passabilities that are given or tried hold whatever the dates.

    Parameters
    ----------
    after : ActionPassability
    measured : Measured
    species : sequence of SpeciesSpec
        Of the project.
    worth_of : callable
        See :data:`WorthOf`.
    """
    out: list[SeasonChoice] = []
    if after.crests is None:
        return out
    chosen = [species[k] for k in measured.species.tolist()]
    invaders = [c for c, s in enumerate(chosen) if s.role == "invasive"]
    natives = [c for c, s in enumerate(chosen) if s.role == "native"]
    wraps = any(s.run is not None and s.run.season[0] > s.run.season[1] for s in chosen)
    grid = _grid(chosen)
    for j, action in enumerate(after.undated.tolist()):
        crest = crest_days(after.crests, j, measured.fish, measured.days, crest_reach_m=measured.crest_reach_m)
        first = season_trade(crest, grid, invader=(invaders or [0])[0], native=(natives or [0])[0])
        free = ~after.fixed[action, measured.species]
        assert not np.isnan(first.p[:, free]).any()  # crests that cannot be judged, up or down, are errors before
        if not wraps:  # a crest that is down for some days of the run alone and else up all the year is no season
            first = _taken(first, np.flatnonzero(first.up <= first.down))
        p = np.repeat(after.p[[action]], len(first), axis=0)
        open_ = measured.species[free]
        p[:, open_] = np.clip(first.p[:, free] + after.beyond[j, open_], 0.0, 1.0)
        best = _best(p, species, action, worth_of)
        counted = p[:, measured.species]
        trades = tuple(
            Trade(
                int(measured.species[i]), int(measured.species[n]), counted[:, i], counted[:, n],
                replace(first, on_front=trade_front(counted[:, i], counted[:, n]), best=best),
            )
            for i in invaders
            for n in natives
            if np.ptp(counted[:, n]) > _TELLING
        )  # fmt: skip
        out.append(SeasonChoice(action, int(first.up[best]), int(first.down[best]), p[best], trades))
    return out


def _taken(trade: SeasonTrade, rows: NDArray[np.int64]) -> SeasonTrade:
    """Return some of the pairs of dates."""
    return SeasonTrade(trade.up[rows], trade.down[rows], trade.p[rows], trade.on_front[rows], -1)


def _grid(chosen: Sequence[SpeciesSpec]) -> NDArray[np.int64]:
    """Return the days to try: those of all seasons, in which seasons that pass new year make it the whole year."""
    seasons = [s.run.season for s in chosen if s.run is not None]
    if any(first > last for first, last in seasons):
        return date_grid(1, 366, STEP_DAYS)
    return date_grid(min(a for a, _ in seasons), max(b for _, b in seasons), STEP_DAYS)


def _best(p: Floats, species: Sequence[SpeciesSpec], action: int, worth_of: WorthOf) -> int:
    """Return the pair of greatest worth, the first of equal ones."""
    sign = np.array([-1.0 if s.role == "invasive" else 1.0 for s in species])
    candidates = undominated(p * sign)
    worth = worth_of(action, p[candidates])
    return int(candidates[int(np.nanargmax(worth))])


def undominated(value: Floats) -> NDArray[np.int64]:
    """Return which rows no other row beats, ascending; of equal rows the first.

    Parameters
    ----------
    value : (k, S) float64
        More is better in every column.
    """
    _, first = np.unique(value, axis=0, return_index=True)  # in ascending order, column by column
    order = first[::-1]  # what beats a row comes before it
    kept: list[int] = []
    for i in order.tolist():
        if not (value[kept] >= value[i]).all(axis=1).any():
            kept.append(i)
    return np.sort(np.array(kept, dtype=np.int64))


def repeated(actions: ActionTable, row: int, p: Floats) -> ActionTable:
    """Return one action as often as there are passabilities afterwards, with each of them.

    Parameters
    ----------
    actions : ActionTable
    row : int
    p : (k, S) float64
    """
    same = np.full(len(p), row)
    columns = {f.name: getattr(actions, f.name) for f in fields(actions)}
    taken = {name: column[same] for name, column in columns.items() if isinstance(column, np.ndarray)}
    return replace(actions, **{**taken, "passability": p})


def date_words(up: int, down: int) -> str:
    """Write the days between which a crest is up: ``10 Apr – 25 Jun``.

    Parameters
    ----------
    up, down : int
        Days of a leap year, 1 to 366, both included; 0: never up; -1: always up.
    """
    if up < 0 or (down - up) % 366 == 365:
        return "always up"
    if up < 1 or down < 1:
        return "never up"
    first, last = (dt.date(2024, 1, 1) + dt.timedelta(days=int(day) - 1) for day in (up, down))
    return f"{first.day} {first:%b} – {last.day} {last:%b}"
