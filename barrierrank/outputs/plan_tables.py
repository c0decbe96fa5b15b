"""The tables of a plan for machines (CSV); the workbook for people is in ``plan_workbook.py``.

Plain UTF-8 without a byte-order mark, a point as decimal sign, texts made safe as in the priority list.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from barrierrank.outputs.column_doc import HABITAT_UNITS
from barrierrank.outputs.plan_columns import PlanTable, describe_plan
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_workbook import write_plan_xlsx
from barrierrank.outputs.tables import write_table

__all__ = ["plan_tables", "write_plan_csv", "write_plan_xlsx"]


def plan_tables(look: PlanLook) -> dict[PlanTable, pd.DataFrame]:
    """Return the tables of a plan by name, those that it has.

    Parameters
    ----------
    look : PlanLook

    Returns
    -------
    dict
        In the order in which they are shown; the file of each is its name and ``.csv``.
    """
    found: dict[PlanTable, pd.DataFrame | None] = {
        "plan": look.plan,
        "plan_left_out": look.left_out,
        "plan_steadiness": look.steadiness,
        "plan_curve": look.curve,
        "plan_front": look.front,
        "plan_access": _access(look),
    }
    return {name: table for name, table in found.items() if table is not None}


def write_plan_csv(path: Path, look: PlanLook, table: PlanTable) -> None:
    """Write one table of a plan.

    Missing values are empty cells, flags True or False, unlimited ratios ``inf``.

    Parameters
    ----------
    path : Path
    look : PlanLook
    table : str
        One of those of :func:`plan_tables`.

    Raises
    ------
    OSError
        Where the file cannot be written.
    ValueError
        Where the plan has no such table.
    """
    tables = plan_tables(look)
    if table not in tables:
        raise ValueError(f"{table}: the plan has no such table, it has {', '.join(tables)}")
    frame = tables[table]
    write_table(path, frame, describe_plan(frame.columns, look, table=table))


def _access(look: PlanLook) -> pd.DataFrame:
    """Return accessible habitat by species with names and units beside it."""
    table = look.access.reset_index(drop=True)
    named = {s.key: (s.label, HABITAT_UNITS[s.habitat_unit]) for s in look.base.species}
    known = [named.get(str(key), (str(key), "")) for key in table["species"]]
    out = pd.DataFrame({"species": table["species"], "label": [k[0] for k in known], "unit": [k[1] for k in known]})
    out[["habitat", "before", "after"]] = table[["habitat", "before", "after"]]
    out["change"] = table["after"] - table["before"]
    out["best"] = table["best"]
    return out
