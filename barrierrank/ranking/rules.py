"""By what the priority list is ordered, and what can be wrong with that choice."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from barrierrank.problems import Problem, UsageError

By = Literal["benefit_per_cost", "net_benefit", "criteria"]
WAYS: tuple[By, ...] = ("benefit_per_cost", "net_benefit", "criteria")

# The columns of the list that are amounts and can carry a weight, beside gain_<species> and worth_<species>.
_AMOUNTS = (
    "benefit",
    "benefit_per_cost",
    "cost",
    "cost_capital",
    "cost_replacement",
    "cost_upkeep",
    "net_benefit",
    "present_worth_cost",
    "treatment_saved",
)


@dataclass(frozen=True)
class RankingRule:
    """By what the list is ordered.

    Parameters
    ----------
    by : {"benefit_per_cost", "net_benefit", "criteria"}
        Present worth of the benefit per present-worth cost; benefit less cost; or a weighted sum of criteria.
    weights : mapping of str to float
        For ``by="criteria"``: weight of each column of the list. The sign is the direction: a positive weight
        asks for more of it, a negative one for less.
    points : bool
        True where values are points and not money, so that benefit and cost cannot be subtracted.

    Raises
    ------
    UsageError
        The three do not make a rule; every fault is told.
    """

    by: By = "benefit_per_cost"
    weights: Mapping[str, float] = field(default_factory=dict)
    points: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "weights", dict(self.weights))
        _raise(rule_problems(self.by, self.weights, points=self.points))

    def check_columns(self, allowed: Collection[str]) -> None:
        """Raise where a criterion is not among the columns that can be weighed.

        Parameters
        ----------
        allowed : collection of str
            Names of columns, see :func:`allowed_criteria`.

        Raises
        ------
        UsageError
        """
        _raise(rule_problems(self.by, self.weights, points=self.points, allowed=allowed))

    def described(self, currency: str | None = None) -> str:
        """Return one sentence of plain words: by what the list is ordered.

        Parameters
        ----------
        currency : str or None
            ISO code of the money; None where the costs are in money without a name.
        """
        if self.by == "net_benefit":
            return "Ordered by net benefit: what an action brings over the horizon less what it costs."
        if self.by == "criteria":
            weighed = ", ".join(f"{name} ({weight:+g})" for name, weight in sorted(self.weights.items()))
            return f"Ordered by a weighted sum of criteria, each scaled from 0 to 1: {weighed}."
        brings, unit = "points" if self.points else "benefit", currency or "unit of money"
        return f"Ordered by {brings} for each {unit} that an action costs over the horizon."


def allowed_criteria(species: Sequence[str], *, points: bool, extra: Sequence[str] = ()) -> tuple[str, ...]:
    """Return the columns of the list that can carry a weight.

    Parameters
    ----------
    species : sequence of str
        Keys of the species.
    points : bool
        True where values are points: there is no net benefit then.
    extra : sequence of str
        Further columns of numbers in the list.

    Returns
    -------
    tuple of str, sorted
    """
    names = {*_AMOUNTS, *extra, *(f"{kind}_{key}" for kind in ("gain", "worth") for key in species)}
    return tuple(sorted(names - {"net_benefit"} if points else names))


def rule_problems(
    by: str,
    weights: Mapping[str, float],
    *,
    points: bool,
    allowed: Collection[str] | None = None,
    where: str = "",
) -> list[Problem]:
    """List everything that is wrong with a choice of ranking.

    Parameters
    ----------
    by, weights, points
        As in :class:`RankingRule`, not yet checked.
    allowed : collection of str, optional
        Columns that can carry a weight; without it the names of criteria are not checked.
    where : str
        File the choice was read from.

    Returns
    -------
    list of Problem
        Empty for a good rule. Weights that are not used give a warning, all else errors.
    """
    found: list[Problem] = []

    def tell(kind: str, message: str, remedy: str, *, error: bool = True) -> None:
        found.append(Problem("error" if error else "warning", kind, message, remedy, where))

    if by not in WAYS:
        tell("ranking_by", f"by = {by!r} is not a way to rank", f"use one of {', '.join(WAYS)}")
    if by == "net_benefit" and points:
        tell(
            "ranking_points",
            "by = 'net_benefit' needs values in money: a cost cannot be taken off points",
            "use benefit_per_cost or criteria, or give [money] instead of [points]",
        )
    if weights and by in ("benefit_per_cost", "net_benefit"):
        tell(
            "ranking_weights_unused",
            f"weights are given but by = {by!r} does not use them",
            "set by = 'criteria' to use them, or leave them out",
            error=False,
        )
    if by == "criteria":
        for kind, message, remedy in _weight_faults(weights, points, allowed):
            tell(kind, message, remedy)
    return found


def _weight_faults(
    weights: Mapping[str, float], points: bool, allowed: Collection[str] | None
) -> list[tuple[str, str, str]]:
    """Return (kind, message, remedy) of each fault in the weights of criteria."""
    choice = f"use any of {', '.join(sorted(allowed))}" if allowed is not None else ""
    numbers = {name: _number(weight) for name, weight in weights.items()}
    faults = [
        ("ranking_weight", f"the weight of {name!r} is {weights[name]!r}", "give a finite number for it")
        for name, value in sorted(numbers.items())
        if not math.isfinite(value)
    ]
    if all(value == 0.0 for value in numbers.values()):
        faults.append(
            (
                "ranking_weights_missing",
                "by = 'criteria' needs at least one weight other than 0",
                choice or "give a weight to a column of the list; a negative one asks for less of it",
            )
        )
    if allowed is not None:
        unknown = sorted(name for name in weights if name not in allowed)
        if points and "net_benefit" in unknown:
            unknown.remove("net_benefit")
            faults.append(
                ("ranking_points", "criterion 'net_benefit' cannot be had: values are points", choice)
            )
        if unknown:
            named = ", ".join(map(repr, unknown))
            faults.append(("ranking_criterion", f"unknown criteria {named}", choice))
    return faults


def _number(value: object) -> float:
    """Return a weight as a float, NaN where it is none."""
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else math.nan


def _raise(problems: Sequence[Problem]) -> None:
    """Raise every error among `problems` as one wrong use."""
    errors = [p for p in problems if p.severity == "error"]
    if errors:
        raise UsageError("\n".join(f"{p.message} -> {p.remedy}" for p in errors))
