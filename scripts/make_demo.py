"""Make everything in ``data_demo/``: an invented lake basin with streams, structures, actions, flows and surveys.

Run from the checkout, with the extra ``make-demo`` installed::

    python scripts/make_demo.py [--out data_demo] [--pictures DIR]

The same seed gives the same content on every run.
"""

from __future__ import annotations

import argparse
import shutil
from dataclasses import dataclass
from pathlib import Path
from string import Template

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
from demo_basin.actions import action_table
from demo_basin.braids import add_braids, carve_arms, mark_beds
from demo_basin.flows import make_flows
from demo_basin.measures import FLOOD, Measures, measure
from demo_basin.settings import CRS, DEM_STEP, GRID, LAKE_LEVEL, RUNOFF, SEED, WIDTH_A, WIDTH_B
from demo_basin.sites import published, site_table
from demo_basin.siting import place_all
from demo_basin.streams import Wander, carve, drain, lake_polygon, lake_table, stream_table
from demo_basin.substrate import CLASSES, make_substrate
from demo_basin.terrain import make_terrain

TEXTS = Path(__file__).parent / "demo_basin" / "texts"
GAUGE_LARGEST_KM2 = 125.0  # the gauge stands above the confluence that doubles the river
STREAM_COLUMNS = {  # published columns and their decimals
    "line_id": None,
    "from_node": None,
    "to_node": None,
    "divergence": None,
    "stream": None,
    "length_km": 4,
    "area_km2": 3,
    "slope": 6,
    "width_m": 2,
    "q_mean_m3s": 4,
}


@dataclass(frozen=True)
class Basin:
    """The finished parts, as they are published."""

    dem: np.ndarray
    substrate: np.ndarray
    streams: gpd.GeoDataFrame
    lake: gpd.GeoDataFrame
    sites: pd.DataFrame
    actions: pd.DataFrame
    flows: pd.DataFrame
    gauges: pd.DataFrame
    measures: Measures


def make_basin() -> Basin:
    """Return the demo basin; each stage draws from its own stream of random numbers."""
    rngs = [np.random.default_rng(s) for s in np.random.SeedSequence(SEED).spawn(7)]
    terrain = make_terrain(np.random.default_rng(SEED), GRID)
    drainage = drain(terrain, GRID)
    lake = lake_polygon(terrain, GRID)
    z = carve(drainage, LAKE_LEVEL)
    table = stream_table(drainage, lake, Wander(rngs[0], GRID))
    table = add_braids(mark_beds(table, z, GRID), lake)
    z = carve_arms(z, table, GRID).reshape(GRID.shape)
    sites = site_table(place_all(table, lake, rngs[1]), rngs[2], CRS)
    streams = table[[*STREAM_COLUMNS, "geometry"]].round({k: v for k, v in STREAM_COLUMNS.items() if v})
    measures = measure(sites, rngs[6])
    gauges = _gauge(streams)
    return Basin(
        dem=(np.round(z / DEM_STEP) * DEM_STEP).astype(np.float32),
        substrate=make_substrate(rngs[3], table, GRID),
        streams=streams,
        lake=lake_table(lake),
        sites=published(sites, measures.by_site),
        actions=action_table(sites, measures.by_site, rngs[4]),
        flows=make_flows(rngs[5], mean_m3s=float(gauges["area_km2"].iloc[0]) * RUNOFF),
        gauges=gauges,
        measures=measures,
    )


def _gauge(streams: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return the one gauge, on the largest river above its great confluence, clear of the islands."""
    stem = streams[(streams["stream"] == streams["stream"].iloc[0]) & (streams["divergence"] == 0)]
    stem = stem[(stem["area_km2"] < GAUGE_LARGEST_KM2) & (stem.length > 300.0)]
    row = stem.loc[stem["area_km2"].idxmax()]
    x, y = row.geometry.interpolate(0.5, normalized=True).coords[0]
    name = f"{row['stream'].removesuffix(' River')} Bridge"
    values = {
        "gauge": ["G1"],
        "name": [name],
        "x": [round(x, 1)],
        "y": [round(y, 1)],
        "area_km2": [row["area_km2"]],
    }
    return pd.DataFrame(values)


def write(basin: Basin, out: Path) -> None:
    """Write all files of the demo into `out`."""
    out.mkdir(parents=True, exist_ok=True)
    # a fixed date, so that two runs give the same file
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2026-01-01T00:00:00.000Z"})
    path = out / "streams.gpkg"
    path.unlink(missing_ok=True)
    basin.streams.to_file(path, layer="streams", driver="GPKG", engine="pyogrio")
    basin.lake.to_file(path, layer="lake", driver="GPKG", engine="pyogrio")
    _write_raster(out / "dem.tif", basin.dem, nodata=-9999.0, predictor=3)
    _write_raster(out / "substrate.tif", basin.substrate, nodata=0, predictor=1)
    for name in ("sites", "actions", "flows", "gauges"):
        getattr(basin, name).to_csv(out / f"{name}.csv", index=False, lineterminator="\n")
    for name in ("structures", "tailwater", "sections", "trials"):
        getattr(basin.measures, name).to_csv(out / f"{name}.csv", index=False, lineterminator="\n")
    shutil.copyfile(TEXTS / "project.toml", out / "project.toml")
    (out / "README.md").write_text(_readme(basin), encoding="utf-8", newline="\n")


def _write_raster(path: Path, values: np.ndarray, *, nodata: float, predictor: int) -> None:
    """Write one band as a tiled, deflated GeoTIFF on the demo's grid."""
    profile = {
        "driver": "GTiff",
        "height": GRID.nrow,
        "width": GRID.ncol,
        "count": 1,
        "dtype": values.dtype,
        "crs": CRS,
        "transform": GRID.transform,
        "nodata": nodata,
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "compress": "deflate",
        "zlevel": 9,
        "predictor": predictor,
    }
    with rasterio.open(path, "w", **profile) as raster:
        raster.write(values, 1)


def _readme(basin: Basin) -> str:
    """Return the README with the numbers of this basin filled in."""
    streams, gauge = basin.streams, basin.gauges.iloc[0]
    mouths = ~streams["to_node"].isin(streams["from_node"])
    return Template((TEXTS / "README.md").read_text(encoding="utf-8")).substitute(
        crs=CRS,
        seed=SEED,
        reaches=f"{len(streams):,}",
        length_km=f"{streams['length_km'].sum():,.0f}",
        outlets=int(mouths.sum()),
        area_km2=f"{streams.loc[mouths, 'area_km2'].sum():,.0f}",
        lake=basin.lake["name"].iloc[0],
        lake_km2=f"{basin.lake['area_km2'].iloc[0]:.0f}",
        lake_level=f"{LAKE_LEVEL:.0f}",
        structures=int((basin.sites["kind"] != "candidate").sum()),
        candidates=int((basin.sites["kind"] == "candidate").sum()),
        actions=len(basin.actions),
        flood=f"{FLOOD:.0f}",
        measured=int((basin.measures.structures["kind"] != "none").sum()),
        measured_candidates=int((basin.measures.structures["kind"] == "none").sum()),
        gauge=f"{gauge['name']} ({gauge['gauge']}), on the {streams['stream'].iloc[0]}",
        gauge_xy=f"x {gauge['x']:.1f}, y {gauge['y']:.1f}",
        gauge_km2=f"{gauge['area_km2']:.1f}",
        mean_flow=f"{basin.flows['discharge_m3s'].mean():.3f}",
        runoff=RUNOFF,
        width_a=WIDTH_A,
        width_b=WIDTH_B,
        dem_step=DEM_STEP,
        classes=", ".join(f"{k} {v}" for k, v in CLASSES.items()),
    )


def main() -> None:
    """Read the arguments, make the basin and write it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--out", type=Path, default=Path(__file__).parents[1] / "data_demo", help="folder to write to"
    )
    parser.add_argument("--pictures", type=Path, help="folder for pictures to look at (needs matplotlib)")
    args = parser.parse_args()
    basin = make_basin()
    write(basin, args.out)
    if args.pictures:
        from demo_basin.pictures import draw  # noqa: PLC0415 - only here is matplotlib needed

        draw(args.out, args.pictures)
    size = sum(p.stat().st_size for p in args.out.iterdir() if p.is_file())
    print(f"{args.out}: {len(basin.streams)} reaches, {len(basin.sites)} sites, {size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
