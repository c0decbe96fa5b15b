"""``[plan]`` of the project file: what is read, what is told, and what a new project file says."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.command import run
from support.small_basin import SmallBasin

from barrierrank.inputs.propose import propose_project
from barrierrank.problems import InputError, Problem, Problems
from barrierrank.project import Project, load_project
from barrierrank.project_plan import ActionName, Dependency, build_plan
from barrierrank.project_schema import TABLES
from barrierrank.project_schema_plan import PLAN

WHOLE = """
[plan]
gap = 0.01
seconds = 5
draws = 40
core = 0.9
curve_points = 20
curve_to = 3
front_points = 5
forced = [ {site = "D1", action = "raise"} ]
forbidden = [ {site = "D2", action = " remove "}, {site = 3} ]
exclusive = [
  [ {site = "D1", action = "remove"}, {site = "D2", action = "remove"}, {site = "D3", action = "replace"} ],
]
depends = [ {site = "D3", action = "replace", on = {site = "D2", action = "remove"}} ]
most_invader_habitat = { lamprey = 12000 }
year_budgets = [ 1000, 0, 250.5 ]
"""


@pytest.fixture
def small(tmp_path: Path) -> SmallBasin:
    """Return a small sound project."""
    return SmallBasin(tmp_path / "basin")


def load(small: SmallBasin, text: str = "") -> tuple[Project, Problems]:
    """Load the project with more text at its end."""
    problems = Problems()
    return load_project(small.write("project.toml", small.text + text), problems), problems


def told(small: SmallBasin, text: str) -> list[str]:
    """Return the lines of what is wrong with ``[plan]`` and this text in it."""
    with pytest.raises(InputError) as caught:
        load(small, f"\n[plan]\n{text}\n")
    return [p.line() for p in caught.value.problems]


def test_without_the_table_every_default_holds(small: SmallBasin) -> None:
    spec = load(small)[0].plan
    assert spec == build_plan()
    assert (spec.gap, spec.seconds, spec.draws, spec.core) == (0.001, 30.0, 60, 0.8)
    assert (spec.curve_points, spec.curve_to, spec.front_points) == (12, 2.0, 8)
    assert spec.forced == spec.forbidden == spec.exclusive == spec.depends == spec.year_budgets == ()
    assert dict(spec.most_invader_habitat) == {}


def test_what_is_given_is_taken(small: SmallBasin) -> None:
    project, problems = load(small, WHOLE)
    assert not len(problems)
    spec = project.plan
    assert (spec.gap, spec.seconds, spec.draws, spec.core) == (0.01, 5.0, 40, 0.9)
    assert (spec.curve_points, spec.curve_to, spec.front_points) == (20, 3.0, 5)
    assert spec.forced == (ActionName("D1", "raise"),)
    assert spec.forbidden == (ActionName("D2", "remove"), ActionName("3", None))
    assert spec.exclusive == (
        (ActionName("D1", "remove"), ActionName("D2", "remove"), ActionName("D3", "replace")),
    )
    assert spec.depends == (Dependency("D3", "replace", ActionName("D2", "remove")),)
    assert dict(spec.most_invader_habitat) == {"lamprey": 12000.0}
    assert spec.year_budgets == (1000.0, 0.0, 250.5)
    with pytest.raises(TypeError):
        spec.most_invader_habitat["walleye"] = 1.0  # type: ignore[index]


def test_parameters_hold_the_table_as_plain_values(small: SmallBasin) -> None:
    plain = json.loads(json.dumps(load(small, WHOLE)[0].parameters()))["plan"]
    assert list(plain) == [k.name for k in PLAN]
    assert plain["forbidden"] == [{"site": "D2", "action": "remove"}, {"site": "3", "action": None}]
    assert plain["depends"] == [{"site": "D3", "action": "replace", "on": {"site": "D2", "action": "remove"}}]
    assert plain["most_invader_habitat"] == {"lamprey": 12000.0}
    assert load(small)[0].parameters()["plan"]["seconds"] == 30.0


def test_tables_may_be_written_out(small: SmallBasin) -> None:
    text = (
        '\n[[plan.forced]]\nsite = "D1"\naction = "raise"\n[[plan.depends]]\nsite = "D3"\naction = "replace"\n'
        'on.site = "D2"\non.action = "remove"\n[plan.most_invader_habitat]\nlamprey = 0\n'
    )
    spec = load(small, text)[0].plan
    assert spec.forced == (ActionName("D1", "raise"),)
    assert spec.depends == (Dependency("D3", "replace", ActionName("D2", "remove")),)
    assert dict(spec.most_invader_habitat) == {"lamprey": 0.0}


def test_empty_lists_and_ends_of_ranges_are_allowed(small: SmallBasin) -> None:
    for text in (
        "forced = []\nforbidden = []\nexclusive = []\ndepends = []\nyear_budgets = []\nmost_invader_habitat = {}",
        "gap = 0\ncore = 0.5\ncurve_points = 2\nfront_points = 2\ndraws = 0\nseconds = 0.01\ncurve_to = 1.01",
        "gap = 1\ncore = 1\ncurve_points = 200\nfront_points = 100\ndraws = 2",
    ):
        assert not load(small, f"\n[plan]\n{text}\n")[1].of("error")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "gap = 1.5",
            r"\[plan\] gap: given 1.5, allowed: a number from 0 to 1 -> divide per cent by 100: 0.015",
        ),
        ("gap = -0.1", r"\[plan\] gap: given -0.1"),
        ("seconds = 0", r"\[plan\] seconds: given 0, allowed: a number above 0"),
        (
            'seconds = "30"',
            r"\[plan\] seconds: given \"30\" \(text\).* -> write it without quotes: seconds = 30",
        ),
        ("draws = 1", r"\[plan\] draws: given 1, allowed: 0 \(off\), or 2 or more -> one draw tells nothing"),
        ("draws = -2", r"\[plan\] draws: given -2"),
        ("draws = 2.5", r"\[plan\] draws: given 2.5 .*a whole number"),
        ("core = 0.4", r"\[plan\] core: given 0.4, allowed: a number from 0.5 to 1"),
        ("core = 1.1", r"\[plan\] core: given 1.1"),
        ("curve_points = 1", r"\[plan\] curve_points: given 1, allowed: a whole number from 2 to 200"),
        ("curve_points = 201", r"\[plan\] curve_points: given 201"),
        ("curve_to = 1", r"\[plan\] curve_to: given 1, allowed: a number above 1"),
        ("front_points = 1", r"\[plan\] front_points: given 1, allowed: a whole number from 2 to 100"),
        ("front_points = 101", r"\[plan\] front_points: given 101"),
        ("gaps = 0.1", r'\[plan\] gaps: there is no such key -> did you mean "gap"'),
        (
            'forced = "D1"',
            r'\[plan\] forced: given "D1", allowed: a list such as \[.* -> write forced = \[ \{site =',
        ),
        (
            'forced = {site = "D1", action = "raise"}',
            r"\[plan\] forced: given .*allowed: a list .* -> write forced = \[",
        ),
        (
            'forced = ["D1"]',
            r'\[plan\] forced, entry 1: given "D1", allowed: a site and an action in braces, .* -> write forced = \[',
        ),
        (
            'forced = [ {site = "D1", action = "raise"}, {site = "D2"} ]',
            r'\[plan\] forced, entry 2: the key is missing: action -> add it, for example action = "rebuild"',
        ),
        (
            'forbidden = [ {action = "raise"} ]',
            r'\[plan\] forbidden, entry 1: the key is missing: site -> add it, for example site = "S12"',
        ),
        (
            'forbidden = [ {site = "D1", actoin = "raise"} ]',
            r'\[plan\] forbidden, entry 1: "actoin": there is no such key -> did you mean "action"',
        ),
        (
            'forbidden = [ {site = "D1", on = {site = "D2", action = "remove"}} ]',
            r'\[plan\] forbidden, entry 1: "on": there is no such key -> keys are site, action',
        ),
        (
            "forbidden = [ {site = true} ]",
            r"\[plan\] forbidden, entry 1: site: given true, allowed: the id of a site -> write it as in the sites",
        ),
        ('forbidden = [ {site = " "} ]', r"\[plan\] forbidden, entry 1: site: given an empty text"),
        ("forbidden = [ {site = nan} ]", r"\[plan\] forbidden, entry 1: site: given NaN"),
        (
            'forced = [ {site = "D1", action = 3} ]',
            r"\[plan\] forced, entry 1, action: given 3 \(a number\), allowed: text in quotes -> write it with quotes",
        ),
        (
            'forbidden = [ {site = "D1", action = ""} ]',
            r"\[plan\] forbidden, entry 1, action: given an empty text -> fill it in",
        ),
        (
            'exclusive = [ {site = "D1", action = "raise"}, [] ]',
            r"\[plan\] exclusive, entry 1: given one action alone, allowed: a group of two or more actions in brackets",
        ),
        (
            'exclusive = [ [ {site = "D1", action = "raise"} ] ]',
            r"\[plan\] exclusive, entry 1: given .*a group of two or more .* -> write exclusive = \[ \[ \{site",
        ),
        (
            'exclusive = [ [ {site = "D1", action = "raise"}, "D2" ] ]',
            r'\[plan\] exclusive, entry 1: given "D2", allowed: a site and an action in braces',
        ),
        (
            'depends = [ {site = "D1", action = "raise"} ]',
            r"\[plan\] depends, entry 1: the key is missing: on, .* -> add it, for example on = \{site",
        ),
        (
            'depends = [ {site = "D1", action = "raise", on = "D2"} ]',
            r'\[plan\] depends, entry 1, on: given "D2", allowed: .* -> write depends = \[ \{site',
        ),
        (
            'depends = [ {site = "D1", action = "raise", on = {site = "D2"}} ]',
            r"\[plan\] depends, entry 1, on: the key is missing: action",
        ),
        ("depends = [ 3 ]", r"\[plan\] depends, entry 1: given 3, allowed: a site and an action in braces"),
        (
            "most_invader_habitat = 5",
            r"\[plan\] most_invader_habitat: given 5, allowed: a table .* -> write most_invader_habitat = \{",
        ),
        (
            "most_invader_habitat = { lamprei = 5 }",
            r'\[plan\] most_invader_habitat, lamprei: there is no species "lamprei" -> did you mean "lamprey"',
        ),
        (
            "most_invader_habitat = { xx = 5 }",
            r'most_invader_habitat, xx: there is no species "xx" -> invasive species are lamprey; give one of these',
        ),
        (
            "most_invader_habitat = { walleye = 5 }",
            r"most_invader_habitat, walleye: the species is native, .* -> invasive species are lamprey; name one",
        ),
        (
            "most_invader_habitat = { lamprey = -5 }",
            r"\[plan\] most_invader_habitat, lamprey: given -5, allowed: a number from 0",
        ),
        (
            'most_invader_habitat = { lamprey = "5" }',
            r'\[plan\] most_invader_habitat, lamprey: given "5" \(text\)',
        ),
        (
            "year_budgets = 1000",
            r"\[plan\] year_budgets: given 1000, allowed: a list .* -> write year_budgets = \[",
        ),
        ("year_budgets = [1000, -1]", r"\[plan\] year_budgets, year 2: given -1, allowed: a number from 0"),
        ('year_budgets = ["1000"]', r"\[plan\] year_budgets, year 1: given \"1000\" \(text\)"),
        ("year_budgets = [inf]", r"\[plan\] year_budgets, year 1: given Infinity"),
        (
            "year_budgets = [0, 0]",
            r"\[plan\] year_budgets: given \[0, 0\]: there is nothing to spend in any year -> give at least one year",
        ),
        (
            f"year_budgets = [{', '.join(['10'] * 31)}]",
            r"\[plan\] year_budgets: given 31 years, but costs and gains are counted over horizon_years = 30 -> give",
        ),
    ],
)
def test_what_is_wrong_is_told_with_key_and_remedy(small: SmallBasin, text: str, words: str) -> None:
    lines = told(small, text)
    matching = [line for line in lines if re.search(words, line)]
    assert len(matching) == 1, lines
    assert len(lines) == (2 if text.endswith("[] ]") else 1), lines
    assert all(line.startswith("error: project.toml: [plan]") and " -> " in line for line in lines)


def test_all_that_is_wrong_is_told_at_once(small: SmallBasin) -> None:
    lines = told(
        small, 'gap = 2\nforced = [ {}, 3 ]\nmost_invader_habitat = { walleye = 1 }\nyear_budgets = ["x"]'
    )
    assert len(lines) == 6, lines


def test_a_table_that_is_none_is_told(small: SmallBasin) -> None:
    small.text = "plan = 3\n" + small.text
    with pytest.raises(InputError, match=r"\[plan\]: given 3, but it is a table of keys"):
        load(small)


def test_without_an_invader_a_cap_is_told(small: SmallBasin) -> None:
    small.edit('role = "invasive"', 'role = "native"').edit("value = -1.0", "value = 1.0")
    words = r"there is no species \"xx\" -> no species here is invasive"
    assert re.search(words, told(small, "most_invader_habitat = { xx = 1 }")[0])


class TestDraws:
    """Plans are made for no more draws than there are."""

    def test_more_than_there_are_are_cut_and_told(self, small: SmallBasin) -> None:
        project, problems = load(small, "\n[uncertainty]\ndraws = 40\n[plan]\ndraws = 50\n")
        assert project.plan.draws == 40
        (note,) = problems.of("note")
        assert note.kind == "fewer_draws"
        assert "given 50, but [uncertainty] draws = 40, so plans are made for 40" in note.line()

    def test_without_any_there_are_none(self, small: SmallBasin) -> None:
        project, problems = load(small, "\n[uncertainty]\ndraws = 0\n[plan]\ndraws = 50\n")
        assert project.plan.draws == 0
        assert "so plans are made for none" in problems.of("note")[0].line()

    def test_the_default_is_cut_without_a_word(self, small: SmallBasin) -> None:
        project, problems = load(small, "\n[uncertainty]\ndraws = 10\n")
        assert project.plan.draws == 10
        assert not len(problems)

    def test_a_fault_in_the_draws_is_told_once(self, small: SmallBasin) -> None:
        with pytest.raises(InputError) as caught:
            load(small, "\n[uncertainty]\ndraws = -1\n[plan]\ndraws = 50\n")
        assert len(caught.value.problems) == 1


class TestNewProjectFile:
    """What `new` writes is read as the defaults."""

    def text(self, small: SmallBasin) -> str:
        folder = small.folder
        return propose_project(
            folder / "streams.gpkg", folder / "sites.csv", folder / "actions.csv", folder=folder
        )

    def section(self, text: str) -> str:
        """Return the lines of the table."""
        return re.split(r"\n(?=\[)", text.split("\n[plan]\n")[1])[0]

    def test_it_holds_every_key_with_its_reason(self, small: SmallBasin) -> None:
        text = self.text(small)
        assert TABLES[-1] == "plan"
        for key in PLAN:
            lines = [s for s in self.section(text).splitlines() if re.match(rf"(# )?{key.name} = ", s)]
            assert len(lines) == 1, key.name
            assert key.meaning in lines[0]
            assert key.reason
            assert key.reason in lines[0]
        single = [k for k in PLAN if k.holds in ("number", "integer")]
        assert all(k.reason.startswith("assumed: ") for k in single)

    def test_it_is_read_as_the_defaults(self, small: SmallBasin) -> None:
        project = load_project(small.write("new.toml", self.text(small)), Problems())
        assert project.plan == build_plan()
        said = run("new", small.folder / "streams.gpkg", "--sites", small.folder / "sites.csv",
                   "--actions", small.folder / "actions.csv", "--out", small.folder / "new2.toml")  # fmt: skip
        assert said.code == 0, said.err
        assert load_project(small.folder / "new2.toml", Problems()).plan == build_plan()

    def test_keys_not_in_use_can_be_taken_into_use(self, small: SmallBasin) -> None:
        text = self.text(small)
        section = self.section(text)
        used = re.sub(r"(?m)^# (\w+ = )", r"\1", section)
        spec = load_project(small.write("new.toml", text.replace(section, used)), Problems()).plan
        assert spec.forced == (ActionName("S12", "rebuild"),)
        assert spec.forbidden == (ActionName("S3", "remove"), ActionName("S9", None))
        assert spec.exclusive == ((ActionName("S1", "remove"), ActionName("S2", "remove")),)
        assert spec.depends == (Dependency("S4", "remove", ActionName("S2", "fishway")),)
        assert dict(spec.most_invader_habitat) == {"lamprey": 120000.0}
        assert spec.year_budgets == (200000.0, 200000.0, 100000.0)


_ANY = st.recursive(
    st.one_of(st.booleans(), st.integers(-5, 500), st.floats(), st.sampled_from(["D1", "raise", "", "é\n"])),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["site", "action", "on", "lamprey", "x y"]), inner, max_size=3)
    ),
    max_leaves=8,
)


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {_toml(v)}" for k, v in value.items()) + "}"
    return json.dumps(value) if isinstance(value, str) else repr(value)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(table=st.dictionaries(st.sampled_from([k.name for k in PLAN]), _ANY, max_size=5))
def test_whatever_the_table_holds_it_is_read_or_told(tmp_path: Path, table: dict[str, object]) -> None:
    small = _SMALL.setdefault(tmp_path, SmallBasin(tmp_path / "basin"))
    text = "\n[plan]\n" + "".join(f"{k} = {_toml(v)}\n" for k, v in table.items())
    faults: tuple[Problem, ...] = ()
    spec = build_plan()
    try:
        spec = load(small, text)[0].plan
    except InputError as error:
        faults = error.problems
    assert all("[plan]" in p.message and p.remedy for p in faults)
    assert all(n.site for n in (*spec.forced, *spec.forbidden, *spec.depends))
    assert all(n.action for n in (*spec.forced, *spec.depends))
    assert all(len(group) >= 2 for group in spec.exclusive)
    assert all(v >= 0 for v in (*spec.year_budgets, *spec.most_invader_habitat.values()))


_SMALL: dict[Path, SmallBasin] = {}
