"""A plan in words: near the best or not, against the list, in the user's units; no percentage of next to nothing."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import pytest
from support.plan_look import plan_look

from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_words import (
    how_near,
    percent_words,
    plan_cautions,
    plan_sentences,
    price_steps,
    price_words,
    spoken_plan,
)
from barrierrank.ranking.cautions import cautions_for

Build = Callable[..., OutputModel]


@pytest.fixture(scope="module")
def look(small_model: Build) -> PlanLook:
    return plan_look(small_model())


def near(look: PlanLook, worth: float, bound: float, status: str = "proven", **others: Any) -> str:
    gap = (bound - worth) / worth if worth > 0 else math.inf
    return how_near(dataclasses.replace(look, worth=worth, bound=bound, gap=gap, status=status, **others))


def test_how_near_the_best(look: PlanLook) -> None:
    million = {"spent": 1e6}
    assert near(look, 4e6, 4.012e6, **million) == "Proven: no plan for this money can be more than 0.3 % better."
    assert near(look, 4e6, 4e6, **million) == "Proven: no plan for this money can be better."
    told = near(look, 4e6, 4.2e6, "time", gap_asked=0.001, seconds=60.0, **million)
    assert told == (
        "Time was up after 60 s, before the gap asked for (0.1 %) was proven: the plan gains USD 4 million, and no "
        "plan for this money can gain more than USD 4.2 million (5 % more)."
    )
    told = near(look, 4e6, 4.0001e6, "interrupted", **million)
    assert "USD 4,000,000" in told  # in so many digits that they differ
    assert "USD 4,000,100" in told
    assert told.startswith("The search was stopped after")
    assert "its own arithmetic" in near(look, 4e6, 4.2e6, "open", **million)
    assert "putting costs off" in near(look, 4e6, 4.2e6, "years", **million)


@pytest.mark.parametrize("status", ["proven", "time", "interrupted", "open", "years"])
@pytest.mark.parametrize(("worth", "bound"), [(0.0, 900.0), (1.0, 900.0), (400.0, 401.0), (-5.0, 20.0)])
def test_no_percentage_where_the_gain_is_about_nothing(
    look: PlanLook, status: str, worth: float, bound: float
) -> None:
    told = near(look, worth, bound, status, spent=1e6, gap_asked=0.0)
    assert "%" not in told
    assert f"USD {worth:,.0f}" in told
    assert f"USD {bound:,.0f}" in told


def test_a_bound_is_never_rounded_down() -> None:
    for gap in (0.00301, 0.0031, 0.12345, 0.000999, 1e-7, 0.1 / 3, 0.5):
        shown = float(percent_words(gap).removesuffix(" %")) / 100.0
        assert gap * (1 - 1e-6) <= shown <= 1.12 * gap
    assert percent_words(0.003) == "0.3 %"
    assert percent_words(0.02) == "2 %"


def test_what_the_plan_does_and_spends(look: PlanLook) -> None:
    told = plan_sentences(look)
    assert told[0].startswith(f"Plan for Example basin: {len(look.plan)} actions at {len(look.plan)} sites for USD ")
    assert "costs taken off" in told[0]
    lamprey = next(t for t in told if t.startswith("Sea lamprey can reach"))
    assert "no plan for this money can make that less than" in lamprey
    walleye = next(t for t in told if t.startswith("Walleye can reach"))
    assert "no plan for this money can make that more than" in walleye
    assert " km" in walleye
    assert "Asked of the plan besides its budget: S0003 must be done." in told
    assert any(t.startswith("The arithmetic of the plan takes for granted:") for t in told)
    assert any("counts on others of the plan below" in t for t in told)


def test_against_the_list(look: PlanLook) -> None:
    told = next(t for t in plan_sentences(look) if t.startswith("Taking the list"))
    gone, new = look.left_out.iloc[0], look.plan[~look.plan["by_list"]].iloc[0]
    assert "would gain USD 322,000 less" in told
    assert f"takes {gone['site']} ({gone['name']}): {gone['action']} (rank {gone['rank']})" in told
    assert f"leaves out {new['site']} ({new['name']}): {new['action']} (rank {new['rank']})" in told
    assert f"Why the plan does without {gone['site']}: {gone['why']}" in told
    assert f"Why the plan has {new['site']}: {new['why']}" in told
    same = dataclasses.replace(look, left_out=look.left_out.head(0), plan=look.plan.assign(by_list=True))
    assert "Taking the list from the top does just the same." in plan_sentences(same)


def test_what_the_plan_does_instead_is_told(look: PlanLook) -> None:
    left = look.left_out.assign(instead="Build a ramp")
    told = " ".join(plan_sentences(dataclasses.replace(look, left_out=left)))
    assert f"(rank {left['rank'].iloc[0]}; the plan there: Build a ramp)" in told
    bare = look.plan.assign(rank=look.plan["rank"].where(look.plan["by_list"]))  # forced, but not in the list
    assert "(rank <NA>" not in " ".join(plan_sentences(dataclasses.replace(look, plan=bare)))


def test_a_list_that_gains_more_is_told(look: PlanLook) -> None:
    more = dataclasses.replace(look, list_worth=1.1 * look.worth)
    told = next(t for t in plan_sentences(more) if t.startswith("Taking the list"))
    assert "more (USD" in told
    assert "it need not meet what is asked of the plan" in told
    bare = dataclasses.replace(more, demands=())
    assert not any("need not meet" in t for t in plan_sentences(bare))


def test_against_adding_one_by_one(look: PlanLook) -> None:
    told = next(t for t in plan_sentences(look) if t.startswith("Adding, again and again"))
    assert "would gain USD 69,000 less" in told
    equal = dataclasses.replace(look, greedy_worth=look.worth)
    assert any("would gain as much" in t for t in plan_sentences(equal))


def test_the_price_of_the_next_unit_of_money(look: PlanLook, small_model: Build) -> None:
    dear = dataclasses.replace(look, price=2.34)
    assert price_words(dear) == (
        "Price of the next unit of money: USD 1 more would bring about USD 2.34, over and above its own cost."
    )
    assert price_words(dataclasses.replace(look, price=0.0)) == "More budget would bring nothing more."
    assert price_words(dataclasses.replace(look, price=math.nan)) == ""
    points = dataclasses.replace(plan_look(small_model(currency=None)), price=0.0023)
    assert price_words(points) == "Price of the next unit of money: 1,000 more would bring about 2.3 points."
    for price in (1e-6, 0.03, 0.5, 1.0, 7.0, 123.0):
        size, _ = price_steps(price, look)
        assert size == 10.0 ** round(math.log10(size))
        assert price * size >= 1.0 - 1e-9


def test_core_and_sometimes(look: PlanLook) -> None:
    told = plan_sentences(look)
    core = int((look.plan["steadiness"] == "core").sum())
    rest = len(look.plan) - core
    assert (
        f"Of the plan's actions, by the best plans of 200 draws of the inputs: {core} in nearly all (core) and {rest} "
        "in some (sometimes)."
    ) in told
    assert any(t.startswith("Core: ") for t in told)
    assert any(t.startswith("Not in the plan, but in the best plan of some draws: ") for t in told)
    none = dataclasses.replace(look, steadiness=None, draws=0)
    assert not any("draws" in t for t in plan_sentences(none))


def test_several_years(small_model: Build) -> None:
    look = plan_look(small_model(), years=3)
    told = next(t for t in plan_sentences(look) if t.startswith("By funding year"))
    assert all(f"year {k}: " in told for k in (1, 2, 3))
    assert "year 4" not in told


def test_points_and_us_units(small_model: Build) -> None:
    told = " ".join(plan_sentences(plan_look(small_model(currency=None, units="us"))))
    assert "USD" not in told
    assert "points" in told
    assert "miles" in told
    assert "acres" in told
    assert " km" not in told
    assert "over and above its own cost" not in told


def test_nothing_to_do(small_model: Build) -> None:
    look = plan_look(small_model(), share=0.0, draws=0, curve=0, front=0)
    told = plan_sentences(look)
    assert told[0] == (
        "Plan for Example basin: within a budget of USD 0 nothing is worth doing; all is left as it is."
    )
    assert not any("can reach" in t or "First to do" in t for t in (*told, spoken_plan(look)))


def test_hostile_texts_stay_on_their_line(small_model: Build) -> None:
    look = plan_look(small_model(hostile=True))
    plan = look.plan.assign(name="two\nlines\x1b[31m", why="a\r\nb\u2028c")
    odd = dataclasses.replace(look, plan=plan, demands=("one\ntwo",), presumes=("x\x00y",))
    for text in plan_sentences(odd):
        assert text.isprintable()
    assert "\x1b" not in spoken_plan(odd)
    assert max(map(len, spoken_plan(look).splitlines())) <= 110


def test_what_the_command_line_says(look: PlanLook) -> None:
    cautions = cautions_for(["Raise the crest"], ["invasive"])
    safe = dataclasses.replace(look, base=dataclasses.replace(look.base, cautions=cautions))
    told = spoken_plan(safe)
    assert "First to do:" in told
    assert f"{look.plan['site'].iloc[0]} ({look.plan['name'].iloc[0]}): {look.plan['action'].iloc[0]}" in told
    assert "Caution: These results are planning-level" in told
    assert "drown people" in told
    assert any("drown people" in c for c in plan_cautions(dataclasses.replace(safe, base=look.base)))
