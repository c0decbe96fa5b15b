"""What ``[plan]`` names, found in the tables; what is not there and what clashes is told with its entries."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.command import run
from support.small_basin import SmallBasin

from barrierrank.inputs.actions import ActionTable
from barrierrank.inputs.plan_demands import NamedDemands, plan_demands
from barrierrank.inputs.sites import SiteTable
from barrierrank.problems import Problems
from barrierrank.project_plan import ActionName, Dependency, build_plan

SITES = ("A", "B", "C", "D", "E")
#: Rows 0 to 7; E has none.
ROWS = (
    ("A", "raise"), ("A", "remove"), ("B", "raise"), ("B", "remove"), ("C", "raise"), ("C", "Fish ramp"),
    ("D", "raise"), ("D", "remove"),
)  # fmt: skip


def tables() -> tuple[SiteTable, ActionTable]:
    n, m = len(SITES), len(ROWS)
    text = np.full(n, "", dtype=object)
    sites = SiteTable(
        "sites.csv", np.arange(n), np.array(SITES, dtype=object), text, text, np.zeros(n), np.zeros(n), None, None,
        np.zeros(n), np.ones((n, 1)), np.ones((n, 1)), pd.DataFrame(),
    )  # fmt: skip
    actions = ActionTable(
        "actions.csv", np.arange(m), np.array([SITES.index(s) for s, _ in ROWS]),
        np.array([a for _, a in ROWS], dtype=object), *(np.zeros(m) for _ in range(4)), np.ones((m, 1)),
        np.full(m, "", dtype=object),
    )  # fmt: skip
    return sites, actions


def name(text: str) -> ActionName:
    """Return the action written as ``"A raise"``; the site alone as ``"A"``."""
    site, _, action = text.partition(" ")
    return ActionName(site, action or None)


def asked(
    forced: tuple[str, ...] = (),
    forbidden: tuple[str, ...] = (),
    exclusive: tuple[tuple[str, ...], ...] = (),
    depends: tuple[tuple[str, str], ...] = (),
) -> tuple[NamedDemands, list[str], Problems]:
    """Return what was found, and the lines of what was told."""
    spec = replace(
        build_plan(),
        forced=tuple(map(name, forced)),
        forbidden=tuple(map(name, forbidden)),
        exclusive=tuple(tuple(map(name, group)) for group in exclusive),
        depends=tuple(Dependency(name(a).site, name(a).action, name(b)) for a, b in depends),
    )
    problems = Problems()
    demands = plan_demands(spec, *tables(), problems, "project.toml")
    return demands, [p.line() for p in problems], problems


def only(lines: list[str]) -> str:
    assert len(lines) == 1, lines
    return lines[0]


def test_nothing_asked_is_nothing_found() -> None:
    demands, lines, _ = asked()
    assert lines == []
    for array, shape in ((demands.forced, (0,)), (demands.forbidden, (0,)), (demands.exclusive, (0, 2)),
                         (demands.depends, (0, 2))):  # fmt: skip
        assert array.shape == shape
        assert array.dtype == np.int64


def test_names_become_rows() -> None:
    demands, lines, _ = asked(
        ("A raise", "C FISH RAMP", "A raise"),
        ("D", "B remove", "D raise"),
        (("D remove", "B remove", "A remove"), ("A remove", "B remove")),
        (("B raise", "A raise"), ("C Fish ramp", "A raise"), ("B raise", "A raise")),
    )
    assert lines == []
    assert demands.forced.tolist() == [0, 5]
    assert demands.forbidden.tolist() == [6, 7, 3]
    assert demands.exclusive.tolist() == [[3, 7], [1, 7], [1, 3]]
    assert demands.depends.tolist() == [[2, 0], [5, 0]]


@pytest.mark.parametrize(
    ("what", "told"),
    [
        (
            {"forced": ("A raise", "F raise")},
            r'error: project.toml: \[plan\] forced, entry 2: there is no site "F" in sites.csv -> add it to the sites',
        ),
        ({"forbidden": ("a",)}, r'forbidden, entry 1: there is no site "a" in sites.csv -> did you mean "A"'),
        (
            {"forced": ("A riase",)},
            r'\[plan\] forced, entry 1: site "A" has no action "riase" -> did you mean "raise"',
        ),
        (
            {"forbidden": ("A paint",)},
            r'forbidden, entry 1: site "A" has no action "paint" -> its actions are "raise", "remove"; name one',
        ),
        (
            {"exclusive": (("A raise", "E raise"),)},
            r'exclusive, entry 1: site "E" has no action "raise" -> it has no actions: add a row to actions.csv',
        ),
        ({"depends": (("F x", "A raise"),)}, r'depends, entry 1: there is no site "F"'),
        ({"depends": (("A raise", "B x"),)}, r'depends, entry 1, on: site "B" has no action "x"'),
        (
            {"forced": ("A Leave as it is",)},
            r'"Leave as it is" at site "A" is no action of the table -> .*in forbidden: \{site = "A"\}',
        ),
        (
            {"forbidden": ("A leave as it is",)},
            r'"leave as it is" at site "A" is no action .* -> to have something done there, name the action in forced',
        ),
        (
            {"exclusive": (("A leave as it is", "B raise"),)},
            r'exclusive, entry 1: "leave as it is" at site "A" .* -> name actions of the table alone',
        ),
        (
            {"exclusive": (("A raise", "B raise", "A raise"),)},
            r'\[plan\] exclusive, entry 1: "raise" at site "A" is named twice -> name it once',
        ),
        (
            {"exclusive": (("A raise", "A remove"),)},
            r'exclusive, entry 1: "raise", "remove" are all at site "A"; a site has one action anyway -> remove',
        ),
        (
            {"exclusive": (("A raise", "A remove", "B raise"),)},
            r"a site has one action anyway -> write a group for each of these, together with the actions of the other",
        ),
        (
            {"depends": (("B raise", "B raise"),)},
            r'depends, entry 1: "raise" at site "B" depends on itself -> name another action in on',
        ),
        (
            {"depends": (("B raise", "B remove"),)},
            r'"raise" at site "B" depends on "remove" at the same site, but a site has one action, .* -> remove the',
        ),
        (
            {"forced": ("B raise", "A raise", "A remove")},
            r'\[plan\] forced, entries 2 and 3: "raise" at site "A" is forced, and "remove" at site "A" is forced, but '
            r"a site has one action -> remove or mend one of these entries",
        ),
        (
            {"forced": ("A raise",), "forbidden": ("B raise", "A raise")},
            r'\[plan\] forced, entry 1, and forbidden, entry 2: "raise" at site "A" is both forced and forbidden -> ',
        ),
        (
            {"forced": ("A raise",), "forbidden": ("A",)},
            r'\[plan\] forced, entry 1, and forbidden, entry 1: "raise" at site "A" is both forced and forbidden -> ',
        ),
        (
            {"forced": ("A raise", "B raise"), "exclusive": (("C raise", "B raise", "A raise"),)},
            r'forced, entries 1 and 2, and exclusive, entry 1: "raise" at site "A" is forced, and "raise" at site "B" '
            r"is forced, but a plan may have one of them only -> ",
        ),
        (
            {"forced": ("A raise",), "depends": (("A raise", "B raise"),), "forbidden": ("C", "B raise")},
            r'forced, entry 1, and forbidden, entry 2, and depends, entry 1: "raise" at site "A" depends on "raise" at '
            r'site "B", which is forbidden -> ',
        ),
        (
            {
                "forced": ("A raise",),
                "depends": (("B raise", "C raise"), ("A raise", "B raise")),
                "forbidden": ("C raise",),
            },
            r'forced, entry 1, and forbidden, entry 1, and depends, entries 1 and 2: "raise" at site "A" depends on '
            r'"raise" at site "C", which is forbidden',
        ),
        (
            {"forced": ("A raise", "B remove"), "depends": (("A raise", "B raise"),)},
            r'forced, entries 1 and 2, and depends, entry 1: .*"remove" at site "B" is forced, but a site has one',
        ),
        (
            {"forced": ("A raise",), "depends": (("A raise", "B raise"), ("A raise", "B remove"))},
            r'forced, entry 1, and depends, entries 1 and 2: "raise" at site "A" depends on "raise" at site "B", and '
            r'"raise" at site "A" depends on "remove" at site "B", but a site has one action',
        ),
        (
            {
                "forced": ("A raise",),
                "depends": (("A raise", "B raise"),),
                "exclusive": (("A raise", "B raise"),),
            },
            r"forced, entry 1, and exclusive, entry 1, and depends, entry 1: .*but a plan may have one of them only",
        ),
    ],
)
def test_what_cannot_be_is_told_with_the_entries_and_a_remedy(what: dict[str, Any], told: str) -> None:
    _, lines, problems = asked(**what)
    assert re.search(told, only(lines)), lines
    assert [p.severity for p in problems] == ["error"]
    assert next(iter(problems)).remedy


def test_all_is_told_at_once() -> None:
    _, lines, problems = asked(
        ("F raise", "A x", "B raise", "B remove"),
        ("B raise",),
        (("C raise", "C Fish ramp"),),
        (("D raise", "D raise"),),
    )
    kinds = [p.kind for p in problems.of("error")]
    clashes = ["demands_clash"] * 2
    assert kinds == ["unknown_site", "unknown_action", "same_site", "depends_on_itself", *clashes], lines


@pytest.mark.parametrize(
    ("what", "told"),
    [
        (
            {"depends": (("A raise", "B raise"),), "forbidden": ("B",)},
            r'\[plan\] forbidden, entry 1, and depends, entry 1: "raise" at site "A" can never be chosen: "raise" at '
            r'site "A" depends on "raise" at site "B", which is forbidden -> .*, unless it is meant so',
        ),
        (
            {"depends": (("A raise", "B raise"),), "forced": ("B remove",)},
            r'forced, entry 1, and depends, entry 1: "raise" at site "A" can never be chosen: "remove" at site "B" is '
            r'forced, and "raise" at site "A" depends on "raise" at site "B", but a site has one action',
        ),
        (
            {"depends": (("A raise", "B raise"),), "exclusive": (("A raise", "B raise"),)},
            r'exclusive, entry 1, and depends, entry 1: "raise" at site "A" can never be chosen: "raise" at site "A" '
            r'depends on "raise" at site "B", but a plan may have one of them only',
        ),
        (
            {
                "depends": (("A raise", "B raise"),),
                "exclusive": (("C raise", "B raise"),),
                "forced": ("C raise",),
            },
            r"forced, entry 1, and exclusive, entry 1, and depends, entry 1: .*can never be chosen",
        ),
        (
            {"depends": (("A raise", "B raise"), ("B raise", "A remove"), ("B raise", "C raise"))},
            r'depends, entries 1 and 2: "raise" at site "A" can never be chosen: "raise" at site "A" depends on '
            r'"remove" at site "A", but a site has one action',
        ),
    ],
)
def test_what_can_never_be_chosen_is_a_warning(what: dict[str, Any], told: str) -> None:
    _, lines, problems = asked(**what)
    assert re.search(told, only(lines)), lines
    assert [(p.severity, p.kind) for p in problems] == [("warning", "never_chosen")]


def test_what_is_ruled_out_by_itself_is_told_no_further() -> None:
    assert asked(("A remove",), ("C raise",), (), (("A raise", "B raise"), ("C raise", "D raise")))[1] == []


def test_what_depends_on_each_other_is_noted() -> None:
    demands, lines, problems = asked(
        depends=(
            ("A raise", "B raise"),
            ("C raise", "A raise"),
            ("B raise", "D raise"),
            ("D raise", "A raise"),
        )
    )
    assert only(lines).endswith(
        '[plan] depends, entries 1, 3 and 4: "raise" at site "A" and "raise" at site "B" and "raise" at site "D" '
        "depend on each other, so that a plan has all of them or none"
    )
    assert next(iter(problems)).severity == "note"
    assert len(demands.depends) == 4


def test_forbidding_what_has_no_actions_is_noted() -> None:
    demands, lines, problems = asked(forbidden=("E",))
    assert re.search(
        r'forbidden, entry 1: site "E" has no actions, so nothing is done there anyway', only(lines)
    )
    assert next(iter(problems)).severity == "note"
    assert demands.forbidden.size == 0


_NAMES = st.sampled_from([f"{s} {a}" for s, a in ROWS])
_TWO = st.tuples(_NAMES, _NAMES).filter(lambda pair: pair[0][0] != pair[1][0])


@settings(max_examples=300, deadline=None)
@given(
    forced=st.lists(_NAMES, max_size=3),
    forbidden=st.lists(_NAMES, max_size=3),
    exclusive=st.lists(_TWO, max_size=3),
    depends=st.lists(_TWO, max_size=4),
)
def test_errors_tell_apart_what_some_plan_meets(
    forced: list[str], forbidden: list[str], exclusive: list[tuple[str, str]], depends: list[tuple[str, str]]
) -> None:
    # Against the plain definition: all 3 ** 4 plans of the four sites, one by one. Common practice, no source.
    demands, _, problems = asked(tuple(forced), tuple(forbidden), tuple(exclusive), tuple(depends))
    good = [
        plan
        for plan in ({*p} - {-1} for p in product(*((-1, 2 * k, 2 * k + 1) for k in range(4))))
        if plan.issuperset(demands.forced.tolist())
        and plan.isdisjoint(demands.forbidden.tolist())
        and not any(plan.issuperset(pair) for pair in demands.exclusive.tolist())
        and all(b in plan for a, b in demands.depends.tolist() if a in plan)
    ]
    assert bool(problems.of("error")) == (not good)
    if good:
        named = {f'"{a}" at site "{s}"': i for i, (s, a) in enumerate(ROWS)}
        never = {
            m[1] for p in problems.of("warning") if (m := re.search(r': ("[^:]*?") can never', p.message))
        }
        assert len(never) == len(problems.of("warning"))
        assert not {named[n] for n in never} & set().union(*good)


class TestCheck:
    """`check` lists what is wrong with the names."""

    @pytest.fixture
    def small(self, tmp_path: Path) -> SmallBasin:
        return SmallBasin(tmp_path / "basin")

    def test_errors_fail_it(self, small: SmallBasin) -> None:
        small.text += (
            '\n[plan]\nforced = [ {site = "D1", action = "raise"}, {site = "D9", action = "raise"} ]\n'
            'forbidden = [ {site = "D1", action = "raise"}, {site = "D2", action = "remov"} ]\n'
        )
        said = run("check", small.project)
        assert said.code == 1
        assert [re.sub(r" -> .*", "", line) for line in said.err.splitlines()] == [
            'error: project.toml: [plan] forced, entry 2: there is no site "D9" in sites.csv',
            'error: project.toml: [plan] forbidden, entry 2: site "D2" has no action "remov"',
            'error: project.toml: [plan] forced, entry 1, and forbidden, entry 1: "raise" at site "D1" is both forced '
            "and forbidden",
        ]
        assert all(" -> " in line for line in said.err.splitlines())
        assert "3 errors" in said.out

    def test_what_is_sound_passes(self, small: SmallBasin) -> None:
        small.text += (
            '\n[plan]\nforced = [ {site = "D1", action = "raise"} ]\nforbidden = [ {site = "D2"} ]\n'
            "most_invader_habitat = { lamprey = 1000 }\n"
        )
        said = run("check", small.project)
        assert (said.code, said.err) == (0, "")

    def test_without_actions_an_action_is_told(self, small: SmallBasin) -> None:
        small.edit('[actions]\npath = "actions.csv"\n', "")
        small.text += '\n[plan]\nforced = [ {site = "D1", action = "raise"} ]\n'
        said = run("check", small.project)
        assert said.code == 1
        assert "it has no actions: add a row to a table that [actions] names, or remove the entry" in said.err
