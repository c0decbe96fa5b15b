"""Lines that cross without a node: a bridge or siphon, or a junction that was not drawn."""

from __future__ import annotations

import numpy as np
import shapely

from barrierrank.inputs.lines import LineTable
from barrierrank.network.model import RiverNetwork
from barrierrank.problems import Problems


def tell_crossings(network: RiverNetwork, lines: LineTable, problems: Problems) -> None:
    """Note every pair of lines that cross away from their nodes; they stay unconnected.

    A line that crosses itself, as a meander drawn with a loop, joins nothing that is apart: it is no crossing.

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
    apart = (a < b) & (network.line[a] != network.line[b])
    for i, j in zip(a[apart], b[apart], strict=True):
        pair = sorted({str(lines.source_id[network.row[k]]) for k in (i, j)})
        which = f"lines {' and '.join(pair)}" if len(pair) > 1 else f"two parts of line {pair[0]}"
        x, y = shapely.get_coordinates(shapely.intersection(reaches[i], reaches[j]))[0]
        problems.note(
            "crossing",
            f"{which} cross without a node and are not joined",
            where=lines.label,
            ids=pair,
            place=(float(x), float(y)),
            remedy="if the streams meet there, end one of them on the other",
        )
