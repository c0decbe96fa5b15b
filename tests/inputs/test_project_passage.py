"""Structures, flows, trials, swimming and runs in the project file: what is wrong is told with key and remedy."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from barrierrank.problems import InputError, Problems
from barrierrank.project import Project, load_project
from barrierrank.project_dates import day_of_year, in_season, month_day
from barrierrank.project_passage import PassageSpec, default_passage
from barrierrank.project_schema import SCHEMA, default_of

BASE = """
[basin]
name = "B"
crs = "EPSG:32616"
[hydrography]
path = "streams.gpkg"
direction = "digitised"
[sites]
path = "sites.csv"
id = "site"
[structures]
path = "structures.csv"
ratings = "ratings.csv"
[flows]
path = "flows.csv"
temperature = "t"
gauge = "g"
[species.invader]
role = "invasive"
value = -1.0
passability = "computed"
[species.invader.swimming]
moves = "swims"
length_m = 0.45
required_drop_m = 0.45
required_drop_lip_m = 0.3
burst = [[2.0, 20.0], [4.0, 5.0]]
prolonged = [[0.5, 10000], [1.8, 25.0]]
[species.invader.run]
by = "date"
season = ["03-15", "07-15"]
curve = [["04-10", 0.0], ["05-15", 1], ["06-20", 0.0]]
[species.trout]
role = "native"
value = 1.0
passability = "p_trout"
[species.trout.swimming]
moves = "leaps"
leap_m = 0.8
[species.trout.run]
by = "temperature"
season = ["11-01", "02-29"]
curve = [[2.0, 0.0], [6.0, 1.0], [12.0, 0.0]]
wait_days = 3
[trials]
path = "trials.csv"
[points]
discount_rate = 0.03
horizon_years = 10
"""
FILES = ("streams.gpkg", "sites.csv", "structures.csv", "ratings.csv", "flows.csv", "trials.csv")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in FILES:
        (tmp_path / name).write_text("x", encoding="utf-8")
    return tmp_path


def load(folder: Path, *changes: tuple[str, str], add: str = "") -> tuple[Project, Problems]:
    text = BASE
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    path = folder / "project.toml"
    path.write_text(text + add, encoding="utf-8")
    problems = Problems()
    return load_project(path, problems), problems


def test_tables_become_dataclasses_with_every_default(folder: Path) -> None:
    project, problems = load(folder)
    assert not problems.of("warning")
    assert project.structures is not None
    assert project.structures.ratings == folder / "ratings.csv"
    assert (project.structures.sections, project.structures.layer) == (None, None)
    flows = project.flows
    assert flows is not None
    assert (flows.date, flows.discharge, flows.discharge_unit, flows.gauge) == ("date", "discharge", "m3s", "g")
    assert (flows.exponent, flows.ratio_low, flows.ratio_high, flows.missing) == (1.0, 0.5, 1.5, (-9999, -999))
    assert project.trials is not None
    assert (project.trials.prior, project.trials.confidence, project.trials.invasive) == ((1.0, 1.0), 0.95, "upper")
    assert project.passage == default_passage() == PassageSpec(10.0, "run", 1.0, 1.0, 0.1, 0.2, 0.9, 12)
    invader, trout = project.species
    assert invader.swimming is not None
    assert invader.swimming.burst == ((2.0, 20.0), (4.0, 5.0))
    assert invader.swimming.prolonged == ((0.5, 10000.0), (1.8, 25.0))
    assert (invader.swimming.required_drop_m, invader.swimming.required_drop_lip_m) == (0.45, 0.3)
    assert trout.swimming is not None
    assert (trout.swimming.leap_m, trout.swimming.leap_speed_ms, trout.swimming.burst) == (0.8, None, ())
    for key in ("pool_share", "leap_angle_deg", "velocity_share", "depth_least_m", "speed_unit"):
        assert getattr(trout.swimming, key) == default_of("swimming", key)


def test_runs_become_days_of_a_leap_year(folder: Path) -> None:
    project, _ = load(folder)
    invader, trout = (s.run for s in project.species)
    assert invader is not None
    assert trout is not None
    # 29 February is day 60, so that 15 March is day 75 in every year
    assert invader.season == (75, 197)
    assert invader.curve == ((101.0, 0.0), (136.0, 1.0), (172.0, 0.0))
    assert (trout.season, trout.curve[1], trout.wait_days) == ((306, 60), (6.0, 1.0), 3)


def test_a_run_by_dates_may_pass_new_year_and_needs_no_season(folder: Path) -> None:
    new = 'curve = [["11-20", 0.0], ["01-05", 1.0], ["02-29", 0.2]]'
    project, _ = load(
        folder, ('season = ["03-15", "07-15"]\n', ""),
        ('curve = [["04-10", 0.0], ["05-15", 1], ["06-20", 0.0]]', new),
    )  # fmt: skip
    run = project.species[0].run
    assert run is not None
    assert run.season == (day_of_year("11-20"), 60)
    assert run.curve == ((325.0, 0.0), (5.0, 1.0), (60.0, 0.2))


def test_a_file_without_these_tables_is_as_before(folder: Path) -> None:
    text = BASE[: BASE.index("[structures]")]
    text += '[species.invader]\nrole = "invasive"\nvalue = -1.0\npassability = 0.5\n[points]\n'
    (folder / "plain.toml").write_text(text, encoding="utf-8")
    project = load_project(folder / "plain.toml", Problems())
    assert (project.structures, project.flows, project.trials) == (None, None, None)
    assert project.passage == default_passage()
    assert (project.species[0].swimming, project.species[0].run) == (None, None)


def test_parameters_hold_every_value_as_json(folder: Path) -> None:
    plain = load(folder)[0].parameters()
    assert json.loads(json.dumps(plain)) == plain
    assert plain["structures"]["path"] == "structures.csv"
    assert plain["species"]["invader"]["run"]["season"] == [75, 197]
    assert plain["passage"]["pictures"] == 12


SEASON = 'season = ["03-15", "07-15"]'
CURVE = '[["04-10", 0.0], ["05-15", 1], ["06-20", 0.0]]'
WARM = "[[2.0, 0.0], [6.0, 1.0], [12.0, 0.0]]"
BURST = "burst = [[2.0, 20.0], [4.0, 5.0]]"
FLOWS = '[flows]\npath = "flows.csv"\ntemperature = "t"\ngauge = "g"\n'


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ((SEASON, 'season = ["03-15"]'), r"season: given \[.03-15.\], allowed: the first and the last day"),
        ((SEASON, 'season = ["02-30", "07-15"]'), r"run\] season: .*month-day -> write season"),
        ((SEASON, 'season = "spring"'), r'season: given "spring", allowed: a list such as \["03-15"'),
        ((SEASON, "season = []"), r"season: given \[\], allowed: a list such as"),
        ((SEASON, 'season = ["05-01", "07-15"]'), r"curve: 04-10 is outside the season 05-01 to 07-15 -> widen"),
        ((CURVE, '[["05-15", 0.0], ["04-10", 1]]'), r"given 05-15, 04-10, which do not ascend in the season"),
        ((CURVE, '[["05-15", 0.0], ["05-15", 1]]'), r"do not ascend in the season"),
        ((CURVE, '[["05-15", 1]]'), r"curve: .*two points or more"),
        ((CURVE, '[["05-15", -1], ["06-01", 1]]'), r"given the weight -1, allowed: 0 or more"),
        ((CURVE, '[["05-15", 0], ["06-01", 0.0]]'), r"all weights are 0 -> give a weight above 0"),
        ((CURVE, "[[5.0, 1], [6.0, 1]]"), r"given \[5\.0, 1\], allowed: a date, month-day, and a weight"),
        ((CURVE, '[["05-15", true], ["06-01", 0.0]]'), r"allowed: a date, month-day, and a weight"),
        ((CURVE, "3"), r"curve: given 3, allowed: a list such as"),
        ((f"curve = {CURVE}\n", ""), r"\[species\.invader\.run\] curve: the key is missing"),
        ((WARM, '[["05-15", 0.0], ["06-01", 1]]'), r"allowed: a number and a weight"),
        ((WARM, "[[6.0, 0.0], [2.0, 1.0]]"), r"trout\.run\] curve: .*whose x do not ascend -> sort"),
        (('by = "temperature"', 'by = "degree_days"\nbase_c = -50'), r"base_c: given -50, allowed: a number from -5"),
        ((WARM, "[[-6.0, 0.0], [2.0, 1.0]]\nbase_c = 1"), None),
        (('season = ["11-01", "02-29"]\n', ""), r'run\] season: by = "temperature" needs the first and the last day'),
        (('temperature = "t"\n', ""), r'\[flows\] temperature: by = "temperature" of \[species\.trout\.run\] needs'),
        ((FLOWS, ""), r"\[flows\]: structures need daily discharges"),
        (('[structures]\npath = "structures.csv"\nratings = "ratings.csv"\n', ""), r"\[structures\]: passability ="),
        (('passability = "p_trout"', 'passability = "p_trout"\npassability_down = "computed"'), r"passage downstream"),
        (("[species.invader.run]\nby", "[species.invader.running]\nby"), r"no such key -> did you mean"),
        (("leap_m = 0.8\n", ""), r'swimming\] leap_m: moves = "leaps" needs how high'),
        (("leap_m = 0.8\n", "leap_m = 0.8\nleap_speed_ms = 3\n"), r"is given beside leap_m -> keep one"),
        (("leap_m = 0.8", "leap_m = 80"), r"leap_m: given 80, allowed: a number above 0, at most 10"),
        (("required_drop_m = 0.45", "required_drop_m = 45"), r"required_drop_m: given 45, allowed: .* at most 10"),
        (("required_drop_m = 0.45\n", ""), r"required_drop_m: required_drop_lip_m is given without it"),
        (("length_m = 0.45", 'speed_unit = "lengths/s"'), r'"lengths/s" needs the length of the body'),
        ((BURST, "burst = [[2.0, 20.0]]"), r"burst: .*allowed: two points"),
        ((BURST, "burst = [[4.0, 20.0], [2.0, 5.0]]"), r"burst: .*speeds do not ascend"),
        ((BURST, "burst = [[2.0, 5.0], [4.0, 20.0]]"), r"a greater speed must be held for fewer seconds"),
        ((BURST, "burst = [[2.0, 20.0], [4.0, 0.0]]"), r"allowed: speeds and seconds above 0"),
        ((BURST, "burst = [[0.0, 20.0], [4.0, 1.0]]"), r"allowed: speeds and seconds above 0"),
        ((BURST, "burst = [[5.0, 20.0], [25.0, 5.0]]"), r'at most 20 m/s .*give speed_unit = "lengths/s"'),
        ((BURST, "burst = [[0.4, 20.0], [4.0, 5.0]]"), r"given from 0\.4, but prolonged begins at 0\.5"),
        ((BURST, "burst = [[1.0, 20.0], [1.6, 5.0]]"), r"given up to 1\.6, but prolonged goes up to 1\.8"),
        ((BURST, "burst = [[2.0, 20.0], 3]"), r"given 3, allowed: a list of pairs .* -> write burst = \[\[2"),
        (('path = "trials.csv"', 'path = "trials.csv"\nprior = [1]'), r"prior: given \[1\], allowed: two numbers"),
        (('path = "trials.csv"', 'path = "trials.csv"\nprior = [0, 1]'), r"two numbers above 0, of passed and of"),
        (('path = "trials.csv"', 'path = "trials.csv"\nconfidence = 0.5'), r"allowed: a number above 0\.5"),
        (('path = "trials.csv"', 'path = "trials.csv"\nconfidence = 1.0'), r"confidence: given 1\.0"),
        (('path = "trials.csv"', 'path = "trails.csv"'), r'no file "trails\.csv".*did you mean "trials\.csv"'),
        (("[points]", "[passage]\nleast_complete = 0\n[points]"), r"least_complete: given 0, allowed: a number above"),
        (("[points]", "[passage]\npeak_factor = 0.5\n[points]"), r"peak_factor: given 0\.5, allowed: a number from 1"),
        (('gauge = "g"', 'gauge = "g"\nratio_low = 2'), r"ratio_low: given 2, allowed: a number from 0 to 1"),
        (('gauge = "g"', 'gauge = "g"\ndischarge_unit = "cfs"'), r'given "cfs", allowed: "m3s", "ft3s"'),
        (("required_drop_m = 0.45", "warmth_per_deg = 0.02\nrequired_drop_m = 0.45"), r"warmth_at_c: warmth_per_deg"),
    ],
)  # fmt: skip
def test_each_fault_is_told_with_its_key_and_remedy(folder: Path, change: tuple[str, str], told: str | None) -> None:
    if told is None:  # sound, though unusual
        load(folder, change)
        return
    with pytest.raises(InputError, match=told):
        load(folder, change)


def test_degree_days_are_not_negative(folder: Path) -> None:
    with pytest.raises(InputError, match=r"given -6, allowed: degree-days from 0"):
        load(folder, ('by = "temperature"', 'by = "degree_days"'), (WARM, "[[-6.0, 0.0], [2.0, 1.0]]"))


def test_computed_needs_what_the_species_can_do_and_when_it_comes(folder: Path) -> None:
    with pytest.raises(InputError, match="needs this table") as caught:
        load(folder, ('passability = "p_trout"', 'passability = "computed"'), ("species.trout.swimming", "species.a"),
             ("species.trout.run", "species.b"))  # fmt: skip
    text = str(caught.value)
    for table in ("swimming", "run"):
        assert f'[species.trout.{table}]: passability = "computed" needs this table -> add it' in text


def test_what_a_species_can_do_needs_its_run(folder: Path) -> None:
    start = BASE.index("[species.trout.run]")
    run = BASE[start : BASE.index("[trials]")]
    with pytest.raises(InputError, match=r"\[species\.trout\.run\]: \[species\.trout\.swimming\] is given, but not"):
        load(folder, (run, ""))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("required_drop_lip_m = 0.3", "required_drop_lip_m = 0.9"), "a lip makes a drop harder to get over"),
        (("required_drop_lip_m = 0.3", "leap_m = 0.3"), 'leap_m: is not used with moves = "swims"'),
        (("leap_m = 0.8", "leap_m = 0.8\nrequired_drop_m = 1"), 'required_drop_m: is not used with moves = "leaps"'),
    ],
)
def test_doubtful_and_unused_values_are_warned_of(folder: Path, change: tuple[str, str], told: str) -> None:
    _, problems = load(folder, change)
    assert [told in p.line() for p in problems.of("warning")] == [True]


def test_tables_that_nothing_uses_are_warned_of(folder: Path) -> None:
    species = '[species.invader]\nrole = "invasive"\nvalue = -1.0\npassability = 0.5\n'
    text = BASE[: BASE.index("[species.invader]")] + species + BASE[BASE.index("[trials]") :]
    (folder / "p.toml").write_text(text, encoding="utf-8")
    problems = Problems()
    load_project(folder / "p.toml", problems)
    assert ["no species has a table of what it can do" in p.line() for p in problems.of("warning")] == [True]


def test_days_of_the_year_and_back() -> None:
    assert [day_of_year(t) for t in ("01-01", "02-28", "2-29", "03-01", "12-31")] == [1, 59, 60, 61, 366]
    assert [day_of_year(t) for t in ("02-30", "13-01", "00-10", "0315", "2024-03-01", "")] == [None] * 6
    assert [month_day(d) for d in (1, 60, 61, 366)] == ["01-01", "02-29", "03-01", "12-31"]
    assert all(day_of_year(month_day(d)) == d for d in range(1, 367))
    with pytest.raises(ValueError, match="given day 0, allowed: 1 to 366"):
        month_day(0)


def test_seasons_may_pass_new_year() -> None:
    assert [in_season(d, (75, 197)) for d in (74, 75, 197, 198)] == [False, True, True, False]
    assert [in_season(d, (306, 60)) for d in (305, 306, 366, 1, 60, 61)] == [False, True, True, True, True, False]


_SCALARS = st.one_of(
    st.booleans(), st.integers(-3, 400), st.floats(-5.0, 50.0), st.just(10**400),
    st.sampled_from(["02-29", "12-31", "swims", "date", ""]),
)  # fmt: skip
_VALUES = _SCALARS | st.lists(_SCALARS | st.lists(_SCALARS, max_size=3), max_size=3)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    table=st.sampled_from(["swimming", "run", "trials", "passage", "flows"]),
    data=st.data(),
)
def test_random_values_never_give_anything_but_an_input_error(folder: Path, table: str, data: st.DataObject) -> None:
    key = data.draw(st.sampled_from([k.name for k in SCHEMA[table]]))
    value = json.dumps(data.draw(_VALUES))
    head = f"[species.invader.{table}]" if table in ("swimming", "run") else f"[{table}]"
    lines = BASE.splitlines() if head in BASE else [*BASE.splitlines(), head]
    start = lines.index(head) + 1
    end = next((i for i in range(start, len(lines)) if lines[i].startswith("[")), len(lines))
    kept = [line for line in lines[start:end] if not line.startswith(f"{key} =")]
    text = "\n".join([*lines[:start], f"{key} = {value}", *kept, *lines[end:]])
    (folder / "random.toml").write_text(text, encoding="utf-8")
    problems = Problems()
    try:
        plain = load_project(folder / "random.toml", problems).parameters()
    except InputError:
        plain = {}
    assert bool(plain) != bool(problems.of("error"))
    assert json.loads(json.dumps(plain)) == plain
