#!/usr/bin/env python3
"""Measure summaries of rasters along reaches against exactextract alone; makes its own raster and reaches.

    python scripts/bench_habitat.py            every row, a few minutes
    python scripts/bench_habitat.py speed      10,000 x 10,000 cells, 100,000 reaches, against exactextract alone
    python scripts/bench_habitat.py memory     peak memory of the same, against 2,500 x 2,500 cells

Ratios are what counts: both sides of each are taken in one run on one machine.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from exactextract import exact_extract
from rasterio.transform import from_origin
from rasterio.windows import Window

from barrierrank.habitat.raster_summary import RasterSummary, summarise
from barrierrank.inputs.rasters import RasterSpec, open_raster
from barrierrank.network.polylines import Polylines
from barrierrank.problems import Problems

CRS = "EPSG:32616"
CORNER = (400_000.0, 4_700_000.0)
CELL_M = 10.0
BLOCK = 500
VERTICES = 12
STEP_M = 60.0
BUFFER_M = 15.0
CLASSES = {"gravel": (3,), "sand": (4,), "fines": (5, 6)}


def make_raster(path: Path, side: int, *, classes: bool) -> None:
    """Write a tiled, compressed raster of `side` x `side` cells, block by block; one cell in fifty has no data."""
    rng = np.random.default_rng(1)
    profile = {
        "driver": "GTiff", "height": side, "width": side, "count": 1, "crs": CRS, "tiled": True, "nodata": 0,
        "blockxsize": 256, "blockysize": 256, "compress": "deflate", "dtype": "uint8" if classes else "float32",
        "transform": from_origin(*CORNER, CELL_M, CELL_M),
    }  # fmt: skip
    with rasterio.Env(GDAL_CACHEMAX=64), rasterio.open(path, "w", **profile) as out:
        for row in range(0, side, BLOCK):
            for column in range(0, side, BLOCK):
                value = rng.integers(1, 7, (BLOCK, BLOCK)) if classes else rng.normal(200, 30, (BLOCK, BLOCK))
                value[rng.random((BLOCK, BLOCK)) < 0.02] = 0
                out.write(value.astype(profile["dtype"]), 1, window=Window(column, row, BLOCK, BLOCK))


def make_reaches(n: int, side: int) -> np.ndarray:
    """Return n winding reaches of 660 m within the raster, neighbours near each other."""
    rng = np.random.default_rng(2)
    margin = VERTICES * STEP_M
    start = rng.uniform(margin, side * CELL_M - margin, (n, 1, 2))
    turn = rng.uniform(0, 2 * np.pi, (n, 1)) + np.cumsum(rng.normal(0, 0.3, (n, VERTICES)), axis=1)
    xy = start + np.cumsum(STEP_M * np.stack((np.cos(turn), np.sin(turn)), -1), axis=1)
    lines = shapely.linestrings(xy * (1, -1) + CORNER)
    return np.asarray(lines[Polylines.from_geometry(lines).neighbours_first()])


def ours(spec: RasterSpec, reaches: np.ndarray) -> RasterSummary:
    """Summarise by barrierrank, from lines in memory to shares."""
    problems = Problems()
    raster = open_raster(spec, problems, where="[rasters.bench]")
    return summarise(raster, spec, reaches, basin_crs=CRS, width_m=None, problems=problems)


def seconds(work: Callable[[], object]) -> float:
    """Return the time of one run [s]."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def speed(folder: Path, side: int, n: int) -> None:
    """Print times and ratios; the areas exactextract gets alone are made beforehand, not timed."""
    reaches = make_reaches(n, side)
    areas = gpd.GeoDataFrame(geometry=shapely.buffer(reaches, BUFFER_M, cap_style="flat"), crs=CRS)
    lines = gpd.GeoDataFrame(geometry=reaches, crs=CRS)
    for classes in (False, True):
        path = folder / "bench.tif"
        make_raster(path, side, classes=classes)
        for along, frame in (("buffer", areas), ("line", lines)):
            spec = RasterSpec(
                "bench", path, kind="classes" if classes else "number", along=along, buffer_m=BUFFER_M,
                classes=CLASSES if classes else {},
            )  # fmt: skip
            ours(spec, reaches[:100])  # compiles the kernels
            operations = ["unique", "frac", "count"] if classes else ["mean", "count"]

            def alone(
                frame: gpd.GeoDataFrame = frame, operations: list[str] = operations, path: Path = path
            ) -> object:
                return exact_extract(str(path), frame, operations, output="pandas")

            a, b = seconds(lambda spec=spec: ours(spec, reaches)), seconds(alone)
            print(
                f"{side:,} x {side:,} cells, {n:,} reaches, {spec.kind} along the {along}: {a:.1f} s, "
                f"exactextract alone {b:.1f} s, ratio {a / b:.2f}",
                flush=True,
            )


def memory(folder: Path, sides: tuple[int, ...], n: int) -> None:
    """Print the peak memory for rasters of several sizes, each in a process of its own, with and without the work."""
    for along in ("buffer", "line"):
        for side in sides:
            path = folder / f"memory_{side}.tif"
            if not path.exists():
                make_raster(path, side, classes=False)
                xy = shapely.get_coordinates(make_reaches(n, side)).reshape(n, VERTICES, 2)
                np.save(path.with_suffix(".npy"), xy)
            peaks = []
            for work in ("idle", along):
                command = [sys.executable, __file__, "one", str(path), work]
                done = subprocess.run(command, capture_output=True, text=True, check=True)
                peaks.append(float(done.stdout))
            print(
                f"{side:,} x {side:,} cells, {n:,} reaches along the {along}: peak {peaks[1]:,.0f} MB, of which "
                f"{peaks[0]:,.0f} MB before work begins",
                flush=True,
            )


def one(path: str, work: str) -> None:
    """Do one run, or read no more than the reaches where `work` is ``"idle"``; print the peak memory [MB]."""
    reaches = shapely.linestrings(np.load(Path(path).with_suffix(".npy")))
    if work != "idle":
        ours(RasterSpec("bench", Path(path), along=work, buffer_m=BUFFER_M), reaches)  # type: ignore[arg-type]
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def main() -> None:
    """Run what is asked for."""
    if sys.argv[1:2] == ["one"]:
        one(*sys.argv[2:])
        return
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("what", nargs="?", choices=("speed", "memory", "all"), default="all")
    parser.add_argument("--side", type=int, default=10_000, help="rows and columns of the large raster")
    parser.add_argument("--reaches", type=int, default=100_000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        if options.what in ("speed", "all"):
            speed(Path(name), options.side, options.reaches)
        if options.what in ("memory", "all"):
            memory(Path(name), (options.side // 4, options.side), options.reaches)


if __name__ == "__main__":
    main()
