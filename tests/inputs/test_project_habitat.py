"""Rasters, terrain, life stages and surveys in the project file: what is wrong is told with key and remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from barrierrank.problems import InputError, Problems
from barrierrank.project import Project, load_project

BASE = """
[basin]
name = "B"
crs = "EPSG:32616"
[hydrography]
path = "streams.gpkg"
direction = "digitised"
width = 3.0
[sites]
path = "sites.csv"
id = "site"
[species.invader]
role = "invasive"
value = -1.0
passability = 0.5
habitat = "rearing"
[species.invader.rearing]
[species.invader.rearing.curves]
substrate = { sand = 0.5, fines = 1.0 }
gradient = [[0.0, 1.0], [0.01, 0.0]]
pools = [[0.0, 0.0], [1.0, 1.0]]
[species.invader.rearing.limits]
gradient_above = 0.02
[rasters.dem]
path = "dem.tif"
[rasters.substrate]
path = "dem.tif"
kind = "classes"
classes = { gravel = 3, sand = [4, 5], fines = 6 }
[terrain]
elevation = "dem"
[points]
discount_rate = 0.03
horizon_years = 10
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("streams.gpkg", "sites.csv", "dem.tif"):
        (tmp_path / name).write_text("x", encoding="utf-8")
    return tmp_path


def load(folder: Path, *changes: tuple[str, str], add: str = "") -> tuple[Project, Problems]:
    text = BASE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "project.toml"
    path.write_text(text + add, encoding="utf-8")
    problems = Problems()
    return load_project(path, problems), problems


def test_tables_become_dataclasses_with_every_default(folder: Path) -> None:
    project, problems = load(folder)
    assert not problems.of("warning")
    stage = project.species[0].stages["rearing"]
    assert (stage.measure, stage.combine, stage.gradient_above, stage.below_falls_only) == (
        "area", "geometric_mean", 0.02, False,
    )  # fmt: skip
    assert stage.curves["gradient"] == ((0.0, 1.0), (0.01, 0.0))
    assert dict(stage.curves["substrate"]) == {"sand": 0.5, "fines": 1.0}
    assert project.rasters["substrate"].classes == {"gravel": (3,), "sand": (4, 5), "fines": (6,)}
    assert project.terrain is not None
    assert (project.terrain.spike_m, project.terrain.gradient_over_m) == (3.0, 200.0)
    assert project.curve_columns() == {"pools": "[species.invader.rearing.curves] pools"}
    assert project.parameters()["species"]["invader"]["stages"]["rearing"]["curves"]["substrate"]["fines"] == 1.0


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("fines = 1.0 }", "fnes = 1.0 }"), r'curves\] substrate: there is no class "fnes".*did you mean "fines"'),
        (("[[0.0, 1.0], [0.01, 0.0]]", "[[0.0, 1.0]]"), r"curves\] gradient: .*two points or more"),
        (("[[0.0, 1.0], [0.01, 0.0]]", "[[0.02, 1.0], [0.01, 0.0]]"), r"gradient: .*do not ascend -> sort"),
        (("[[0.0, 1.0], [0.01, 0.0]]", "[[0.0, 1.5], [0.01, 0.0]]"), r"gradient: .*suitabilities from 0 to 1"),
        (("[[0.0, 1.0], [0.01, 0.0]]", "3"), r"gradient: given 3, allowed: two points"),
        (("sand = 0.5", "sand = 5"), r"substrate: given sand = 5, allowed: suitabilities from 0 to 1"),
        (("{ sand = 0.5, fines = 1.0 }", "[[0, 1], [1, 0]]"), r"the raster holds classes -> write a table"),
        (('elevation = "dem"', 'elevation = "den"'), r'\[terrain\] elevation: there is no raster "den".*"dem"'),
        (('elevation = "dem"', 'elevation = "substrate"'), r"raster substrate holds classes"),
        (('[terrain]\nelevation = "dem"\n', ""), r"there is no terrain to take gradients from"),
        (('habitat = "rearing"', 'habitat = "spawning"'), r"but there is no such stage -> add \[species.invader.spawn"),
        (("width = 3.0\n", ""), r"the streams have no width"),
        (("sand = [4, 5]", "sand = 3"), r"code 3 stands for gravel and sand"),
        (("sand = [4, 5]", 'sand = "x"'), r'given sand = "x", allowed: whole numbers'),
        (("classes = { gravel = 3, sand = [4, 5], fines = 6 }\n", ""), r"classes: the key is missing"),
        (("[rasters.dem]\n", '[rasters.dem]\nalong = "buffer"\n'), r"needs one of buffer_m and buffer_widths"),
        (("[rasters.dem]", "[rasters.width]"), r"width is worked out from the streams already"),
        (("[species.invader.rearing]\n", "[species.invader.rearing]\ndrift_km = 3\n"), r"drift counts for rearing"),
        (("gradient_above = 0.02", "gradient_abov = 0.02"), r'there is no such key -> did you mean "gradient_above"'),
        (("gradient_above = 0.02", "below_falls_only = 1"), r"given 1, allowed: true or false"),
    ],
)
def test_each_fault_is_told_with_its_key_and_remedy(folder: Path, change: tuple[str, str], told: str) -> None:
    with pytest.raises(InputError, match=told):
        load(folder, change)


def test_stages_that_nothing_uses_are_told(folder: Path) -> None:
    _, problems = load(folder, ('habitat = "rearing"', 'habitat = "length"'))
    assert [p.kind for p in problems.of("warning")] == ["unused"]
