"""Pictures of a plan: what they show is what the tables hold, texts keep to the sheet, user text as it is."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib.image
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from support.plan_look import plan_look

from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.plan_axes import PLAN, amount_scale, habitat_scale, tick
from barrierrank.outputs.plan_curve import OTHERS, draw_curve
from barrierrank.outputs.plan_front import draw_front
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_maps import HALO, NAMED, NUMBERED, draw_access
from barrierrank.outputs.plan_pictures import plan_pictures, write_plan_pictures
from barrierrank.outputs.plan_reaches import changed, plan_reaches, plan_sites, states
from barrierrank.outputs.styles import STATE_LOOKS, VERMILION
from barrierrank.ranking.cautions import cautions_for

Build = Callable[..., OutputModel]
MILE = 1609.344


@pytest.fixture(scope="module")
def look(small_model: Build) -> PlanLook:
    base = dataclasses.replace(small_model(), cautions=cautions_for(["Raise the crest"], ["invasive", "native"]))
    return plan_look(base)


def texts(figure: Figure) -> list[str]:
    return [t.get_text() for t in figure.findobj(match=lambda a: hasattr(a, "get_text")) if t.get_text()]


def line(axes: Any, label: str) -> Any:
    return next(art for art in axes.lines if str(art.get_label()).startswith(label))


def keeps_to_its_sheet(figure: Figure) -> None:
    wide, tall = figure.get_figwidth() * figure.dpi, figure.get_figheight() * figure.dpi
    FigureCanvasAgg(figure).draw()
    beyond = {  # ticks outside the frame are there, but not drawn
        id(mark.label1)
        for axes in figure.axes
        for axis in (axes.xaxis, axes.yaxis)
        for mark in axis.get_major_ticks()
        if not min(axis.get_view_interval()) <= mark.get_loc() <= max(axis.get_view_interval())
    }
    for art in figure.findobj(match=lambda a: hasattr(a, "get_text")):
        if not art.get_text() or not art.get_visible() or id(art) in beyond:
            continue
        box = art.get_window_extent()
        assert box.x0 >= -1.0, art.get_text()
        assert box.x1 <= wide + 1.0, art.get_text()
        assert box.y0 >= -1.0, art.get_text()
        assert box.y1 <= tall + 1.0, art.get_text()


def test_the_curve_is_that_of_the_table(look: PlanLook) -> None:
    assert look.curve is not None
    figure = draw_curve(look)
    upper, lower = figure.axes[1], figure.axes[2]  # the rule above the cautions comes first
    x = look.curve["budget"].to_numpy() / 1e6
    for label, column in (("best plan", "worth"), *((words, name) for name, words, *_ in OTHERS)):
        drawn = line(upper, label)
        assert np.asarray(drawn.get_xdata()) == pytest.approx(x)
        assert np.asarray(drawn.get_ydata()) == pytest.approx(look.curve[column].to_numpy() / 1e6)
    (band,) = upper.collections
    top = band.get_paths()[0].vertices[:, 1].max()
    assert top == pytest.approx(look.curve["bound"].max() / 1e6)
    plan = line(upper, "this plan")
    assert (plan.get_xdata()[0], plan.get_ydata()[0]) == pytest.approx((look.budget / 1e6, look.worth / 1e6))
    price = np.asarray(lower.lines[0].get_ydata())
    assert price == pytest.approx(look.curve["price"].to_numpy())
    assert upper.get_ylabel() == "Worth gained [USD million]"
    assert lower.get_xlabel() == "Budget [USD million]"
    assert lower.get_ylabel() == "USD for the\nnext USD 1"
    for axes in (upper, lower):  # where the plan stands in both
        assert any(np.allclose(art.get_xdata(), look.budget / 1e6) for art in axes.lines)
    assert any(t.startswith("–  Low-head dams and weirs drown people") for t in texts(figure))


def test_lines_of_the_curve_differ_without_colour() -> None:
    looks = {(str(dash), mark) for *_, dash, mark in OTHERS} | {("solid", "o")}
    assert len(looks) == len(OTHERS) + 1
    assert len({dash for dash, _ in looks}) == len({mark for _, mark in looks}) == len(looks)


def test_a_bound_without_limit_fills_the_frame_and_one_far_off_does_not_flatten_the_lines(look: PlanLook) -> None:
    assert look.curve is not None
    curve = look.curve.copy()
    curve["bound"] = np.where(np.arange(len(curve)) < 2, np.inf, 50.0 * curve["worth"])
    figure = draw_curve(dataclasses.replace(look, curve=curve))
    upper = figure.axes[1]
    assert upper.get_ylim()[1] < 1.7 * curve["worth"].max() / 1e6
    vertices = upper.collections[0].get_paths()[0].vertices
    at_start = vertices[np.isclose(vertices[:, 0], 0.0), 1]
    assert at_start.max() > upper.get_ylim()[1]


def test_prices_not_known_or_nothing(look: PlanLook) -> None:
    assert look.curve is not None
    for price, words in ((np.nan, "not known"), (0.0, "more budget brings nothing more")):
        figure = draw_curve(dataclasses.replace(look, curve=look.curve.assign(price=price)))
        assert words in texts(figure)
        keeps_to_its_sheet(figure)


def test_the_front_is_that_of_the_table(look: PlanLook) -> None:
    assert look.front is not None
    figure = draw_front(look)
    axes = figure.axes[1]
    points = line(axes, "best plan found")
    assert np.asarray(points.get_xdata()) == pytest.approx(look.front["invader_habitat"].to_numpy() / 1000)
    assert np.asarray(points.get_ydata()) == pytest.approx(look.front["native_worth"].to_numpy() / 1e6)
    assert to_hex(points.get_color()).upper() == PLAN.upper()
    here = look.front[look.front["here"]].iloc[0]
    mark = line(axes, "nearest to the plan")
    assert (mark.get_xdata()[0], mark.get_ydata()[0]) == pytest.approx(
        (here["invader_habitat"] / 1000, here["native_worth"] / 1e6)
    )
    today = line(axes, "what the invader can reach with nothing done")
    before = look.access.set_index("species").loc["lamprey", "before"]
    assert np.asarray(today.get_xdata(), dtype=float) == pytest.approx([before / 1000] * 2)
    assert to_hex(today.get_color()).upper() == VERMILION
    (bars,) = (c for c in axes.collections if isinstance(c, LineCollection))
    tops = [segment[:, 1].max() for segment in bars.get_segments()]
    assert tops == pytest.approx((look.front["native_bound"] / 1e6).tolist())
    assert axes.get_xlabel() == "Habitat that Sea lamprey can reach: less is better [km]"
    said = texts(figure)
    assert f"{here['actions']} actions" in said
    assert any("Planning-level" in t for t in said)


def test_units_of_the_user(small_model: Build) -> None:
    look = plan_look(small_model(currency=None, units="us"))
    assert look.front is not None
    axes = draw_front(look).axes[1]
    assert axes.get_xlabel().endswith("[miles]")
    assert axes.get_ylabel().endswith("[million points]")
    drawn = np.asarray(line(axes, "best plan found").get_xdata())
    assert drawn == pytest.approx(look.front["invader_habitat"].to_numpy() / MILE)
    curve = draw_curve(look)
    assert curve.axes[1].get_ylabel() == "Worth gained [million points]"
    assert curve.axes[2].get_xlabel() == "Budget [million]"
    assert not any("USD" in t for t in texts(curve))
    trout = next(s for s in look.base.species if s.habitat_unit == "m2")
    said = " ".join(texts(draw_access(look, trout)))
    assert "acres" in said
    assert " mi" in said  # the scale bar


def test_scales() -> None:
    assert [tick(v) for v in (0.0, 0.25, 2.0, 12.5, 1200.0, -3.0)] == ["0", "0.25", "2", "12.5", "1,200", "-3"]
    assert amount_scale([3e9], "EUR").unit == "EUR billion"
    assert amount_scale([12.0, np.nan, np.inf], "points").unit == "points"
    assert amount_scale([2e3], "").unit == "thousand"


@pytest.mark.parametrize(
    ("units", "unit", "most", "told"),
    [
        ("metric", "m", 800.0, "m"), ("metric", "m", 8e4, "km"), ("us", "m", 50.0, "ft"), ("us", "m", 1e5, "miles"),
        ("metric", "m2", 900.0, "m²"), ("metric", "m2", 5e4, "ha"), ("metric", "m2", 5e7, "km²"),
        ("us", "m2", 90.0, "sq ft"), ("us", "m2", 5e4, "acres"), ("us", "m2", 9e7, "sq miles"),
        ("metric", "units", 40.0, "units"), ("us", "units", 4e6, "million units"),
    ],
)  # fmt: skip
def test_scales_of_habitat(look: PlanLook, units: Any, unit: Any, most: float, told: str) -> None:
    shown = dataclasses.replace(look, base=dataclasses.replace(look.base, units=units))
    assert habitat_scale([most], shown, unit).unit == told


def drawn_colours(axes: Any) -> set[str]:
    lines = [c for c in axes.collections if isinstance(c, LineCollection) and len(c.get_paths())]
    return {to_hex(c.get_colors()[0]).upper() for c in lines}


def test_the_maps_show_states_before_and_after(look: PlanLook) -> None:
    for species in look.base.species:
        figure = draw_access(look, species)
        for axes, when in zip(figure.axes[:2], ("before", "after"), strict=True):
            there = {w.colour for w in STATE_LOOKS if w.state in set(states(look, species.key, when))}
            halo = {HALO} if when == "after" and changed(look, species.key).any() else set()
            assert drawn_colours(axes) == there | halo
            numbers = {t.get_text() for t in axes.texts} - {"N", "0"}
            assert {str(order) for order in look.plan["order"]} <= numbers
    assert (states(look, "walleye", "before") != states(look, "walleye", "after")).any()
    assert (look.base.reaches["state_walleye"].to_numpy() == states(look, "walleye", "before")).mean() > 0.95


def test_marks_stand_at_the_sites_of_the_plan(look: PlanLook) -> None:
    figure = draw_access(look, look.base.species[0])
    places = look.base.sites.set_index("site").geometry
    wanted = sorted((places[s].x, places[s].y) for s in look.plan["site"])
    for axes in figure.axes[:2]:
        marks = [c for c in axes.collections if not isinstance(c, LineCollection)]
        drawn = sorted(tuple(p) for c in marks for p in c.get_offsets())
        assert np.array(drawn) == pytest.approx(np.array(wanted))
    said = texts(figure)
    for _, row in look.plan.iterrows():
        assert f"{row['name']}: {row['action']}" in said
    assert any(t.startswith("–  Low-head dams and weirs drown people") for t in said)


def test_an_action_that_is_not_listed_is_marked_too(look: PlanLook) -> None:
    plan = look.plan.assign(purpose=[np.nan, *look.plan["purpose"].iloc[1:]])
    figure = draw_access(dataclasses.replace(look, plan=plan), look.base.species[0])
    marks = [c for c in figure.axes[1].collections if not isinstance(c, LineCollection)]
    assert sum(len(c.get_offsets()) for c in marks) == len(plan)
    assert "neither" in texts(figure)


def test_limits_of_states_are_those_of_the_run(look: PlanLook) -> None:
    run = {"parameters": {"display": {"open_from": 0.2, "blocked_below": 0.15}}}
    loose = dataclasses.replace(look, base=dataclasses.replace(look.base, run=run))
    access, habitat = look.reach_access["after_walleye"], look.base.reaches["habitat_walleye"]
    lively = (access >= 0.2).to_numpy() & (habitat > 0).to_numpy()
    assert ((states(loose, "walleye", "after") == "open") == lively).all()
    for odd in ({}, {"parameters": None}, {"parameters": {"display": 3}}):
        plain = dataclasses.replace(look, base=dataclasses.replace(look.base, run=odd))
        assert (states(plain, "walleye", "after") == states(look, "walleye", "after")).all()


def test_tables_that_do_not_agree_are_told(look: PlanLook) -> None:
    mixed = dataclasses.replace(look, reach_access=look.reach_access.iloc[::-1])
    with pytest.raises(ValueError, match="reach_access: its rows must be the reaches"):
        plan_reaches(mixed)
    odd = dataclasses.replace(look, plan=look.plan.assign(site="nowhere"))
    with pytest.raises(ValueError, match="'nowhere' is none of the sites"):
        plan_sites(odd)


def test_a_long_plan_is_numbered_and_named_as_far_as_there_is_room(small_model: Build) -> None:
    look = plan_look(small_model(n_reaches=600, n_sites=250), share=0.8)
    assert len(look.plan) > NUMBERED
    figure = draw_access(look, look.base.species[0])
    said = texts(figure)
    assert f"(the first {NUMBERED} have their number)" in said
    assert f"and {len(look.plan) - NAMED:,} more: see plan.csv" in said
    assert str(NUMBERED + 1) not in {t.get_text() for t in figure.axes[0].texts}
    keeps_to_its_sheet(figure)


@pytest.mark.parametrize("long", [False, True])
def test_hostile_texts_are_drawn_as_they_are_and_keep_to_the_sheet(small_model: Build, long: bool) -> None:
    look = plan_look(small_model(hostile=True))
    if long:
        plan = look.plan.assign(name="A very long name of a weir " * 9, action="do a $great$ many_things^2 " * 9)
        base = dataclasses.replace(look.base, basin="Long $Basin$ " * 30)
        look = dataclasses.replace(look, plan=plan, base=base)
    for draw in plan_pictures(look).values():
        figure = draw()
        keeps_to_its_sheet(figure)
        assert not any("\n" in t for t in texts(figure) if "owned" in t or "great" in t)


def test_what_there_is_to_draw(look: PlanLook, small_model: Build, tmp_path: Path) -> None:
    keys = [s.key for s in look.base.species]
    assert list(plan_pictures(look)) == ["plan_curve.png", "plan_front.png", *(f"plan_access_{k}.png" for k in keys)]
    bare = plan_look(small_model(n_reaches=40, n_sites=6), share=0.0, draws=0, curve=0, front=0)
    assert list(plan_pictures(bare)) == [f"plan_access_{k}.png" for k in keys]
    assert [p.name for p in write_plan_pictures(tmp_path, bare)] == list(plan_pictures(bare))
    with pytest.raises(ValueError, match="no curve to draw"):
        draw_curve(bare)
    with pytest.raises(ValueError, match="no front to draw"):
        draw_front(bare)


@pytest.mark.parametrize("share", [0.0, 0.3])
def test_one_point_and_no_budget(small_model: Build, share: float) -> None:
    look = plan_look(small_model(n_reaches=60, n_sites=12), share=share, curve=1, front=1)
    for draw in (draw_curve, draw_front):
        keeps_to_its_sheet(draw(look))


def test_no_invader(small_model: Build) -> None:
    base = small_model(n_reaches=60, n_sites=12)
    look = plan_look(base)
    native = dataclasses.replace(look, base=dataclasses.replace(base, species=base.species[1:]))
    assert "what the invader can reach with nothing done" not in texts(draw_front(native))


def test_files_are_the_same_again_and_show_every_colour(look: PlanLook, tmp_path: Path) -> None:
    small = dataclasses.replace(look, base=dataclasses.replace(look.base, species=look.base.species[1:2]))
    first = {p.name: p.read_bytes() for p in write_plan_pictures(tmp_path, small)}
    assert {p.name: p.read_bytes() for p in write_plan_pictures(tmp_path, small)} == first
    pixels = (matplotlib.image.imread(tmp_path / "plan_curve.png")[:, :, :3] * 255).round().astype(int)
    for colour in (PLAN, *(c for _, _, c, *_ in OTHERS)):
        wanted = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])
        assert (np.abs(pixels - wanted).max(axis=2) <= 8).mean() > 1e-4, colour
