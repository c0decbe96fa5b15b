"""What moved between two runs, in plain sentences."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from barrierrank.outputs.compare import FIRST, Comparison
from barrierrank.outputs.compare_read import RunResult
from barrierrank.outputs.compare_sure import (
    about_intervals,
    as_before,
    chance_words,
    first_words,
    interval_words,
    moved_rows,
    share_words,
    shifted,
    top_of,
    width_words,
)
from barrierrank.outputs.picture_text import short
from barrierrank.problems import one_line
from barrierrank.ranking.cautions import short_cautions
from barrierrank.ranking.words import listed, numbers

TOP = 10
MOST_MOVES = 3
MOST_NAMED = 5
_FEW = 4


def sentences(one: Comparison) -> list[str]:
    """Return what moved, and what changed between the runs, one thing a line, cautions last.

    Parameters
    ----------
    one : Comparison

    Returns
    -------
    list of str
        On one line each, without control characters.
    """
    nothing = _nothing_moved(one)
    moved = [] if nothing else [_first(one), *_top(one), _counts(one), _beyond(one)]
    sure = [*about_intervals(one.a, one.b, moved=not nothing), *([] if nothing else _biggest(one)), *_open(one)]
    lines = [nothing, *moved, *sure, _inputs(one), _parameters(one), *_warnings(one), *_species(one)]
    return [one_line(line) for line in lines if line]


def cautions(one: Comparison) -> list[str]:
    """Return what must be said wherever a comparison is shown.

    Parameters
    ----------
    one : Comparison
    """
    return [one_line(text) for text in short_cautions([str(a) for a in one.moves["action"]])]


def title(row: Any, most: int = 60) -> str:
    """Name an action: site, name of the site, what is done.

    Parameters
    ----------
    row : Series
        Of `Comparison.moves`.
    most : int
        Letters of each part at most.
    """
    return f"{place(row, most)}: {short(str(row['action']), most)}"


def place(row: Any, most: int = 60) -> str:
    """Name a site: its id, and its name where it has one.

    Parameters
    ----------
    row : Series
        Of `Comparison.moves`.
    most : int
        Letters of each part at most.
    """
    name = f" ({short(str(row['name']), most)})" if row["name"] and row["name"] != row["site"] else ""
    return f"{short(str(row['site']), most)}{name}"


def _nothing_moved(one: Comparison) -> str:
    if not len(one.moves):
        return "Neither run ranks any action."
    if (one.moves["state"] == "both").all() and (one.moves["places_up"] == 0).all():
        return f"Nothing moved: all {len(one.moves):,} actions have the same rank in both runs."
    return ""


def _first(one: Comparison) -> str:
    now, then = one.moves[one.moves["rank_b"] == 1], one.moves[one.moves["rank_a"] == 1]
    if not len(now) or not len(then):
        return f"The list of {'B' if len(then) else 'A'} is empty."
    row, old = now.iloc[0], then.iloc[0]
    if row.name == old.name:
        return f"First in both runs is {title(row)}."
    was = "not in A" if row["state"] == "new" else f"rank {row['rank_a']} in A"
    gone = "no longer listed" if old["state"] == "gone" else f"now rank {old['rank_b']}"
    return f"First is now {title(row)} ({was}); before it was {title(old)} ({gone})."


def _head(one: Comparison) -> int:
    """How many first ranks are looked at: those that the runs tell the chance of, where they agree."""
    return top_of(one.a, one.b) or TOP


def _crossed(one: Comparison) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Who came among the first, and who left them."""
    a, b = (one.moves[c].le(_head(one)).fillna(value=False).astype(bool) for c in ("rank_a", "rank_b"))
    came, left = one.moves[b & ~a], one.moves[a & ~b]
    return came.sort_values("rank_b", kind="stable"), left.sort_values("rank_a", kind="stable")


def _top(one: Comparison) -> list[str]:
    head = first_words(_head(one))
    lines = []
    for rows, verb in zip(_crossed(one), ("Came into", "Left"), strict=True):
        if len(rows):
            told = [f"{title(row)} ({_from_to(one, row)})" for _, row in rows.iterrows()]
            lines.append(f"{verb} the {head}: {_some(told)}.")
    return lines or [f"The {head} are the same actions as before."]


def _from_to(one: Comparison, row: Any) -> str:
    way = {"new": f"new, rank {row['rank_b']}", "gone": f"was {row['rank_a']}, gone"}.get(row["state"])
    chance = chance_words(one.a, one.b, row, first=_head(one))
    return "; ".join(filter(None, (way or f"{row['rank_a']} to {row['rank_b']}", chance)))


def _beyond(one: Comparison) -> str:
    """Which moves are beyond what the draws leave open."""
    moved = moved_rows(one.moves)
    known = moved[moved["beyond"].notna()]
    if not len(known):
        return ""
    far = known[known["beyond"].astype(bool)]
    rest = len(known) - len(far)
    unknown = f" For {len(moved) - len(known):,} it is not known." if len(known) < len(moved) else ""
    could = "what is not known for sure could explain as much"
    if not len(far):
        return f"No move is beyond what the inputs' uncertainty explains, as the rank intervals tell.{unknown}"
    told = _some([f"{title(row)} ({row['rank_a']} to {row['rank_b']})" for _, row in far.iterrows()])
    others = f" The other {f'{rest:,} are' if rest > 1 else 'one is'} within it: {could}." if rest else ""
    what = "moves are" if len(far) > 1 else "move is"
    return (
        f"{len(far):,} {what} beyond what the inputs' uncertainty explains, each rank past the interval of the "
        f"other run: {told}.{others}{unknown}"
    )


def _far(one: Comparison) -> pd.DataFrame:
    """The farthest moves among the first of either list, those beyond the intervals before the others."""
    ranks = one.moves[["rank_a", "rank_b"]].min(axis=1)
    near = one.moves[(ranks <= FIRST) & (one.moves["state"] == "both") & one.moves["places_up"].ne(0)]
    sure = near["beyond"].fillna(value=False).astype(bool)
    return pd.concat([near[sure], near[~sure]]).head(MOST_MOVES)


def _biggest(one: Comparison) -> list[str]:
    """The farthest moves, each with how sure it is and with what is different in its own row."""
    lines = []
    for _, row in _far(one).iterrows():
        up = int(row["places_up"])
        places = f"{abs(up):,} place{'s' if abs(up) != 1 else ''} {'up' if up > 0 else 'down'}"
        sure = "; ".join(filter(None, (interval_words(row), chance_words(one.a, one.b, row))))
        way = f"from {row['rank_a']} to {row['rank_b']}"
        lines.append(f"{title(row)} moved {places}, {way}: {_own(one, row)}{f' ({sure})' if sure else ''}.")
    return lines


def _chances(one: Comparison) -> list[str]:
    """Chances that differ by more than draws scatter, where no other line has told them."""
    lines = []
    if top_of(one.a, one.b) is not None:
        head = f"chance of a place among the {first_words(_head(one))}"
        rows = shifted(one.a, one.b, one.moves)
        said = {*(i for part in _crossed(one) for i in part.index), *_far(one).index}
        left = rows[[i not in said for i in rows.index]]
        if len(left):
            also = "also " if len(left) < len(rows) else ""
            lines.append(f"The {head} {also}changed for {_some(_shares(left, 'chance_top'), MOST_MOVES)}.")
        elif not len(rows):
            lines.append(f"No {head} changed by more than draws scatter.")
    first = one.moves[one.moves["rank_b"].le(_head(one)).fillna(value=False).astype(bool)]
    rows = shifted(one.a, one.b, first, name="chance_of_harm")
    worse = rows[rows["chance_of_harm_b"] > rows["chance_of_harm_a"]]
    if len(worse):
        told = _some(_shares(worse, "chance_of_harm"), MOST_MOVES)
        lines.append(f"Likelier than before to do more harm than good, of the {first_words(_head(one))} in B: {told}.")
    return lines


def _open(one: Comparison) -> list[str]:
    """What else the draws tell: chances that changed, and how open the order is."""
    if not (one.a.has_intervals and one.b.has_intervals):
        return []
    if as_before(one.moves):
        return ["All rank intervals and chances are as before."]
    return [*_chances(one), width_words(one.a, one.b, one.moves, first=_head(one))]


def _shares(rows: pd.DataFrame, name: str) -> list[str]:
    pairs = ([share_words(float(row[f"{name}_{tag}"])) for tag in "ab"] for _, row in rows.iterrows())
    return [f"{title(row)} ({a} to {b} of the draws)" for (_, row), (a, b) in zip(rows.iterrows(), pairs, strict=True)]


def _own(one: Comparison, row: Any) -> str:
    """What is different in the row itself: what goes in first, then what comes out."""
    told = []
    if one.same_worth:
        told += _differs(row, "present_worth_cost", "present-worth cost", _cost, one)
    for key in one.species:
        label = short(one.b.label(key), 30)
        told += _differs(row, f"today_{key}", f"passability today for {label}", _share, one)
        told += _differs(row, f"passability_{key}", f"passability afterwards for {label}", _share, one)
    if one.same_worth:
        told += _differs(row, "benefit", "benefit", lambda run, v: run.money(v), one)
    if len(told) > _FEW:
        told = [*told[:_FEW], f"{len(told) - _FEW} more"]
    if not told and not one.same_worth:
        return "its worth is told in other units"
    return listed(told) if told else "its own figures are as before, others passed it"


def _differs(row: Any, name: str, word: str, tell: Any, one: Comparison) -> list[str]:
    before, after = row.get(f"{name}_a", math.nan), row.get(f"{name}_b", math.nan)
    if pd.isna(before) and pd.isna(after):
        return []
    if before == after or (pd.notna(before) and pd.notna(after) and math.isclose(before, after, rel_tol=1e-5)):
        return []
    return [f"{word} {tell(one.a, before)} to {tell(one.b, after)}"]


def _cost(run: RunResult, value: float) -> str:
    return run.money(value) if run.currency else numbers([value])[0]


def _share(_: RunResult, value: float) -> str:
    return numbers([value])[0]


def _counts(one: Comparison) -> str:
    counts = one.moves["state"].value_counts()
    both = int(counts.get("both", 0))
    moved = int(one.moves["places_up"].ne(0).fillna(value=False).sum())
    text = f"Of {both:,} actions in both runs {moved:,} changed rank"
    for state, where in (("new", "only in B"), ("gone", "only in A")):
        if counts.get(state, 0):
            text += f"; {counts[state]:,} {'is' if counts[state] == 1 else 'are'} {where}"
    best = one.moves[one.moves["state"] == "both"]
    changed = int((best["best_a"].astype(bool) != best["best_b"].astype(bool)).sum())
    return f"{text}; for {changed:,} it changed whether they are the best at their site."


def _inputs(one: Comparison) -> str:
    rows = one.changes[one.changes["what"] == "input"]
    told = []
    for state in ("changed", "new", "gone", "not known"):
        names = [short(str(n), 60) for n in rows.loc[rows["state"] == state, "name"]]
        if names:
            told.append(f"{'not known whether changed' if state == 'not known' else state}: {_some(names)}")
    if told:
        return f"Inputs between the runs: {'; '.join(told)}."
    return f"No input changed between the runs ({len(rows):,} files, by their checksums)."


def _parameters(one: Comparison) -> str:
    rows = one.changes[one.changes["what"] == "parameter"]
    told = []
    for _, row in rows[rows["state"] == "changed"].iterrows():
        unit = f" {row['unit']}" if row["unit"] else ""
        told.append(f"{short(row['name'], 60)} from {short(row['in_a'], 40)} to {short(row['in_b'], 40)}{unit}")
    parts = [f"changed: {_some(told)}"] if told else []
    for state, where in (("new", "B"), ("gone", "A")):
        names = [short(str(n), 60) for n in rows.loc[rows["state"] == state, "name"]]
        if names:
            parts.append(f"set in {where} only: {_some(names)}")
    return f"Parameters between the runs: {'; '.join(parts)}." if parts else "No parameter changed between the runs."


def _warnings(one: Comparison) -> list[str]:
    """What keeps the two from being compared line by line."""
    lines = []
    version = one.changes[one.changes["what"] == "version"].iloc[0]
    if version["state"] == "changed":
        lines.append(
            f"The runs are by versions {version['in_a']} and {version['in_b']} of barrierrank: "
            "part of the moves may be due to that."
        )
    elif len(one.changes[one.changes["state"].isin(["changed", "new", "gone", "not known"])]) > 1:
        lines.append("Which of the changes moved which action is not worked out: change one thing at a time to see.")
    if not one.same_worth:
        a, b = (run.currency or "points" for run in (one.a, one.b))
        lines.append(f"Worth is told in {a} in A and in {b} in B: benefits cannot be compared.")
    for name, run in (("A", one.a), ("B", one.b)):
        if run.touched:
            lines.append(f"The list of {name} was changed after its run: its checksum is not the one in run.json.")
    return lines


def _species(one: Comparison) -> list[str]:
    """Habitat that each species can reach today, in either run."""
    lines, told, still = [], [], True
    for key in one.species:
        now, then = (_total(run, key) for run in (one.b, one.a))
        if now is None or then is None:
            continue
        label = short(one.b.label(key), 60)
        words, old = one.b.amount(key, now), one.a.amount(key, then)
        same = math.isclose(now, then, rel_tol=1e-9)
        still = still and same
        told.append(f"{label} {words}" if same else f"{label} {words} (in A {old})")
    if told:
        lines.append(f"Habitat that can be reached today{', as before' if still else ' in B'}: {', '.join(told)}.")
    for run, other, where in ((one.b, one.a, "B"), (one.a, one.b, "A")):
        only = [short(run.label(k), 60) for k in run.species if k not in other.species]
        if only:
            lines.append(f"Species only in {where}: {_some(only)}.")
    return lines


def _total(run: RunResult, key: str) -> float | None:
    summary = run.record.get("summary")
    row = summary.get(key) if isinstance(summary, dict) else None
    found = row.get("accessible") if isinstance(row, dict) else None
    return float(found) if isinstance(found, (int, float)) else None


def _some(told: list[str], most: int = MOST_NAMED) -> str:
    rest = len(told) - most
    return listed(told) if rest <= 0 else f"{', '.join(told[:most])} and {rest:,} more"
