"""One plain sentence for each row of the list: why it stands where it stands, from its own numbers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.problems import one_line
from barrierrank.ranking import words
from barrierrank.ranking.effects import Effects, effects
from barrierrank.ranking.rules import RankingRule
from barrierrank.ranking.species import RankedSpecies

FloatArray = npt.NDArray[np.float64]

_NOTHING = "nothing"
_NO_REASON = "no species gains or loses habitat"


@dataclass(frozen=True)
class _Row:
    """What the sentence of one row is made of, in words where it is for people.

    Parameters
    ----------
    effects : Effects
    cost : str
        Present-worth cost; ``"nothing"`` for a free action.
    decides : str
        The number the list is ordered by, after an 'it'.
    balance : str
        Size of the benefit, as money or points.
    short_by : str
        How much more it costs than it brings; empty where the two are equal.
    reason : str
        Why it has no effect, where the caller knows.
    years : str
    known : str
        What is not known, benefit or cost.
    """

    effects: Effects
    cost: str
    decides: str
    balance: str
    short_by: str
    reason: str
    years: str
    known: str


def sentences(
    ranked: pd.DataFrame,
    species: Sequence[RankedSpecies],
    *,
    rule: RankingRule,
    currency: str | None,
    units: words.Units,
    horizon_years: int,
) -> list[str]:
    """Return one plain sentence for each row: why it stands where it stands.

    Parameters
    ----------
    ranked : DataFrame
        n rows from :func:`~barrierrank.ranking.order.rank_actions`. An optional column `reason` (str) says
        why an action has no effect, as words to follow a colon: ``"a dam below already stops Sea lamprey"``. An
        optional column `above` (str) says in a clause what the habitat above the site is like.
    species : sequence of RankedSpecies
        Those of the columns `gain_<sp>` that are to be spoken of.
    rule : RankingRule
        The rule the rows were ranked by.
    currency : str or None
        ISO code of the money; None writes bare numbers.
    units : {"metric", "us"}
    horizon_years : int

    Returns
    -------
    list of n str
        User text (names of species, sites and actions) stands in them as given, on one line: escape it.
    """
    years = f"over {horizon_years} years" if horizon_years != 1 else "over one year"
    made = zip(
        effects(ranked, _counted(species, rule), currency=currency, units=units, points=rule.points),
        _costs(ranked, rule, currency),
        _deciders(ranked, species, rule, currency),
        _balances(ranked, rule, currency),
        _shortfalls(ranked, rule, currency),
        _reasons(ranked),
        _unknowns(ranked),
        strict=True,
    )
    rows = (
        _Row(effect, cost, decides, balance, short_by, reason, years, known)
        for effect, cost, decides, balance, short_by, reason, known in made
    )
    told = {
        "worth doing": _worth_doing,
        "costs more than it brings": _costs_more,
        "no effect": _no_effect,
        "not known": _not_known,
        "more harm than good": _harm,
    }
    return [
        f"{told[standing](row)}{above if standing in _WITH_EFFECT else ''}{tie}."
        for standing, row, above, tie in zip(
            ranked["standing"].tolist(), rows, _above(ranked), _ties(ranked), strict=True
        )
    ]


_WITH_EFFECT = ("worth doing", "costs more than it brings", "more harm than good")


def _above(ranked: pd.DataFrame) -> list[str]:
    """Return the clause about the habitat above, "" where there is none."""
    if "above" not in ranked:
        return [""] * len(ranked)
    return [f"; {one_line(text)}" if text else "" for text in ranked["above"].fillna("").astype(str)]


# ---------------------------------------------------------------------- one row, by its standing


def _worth_doing(row: _Row) -> str:
    """Return what it does, what it costs and the number that decides."""
    does = row.effects.told() or f"brings {row.balance}"
    return f"{_opening(row.years)} it {does}; it costs {row.cost} and {row.decides}"


def _costs_more(row: _Row) -> str:
    """Return what it does and how far it falls short."""
    does = row.effects.told() or f"brings {row.balance}"
    short = f"{row.short_by} more than it brings" if row.short_by else "no less than it brings"
    return f"{_opening(row.years)} it {does}; it costs {row.cost}, {short}{_scored(row)}"


def _no_effect(row: _Row) -> str:
    """Return what it would cost, and why nothing comes of it."""
    if row.effects.good and row.effects.bad:
        return (
            f"{_opening(row.years)} it {row.effects.told()}, which cancel out, and it costs {row.cost}"
            f"{_scored(row)}"
        )
    if row.effects.good or row.effects.bad:
        nothing = f"which counts for nothing by the values given, and it costs {row.cost}"
        return f"{_opening(row.years)} it {row.effects.told()}, {nothing}{_scored(row)}"
    would = "" if row.cost == _NOTHING else f"cost {row.cost} and "
    return f"It would {would}change nothing: {row.reason or _NO_REASON}{_scored(row)}"


def _not_known(row: _Row) -> str:
    """Return what is missing."""
    does = f", though {row.years} it {row.effects.told()}" if row.effects.told() else ""
    return f"Its worth cannot be told, since {row.known} is not known{does}{_scored(row)}"


def _harm(row: _Row) -> str:
    """Return the harm, plainly, and what it outweighs."""
    good, bad = row.effects.good_doing, words.listed(row.effects.bad)
    if bad and good:
        harm = f"it {bad}, which outweighs {words.listed(good)} by {row.balance}"
    elif bad:
        harm = f"it {bad}, a loss of {row.balance}"
    elif good:
        harm = f"it {words.listed(row.effects.good)}, yet loses {row.balance} by the values given"
    else:
        harm = f"it loses {row.balance}"
    cost = "" if row.cost == _NOTHING else f", and it costs {row.cost}"
    return f"It does more harm than good: {row.years} {harm}{cost}{_scored(row)}"


def _opening(years: str) -> str:
    """Return the span of years as the beginning of a sentence."""
    return f"O{years[1:]}"


def _scored(row: _Row) -> str:
    """Return the score, where the list is ordered by criteria, for standings that do not end with it."""
    return f"; it {row.decides}" if row.decides.startswith("scores") else ""


# ---------------------------------------------------------------------- columns into words


def _counted(species: Sequence[RankedSpecies], rule: RankingRule) -> list[RankedSpecies]:
    """Return the species, those that a criterion weighs as counted whether they have a value or not."""
    weighed = {name.partition("_")[2] for name in rule.weights} if rule.by == "criteria" else set()
    return [replace(one, value_known=True) if one.key in weighed else one for one in species]


def _floats(ranked: pd.DataFrame, name: str) -> FloatArray:
    """Return a column as floats, missing values as NaN."""
    return ranked[name].to_numpy(dtype=np.float64, na_value=np.nan)


def _costs(ranked: pd.DataFrame, rule: RankingRule, currency: str | None) -> list[str]:
    """Write what each action costs."""
    cost = _floats(ranked, "present_worth_cost")
    today = "" if rule.points else " in today's money"
    return [
        (_NOTHING if amount == 0.0 else f"{text}{today}") if known else "an unknown sum"
        for amount, known, text in zip(
            cost.tolist(), np.isfinite(cost).tolist(), words.money(cost, currency=currency), strict=True
        )
    ]


def _amounts(values: FloatArray, rule: RankingRule, currency: str | None) -> list[str]:
    """Write benefits, in money or in points."""
    return words.points(values) if rule.points else words.money(values, currency=currency)


def _balances(ranked: pd.DataFrame, rule: RankingRule, currency: str | None) -> list[str]:
    """Write the size of each benefit."""
    return _amounts(np.abs(_floats(ranked, "benefit")), rule, currency)


def _shortfalls(ranked: pd.DataFrame, rule: RankingRule, currency: str | None) -> list[str]:
    """Write how much more each action costs than it brings; empty where that is nothing worth naming."""
    if rule.points:
        return [""] * len(ranked)
    short = -_floats(ranked, "net_benefit")
    named = short > 1e-9 * np.nan_to_num(_floats(ranked, "present_worth_cost"))
    texts = words.money(short, currency=currency)
    return [text if told else "" for told, text in zip(named.tolist(), texts, strict=True)]


def _reasons(ranked: pd.DataFrame) -> list[str]:
    """Return the reasons given for no effect, without a stop at the end."""
    if "reason" not in ranked:
        return [""] * len(ranked)
    given = ranked["reason"]
    return [
        one_line(str(text)).strip().rstrip(".") if known else ""
        for text, known in zip(given.tolist(), given.notna().tolist(), strict=True)
    ]


def _unknowns(ranked: pd.DataFrame) -> list[str]:
    """Return what is missing where a worth is not known."""
    missing = np.isnan(_floats(ranked, "benefit"))
    return ["what it brings" if gone else "what it costs" for gone in missing.tolist()]


def _ties(ranked: pd.DataFrame) -> list[str]:
    """Write which rows each row is equal with."""
    return [
        "" if not count else f" (equal with {one_line(other)}{_and_others(count - 1)})"
        for count, other in zip(ranked["tied"].tolist(), ranked["tied_with"].tolist(), strict=True)
    ]


def _and_others(count: int) -> str:
    """Return how many more rows are equal."""
    return "" if count == 0 else (" and 1 other" if count == 1 else f" and {count:,} others")


# ---------------------------------------------------------------------- the number that decides


def _deciders(
    ranked: pd.DataFrame, species: Sequence[RankedSpecies], rule: RankingRule, currency: str | None
) -> Iterable[str]:
    """Write the number that the list is ordered by, as what follows 'it costs ... and'."""
    if rule.by == "criteria":
        return _scores(ranked, species, rule)
    if rule.by == "net_benefit":
        net = words.money(_floats(ranked, "net_benefit"), currency=currency)
        free = (_floats(ranked, "present_worth_cost") == 0.0).tolist()
        return [
            f"brings {amount}" if costs_nothing else f"brings {amount} more than that"
            for amount, costs_nothing in zip(net, free, strict=True)
        ]
    return _ratios(ranked, rule, currency)


def _ratios(ranked: pd.DataFrame, rule: RankingRule, currency: str | None) -> list[str]:
    """Write what each action brings for what is spent."""
    benefit, cost = _floats(ranked, "benefit"), _floats(ranked, "present_worth_cost")
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(cost > 0.0, benefit / cost, np.nan)
    per = 1.0
    if rule.points:
        # Points for one unit of money are small numbers; one step serves the whole list.
        positive = ratio[np.isfinite(ratio) & (ratio > 0.0)]
        middle = float(np.median(positive)) if positive.size else 1.0
        per = next((step for step in (1.0, 1e3, 1e6) if middle * step >= 1.0), 1e9)
    spent = words.money([per], currency=currency)[0]
    brings = words.points(ratio * per) if rule.points else _money_returned(ratio, currency)
    free = "so comes before all that must be paid for"
    unknown = "so has no place by what it brings for its cost"
    return [
        f"brings {text} for every {spent} spent" if is_known else (free if paid == 0.0 else unknown)
        for text, is_known, paid in zip(brings, np.isfinite(ratio).tolist(), cost.tolist(), strict=True)
    ]


def _money_returned(ratio: FloatArray, currency: str | None) -> list[str]:
    """Write the return on one unit of money, to the hundredth where it is small."""
    before = f"{currency} " if currency else ""
    returned = words.money(ratio, currency=currency)
    for i in np.flatnonzero(ratio < 100.0).tolist():
        near_one = abs(ratio[i] - 1.0) < 0.005
        returned[i] = f"about {before}1" if near_one else f"{before}{ratio[i]:.2f}"
    return returned


def _scores(ranked: pd.DataFrame, species: Sequence[RankedSpecies], rule: RankingRule) -> list[str]:
    """Write the score, and the criteria that lift it most above the list's average or hold it below."""
    names = sorted(rule.weights)
    called = _criteria_in_words(names, species)
    terms = np.column_stack([_floats(ranked, f"term_{name}") for name in names])
    known = ~np.isnan(terms)
    mean = np.where(known, terms, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    apart = np.nan_to_num(terms - mean)
    # The average's own rounding is no reason.
    least = 1e-9 * sum(abs(weight) for weight in rule.weights.values())
    lifts = [f", helped most by {name}" for name in called]
    drags = [f", held back most by {name}" for name in called]
    score = _floats(ranked, "score")
    of = words.numbers([sum(abs(weight) for weight in rule.weights.values())])[0]
    lifted, dragged = apart.argmax(axis=1), apart.argmin(axis=1)
    out = [
        f"scores {text} out of {of}{lifts[up] if high > least else ''}{drags[down] if low < -least else ''}"
        for text, up, high, down, low in zip(
            words.numbers(score),
            lifted.tolist(),
            apart.max(axis=1).tolist(),
            dragged.tolist(),
            apart.min(axis=1).tolist(),
            strict=True,
        )
    ]
    for i in np.flatnonzero(np.isnan(score)):
        out[i] = "scores nothing that can be told, since a criterion is missing"
    return out


def _criteria_in_words(names: Sequence[str], species: Sequence[RankedSpecies]) -> list[str]:
    """Return what each criterion is called."""
    labels = {one.key: one_line(one.label or one.key) for one in species}
    out = []
    for name in names:
        kind, _, key = name.partition("_")
        if kind == "gain" and key in labels:
            out.append(f"the change in habitat of {labels[key]}")
        elif kind == "worth" and key in labels:
            out.append(f"the worth of what happens to {labels[key]}")
        else:
            out.append(f"its {one_line(name.replace('_', ' '))}")
    return out
