"""The species library: every entry can be pasted into a project file, and every number has its source beside it."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
from support.random_networks import network_of

from barrierrank.habitat import library
from barrierrank.habitat.curves import ClassTable, Curve, curve_of, faults_of
from barrierrank.habitat.stages import Attributes, Limits, StageSpec, stage_habitat
from barrierrank.passage import kernels_fields as f
from barrierrank.passage.fish import greatest_distance, traits_of
from barrierrank.problems import Problems
from barrierrank.project import load_project

PROJECT = """\
[basin]
name = "Example basin"
crs = "EPSG:32616"
[hydrography]
path = "streams.gpkg"
direction = "digitised"
width = 3.0
[rasters.dem]
path = "dem.tif"
[rasters.substrate]
path = "bed.tif"
kind = "classes"
classes = { bedrock = 1, cobble = 2, gravel = 3, sand = 4, silt = 5 }
[rasters.larval_habitat]
path = "bed.tif"
kind = "classes"
classes = { type_1 = 5, type_2 = 4, type_3 = [1, 2, 3] }
[rasters.temperature]
path = "temperature.tif"
[terrain]
elevation = "dem"
[sites]
path = "sites.csv"
id = "site"
x = "x"
y = "y"
crs = "EPSG:32616"
[points]
discount_rate = 0.03
horizon_years = 30
"""
#: What stands beside a number: a year of publication, a data base, or one of the words of the head of the file.
SOURCE = re.compile(r"\b(18|19|20)\d\d\b|FishBase|from memory|assumed|quoted")
NUMBER = re.compile(r"(?<![\w\"])-?\d+(\.\d+)?(?![\w\"])|\"\d\d-\d\d\"")
NAMES = library.names()


def stages_of(name: str) -> dict[str, StageSpec]:
    """Make every stage of an entry."""
    entry = library.entry(name)
    return {
        stage: StageSpec(
            stage,  # type: ignore[arg-type]
            table["measure"],
            table["combine"],
            {a: curve_of(raw) for a, raw in table["curves"].items()},
            Limits(**table.get("limits", {})),
            table.get("drift_km"),
        )
        for stage, table in entry.items()
        if stage in ("spawning", "rearing")
    }


def test_the_habits_that_matter_are_there() -> None:
    assert len(NAMES) == len(set(NAMES)) >= 7
    assert NAMES[0] == "sea_lamprey"
    roles = [library.entry(n)["role"] for n in NAMES]
    assert roles.count("invasive") == 1
    assert {"white_sucker", "lake_sturgeon", "walleye", "brook_trout", "northern_pike"} < set(NAMES)


def test_no_entry_stands_outside_its_mark() -> None:
    whole = library.about() + "".join(library.entry_text(n) for n in NAMES)
    path = Path(library.__file__).with_name("species_library.toml")
    text = path.read_text(encoding="utf-8")
    assert set(tomllib.loads(text)["species"]) == set(NAMES)
    kept = [line for line in text.splitlines() if line and not line.startswith("# ---- ")]
    assert [line for line in whole.splitlines() if line] == kept


@pytest.mark.parametrize("name", NAMES)
def test_every_number_has_its_source_beside_it(name: str) -> None:
    seen = 0
    for line in library.entry_text(name).splitlines():
        code, _, remark = line.partition("#")
        if NUMBER.search(code) or re.search(r"= (true|false)", code):
            seen += 1
            assert SOURCE.search(remark), line
    assert seen > 5


@pytest.mark.parametrize("name", NAMES)
def test_every_curve_is_sound_and_reaches_full_suitability(name: str) -> None:
    for stage, table in library.entry(name).items():
        if stage not in ("spawning", "rearing"):
            continue
        for attribute, raw in table["curves"].items():
            assert not faults_of(raw), (stage, attribute)
            curve = curve_of(raw)
            values = (
                curve.suitability.values() if isinstance(curve, ClassTable) else curve.suitability.tolist()
            )
            assert max(values) == 1.0, (stage, attribute)
            assert min(values) <= 0.5, (stage, attribute)


@pytest.mark.parametrize("name", NAMES)
def test_habitat_comes_of_every_entry(name: str) -> None:
    network = network_of([0, 1], [1, 2], length=[100.0, 100.0])
    nothing, all_of_it = np.zeros(2), np.ones(2)
    labels = ("bedrock", "cobble", "gravel", "sand", "silt")
    for spec in stages_of(name).values():
        best = {
            a: float(c.x[np.argmax(c.suitability)]) for a, c in spec.curves.items() if isinstance(c, Curve)
        }
        numbers = {a: np.array([x, -99.0 if a == "temperature" else 9.0]) for a, x in best.items()}
        numbers |= {"width": all_of_it, "drainage_area": np.full(2, 1000.0)}
        classes = {
            a: dict.fromkeys((*labels, *c.suitability), nothing)
            | {max(c.suitability, key=lambda k, c=c: c.suitability[k]): all_of_it}
            for a, c in spec.curves.items()
            if isinstance(c, ClassTable)
        }
        out = stage_habitat(
            network, spec, Attributes(numbers, classes), above_fall=np.zeros(2, dtype=np.bool_)
        )
        assert out.quality[0] == pytest.approx(1.0)
        assert out.quality[1] <= 0.5
        assert out.amount[0] == pytest.approx(100.0)


@pytest.mark.parametrize("name", NAMES)
def test_an_entry_pasted_into_a_project_file_is_read_without_complaint(name: str, tmp_path: Path) -> None:
    for file in ("streams.gpkg", "sites.csv", "dem.tif", "bed.tif", "temperature.tif"):
        (tmp_path / file).touch()
    path = tmp_path / "project.toml"
    path.write_text(PROJECT + library.entry_text(name), encoding="utf-8")
    problems = Problems()
    project = load_project(path, problems)
    assert not problems.of("error")
    species = project.species[0]
    assert species.key == name
    assert set(species.stages) == set(stages_of(name))
    assert not [p.line() for p in problems if p.severity == "warning"]


@pytest.mark.parametrize("name", NAMES)
def test_every_entry_says_what_the_fish_can_do_and_when_it_comes(name: str) -> None:
    entry = library.entry(name)
    swimming, run = entry["swimming"], entry["run"]
    assert ("leap_m" in swimming) == (swimming["moves"] == "leaps")
    assert ("required_drop_m" in swimming) == (swimming["moves"] == "swims")
    assert {"length_m", "depth_least_m", "burst", "prolonged"} <= set(swimming)
    assert {"by", "season", "curve", "wait_days"} <= set(run)
    text = library.entry_text(name)
    moves = next(line for line in text.splitlines() if line.startswith("moves"))
    assert SOURCE.search(moves.partition("#")[2])
    # the slower mode is the lasting one, end for end
    burst, prolonged = swimming["burst"], swimming["prolonged"]
    assert prolonged[0][0] < prolonged[1][0] <= burst[0][0] < burst[1][0]
    assert prolonged[0][1] > prolonged[1][1] >= burst[0][1] > burst[1][1]


@pytest.mark.parametrize("name", NAMES)
def test_an_entry_is_enough_to_work_passability_out(name: str, tmp_path: Path) -> None:
    for file in ("streams.gpkg", "sites.csv", "dem.tif", "bed.tif", "temperature.tif", "s.csv", "f.csv"):
        (tmp_path / file).touch()
    entry = library.entry_text(name)
    line = f'passability = "p_{name}"'
    assert line in entry
    assert '"computed" works it out' in entry
    tables = '[structures]\npath = "s.csv"\n[flows]\npath = "f.csv"\ntemperature = "water_c"\n'
    path = tmp_path / "project.toml"
    path.write_text(PROJECT + tables + entry.replace(line, 'passability = "computed"'), encoding="utf-8")
    problems = Problems()
    species = load_project(path, problems).species
    assert not [p.line() for p in problems if p.severity == "warning"]
    traits = traits_of(species)
    assert traits.shape == (1, f.TRAITS)
    needed = f.LEAP if traits[0, f.LEAPS] else f.REQUIRED_DROP_LIP
    ends = [f.PROLONGED_FROM, f.PROLONGED_TO, f.BURST_FROM, f.BURST_TO]
    assert not np.isnan(traits[0, [needed, *ends, f.DEPTH_LEAST, f.WAIT_DAYS]]).any()
    # from the slowest speeds to the fastest the way a fish makes gets shorter, and never suddenly longer
    v = np.linspace(0.0, traits[0, f.BURST_TO] / traits[0, f.VELOCITY_SHARE] * 0.999, 400)
    far = greatest_distance(v, traits[0])
    assert far[0] == np.inf
    assert (far[1:] <= far[:-1]).all()
    assert 0.0 < far[-1] < 1.0


def test_the_head_warns_of_speeds_from_swim_chambers() -> None:
    about = " ".join(library.about().replace("#", "").split())
    assert "mostly below what fish do of their own will" in about
    assert "For natives that errs on the safe side. FOR STOPPING AN INVADER IT DOES NOT" in about


def test_an_unknown_name_is_refused_naming_those_there_are() -> None:
    with pytest.raises(KeyError, match=r'no species "lamprey".*sea_lamprey'):
        library.entry_text("lamprey")
    with pytest.raises(KeyError, match="no species"):
        library.entry("lamprey")


def test_larvae_depend_on_nests_and_the_three_larval_types() -> None:
    rearing = stages_of("sea_lamprey")["rearing"]
    types = rearing.curves["larval_habitat"]
    assert isinstance(types, ClassTable)
    s = types.suitability
    assert s["type_1"] > s["type_2"] > s["type_3"] == 0.0
    assert rearing.drift_km is not None
