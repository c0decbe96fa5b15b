"""Real layers of streams arrive whole: odd CRS texts, multiparts, heights, measures, stand-ins.

Origin and licence of each: the folder of open data says. Outside checks are against the published columns.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import shapely

from barrierrank.inputs.lines import LineTable, read_lines

pytestmark = [pytest.mark.real_data, pytest.mark.filterwarnings("ignore:Measured")]

NODES = 'direction = "nodes"\nfrom_node = "FromNode"\nto_node = "ToNode"\nminor_channel = "Divergence == 2"\n'
V2 = (
    'id = "COMID"\nlength = "LENGTHKM"\nlength_unit = "km"\ndrainage_area = "TotDASqKM"\nname = "GNIS_NAME"\n'
)
HR = (
    V2.replace("COMID", "NHDPlusID")
    .replace("LENGTHKM", "LengthKM")
    .replace("SqKM", "SqKm")
    .replace("NAME", "Name")
)
OSM = 'id = "osm_id"\ndirection = "digitised"\nname = "name"\n'

#: file, layer, keys, rows, minor branches (Divergence = 2), rows without nodes
LAYERS = [
    ("new_hope_full.gpkg", "NHDFlowline_Network", V2 + NODES, 746, 84, 0),
    ("walker_full.gpkg", "NHDFlowline_Network", V2 + NODES, 62, 0, 0),
    ("yahara_natseamless.gpkg", "NHDFlowline_Network", V2 + NODES, 267, 12, 0),
    ("tylerforks_nhdplus.gpkg", "flowline", V2 + NODES, 101, 0, 0),
    ("shellmound_nhdplus.gpkg", "flowline", V2 + NODES, 1107, 61, 74),
    ("rondout_neversink_nhdplushr.gpkg", "flowline_rondout_0202", HR + NODES, 489, 19, 1),
    ("rondout_neversink_nhdplushr.gpkg", "flowline_neversink_0204", HR + NODES, 570, 13, 0),
    ("osm_liechtenstein.gpkg", "waterways", OSM, 451, 0, 0),
    ("osm_rutland.gpkg", "waterways", OSM, 208, 0, 0),
]
#: Rows cut at the edge of the two areas; their LengthKM is that of the whole line.
CUT = {
    "flowline_rondout_0202": ("215", "230", "278"),
    "flowline_neversink_0204": ("22", "89", "554", "561"),
}
CRS_OF = {"osm_liechtenstein.gpkg": "EPSG:2056", "osm_rutland.gpkg": "EPSG:27700"}


def read(case: Any, folder: Path, file: str, layer: str, keys: str) -> LineTable:
    start, stop = case.text.index("[hydrography]"), case.text.index("[sites]")
    path = (folder / "hydrography" / file).as_posix()
    case.text = (
        case.text[:start] + f'[hydrography]\npath = "{path}"\nlayer = "{layer}"\n{keys}\n' + case.text[stop:]
    )
    case.edit('crs = "EPSG:32616"\n\n[hyd', f'crs = "{CRS_OF.get(file, "EPSG:5070")}"\n\n[hyd')
    return read_lines(case.load(), case.problems)


@pytest.mark.parametrize(("file", "layer", "keys", "rows", "minor", "nodeless"), LAYERS)
def test_real_layers_arrive_whole(
    real_data: Path, case: Any, file: str, layer: str, keys: str, rows: int, minor: int, nodeless: int
) -> None:
    lines = read(case, real_data, file, layer, keys)
    assert len(lines) == rows
    assert int(lines.minor.sum()) == minor
    assert len(set(lines.source_id.tolist())) == rows
    assert not shapely.is_missing(lines.geometry).any()
    assert set(shapely.get_type_id(lines.geometry).tolist()) <= {1, 5}
    told = [p for p in case.problems if p.severity in ("error", "warning")]
    assert [p.kind for p in told] == ["length_differs"] * (layer in CUT)
    assert [p.ids for p in told] == ([CUT[layer]] if layer in CUT else [])
    if lines.from_node is not None:
        assert int((lines.from_node < 0).sum()) == nodeless


@pytest.mark.parametrize(("file", "layer", "keys", "rows", "minor", "nodeless"), LAYERS[:4])
def test_published_lengths_agree_with_the_geometry_read(
    real_data: Path, case: Any, file: str, layer: str, keys: str, rows: int, minor: int, nodeless: int
) -> None:
    # published source: column LENGTHKM of NHDPlus V2, found by recomputing to be the planar length in EPSG:5070;
    # the lines of Walker Creek are simplified, hence the wider bound
    lines = read(case, real_data, file, layer, keys)
    assert lines.length_m is not None
    ratio = lines.length_m / shapely.length(lines.geometry)
    assert abs(float(np.median(ratio)) - 1.0) < 1e-3
    assert abs(lines.length_m.sum() / shapely.length(lines.geometry).sum() - 1.0) < (
        0.11 if "walker" in file else 0.005
    )


def test_ids_are_the_integers_of_the_file(real_data: Path, case: Any) -> None:
    file, layer = "rondout_neversink_nhdplushr.gpkg", "flowline_rondout_0202"
    lines = read(case, real_data, file, layer, HR + NODES)
    raw = pyogrio.read_dataframe(
        real_data / "hydrography" / file, layer=layer, columns=["NHDPlusID"], read_geometry=False
    )
    assert lines.source_id.tolist() == [str(i) for i in raw["NHDPlusID"]]


def test_node_codes_tell_the_same_joins_as_the_columns(real_data: Path, case: Any) -> None:
    file, layer = "shellmound_nhdplus.gpkg", "flowline"
    lines = read(case, real_data, file, layer, V2 + NODES)
    raw = pyogrio.read_dataframe(
        real_data / "hydrography" / file, layer=layer, columns=["FromNode", "ToNode"], read_geometry=False
    )
    start, end = raw["FromNode"].to_numpy(), raw["ToNode"].to_numpy()
    assert lines.from_node is not None
    assert lines.to_node is not None
    joins = {(i, j) for j in range(len(raw)) for i in np.flatnonzero(end == start[j])}
    coded = {
        (i, j)
        for j in np.flatnonzero(lines.from_node >= 0)
        for i in np.flatnonzero(lines.to_node == lines.from_node[j])
    }
    assert joins == coded


def test_heights_are_kept_and_measures_dropped(real_data: Path, case: Any) -> None:
    lines = read(case, real_data, "yahara_natseamless.gpkg", "NHDFlowline_Network", V2 + NODES)
    assert shapely.has_z(lines.geometry).all()
    if hasattr(shapely, "has_m"):
        assert not shapely.has_m(lines.geometry).any()
