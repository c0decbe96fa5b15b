"""Moves between two runs set against what the draws of their inputs leave open, and how that is said.

A run that drew its inputs has for each action the interval that its rank keeps in most draws (their share is the
level), and the share of draws in which it is among the first k of the list: the chance of the top. A move is *beyond*
the intervals where each rank lies past the interval of the other run, on the side that the action moved from or to:
neither run would expect to see what the other found. Intervals that do not overlap are the plain case of it; those
that do can be beyond too, where ranks are spread unevenly. A move within the intervals is not shown to be none: only,
the draws could give the action either rank.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.outputs.acceptability import percent
from barrierrank.outputs.compare_read import RunResult

LEAST_TOLD = 0.05
"""Smaller differences of a chance are not worth a sentence [share]."""
_ALIKE = 0.1  # widths of intervals that differ by less of themselves are as good as equal
_TWICE = 2.0  # standard errors: common practice


def beyond(both: pd.DataFrame) -> Any:
    """Tell which actions moved by more than what the draws of either run leave open.

    Parameters
    ----------
    both : DataFrame
        `rank`, `rank_low` and `rank_high` of both runs, with `_a` and `_b` behind the name; NaN where missing.

    Returns
    -------
    BooleanArray
        True where its rank in B lies past its interval in A on the side it moved to, and its rank in A past its
        interval in B on the side it came from; missing where either run has no interval.
    """
    names = [f"{name}_{tag}" for tag in "ab" for name in ("rank", "rank_low", "rank_high")]
    rank_a, low_a, high_a, rank_b, low_b, high_b = (
        both[name].to_numpy(dtype=np.float64, na_value=np.nan) for name in names
    )
    known = ~np.isnan(rank_a + low_a + high_a + rank_b + low_b + high_b)
    # Sides count: of equals in the list, ranks by id can lie outside their own interval, and so outside any other.
    up, down = (rank_b < low_a) & (rank_a > high_b), (rank_b > high_a) & (rank_a < low_b)
    out = pd.array(up & (rank_b < rank_a) | down & (rank_b > rank_a), dtype="boolean")
    out[~known] = pd.NA
    return out


def moved_rows(moves: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of actions of both runs whose rank changed."""
    kept: pd.DataFrame = moves[moves["places_up"].ne(0).fillna(value=False).astype(bool)]
    return kept


def top_of(a: RunResult, b: RunResult) -> int | None:
    """Return of how many first ranks both runs tell the chance; None where they differ or either does not say."""
    return a.top if a.has_intervals and b.has_intervals and a.top == b.top else None


def interval_words(row: Any) -> str:
    """Return the intervals of a row: ``beyond its rank intervals, 1–15 in A and 22–54 in B``.

    Empty where either is missing.

    Parameters
    ----------
    row : Series
        Of `Comparison.moves`.
    """
    ends = [row.get(f"{name}_{tag}", math.nan) for tag in "ab" for name in ("rank_low", "rank_high")]
    if any(pd.isna(end) for end in ends):
        return ""
    low_a, high_a, low_b, high_b = (int(end) for end in ends)
    if (low_a, high_a) == (low_b, high_b):
        return f"within its rank interval, {low_a}–{high_a} in either run"
    side = "beyond" if pd.notna(row["beyond"]) and row["beyond"] else "within"
    return f"{side} its rank intervals, {low_a}–{high_a} in A and {low_b}–{high_b} in B"


def chance_words(a: RunResult, b: RunResult, row: Any, *, first: int | None = None) -> str:
    """Return the chance of the top of a row, in A and in B as far as they tell it; empty where neither does.

    Parameters
    ----------
    a, b : RunResult
    row : Series
        Of `Comparison.moves`.
    first : int, optional
        How many first ranks the sentence is about; these are not named again.
    """
    told = []
    for run, tag in ((a, "a"), (b, "b")):
        share = row.get(f"chance_top_{tag}", math.nan)
        if pd.notna(share):
            told.append((run.top, share_words(float(share)), tag.upper()))
    if not told:
        return ""
    tops = {top for top, _, _ in told}
    if len(tops) == 2:
        parts = [f"the {first_words(top)} in {share} of the draws in {tag}" for top, share, tag in told]
        return f"among {', '.join(parts)}"
    top = tops.pop()
    where = "there" if top == first and first is not None else f"among the {first_words(top)}"
    if len(told) == 1:
        return f"{where} in {told[0][1]} of the draws in {told[0][2]}"
    if told[0][1] == told[1][1]:
        return f"{where} in {told[0][1]} of the draws in either run"
    return f"{where} in {told[0][1]} of the draws in A, {told[1][1]} in B"


def first_words(top: int | None) -> str:
    """Name the first k of the list."""
    return "first of the list" if top is None else f"first {top:,}" if top > 1 else "first one"


def share_words(share: float) -> str:
    """Return a share of the draws: ``34 %``, ``none``, ``<1 %``, ``>99 %``.

    Parameters
    ----------
    share : float
    """
    return f"{percent(share)} %" if share > 0 else "none"


def shifted(a: RunResult, b: RunResult, moves: pd.DataFrame, *, name: str = "chance_top") -> pd.DataFrame:
    """Return the rows whose chance differs by more than draws scatter, the greatest differences first.

    A share of n draws has the standard error sqrt(p (1 - p) / n); runs are taken as drawn apart from each other, which
    is cautious where they share a seed.

    Parameters
    ----------
    a, b : RunResult
    moves : DataFrame
        Of a `Comparison`.
    name : {"chance_top", "chance_of_harm"}
        None for the chance of the top where the runs tell it of different numbers of first ranks.
    """
    if name == "chance_top" and top_of(a, b) is None:
        return moves.iloc[:0]
    before, now = (moves[f"{name}_{tag}"].to_numpy(dtype=np.float64, na_value=np.nan) for tag in "ab")
    middle, turns = (before + now) / 2.0, sum(1.0 / run.draws if run.draws else 0.0 for run in (a, b))
    least = np.maximum(_TWICE * np.sqrt(middle * (1.0 - middle) * turns), LEAST_TOLD)
    far = np.abs(now - before)
    rows = np.flatnonzero(far >= least)  # NaN is left out
    kept: pd.DataFrame = moves.iloc[rows[np.argsort(-far[rows], kind="stable")]]
    return kept


def about_intervals(a: RunResult, b: RunResult, *, moved: bool) -> list[str]:
    """Return what the intervals of the two runs are, and what keeps them from being set against each other.

    Parameters
    ----------
    a, b : RunResult
    moved : bool
        Whether any action has another rank.
    """
    if not a.has_intervals and not b.has_intervals:
        how = "[uncertainty] draws above 0 in the project file gives them"
        return [f"Neither run has intervals of ranks, so how sure a move is cannot be told: {how}."] if moved else []
    if a.has_intervals != b.has_intervals:
        has, lacks, run = ("A", "B", b) if a.has_intervals else ("B", "A", a)
        if not len(run.listed):
            return []
        why = "its [uncertainty] draws is 0" if run.draws == 0 else "its list has no such columns"
        so = f": whether a move is beyond them is not known. Rank {lacks} with draws to see." if moved else "."
        return [f"Only {has} has intervals of ranks, {lacks} has none ({why}){so}"]
    if None in (a.level, b.level, a.draws, b.draws):
        return []
    told = [f"{level_words(run.level)} of {run.draws:,} draws" for run in (a, b)]
    lines = [f"Intervals differ in kind: that of a rank holds it in {told[0]} in A, in {told[1]} in B."]
    if told[0] == told[1]:
        lines = [f"The interval of a rank holds it in {told[0]}, in either run."]
    elif a.level != b.level:
        lines[0] += " The narrower ones of the lower level are no surer."
    if a.top != b.top:
        tops = [first_words(run.top) for run in (a, b)]
        lines.append(f"Chances are of the {tops[0]} in A, of the {tops[1]} in B: do not set them against each other.")
    return lines


def as_before(moves: pd.DataFrame) -> bool:
    """Whether all intervals and chances are the same in both runs."""
    names = ("rank_low", "rank_high", "chance_top", "chance_of_harm")
    return all(moves[f"{name}_a"].equals(moves[f"{name}_b"]) for name in names)


def width_words(a: RunResult, b: RunResult, moves: pd.DataFrame, *, first: int) -> str:
    """Say whether the order at the head of the list is more or less open than before; empty where that is not known.

    Parameters
    ----------
    a, b : RunResult
    moves : DataFrame
    first : int
        Ranks at the head of each list that are looked at.
    """
    if not (a.has_intervals and b.has_intervals) or a.level != b.level:
        return ""
    middle = []
    for tag in "ab":
        head = moves[moves[f"rank_{tag}"].le(first).fillna(value=False).astype(bool)]
        wide = (head[f"rank_high_{tag}"] - head[f"rank_low_{tag}"] + 1).to_numpy(dtype=np.float64, na_value=np.nan)
        wide = wide[~np.isnan(wide)]
        if not wide.size:
            return ""
        middle.append(math.floor(float(np.median(wide)) + 0.5))
    then, now = middle
    head_words = f"The order of the {first_words(first)} is"
    if abs(now - then) <= max(_ALIKE * then, 1.0):
        return f"{head_words} about as open as before: half of their rank intervals hold {now:,} ranks or fewer."
    more = "less" if now < then else "more"
    return (
        f"{head_words} {more} open than before: half of their rank intervals hold {now:,} ranks or fewer, "
        f"in A {then:,}."
    )


def level_words(level: float | None) -> str:
    """Return the level of intervals: ``90 %``; empty where it is not known.

    Parameters
    ----------
    level : float or None
    """
    return "" if level is None else f"{np.round(100.0 * level, 1):g} %"


def spans(moves: pd.DataFrame, tag: str) -> npt.NDArray[np.float64]:
    """Return the low and the high end of the intervals in one run, (n, 2), NaN where there are none.

    Parameters
    ----------
    moves : DataFrame
    tag : {"a", "b"}
    """
    columns = [moves[f"{n}_{tag}"].to_numpy(dtype=np.float64, na_value=np.nan) for n in ("rank_low", "rank_high")]
    return np.column_stack(columns)
