"""Pictures of one structure and of a seasonal crest: what they show, that it can be read, and text as it is given."""

from __future__ import annotations

import dataclasses
import itertools
import math

import matplotlib as mpl
import matplotlib.image
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from support.passage_model import season_trade, site_passage, with_passage

from barrierrank.outputs import bundle
from barrierrank.outputs.drop_curve import lost_from
from barrierrank.outputs.model import SitePassage
from barrierrank.outputs.passages import draw_passage, file_parts, write_passages
from barrierrank.outputs.picture_text import FOOT_SIZE
from barrierrank.outputs.seasons import date_words, draw_season, season_words, write_seasons
from barrierrank.outputs.styles import BLUE, VERMILION
from barrierrank.ranking.cautions import short_cautions

FOOT = 0.3048
A5 = 148 / 25.4  # width of the sheet, upright [inches]


@pytest.fixture(scope="module")
def model(small_model):
    return with_passage(small_model())


@pytest.fixture(scope="module")
def one(model):
    return model.site_passages[1]


@pytest.fixture(scope="module")
def figure(model, one):
    return draw_passage(model, one)


def texts_of(figure):
    """All texts, those within axes and of legends too."""
    found = list(figure.texts)
    for axes in figure.axes:
        found += [t for t in (*axes.texts, axes.xaxis.label, axes.yaxis.label) if t.get_text()]
        if axes.get_legend():
            found += axes.get_legend().get_texts()
    for legend in figure.legends:
        found += legend.get_texts()
    return found


def said(figure):
    return "\n".join(t.get_text() for t in texts_of(figure))


def parts(figure):
    """Axes of the flow, of the strips and of the curve."""
    flow, *strips, curve = [a for a in figure.axes if a.axison]
    return flow, strips, curve


# --- Files ---


def test_ids_of_sites_make_file_names_that_differ():
    ids = ["A-1", "A 1", "a_1_2", "../../etc", "", "?", "Ünïcode", "x" * 60, "x" * 61, "CON"]
    made = file_parts(ids)
    assert made[:7] == ["a_1", "a_1_2", "a_1_2_2", "etc", "site", "site_2", "unicode"]
    assert len(set(made)) == len(ids)
    assert all(bundle.is_ours(f"passage_{m}.png") and bundle.is_ours(f"season_{m}_1.png") for m in made)


def test_one_file_for_each_structure_and_each_trade(model, tmp_path):
    paths = write_passages(tmp_path, model) + write_seasons(tmp_path, model)
    assert [p.name for p in paths] == [
        "passage_s0001.png", "passage_s0002.png", "season_s0001_1.png", "season_s0001_2.png",
    ]  # fmt: skip
    for path in paths:
        pixels = mpl.image.imread(path)[:, :, :3]
        assert pixels.shape[1] == 1323
        assert np.abs(pixels - to_rgb(BLUE)).max(axis=2).min() < 0.02
    (tmp_path / "b").mkdir()
    again = write_passages(tmp_path / "b", model)
    assert paths[0].read_bytes() == again[0].read_bytes()
    none = dataclasses.replace(model, site_passages=(), seasons=())
    assert write_passages(tmp_path, none) + write_seasons(tmp_path, none) == []


# --- One structure ---


def test_letters_are_large_enough_on_a5(figure, model):
    for drawn in (figure, draw_season(model, model.seasons[0])):
        shrunk = A5 / drawn.get_figwidth()
        assert min(t.get_fontsize() for t in texts_of(drawn) if t.get_text() != "barrierrank") * shrunk >= 6.0
        ticks = [t for a in drawn.axes for t in (*a.get_xticklabels(), *a.get_yticklabels())]
        assert min(t.get_fontsize() for t in ticks) * shrunk >= 6.0
        assert FOOT_SIZE * shrunk >= 6.0


@pytest.mark.parametrize("kind", ["metric", "us", "long names"])
def test_nothing_runs_out_of_the_sheet(model, kind):
    us = dataclasses.replace(model, units="us" if kind == "us" else "metric")
    if kind == "long names":
        looks = tuple(dataclasses.replace(s, label=f"{s.label} of the great WIDE northern rivers") for s in us.species)
        long = {"name": "Weir " * 30, "site": "W" * 80}
        passages = tuple(dataclasses.replace(p, kind="culvert " * 9, **long) for p in us.site_passages)
        seasons = tuple(dataclasses.replace(s, action="Seasonal " * 20, **long) for s in us.seasons)
        us = dataclasses.replace(us, species=looks, site_passages=passages, seasons=seasons)
    for drawn in (*(draw_passage(us, p) for p in us.site_passages), *(draw_season(us, s) for s in us.seasons)):
        FigureCanvasAgg(drawn).draw()
        wide, tall = drawn.get_size_inches() * drawn.dpi
        for text in texts_of(drawn):
            box = text.get_window_extent()
            assert box.x0 >= 0, text.get_text()
            assert box.y0 >= 0, text.get_text()
            assert box.x1 <= wide, text.get_text()
            assert box.y1 <= tall, text.get_text()


def test_the_lines_of_text_do_not_lie_on_one_another(figure):
    boxes = [t.get_window_extent() for t in figure.texts if t.get_text().strip()]
    for a, b in itertools.combinations(boxes, 2):
        assert min(min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)) <= 1.0


def test_strips_mark_the_days_on_which_fish_can_pass(figure, model, one):
    _, strips, _ = parts(figure)
    assert len(strips) == len(model.species)
    for axes, look in zip(strips, model.species, strict=True):
        tone = to_rgb(VERMILION if look.role == "invasive" else BLUE)
        marked = np.zeros(len(one.day), dtype=bool)
        for bars in axes.collections:
            if len(bars.get_facecolor()) and np.allclose(bars.get_facecolor()[0, :3], tone):
                for path in bars.get_paths():
                    start, end = path.get_extents().intervalx
                    first = round(start + 0.5) - int(one.day[0].astype(int))
                    marked[first : first + round(end - start)] = True
        np.testing.assert_array_equal(marked, one.open[look.key] & (one.run[look.key] > 0))


def test_captions_count_the_days_and_tell_all_years(figure, model, one):
    texts = [t.get_text() for t in figure.texts]
    for look in model.species:
        during = one.run[look.key] > 0
        days = f"in 2016 passable on {(one.open[look.key] & during).sum()} of {during.sum()} days"
        role = "invader" if look.role == "invasive" else "native"
        assert texts[texts.index(f"{look.label} ({role})") - 1].startswith(days)
    row = model.passage.set_index(["site", "species"]).loc[one.site, "lamprey"]
    told = texts[texts.index("Sea lamprey (invader)") - 1]
    assert f"; all years {round(100 * row['passability'])} %" in told
    assert f", worst {row['worst_year']}: {round(100 * row['p_worst'])} %" in told


@pytest.mark.parametrize(("units", "q_size", "h_size"), [("metric", 1.0, 1.0), ("us", FOOT**3, FOOT)])
def test_curves_are_drawn_in_the_units_of_the_reader(model, one, units, q_size, h_size):
    drawn = draw_passage(dataclasses.replace(model, units=units), one)
    flow, _, curve = parts(drawn)
    line = max(curve.lines, key=lambda a: len(a.get_xdata()))
    np.testing.assert_allclose(line.get_xdata(), one.curve_q / q_size)
    np.testing.assert_allclose(line.get_ydata(), one.curve_drop / h_size)
    steps = max(flow.lines, key=lambda a: len(a.get_xdata()))
    np.testing.assert_allclose(steps.get_ydata(), one.discharge / q_size)
    level = [a.get_ydata()[0] for a in curve.lines if a.get_color() == VERMILION]
    np.testing.assert_allclose(level, [0.45 / h_size])
    upright = [a.get_xdata()[0] for a in curve.lines if list(a.get_ydata()) == [0, 1]]
    np.testing.assert_allclose(upright, [one.design_q / q_size])
    wanted = {"metric": ("[m³/s]", "[m]", "0.45 m or more stops"), "us": ("[ft³/s]", "[ft]", "1.5 ft or more stops")}
    assert all(text in said(drawn) for text in wanted[units])


def test_the_flow_from_which_the_drop_fails_is_marked_in_both_panels(model, one):
    flow, _, curve = parts(draw_passage(model, one))
    lost = lost_from(one, 0.45)
    # interpolated on the curve that the fixture draws: drop = left + 0.9 - 0.9 (q / design)^0.42
    left = float(np.interp(one.design_q, one.curve_q, one.curve_drop))
    assert lost == pytest.approx(one.design_q * ((left + 0.45) / 0.9) ** (1 / 0.42), rel=0.02)
    assert [a.get_ydata()[0] for a in flow.lines if a.get_color() == VERMILION] == [pytest.approx(lost)]
    dot = [a for a in curve.lines if len(a.get_xdata()) == 1]
    assert [(a.get_xdata()[0], a.get_ydata()[0]) for a in dot] == [(pytest.approx(lost), 0.45)]
    assert "on the drop no longer stops Sea lamprey" in said(flow.figure)


def test_where_a_curve_falls_below_the_drop_needed():
    empty = np.array([])

    def curve(drop):
        q = np.arange(len(drop), dtype=float)
        return SitePassage(
            site="a", name="", kind="", rank=None, day=empty, discharge=empty, open={}, run={}, curve_q=q,
            curve_drop=np.array(drop), crest_m=0, required={}, design_q=math.nan, design_years=10,
            curve_low=np.array(drop), curve_high=np.array(drop), drop_word="", year=2000,
        )  # fmt: skip

    assert lost_from(curve([1.0, 0.6, 0.2]), 0.5) == pytest.approx(1.25)  # a quarter of the way from 0.6 to 0.2
    assert lost_from(curve([1.0, np.nan, 0.0]), 0.5) == pytest.approx(1.0)
    for never in ([1.0, 0.6, 0.5], [0.4, 0.3, 0.2], [1.0, 0.4, 0.7], [np.nan] * 3):
        assert math.isnan(lost_from(curve(never), 0.5))


def test_the_design_flood_and_the_cautions_are_printed(figure, model, one):
    flat = " ".join(said(figure).split())
    row = model.passage.set_index(["site", "species"]).loc[one.site, "lamprey"]
    assert f"the crest is {row['raise_needed_m']:.2f} m too low" in flat
    assert "design flood, once in 10 years:" in flat
    for text in ("Planning-level", "drown people", "licensed engineer and permits"):
        assert text in flat
    mine = dataclasses.replace(one, cautions=("Keep " + "well " * 60 + "away.",))
    lines = [t for t in draw_passage(model, mine).texts if "well well" in t.get_text()]
    assert len(lines) > 2  # wrapped, none lost
    assert sum(t.get_text().count("well") for t in lines) == 60


def test_what_the_design_flood_rests_on_is_printed(model, one):
    def label(**facts):
        drawn = draw_passage(model, dataclasses.replace(one, **facts))
        (found,) = [t.get_text() for t in texts_of(drawn) if t.get_text().startswith("design flood")]
        return " ".join(found.split())

    known = {"design_season": "run", "design_record_years": 15}
    head = "design flood of the run, once in 10 years, from 15 years of daily means"
    assert label(**known, peak_factor=1.15).startswith(f"{head} × 1.15: ")
    assert label(**known).startswith(f"{head}: ")
    assert label(design_season="year", design_record_years=1).startswith(
        "design flood of the year, once in 10 years, from 1 year of daily means: "
    )
    assert label().startswith("design flood, once in 10 years: ")


def test_the_range_of_an_invaders_passability_is_printed_where_it_matters(model, one):
    def drawn(low, high, **more):
        mine = (model.passage["site"] == one.site) & (model.passage["species"] == "lamprey")
        table = model.passage.copy()
        table.loc[mine, ["passability", "p_low", "p_high"]] = 0.3, low, high
        for name, value in more.items():
            table.loc[mine, name] = value
        return " ".join(said(draw_passage(dataclasses.replace(model, passage=table), one)).split())

    assert "Of its run 30 % gets past, 1 % to 68 % of it by the estimate of the tailwater." in drawn(0.01, 0.68)
    assert "Sea lamprey: of its run 30 % gets past, 1 %" in drawn(0.01, 0.68, design_drop_m=math.nan)
    assert "gets past, " not in drawn(0.28, 0.32)


def test_no_design_check_is_printed_for_those_that_leap_or_without_a_table(model, one):
    bare = dataclasses.replace(model, passage=None)
    drawn = said(draw_passage(bare, dataclasses.replace(one, required=dict.fromkeys(one.required, math.nan))))
    assert "design flood (" not in drawn
    assert "or more stops" not in drawn
    assert "no longer stops" not in drawn
    assert "drown people" in drawn


def test_what_is_not_known_is_said(model, one):
    days, points = len(one.day), len(one.curve_q)
    unknown = dataclasses.replace(
        one, discharge=np.full(days, np.nan), curve_drop=np.full(points, np.nan), design_q=math.nan,
        run=dict.fromkeys(one.run, np.zeros(days)), rank=None, name="", kind="",
    )  # fmt: skip
    text = said(draw_passage(model, unknown))
    for wanted in ("Flows are not known.", "The drop is not known.", "no run in 2016", "no action here is worth doing"):
        assert wanted in text
    assert one.site in text
    shut = dataclasses.replace(one, curve_drop=np.full(points, math.inf))
    assert "No water gets past the shut gate: there is no drop." in said(draw_passage(model, shut))
    none = np.array([], dtype="datetime64[D]")
    gone = dict.fromkeys(one.run, np.array([]))
    empty = dataclasses.replace(
        unknown, day=none, discharge=np.array([]), run=gone, open=dict.fromkeys(one.open, np.array([], dtype=bool)),
        curve_q=np.array([]), curve_drop=np.array([]), curve_low=np.array([]), curve_high=np.array([]),
    )  # fmt: skip
    assert "Flows are not known." in said(draw_passage(model, empty))
    part = dataclasses.replace(one, discharge=np.where(np.arange(days) % 3, one.discharge, np.nan), design_q=math.nan)
    assert "design flood, once" not in said(draw_passage(model, part))


def test_a_culvert_has_its_own_words(model):
    culvert = site_passage(model, 1, model.passage, perched=True)
    text = said(draw_passage(model, culvert))
    assert "Perch of the outlet, against flow" in text
    assert "Culvert, site S0002" in text
    assert "crest to tailwater" not in text


def test_user_text_is_taken_as_it_is(small_model):
    hostile = with_passage(small_model(hostile=True, n_reaches=60, n_sites=12))
    odd = dataclasses.replace(hostile.site_passages[0], name="$x^2$ \\frac " + "W" * 80, kind="$\\alpha$")
    drawn = draw_passage(hostile, odd)
    FigureCanvasAgg(drawn).draw()
    assert "$x^2$ \\frac W" in said(drawn)
    FigureCanvasAgg(draw_season(hostile, hostile.seasons[0])).draw()


# --- A seasonal crest ---


def test_dates_in_words():
    assert date_words(1, 31) == "1 Jan – 31 Jan"
    assert date_words(60, 61) == "29 Feb – 1 Mar"  # of a leap year
    assert date_words(320, 20) == "15 Nov – 20 Jan"
    assert date_words(1, 366) == date_words(100, 99) == date_words(-1, -1) == "always up"
    assert date_words(0, 0) == "never up"
    assert date_words(366, 366) == "31 Dec – 31 Dec"


def test_the_trade_curve_shows_front_and_choice(model):
    trade = model.seasons[0]
    axes = draw_season(model, trade).axes[0]
    points = axes.collections[0].get_offsets()
    np.testing.assert_allclose(points, np.column_stack([trade.p_invader, trade.p_native]))
    front = next(a for a in axes.lines if a.get_marker() == "o")
    wanted = sorted(zip(trade.p_invader[trade.front], trade.p_native[trade.front], strict=True))
    np.testing.assert_allclose(list(zip(*front.get_data(), strict=True)), wanted)
    np.testing.assert_allclose(
        axes.collections[1].get_offsets(), [[trade.p_invader[trade.best], trade.p_native[trade.best]]]
    )
    text = said(axes.figure)
    chosen = date_words(int(trade.up[trade.best]), int(trade.down[trade.best]))
    assert f"the dates chosen: {chosen}" in text
    assert chosen in [t.get_text() for t in axes.texts]
    assert " ".join(trade.words.split()) in " ".join(text.split())
    assert season_words(trade, dict.fromkeys(("lamprey", "walleye"), "x")) not in text  # words that are given count
    assert "Passability for Sea lamprey (invader): less is better" in text
    for caution in short_cautions(["Seasonal crest"], changes=["seasonal"]):
        assert " ".join(caution.split()) in " ".join(text.split())


def test_the_trade_in_words(model):
    labels = {"lamprey": "Sea lamprey", "walleye": "Walleye"}
    trade = dataclasses.replace(
        season_trade(model, 0), up=np.array([-1, 100, 0]), down=np.array([-1, 150, 0]), best=1,
        p_invader=np.array([0.0, 0.022, 1.0]), p_native=np.array([0.1, 0.72, 0.93]), front=np.ones(3, dtype=bool),
        words="",
    )  # fmt: skip
    assert season_words(trade, labels) == (
        "Crest up 9 Apr – 29 May: 2.2 % of the run of Sea lamprey gets past, and 72 % of the run of Walleye. "
        "Were it always up, none and 10 % would. Were it never up, all and 93 % would."
    )
    still = season_words(dataclasses.replace(trade, best=0), labels)
    assert still.startswith("Crest always up: none of the run of Sea lamprey gets past")
    assert "Were it always" not in still
    assert season_words(dataclasses.replace(trade, best=-1), labels) == "No dates are chosen."
    drawn = " ".join(said(draw_season(model, trade)).split())
    assert season_words(trade, labels) in drawn


def test_close_lines_of_drops_share_one_label(model, one):
    near = dataclasses.replace(one, required={"lamprey": 0.45, "walleye": 0.3, "brook_trout": 0.28, "sturgeon": 0.28})
    _, _, curve = parts(draw_passage(model, near))
    labels = [t for t in curve.texts if "stops" in t.get_text()]
    assert [t.get_text() for t in labels] == [
        "0.45 m or more stops Sea lamprey", "0.30 m or more stops Walleye; 0.28 m Brook trout and Lake sturgeon",
    ]  # fmt: skip
    boxes = [t.get_window_extent() for t in curve.texts]
    for a, b in itertools.combinations(boxes, 2):
        assert min(min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)) <= 1.0


def test_a_trade_without_choice_or_with_little_on_it(model):
    trade = season_trade(model, 0)
    assert "the dates chosen" not in said(draw_season(model, dataclasses.replace(trade, best=-1)))
    single = dataclasses.replace(
        trade, p_invader=np.array([0.004]), p_native=np.array([0.0]), up=np.array([100]), down=np.array([150]),
        front=np.array([True]), best=0, words="",
    )  # fmt: skip
    axes = draw_season(model, single).axes[0]
    assert axes.get_xlim()[1] < 0.03  # small chances can be told apart
    assert "9 Apr – 29 May" in said(axes.figure)
