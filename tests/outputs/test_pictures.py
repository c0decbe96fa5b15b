"""The maps for reports: every state to be seen, names apart, user text as it is, the user's units."""

from __future__ import annotations

import dataclasses
import itertools
import math

import geopandas as gpd
import matplotlib as mpl
import matplotlib.image
import numpy as np
import pytest
import shapely
from matplotlib.collections import LineCollection

from barrierrank.outputs import pictures
from barrierrank.outputs.north import north_angle
from barrierrank.outputs.pictures import draw_map, marker_area, write_blocked_maps
from barrierrank.outputs.styles import STATE_LOOKS
from barrierrank.outputs.units import format_amount, format_length, format_money, scale_bar
from barrierrank.ranking import words


@pytest.fixture(scope="module")
def drawn(small_model, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pictures")
    model = small_model()
    return model, write_blocked_maps(folder, model)


def _pixels(path):
    return (mpl.image.imread(path)[:, :, :3] * 255).round().astype(int)


def _share_near(pixels, colour, within=12):
    wanted = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])
    return float((np.abs(pixels - wanted).max(axis=2) <= within).mean())


def test_a_picture_for_each_species_with_every_state_in_it(drawn):
    model, paths = drawn
    assert [p.name for p in paths] == [f"blocked_{s.key}.png" for s in model.species]
    for path, look in zip(paths, model.species, strict=True):
        pixels = _pixels(path)
        assert pixels.shape[0] > 800
        assert pixels.shape[1] > 1200
        head, foot = int(0.09 * pixels.shape[0]), int(0.87 * pixels.shape[0])
        here = pixels[head:foot]  # the map, not the legend
        for state in set(model.reaches[f"state_{look.key}"]):
            (state_look,) = [w for w in STATE_LOOKS if w.state == state]
            assert _share_near(here, state_look.colour) > 1e-4, (look.key, state)
        assert _share_near(here, "#DCE9F2") > 0.01  # the receiving water


def test_states_differ_without_colour():
    looks = {(w.width, w.dash) for w in STATE_LOOKS}
    assert len(looks) == len(STATE_LOOKS)
    dashes = {w.state: w.dash for w in STATE_LOOKS}
    assert dashes["open"] == ()
    assert len(set(dashes.values())) == 4


# Machado, Oliveira & Fernandes 2009, IEEE TVCG 15(6):1291-1298, severity 1.0; from memory
COLOUR_BLIND = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
    "usual": np.eye(3),
}


def _lab(linear):
    to_xyz = [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
    xyz = np.array(to_xyz) @ np.clip(linear, 0, 1) / [0.95047, 1.0, 1.08883]
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("eyes", COLOUR_BLIND)
def test_colours_of_the_states_stay_apart_for_every_kind_of_colour_vision(eyes):
    def seen(colour):
        c = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        return _lab(np.array(COLOUR_BLIND[eyes]) @ linear)

    for a, b in itertools.combinations(STATE_LOOKS, 2):
        assert np.linalg.norm(seen(a.colour) - seen(b.colour)) > 25, (a.state, b.state)  # 2.3 is just seen


def test_lines_are_drawn_whole_and_wider_with_order(small_model):
    model = small_model()
    figure = draw_map(model, model.species[0])
    lines = [c for c in figure.axes[0].collections if isinstance(c, LineCollection)]
    total = sum(np.hypot(*np.diff(s, axis=0).T).sum() for c in lines for s in c.get_segments())
    assert total == pytest.approx(model.reaches.length.sum(), rel=0.01)  # simplified to half a dot
    opened = [c for c in lines if c.get_linestyle()[0][1] is None]
    widths = [float(c.get_linewidth()[0]) for c in sorted(opened, key=lambda c: c.get_zorder())]
    assert widths == sorted(widths)
    assert len(set(widths)) > 1


def _labels(figure):
    return [t for t in figure.axes[0].texts if "\n" in t.get_text()]


def test_the_ten_largest_sites_are_named_and_names_do_not_overlap(small_model):
    model = small_model()
    look = model.species[0]
    figure = draw_map(model, look)
    labels = _labels(figure)
    largest = model.sites.nlargest(10, f"blocked_{look.key}")
    assert {t.get_text().split("\n")[0] for t in labels} == set(largest["name"])
    boxes = [t.get_window_extent() for t in labels]
    frame = figure.axes[0].get_window_extent()
    assert not [1 for a, b in itertools.combinations(boxes, 2) if a.overlaps(b)]
    assert all(frame.x0 <= b.x0 and b.x1 <= frame.x1 and frame.y0 <= b.y0 and b.y1 <= frame.y1 for b in boxes)


def test_circles_go_with_blocked_habitat():
    area = marker_area(np.array([0.0, 50.0, 100.0]), 100.0, floor=8.0)
    assert area[2] - area[0] == pytest.approx(2 * (area[1] - area[0]))


def test_words_on_the_map(small_model):
    model = small_model(units="us")
    figure = draw_map(model, model.species[0])
    words = [t.get_text() for t in figure.texts]
    assert "Where Sea lamprey can go, and what each site holds back" in words
    blocked = model.reaches.loc[model.reaches["state_lamprey"] == "blocked", "length_m"].sum()
    assert any(f"{format_length(blocked, 'us')} blocked" in w for w in words)
    assert any(t.get_text().endswith(" mi") for t in figure.axes[0].texts)
    assert any("planning" in w for w in words)


def test_user_text_is_never_taken_for_a_formula(small_model, tmp_path):
    model = small_model()
    model.sites["name"] = r"$\frac{1}{0}$ & \bad $x"
    species = (dataclasses.replace(model.species[0], label=r"$\undefined{$"),)
    model = dataclasses.replace(model, species=species, basin="$^$\n\x00北")
    (path,) = write_blocked_maps(tmp_path, model)
    assert path.stat().st_size > 10_000


@pytest.mark.parametrize("bare", ["no_sites", "nothing_blocked", "no_water", "one_reach"])
def test_sparse_results_can_be_drawn(small_model, tmp_path, bare):
    model = small_model(receiving=bare != "no_water")
    if bare == "no_sites":
        model = dataclasses.replace(model, sites=model.sites.iloc[:0])
    if bare == "nothing_blocked":
        model.sites["blocked_lamprey"] = 0.0
    if bare == "one_reach":
        model = dataclasses.replace(model, reaches=model.reaches.iloc[:1], sites=model.sites.iloc[:1])
    model = dataclasses.replace(model, species=model.species[:1])
    assert len(write_blocked_maps(tmp_path, model)) == 1


def test_many_sites_that_hold_nothing_back_are_left_out_and_told(small_model, monkeypatch):
    monkeypatch.setattr(pictures, "MOST_CROSSES", 3)
    model = small_model()
    nothing = int((model.sites["blocked_lamprey"] <= 0).sum())
    figure = draw_map(model, model.species[0])
    told = [t.get_text() for legend in figure.legends for t in legend.get_texts()]
    assert f"({nothing} that hold back nothing are not drawn)" in told


def test_pictures_leave_the_settings_of_the_caller_alone(small_model, tmp_path):
    before = dict(mpl.rcParams)
    model = small_model()
    write_blocked_maps(tmp_path, dataclasses.replace(model, species=model.species[:1]))
    assert dict(mpl.rcParams) == before


def test_same_results_give_the_same_picture(small_model, tmp_path):
    model = dataclasses.replace(small_model(), species=small_model().species[:1])
    (first,) = write_blocked_maps(tmp_path, model)
    raw = first.read_bytes()
    (second,) = write_blocked_maps(tmp_path, model)
    assert second.read_bytes() == raw


def test_north_is_where_the_grid_says():
    # on its central meridian a transverse Mercator grid points north; elsewhere it turns by about
    # (longitude difference) x sin(latitude): common practice (Snyder 1987, USGS PP 1395), from memory
    assert north_angle("EPSG:32625", (499_000, 5_199_000, 501_000, 5_201_000)) == pytest.approx(0, abs=1e-4)
    east = north_angle("EPSG:32625", (699_000, 5_199_000, 701_000, 5_201_000))
    point = gpd.GeoSeries([shapely.Point(700_000, 5_200_000)], crs="EPSG:32625").to_crs(4326)[0]
    assert east == pytest.approx(-math.radians(point.x + 33) * math.sin(math.radians(point.y)), rel=0.01)


@pytest.mark.parametrize("crs", ["EPSG:2048", "EPSG:4326", None])  # axes west and south; no plane; unknown
def test_no_arrow_where_the_map_is_not_north_up(crs):
    assert north_angle(crs, (0, 0, 1000, 1000)) is None


def test_no_arrow_where_north_turns_across_the_map():
    assert north_angle("EPSG:3995", (-2e6, -2e6, 2e6, 2e6)) is None  # around the pole


def test_amounts_are_worded_as_in_the_list():
    assert format_amount(12_345.0, "m", "metric") == words.lengths([12_345.0], units="metric")[0] == "12.3 km"
    assert format_amount(40_468.564224, "m2", "us") == "10 acres"
    assert format_money(12_345.6, "USD") == "USD 12,300"
    assert format_money(3.25, None) == "3.25 points"


def test_scale_bars():
    assert scale_bar(12_345, "metric") == (10_000, "10 km")
    length, label = scale_bar(12_345, "us")
    assert (round(length, 2), label) == (8046.72, "5 mi")
    with pytest.raises(ValueError, match="above 0 m"):
        scale_bar(0, "metric")
