"""Lines that cross without a node: a bridge or siphon, or a junction that was not drawn."""

from __future__ import annotations

import numpy as np
import shapely

from barrierrank.inputs.lines import LineTable
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import Problems


def tell_crossings(network: RiverNetwork, lines: LineTable, problems: Problems) -> None:
    """Note every pair of reaches that cross away from their nodes; they stay unconnected.

    Parameters
    ----------
    network : RiverNetwork
    lines : LineTable
    problems : Problems
    """
    reaches = network.geometry()
    drawn = np.flatnonzero(network.end_m > network.start_m)
    tree = shapely.STRtree(reaches[drawn])
    a, b = drawn[tree.query(reaches[drawn], predicate="crosses")]
    for i, j in zip(a[a < b], b[a < b], strict=True):
        pair = sorted({str(lines.source_id[network.row[k]]) for k in (i, j)})
        x, y = shapely.get_coordinates(shapely.intersection(reaches[i], reaches[j]))[0]
        problems.note(
            "crossing",
            f"lines {' and '.join(pair)} cross without a node and are not joined",
            where=lines.label,
            ids=pair,
            place=(float(x), float(y)),
            remedy="if the streams meet there, end one of them on the other",
        )
