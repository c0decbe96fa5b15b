"""Keys of the project file that say what is asked of a plan."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from barrierrank.project_key import Key

PLAN = (
    Key(
        "gap",
        "number",
        "the search stops when no plan can be better by more than this share of what the plan gains",
        default=0.001,
        reason="assumed: far less than what costs and gains may be off",
        low=0.0,
        high=1.0,
    ),
    Key(
        "seconds",
        "number",
        "the search for one plan stops after this time; how much better a plan could be is told then",
        default=30.0,
        reason="assumed: about as long as one waits",
        low=0.0,
        high=1e6,
        above=True,
        unit="s",
    ),
    Key(
        "draws",
        "integer",
        "draws of [uncertainty] for each of which a plan is made, at most all of them; 0 = none, else 2 or more",
        default=60,
        reason="assumed: the standard error of a share of them is then at most 0.065",
        low=0,
        high=100_000,
    ),
    Key(
        "core",
        "number",
        "an action in the best plan of at least this share of the draws is called core",
        default=0.8,
        reason="assumed: four plans of five",
        low=0.5,
        high=1.0,
    ),
    Key(
        "curve_points",
        "integer",
        "budgets at which a plan is made, to show what more money would bring",
        default=12,
        reason="assumed: enough to see where the curve bends",
        low=2,
        high=200,
    ),
    Key(
        "curve_to",
        "number",
        "that curve runs to this many times the budget",
        default=2.0,
        reason="assumed: as far beyond the budget as below it",
        low=1.0,
        high=1000.0,
        above=True,
    ),
    Key(
        "front_points",
        "integer",
        "plans made between what is best for natives and what is best against invaders",
        default=8,
        reason="assumed: enough to see where the front bends",
        low=2,
        high=100,
    ),
    Key(
        "forced",
        "list",
        "actions that every plan has",
        default=(),
        reason="nothing is forced unasked",
        example='[ {site = "S12", action = "rebuild"} ]',
    ),
    Key(
        "forbidden",
        "list",
        "actions that no plan has; where no action is named, nothing is done at the site",
        default=(),
        reason="nothing is forbidden unasked",
        example='[ {site = "S3", action = "remove"}, {site = "S9"} ]',
    ),
    Key(
        "exclusive",
        "list",
        "groups of actions at different sites; a plan has at most one of each group",
        default=(),
        reason="no action rules out one at another site unasked",
        example='[ [ {site = "S1", action = "remove"}, {site = "S2", action = "remove"} ] ]',
    ),
    Key(
        "depends",
        "list",
        "an action that a plan has only together with another one, named by on",
        default=(),
        reason="no action needs another one unasked",
        example='[ {site = "S4", action = "remove", on = {site = "S2", action = "fishway"}} ]',
    ),
    Key(
        "most_invader_habitat",
        "table",
        "the most accessible habitat that a plan may leave to an invasive species, mean over the horizon, in the unit "
        "of its habitat (m, m2 or units)",
        reason="without it there is no cap",
        example="{ lamprey = 120000.0 }",
    ),
    Key(
        "year_budgets",
        "list",
        "what each funding year has, the first year first; what the command line says stands before it",
        default=(),
        reason="without it the command line gives the budget",
        example="[ 200000.0, 200000.0, 100000.0 ]",
        unit="money",
    ),
)

#: What may be in one of these lists and tables.
YEAR_BUDGET = Key("year_budgets", "number", "what one funding year has", low=0.0, high=1e15, unit="money")
MOST_HABITAT = Key("most_invader_habitat", "number", "the most habitat of one species", low=0.0, high=1e15)

PLAN_SCHEMA: Mapping[str, tuple[Key, ...]] = MappingProxyType({"plan": PLAN})
