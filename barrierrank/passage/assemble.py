"""From the table of structures to the arrays of the hydraulics."""

from __future__ import annotations

import numpy as np

from barrierrank.inputs.flows import FlowRecords
from barrierrank.inputs.structures import StructureTable
from barrierrank.passage import kernels_fields as f
from barrierrank.passage.structures import FloatArray, Structures
from barrierrank.passage.transfer import site_flow_factors
from barrierrank.problems import Problems
from barrierrank.project_passage import FlowsSpec

#: Columns of a structure by the names of the table's values.
COLUMNS = {
    name.lower(): getattr(f, name)
    for name in (
        "KIND", "CREST", "WIDTH", "SIDE", "THICKNESS", "COEFFICIENT", "BED", "LIP", "CONTRACTIONS", "NOTCH_WIDTH",
        "NOTCH_DEPTH", "LOGS", "POOL_BED", "OPENING", "GATE_TOP", "TAIL", "CHANNEL_BED", "CHANNEL_WIDTH",
        "CHANNEL_SIDE", "CHANNEL_SLOPE", "CHANNEL_N", "SHAPE", "RISE", "SPAN", "LENGTH", "INLET", "OUTLET", "BARREL_N",
        "BARRELS", "EMBEDDED", "ENTRANCE_LOSS", "INLET_K", "INLET_M", "INLET_C", "INLET_Y",
    )
}  # fmt: skip


def structures_of(
    table: StructureTable, site_area_km2: FloatArray, flows: FlowRecords, spec: FlowsSpec, problems: Problems
) -> Structures:
    """Put the numbers of a table in their columns and find the gauge of each structure.

    Parameters
    ----------
    table : StructureTable
        n rows.
    site_area_km2 : (sites,) float64
        Drainage area of every site [km2], NaN where not known; the table's own comes before it.
    flows : FlowRecords
    spec : FlowsSpec
    problems : Problems
    """
    numbers = np.full((len(table), f.FIELDS), np.nan)
    numbers[:, f.TAIL_SHIFT] = 0.0
    for name, at in COLUMNS.items():
        numbers[:, at] = table.values[name]
    area = np.where(np.isnan(table.area_km2), site_area_km2[table.site], table.area_km2)
    gauge, factor, exponent = site_flow_factors(table, area, flows, spec, problems)
    return Structures(
        table.site, numbers, table.tail_start, table.tail_x, table.tail_y, table.up_from, table.up_to, gauge, factor,
        exponent,
    )  # fmt: skip
