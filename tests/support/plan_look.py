"""An invented plan over the finished results of an invented basin, for tests of everything that writes plans."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.plan_look import PlanLook

Floats = npt.NDArray[np.float64]
FACTOR = 1.08
"""How much more the plan gains than its actions one by one, since some need others."""


def plan_look(
    base: OutputModel, *, share: float = 0.3, years: int = 1, draws: int = 200, curve: int = 12, front: int = 9
) -> PlanLook:
    """Build a plan out of the list: its first rows that bring something, but the third, and a few more.

    Parameters
    ----------
    base : OutputModel
        With columns `passability_<sp>` in its list.
    share : float
        Part of the cost of all best actions that the budget is; 0: nothing is done.
    years, draws : int
    curve, front : int
        Numbers of budgets and caps; 0 for none.
    """
    best = base.priority[base.priority["best"] & (base.priority["benefit"] > 0)].reset_index(drop=True)
    budget = share * float(best["cost"].sum())
    by_list = best[best["cost"].cumsum() <= budget]
    swapped = best.drop(index=by_list.index[2:3])
    rows = swapped[swapped["cost"].cumsum() <= budget].reset_index(drop=True)
    left = by_list[~by_list["site"].isin(rows["site"])]
    after = _access(base, rows)
    plan = _plan(base, rows, by_list, years, draws)
    worth = FACTOR * float(plan["worth_alone"].sum())
    bound = 1.003 * worth
    shares = np.round(np.linspace(1.0, 0.15, len(rows)), 3)
    named = ["site", "name", "action"]
    both = [plan[named].assign(in_plan=True, share=shares), left[named].assign(in_plan=False, share=0.4)]
    steadiness = pd.concat(both, ignore_index=True)
    steadiness["steadiness"] = np.where(steadiness["share"] >= 0.8, "core", "sometimes")
    caps = _front(base, after, worth, front)
    return PlanLook(
        base=base,
        budget=budget,
        budgets=tuple([budget / years] * years),
        spent=float(plan["cost"].sum()),
        worth=worth,
        bound=bound,
        gap=bound / worth - 1.0 if worth > 0 else math.inf,
        status="proven",
        gap_asked=0.005,
        seconds=2.4,
        price=0.8 * worth / budget if budget else math.nan,
        plan=plan,
        left_out=_left_out(left, draws),
        steadiness=steadiness if draws else None,
        draws=draws,
        list_worth=0.93 * worth,
        list_spent=float(by_list["cost"].sum()),
        greedy_worth=0.985 * worth,
        greedy_spent=0.97 * budget,
        access=_by_species(base, after),
        reach_access=_reach_access(base, after),
        curve=_curve(best, rows, worth, budget, curve) if curve else None,
        front=caps if front else None,
        front_unit=base.species[0].habitat_unit,
        demands=("S0003 must be done.",),
        presumes=("The years of the flows are drawn together.", "Treatment is counted as it is today."),
        run={"version": "0.1.0", "date": "2024-05-01T12:00:00+00:00", "seconds": 2.4},
    )


def _access(base: OutputModel, rows: pd.DataFrame) -> dict[str, Floats]:
    """Access of each reach once `rows` are done: the product of passabilities on the way from the outlet."""
    reaches, sites = base.reaches, base.sites
    place = {int(r): i for i, r in enumerate(reaches["reach"])}
    down = [-1 if pd.isna(d) else place[int(d)] for d in reaches["downstream"]]
    chosen = rows.set_index("site")
    out = {}
    for look in base.species:
        through = np.ones(len(reaches))
        for site, reach, today in zip(sites["site"], sites["reach"], sites[f"passability_{look.key}"], strict=True):
            passed = chosen.loc[site, f"passability_{look.key}"] if site in chosen.index else today
            through[place[int(reach)]] = passed
        access = np.full(len(reaches), np.nan)
        for r in range(len(reaches)):
            way = []
            while r >= 0 and np.isnan(access[r]):
                way.append(r)
                r = down[r]  # noqa: PLW2901 - goes down the way
            so_far = 1.0 if r < 0 else access[r]
            for k in reversed(way):
                so_far *= through[k]
                access[k] = so_far
        out[look.key] = access
    return out


def _reach_access(base: OutputModel, after: dict[str, Floats]) -> pd.DataFrame:
    out = pd.DataFrame({"reach": base.reaches["reach"].to_numpy()})
    for look in base.species:
        out[f"before_{look.key}"] = base.reaches[f"access_{look.key}"].to_numpy()
        out[f"after_{look.key}"] = after[look.key]
    return out


def _by_species(base: OutputModel, after: dict[str, Floats]) -> pd.DataFrame:
    rows = []
    for look in base.species:
        habitat = base.reaches[f"habitat_{look.key}"].to_numpy()
        before, then = (float((habitat * a).sum()) for a in (base.reaches[f"access_{look.key}"], after[look.key]))
        best = 0.9 * then if look.role == "invasive" else min(1.1 * then, float(habitat.sum()))
        rows.append((look.key, float(habitat.sum()), before, then, best))
    return pd.DataFrame(rows, columns=["species", "habitat", "before", "after", "best"])


def _plan(base: OutputModel, rows: pd.DataFrame, by_list: pd.DataFrame, years: int, draws: int) -> pd.DataFrame:
    n = len(rows)
    worth = rows["benefit"].to_numpy(dtype=float)
    so_far = rows["cost"].cumsum().to_numpy() / max(float(rows["cost"].sum()), 1.0)
    share = np.round(np.linspace(1.0, 0.15, n), 3)
    gains = {f"gain_{s.key}": 1.05 * rows[f"gain_{s.key}"] for s in base.species}
    return pd.DataFrame(
        {
            "order": np.arange(1, n + 1),
            "year": np.maximum(np.ceil(so_far * years - 1e-9), 1).astype(np.int64),
            "site": rows["site"].astype(object),
            "name": rows["name"].astype(object),
            "action": rows["action"].astype(object),
            "purpose": rows["purpose"].astype(object),
            "cost": rows["cost"],
            "present_worth_cost": rows["present_worth_cost"],
            **gains,
            "treatment_saved": rows["treatment_saved"],
            "worth_in_plan": 1.2 * worth,
            "worth_alone": worth,
            "rank": pd.array(rows["rank"], dtype="Int64"),
            "by_list": rows["site"].isin(by_list["site"]).to_numpy(),
            "share": share if draws else np.full(n, np.nan),
            "steadiness": np.where(share >= 0.8, "core", "sometimes").astype(object) if draws else [""] * n,
            "presumes": [rows["site"].iloc[0] if k == n - 1 and n > 1 else "" for k in range(n)],
            "why": [f"Opens what {name} holds back, for what it costs." for name in rows["name"]],
        }
    )


def _left_out(left: pd.DataFrame, draws: int) -> pd.DataFrame:
    n = len(left)
    return pd.DataFrame(
        {
            "site": left["site"].astype(object),
            "name": left["name"].astype(object),
            "action": left["action"].astype(object),
            "rank": pd.array(left["rank"], dtype="Int64"),
            "cost": left["cost"],
            "worth_alone": left["benefit"],
            "share": [0.4 if draws else np.nan] * n,
            "steadiness": ["sometimes" if draws else ""] * n,
            "instead": [""] * n,
            "why": ["Another action of the plan already brings most of it."] * n,
        }
    ).reset_index(drop=True)


def _curve(best: pd.DataFrame, rows: pd.DataFrame, worth: float, budget: float, n: int) -> pd.DataFrame:
    """A curve that bends through (budget, worth)."""
    budgets = np.linspace(0.0, 2.0, n) * budget
    at = np.sqrt(budgets / budget) * worth if budget else np.zeros(n)
    slope = np.gradient(at, budgets) if budget and n > 1 else np.full(n, np.nan)
    gap = np.where(at > 0, 0.004, np.inf)
    names = [f"{s}: {a}" for s, a in zip(best["site"], best["action"], strict=True)]
    return pd.DataFrame(
        {
            "budget": budgets,
            "spent": 0.99 * budgets,
            "worth": at,
            "bound": at * 1.004 + 1.0,
            "gap": gap,
            "price": slope,
            "actions": np.arange(n) * max(len(rows), 1) // max(n - 1, 1),
            "list_worth": 0.9 * at,
            "greedy_worth": 0.97 * at,
            "adds": ["; ".join(names[k : k + 3]) for k in range(n)],
            "drops": ["; ".join(names[k : k + k % 2]) for k in range(n)],
        }
    )


def _front(base: OutputModel, after: dict[str, Floats], worth: float, n: int) -> pd.DataFrame:
    look = base.species[0]
    habitat = base.reaches[f"habitat_{look.key}"].to_numpy()
    today = float((habitat * base.reaches[f"access_{look.key}"]).sum())
    then = float((habitat * after[look.key]).sum())
    cap = np.linspace(1.3 * today, 0.3 * then, n)
    native = worth * (0.4 + 0.6 * (cap / max(1.3 * today, 1e-9)) ** 0.6)
    here = np.zeros(n, dtype=bool)
    here[np.argsort(np.abs(0.97 * cap - then))[:1]] = True
    return pd.DataFrame(
        {
            "cap": cap,
            "invader_habitat": 0.97 * cap,
            "native_worth": native,
            "native_bound": 1.02 * native,
            "spent": np.linspace(0.9, 1.0, n) * 1e6,
            "worth": 0.9 * native,
            "gap": np.full(n, 0.02),
            "actions": np.arange(n) + 3,
            "here": here,
        }
    )
