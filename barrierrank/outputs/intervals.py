"""Which neighbours in the list the draws do not settle, for tables and in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from barrierrank.outputs.model import OutputModel, UncertaintyLook

MORE_PAIRS = 10  # beyond the first k of the list: how far down the order of neighbours is judged


def unsettled_rows(model: OutputModel) -> list[tuple[int, int, float]]:
    """Return places in the list, counted from 0, of two neighbours whose order is not settled.

    Parameters
    ----------
    model : OutputModel

    Returns
    -------
    list of (int, int, float)
        Place of the upper one, of the lower one, and the share of the draws in which the upper one comes first; in the
        order of the list. Empty where uncertainty is not worked out.

    Raises
    ------
    ValueError
        Where a pair names an action that is not in the list.
    """
    if model.uncertainty is None or not model.uncertainty.unsettled:
        return []
    places: dict[tuple[str, str], int] = {}
    keys = zip(model.priority["site"].astype(str), model.priority["action"].astype(str), strict=True)
    for row, key in enumerate(keys):
        places.setdefault(key, row)
    rows = []
    for site, action, below, other, chance in model.uncertainty.unsettled:
        for key in ((site, action), (below, other)):
            if key not in places:
                what = f"{key[1]!r} at site {key[0]!r}"
                raise ValueError(f"pairs whose order is not settled name {what}, which is not in the list.")
        rows.append((places[site, action], places[below, other], float(chance)))
    return sorted(rows)


def unsettled_words(rank: int, neighbours: Sequence[int]) -> str:
    """Say with which neighbours the order of an action is not settled; empty where there are none.

    Parameters
    ----------
    rank : int
    neighbours : sequence of int
        Their ranks.
    """
    if not neighbours:
        return ""
    if len(neighbours) == 1:
        return f"order of {min(rank, neighbours[0])} and {max(rank, neighbours[0])} not settled"
    return f"order {' and '.join(f'with {other}' for other in neighbours)} not settled"


def unsettled_remarks(model: OutputModel) -> list[str]:
    """Return for every row of the list which order with a neighbour is not settled; empty where all is.

    Parameters
    ----------
    model : OutputModel
    """
    ranks = model.priority["rank"].to_numpy()
    beside: dict[int, list[int]] = {}
    for upper, lower, _ in unsettled_rows(model):
        beside.setdefault(upper, []).append(int(ranks[lower]))
        beside.setdefault(lower, []).append(int(ranks[upper]))
    return [unsettled_words(int(ranks[row]), beside.get(row, ())) for row in range(len(model.priority))]


def settled_of_first(model: OutputModel, *, first: int = 10) -> tuple[int, int]:
    """Count rows at the head of the list whose order with both neighbours is settled.

    Parameters
    ----------
    model : OutputModel
    first : int

    Returns
    -------
    settled, rows : int
    """
    rows = min(first, len(model.priority))
    open_ = {row for upper, lower, _ in unsettled_rows(model) for row in (upper, lower)}
    return sum(row not in open_ for row in range(rows)), rows


def settled_words(look: UncertaintyLook, rows: int) -> str:
    """Say how many pairs of neighbours at the head of the list are in a settled order.

    Parameters
    ----------
    look : UncertaintyLook
    rows : int
        Of the list.
    """
    pairs = judged_pairs(look, rows)
    if not pairs or not math.isfinite(look.settled):
        return ""
    if pairs == 1:
        return f"The order of the first two of the list is {'' if look.settled >= 0.5 else 'not '}settled."
    settled = round(look.settled * pairs)
    told = f"{settled:,} are" if settled > 1 else "one is" if settled else "none is"
    return (
        f"Of the first {pairs:,} pairs of neighbours in the list, {told} in a settled order: with one of the two first "
        f"in at least {level_words(look)} of the draws."
    )


def level_words(look: UncertaintyLook) -> str:
    """Return the level of the intervals: ``90 %``.

    Parameters
    ----------
    look : UncertaintyLook
    """
    return f"{np.round(100 * look.level, 1):g} %"


def judged_pairs(look: UncertaintyLook, rows: int) -> int:
    """Return for how many pairs of neighbours at the head of a list of `rows` the order is judged.

    Parameters
    ----------
    look : UncertaintyLook
    rows : int
    """
    return max(min(look.top + MORE_PAIRS, rows - 1), 0)


def uncertainty_rows(model: OutputModel) -> list[tuple[str, str]]:
    """Return pairs of a head and a text on the draws, for the sheet About; none where there are none.

    Parameters
    ----------
    model : OutputModel
    """
    look = model.uncertainty
    if look is None:
        return []
    rows = [
        ("How settled the order is", ""),
        ("Draws", f"{look.draws:,}, each with passability, habitat, costs, values and failure drawn anew"),
        ("rank_low, rank_high", f"the interval that holds an action's rank in {level_words(look)} of the draws"),
        ("chance_top", f"share of the draws in which it is among the first {look.top:,}"),
        ("Neighbours", settled_words(look, len(model.priority))),
        ("Are the draws enough?", look.enough),
    ]
    return [row for k, row in enumerate(rows) if k == 0 or row[1]]
