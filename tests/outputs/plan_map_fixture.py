"""A plan for the invented basin of ``model_fixture.py``, for the tests of the map: access follows the definition."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.plan_look import PlanLook


def plan_for(
    model: OutputModel, *, years: int = 1, hostile: tuple[str, ...] = (), draws: int = 200
) -> PlanLook:
    """Plan the best action of every third site of the list; the first third of the others is left out.

    Parameters
    ----------
    model : OutputModel
    years : int
        Funding years.
    hostile : tuple of str
        Texts that try to run; they go into every text of the plan's.
    draws : int
    """
    best = model.priority[model.priority["best"].astype(bool)].reset_index(drop=True)
    rows, rest = best.iloc[::3].reset_index(drop=True), best[best.index % 3 == 1]
    out = rest.iloc[: max(1, len(rest) // 3)].reset_index(drop=True)
    access = access_with(model, rows)
    looks = [s.key for s in model.species]
    share = (
        [0.97 - 0.9 * i / max(len(rows), 1) for i in range(len(rows))] if draws else [math.nan] * len(rows)
    )
    plan = pd.DataFrame(
        {
            "order": np.arange(1, len(rows) + 1),
            "year": 1 + np.arange(len(rows)) * years // max(len(rows), 1),
            **{c: rows[c] for c in ("site", "name", "action", "purpose", "cost", "present_worth_cost")},
            **{f"gain_{key}": rows[f"gain_{key}"] for key in looks},
            "treatment_saved": rows["treatment_saved"],
            "worth_in_plan": rows["benefit"] * 1.1,
            "worth_alone": rows["benefit"],
            "rank": pd.array(rows["rank"], dtype="Int64"),
            "by_list": np.arange(len(rows)) % 2 == 0,
            "share": share,
            "steadiness": ["" if math.isnan(s) else "core" if s >= 0.5 else "sometimes" for s in share],
            "presumes": _below(model, rows),
            "why": [f"It opens way number {i}." for i in range(1, len(rows) + 1)],
        }
    )
    left = pd.DataFrame(
        {
            **{c: out[c] for c in ("site", "name", "action", "cost")},
            "rank": pd.array(out["rank"], dtype="Int64"),
            "worth_alone": out["benefit"],
            "share": 0.2 if draws else math.nan,
            "steadiness": "sometimes" if draws else "",
            "instead": ["" if i % 2 else "Clear debris" for i in range(len(out))],
            "why": [f"The money goes further elsewhere, case {i}." for i in range(1, len(out) + 1)],
        }
    )
    if hostile:
        for frame, columns in ((plan, ("why", "presumes")), (left, ("why", "instead"))):
            for k, column in enumerate(columns):
                frame[column] = [hostile[(i + k) % len(hostile)] for i in range(len(frame))]
    cost, worth = float(plan["cost"].sum()), float(plan["worth_in_plan"].sum())
    return PlanLook(
        base=model, budget=cost * 1.1, budgets=(cost * 1.1 / years,) * years, spent=cost, worth=worth,
        bound=worth * 1.004, gap=0.004, status="time", gap_asked=0.001, seconds=3.0, price=1.5,
        plan=plan, left_out=left, steadiness=None, draws=draws, list_worth=worth * 0.9, list_spent=cost,
        greedy_worth=worth * 0.95, greedy_spent=cost, access=_sums(model, access), reach_access=access,
        curve=None, front=None, front_unit="m", demands=hostile or ("Nothing is spent at the fall.",),
        presumes=hostile or ("All years are drawn together.",), run={},
    )  # fmt: skip


def access_with(model: OutputModel, rows: pd.DataFrame) -> pd.DataFrame:
    """Return access of every reach before and after the actions of `rows`: the product over the sites on the way up."""
    reaches, sites = model.reaches, model.sites
    down = dict(zip(reaches["reach"], reaches["downstream"], strict=True))
    out: dict[str, object] = {"reach": reaches["reach"].to_numpy()}
    for look in model.species:
        before = dict(zip(sites["reach"], sites[f"passability_{look.key}"], strict=True))
        after = dict(before)
        at = dict(zip(sites["site"], sites["reach"], strict=True))
        for site, chance in zip(rows["site"], rows[f"passability_{look.key}"], strict=True):
            after[at[site]] = chance
        for time, through in (("before", before), ("after", after)):
            out[f"{time}_{look.key}"] = [_product(reach, down, through) for reach in reaches["reach"]]
    return pd.DataFrame(out)


def _product(reach: object, down: dict, through: dict) -> float:
    value = 1.0
    while not pd.isna(reach):
        value *= through.get(reach, 1.0)
        reach = down[reach]
    return value


def _below(model: OutputModel, rows: pd.DataFrame) -> list[str]:
    """Ids of the sites of `rows` on the way down from each of them."""
    down = dict(zip(model.reaches["reach"], model.reaches["downstream"], strict=True))
    at = dict(zip(model.sites["site"], model.sites["reach"], strict=True))
    planned = {at[site]: site for site in rows["site"]}
    out = []
    for site in rows["site"]:
        found, reach = [], down[at[site]]
        while not pd.isna(reach):
            if reach in planned:
                found.append(planned[reach])
            reach = down[reach]
        out.append(", ".join(found))
    return out


def _sums(model: OutputModel, access: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for look in model.species:
        habitat = model.reaches[f"habitat_{look.key}"].to_numpy()
        told = [float((habitat * access[f"{time}_{look.key}"]).sum()) for time in ("before", "after")]
        rows.append((look.key, float(habitat.sum()), *told, math.nan))
    return pd.DataFrame(rows, columns=["species", "habitat", "before", "after", "best"])
