"""Habitat from the project file to the list: curves change ranks and say why, drift, falls, surveys, widths, areas."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import matplotlib.image
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin

from barrierrank.basin import Basin, Clock, make_basin
from barrierrank.outputs.fits import write_fits
from barrierrank.outputs.model import OutputModel
from barrierrank.problems import InputError, Problems
from barrierrank.project import load_project
from barrierrank.run import rank_project

# Two streams run side by side into the lake at y = 0, each 3 km long and 10 m wide, with a site 500 m above its
# mouth: stream 1 over gravel above y = 1500 and silt below it, stream 2 over sand throughout. The land falls by 1 %.
X = (500_200.0, 500_800.0)
TEXT = """
[basin]
name = "Twin streams"
crs = "EPSG:32616"
[hydrography]
path = "streams.gpkg"
id = "line"
direction = "digitised"
{width}
[rasters.dem]
path = "dem.tif"
[rasters.bed]
path = "bed.tif"
kind = "classes"
classes = {{ gravel = 3, sand = 4, silt = 5 }}
[terrain]
elevation = "dem"
[sites]
path = "sites.csv"
id = "site"
x = "x"
y = "y"
crs = "EPSG:32616"
kind = "kind"
[species.invader]
role = "invasive"
label = "Invader"
value = -1.0
passability = 1.0
habitat = "rearing"
[species.invader.spawning]
[species.invader.spawning.curves]
bed = {{ gravel = 1.0 }}
[species.invader.rearing]
{rearing}
[species.invader.rearing.curves]
bed = {{ {bed} }}
{limits}
[actions]
path = "actions.csv"
[money]
currency = "USD"
discount_rate = 0.03
horizon_years = 10
{more}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    lines = [shapely.LineString([(x, 4_003_000.0), (x, 4_000_000.0)]) for x in X]
    frame = gpd.GeoDataFrame({"line": ["one", "two"], "area": [5.0, 9.0]}, geometry=lines, crs="EPSG:32616")
    frame.to_file(tmp_path / "streams.gpkg", layer="streams")
    bed = np.full((30, 10), 4, dtype=np.uint8)
    bed[:15, :5], bed[15:, :5] = 3, 5
    dem = np.repeat(np.arange(31.5, -2.5, -1.0)[:, None], 10, axis=1).astype(np.float32)  # two cells beyond the ends
    for name, data, north in (("bed", bed, 4_003_000), ("dem", dem, 4_003_200)):
        with rasterio.open(
            tmp_path / f"{name}.tif", "w", driver="GTiff", height=data.shape[0], width=10, count=1, dtype=data.dtype,
            crs="EPSG:32616", transform=from_origin(500_000, north, 100, 100), nodata=255,
        ) as sink:  # fmt: skip
            sink.write(data, 1)
    pd.DataFrame({"site": ["A", "B"], "x": X, "y": 4_000_500.0, "kind": ["weir", "weir"]}).to_csv(
        tmp_path / "sites.csv", index=False
    )
    pd.DataFrame({"site": ["A", "B"], "action": "block", "cost": 1000.0, "passability_invader": 0.0}).to_csv(
        tmp_path / "actions.csv", index=False
    )
    return tmp_path


def write(folder: Path, **parts: str) -> Path:
    given = {"width": "width = 10", "rearing": "", "bed": "silt = 1.0, sand = 0.5", "limits": "", "more": ""}
    path = folder / "project.toml"
    path.write_text(TEXT.format(**(given | parts)), encoding="utf-8")
    return path


def basin_of(folder: Path, **parts: str) -> tuple[Basin, Problems]:
    problems = Problems()
    return make_basin(load_project(write(folder, **parts), problems), problems, Clock()), problems


def ranked(folder: Path, **parts: str) -> OutputModel:
    problems = Problems()
    return rank_project(load_project(write(folder, **parts), problems), problems)


def by_line(basin: Basin, values: np.ndarray) -> dict[str, float]:
    ids = basin.inputs.lines.source_id[basin.built.network.row]
    return pd.Series(values).groupby(ids).sum().to_dict()


def test_amount_is_area_times_the_share_weighed_suitability(folder: Path) -> None:
    basin, problems = basin_of(folder)
    # one: 1,500 m of silt x 10 m; two: 3,000 m x 10 m of sand at .5
    assert by_line(basin, basin.habitat.amount[:, 0]) == pytest.approx({"one": 15_000.0, "two": 15_000.0})
    assert basin.habitat.known.gradient == pytest.approx(np.full(4, 0.01), rel=1e-6)
    assert {p.kind for p in problems} <= {"parts", "class_without_suitability", "one_sided", "missing_column"}


def test_turning_one_curve_turns_the_list_and_why_says_so(folder: Path) -> None:
    before = ranked(folder, bed="silt = 1.0, sand = 0.2").priority
    after = ranked(folder, bed="silt = 0.1, sand = 0.2").priority
    assert before["site"].tolist() == ["A", "B"]
    assert after["site"].tolist() == ["B", "A"]
    assert "keeps Invader out of 1 ha of rearing habitat" in before["why"][0]
    # above A lie 1,000 m of silt at 1 and 1,500 m of gravel at 0
    assert "above it Invader finds rearing habitat of quality 0.40 (of 1)" in before["why"][0]
    assert "quality 0.04 (of 1), kept low most because its bed suits least" in after["why"].iloc[1]


def test_rearing_counts_where_spawning_above_it_can_be_reached(folder: Path) -> None:
    free, _ = basin_of(folder)
    drift, _ = basin_of(folder, rearing="drift_km = 2")
    assert by_line(drift, drift.habitat.counted[:, 0]) == pytest.approx({"one": 15_000.0, "two": 0.0})
    assert by_line(drift, drift.habitat.amount[:, 0]) == by_line(free, free.habitat.amount[:, 0])
    # all of stream one's rearing hangs on the gravel above the site: blocking it there takes all of it
    model = ranked(folder, rearing="drift_km = 2")
    assert model.priority.set_index("site")["gain_invader"].to_dict() == pytest.approx({"A": -15_000.0, "B": 0.0})


def test_hard_limits_leave_nothing(folder: Path) -> None:
    steep, _ = basin_of(folder, limits="[species.invader.rearing.limits]\ngradient_above = 0.005")
    assert steep.habitat.amount.sum() == 0.0
    sites = pd.read_csv(folder / "sites.csv").assign(kind=["Fall", "weir"])
    sites.to_csv(folder / "sites.csv", index=False)
    falls, _ = basin_of(folder, limits="[species.invader.rearing.limits]\nbelow_falls_only = true")
    assert by_line(falls, falls.habitat.amount[:, 0]) == pytest.approx({"one": 5_000.0, "two": 15_000.0})


def test_survey_replaces_the_model_and_tells_how_they_agree(folder: Path) -> None:
    pd.DataFrame(
        {"line": ["two"], "species": ["invader"], "stage": ["rearing"], "quality": [0.8], "date": ["2024-06-01"]}
    ).to_csv(folder / "survey.csv", index=False)
    model = ranked(folder, more='[survey]\npath = "survey.csv"\n')
    reaches = model.reaches.set_index("source_id")
    assert reaches.loc["two", "habitat_invader"].sum() == pytest.approx(24_000.0)
    assert reaches.loc["two", "surveyed_invader"].all()
    assert not reaches.loc["one", "surveyed_invader"].any()
    assert model.run["summary"]["invader"]["surveyed_share"] == pytest.approx(0.5)
    assert model.run["summary"]["invader"]["missing_share"] == 0.0
    told = model.problems.set_index("kind").loc["survey_agreement", "message"]
    assert "over 2 surveyed reaches the model's quality is off by -0.30 on the average (RMSE 0.30" in told


def test_outputs_tell_stages_quality_and_missing_data(folder: Path) -> None:
    model = ranked(folder)
    reaches = model.reaches
    assert {"gradient", "width_m", "habitat_invader_spawning", "habitat_invader_rearing", "quality_invader",
            "limited_by_invader", "missing_bed"} <= set(reaches)  # fmt: skip
    assert (reaches["habitat_invader"] == reaches["habitat_invader_rearing"]).all()
    assert reaches["missing_bed"].max() == 0.0
    assert [p.outlet for p in model.profiles] == [1, 2]
    profile = model.profiles[0]
    assert profile.distance_m[-1] == pytest.approx(3000.0)
    assert (np.diff(profile.elevation_m) >= 0).all()
    assert [(s.site, round(s.distance_m)) for s in profile.sites] in ([("A", 500)], [("B", 500)])


def test_width_by_a_published_rule_and_areas_from_catchments(folder: Path) -> None:
    land = gpd.GeoDataFrame(
        {"line": ["one", "two"]},
        geometry=[shapely.box(500_000, 4_000_000, 505_000, 4_001_000), shapely.box(0, 0, 5_000, 2_000)],
        crs="EPSG:32616",
    )
    land.to_file(folder / "land.gpkg")
    basin, _ = basin_of(
        folder,
        width="width_a = 2.0\nwidth_b = 0.5",
        more='[catchments]\npath = "land.gpkg"\nid = "line"\n',
    )
    width = pd.Series(basin.habitat.known.width_m).groupby(basin.inputs.lines.source_id[basin.built.network.row]).max()
    assert width.to_dict() == pytest.approx({"one": 2 * 5**0.5, "two": 2 * 10**0.5})


def test_a_raster_elsewhere_is_one_clear_error(folder: Path) -> None:
    with rasterio.open(folder / "bed.tif", "r+") as sink:
        sink.transform = from_origin(900_000, 5_003_000, 100, 100)
    with pytest.raises(InputError, match=r"bed"):
        basin_of(folder)


def test_a_curve_for_what_is_not_known_names_what_is(folder: Path) -> None:
    with pytest.raises(InputError, match=r"pools"):
        basin_of(folder, bed="silt = 1.0 }\npools = [[0.0, 0.0], [1.0, 1.0]]\norder = [[1.0, 1.0], [2.0, 0.0]] #")


def test_survey_picture_shows_model_and_measurement(folder: Path) -> None:
    pd.DataFrame(
        {"line": ["one", "two"], "species": "invader", "stage": "rearing", "quality": [0.3, 0.8]}
    ).to_csv(folder / "survey.csv", index=False)
    model = ranked(folder, more='[survey]\npath = "survey.csv"\n')
    (fit,) = model.fits
    assert sorted(fit.measured) == [0.3, 0.3, 0.8, 0.8]
    assert fit.bias == pytest.approx(np.mean(fit.modelled - fit.measured))
    (picture,) = write_fits(folder, model)
    assert picture.name == "survey_invader_rearing.png"
    pixels = matplotlib.image.imread(picture)[..., :3]
    blue = np.abs(pixels - np.array([0x00, 0x72, 0xB2]) / 255).max(axis=2) < 0.02
    assert blue.sum() > 200


def test_width_from_a_raster(folder: Path) -> None:
    more = '[rasters.wide]\npath = "dem.tif"\n'
    basin, _ = basin_of(folder, width='width_raster = "wide"', more=more)
    assert basin.habitat.known.width_m is not None
    # the cells of stream one and two lie alike: their mean is the mean elevation under each reach
    assert sorted(np.round(basin.habitat.known.width_m, 1)) == [2.5, 2.5, 17.5, 17.5]
