"""Pictures of the demo basin, to look at while making it."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import pandas as pd
import rasterio
from matplotlib.colors import LightSource, ListedColormap

from .settings import CRS, GRID

mpl.use("Agg")
import matplotlib.pyplot as plt

KINDS = {"dam": "ks", "weir": "b^", "culvert": "yo", "sluice": "gD", "fall": "m*", "candidate": "wP"}
EXTENT = (GRID.left, GRID.left + GRID.ncol * GRID.cell, GRID.top - GRID.nrow * GRID.cell, GRID.top)


def draw(data: Path, out: Path) -> None:
    """Write ``basin.png``, ``mouth.png``, ``islands.png``, ``substrate.png`` and ``flows.png`` into `out`."""
    out.mkdir(parents=True, exist_ok=True)
    streams = gpd.read_file(data / "streams.gpkg", layer="streams")
    _map(data, streams, EXTENT).savefig(out / "basin.png", dpi=75)
    mouth = streams.geometry.iloc[0].coords[-1]
    _map(data, streams, _window(mouth, 3500.0)).savefig(out / "mouth.png", dpi=75)
    minor = streams[streams["divergence"] == 2]
    for name, group in minor.groupby("stream"):
        place = group.union_all().centroid.coords[0]
        _map(data, streams, _window(place, 1100.0)).savefig(
            out / f"arms_{name.split()[0].lower()}.png", dpi=60
        )
    _bed(data, streams).savefig(out / "substrate.png", dpi=75)
    _flows(data).savefig(out / "flows.png", dpi=60)


def _window(xy: tuple[float, ...], half_m: float) -> tuple[float, float, float, float]:
    return xy[0] - half_m, xy[0] + half_m, xy[1] - half_m * 0.8, xy[1] + half_m * 0.8


def _map(data: Path, streams: gpd.GeoDataFrame, window: tuple[float, float, float, float]) -> plt.Figure:
    """Return shaded relief with streams, lake and sites."""
    with rasterio.open(data / "dem.tif") as raster:
        z = raster.read(1)
    lake = gpd.read_file(data / "streams.gpkg", layer="lake")
    sites = pd.read_csv(data / "sites.csv")
    points = gpd.GeoSeries(gpd.points_from_xy(sites["lon"], sites["lat"]), crs="EPSG:4326").to_crs(CRS)
    fig, ax = plt.subplots(figsize=(17, 14.5))
    shade = LightSource(315, 40).hillshade(z, vert_exag=3, dx=GRID.cell, dy=GRID.cell)
    ax.imshow(z, cmap="terrain", extent=EXTENT, vmin=100, vmax=650)
    ax.imshow(shade, cmap="gray", extent=EXTENT, alpha=0.5, vmin=0.2, vmax=1.0)
    lake.plot(ax=ax, color="#9ecae1", edgecolor="#08519c")
    streams.plot(ax=ax, color="#08306b", linewidth=streams["width_m"] / 9.0 + 0.15)
    streams[streams["divergence"] == 2].plot(ax=ax, color="red", linewidth=1.0)
    for kind, style in KINDS.items():
        at = points[sites["kind"] == kind]
        ax.plot(at.x, at.y, style, markersize=8, markeredgecolor="k", label=kind, linestyle="none")
    if window[1] - window[0] < 10_000.0:
        ends = np.array([c for g in streams.geometry for c in (g.coords[0], g.coords[-1])])
        ax.plot(*ends.T, "k.", markersize=4)
    ax.set_xlim(window[:2])
    ax.set_ylim(window[2:])
    ax.legend()
    fig.tight_layout()
    return fig


def _bed(data: Path, streams: gpd.GeoDataFrame) -> plt.Figure:
    with rasterio.open(data / "substrate.tif") as raster:
        classes = raster.read(1)
    fig, ax = plt.subplots(figsize=(17, 14.5))
    colours = ListedColormap(["#444444", "#a6611a", "#dfc27d", "#fee08b", "#80cdc1"])
    ax.imshow(
        np.ma.masked_equal(classes, 0), cmap=colours, extent=EXTENT, vmin=0.5, vmax=5.5, interpolation="none"
    )
    streams.plot(ax=ax, color="k", linewidth=0.15)
    fig.tight_layout()
    return fig


def _flows(data: Path) -> plt.Figure:
    table = pd.read_csv(data / "flows.csv", parse_dates=["date"], index_col="date")
    fig, axes = plt.subplots(3, 1, figsize=(18, 13))
    table["discharge_m3s"].plot(ax=axes[0], lw=0.7)
    table.loc["2016":"2018", "discharge_m3s"].plot(ax=axes[1])
    table.loc["2016":"2018", "water_temp_c"].plot(ax=axes[2])
    fig.tight_layout()
    return fig
