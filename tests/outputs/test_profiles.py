"""Pictures of the way up each main stem: which are drawn, what they show, and text as it is given."""

from __future__ import annotations

import dataclasses
import itertools

import matplotlib as mpl
import matplotlib.image
import numpy as np
import pytest
from matplotlib.colors import to_rgb

from barrierrank.outputs import bundle
from barrierrank.outputs.model import StemProfile, StemSite
from barrierrank.outputs.profiles import (
    MOST_STEMS,
    columns_of,
    draw_profile,
    slug,
    step_colour,
    write_profiles,
)
from barrierrank.outputs.quality import STEPS, UNKNOWN, quality_codes


@pytest.fixture(scope="module")
def model(small_model):
    return small_model(quality=True)


def stem_of(name="Test creek", length=1000.0, quality=None, sites=(), elevation=None):
    distance = np.array([0.0, length / 2, length / 2, length])
    height = np.array([100.0, 104.0, 104.0, 110.0]) if elevation is None else elevation
    return StemProfile(name, 1, distance, height, quality or {}, tuple(sites))


def strips(figure):
    """The axes of the strips, by the name of the species beside each."""
    return {a.texts[0].get_text(): a for a in figure.axes[1:]}


def colours_along(axes):
    return axes.images[0].get_array()[0]


# --- Which are written ---


def test_a_picture_for_each_stem_the_longest_first(model, tmp_path):
    paths = write_profiles(tmp_path, model)
    assert paths == sorted(tmp_path.glob("*"))
    lengths = sorted((p.distance_m[-1], slug(p.name)) for p in model.profiles)[::-1]
    assert [p.name for p in paths] == [f"profile_{i:02d}_{s}.png" for i, (_, s) in enumerate(lengths, start=1)]
    for path in paths:
        pixels = mpl.image.imread(path)[:, :, :3]
        assert pixels.shape[1] == 1760
        assert pixels.shape[0] > 900
        seen = {step.code: np.abs(pixels - to_rgb(step.colour)).max(axis=2).min() < 0.02 for step in STEPS}
        assert sum(seen.values()) == len(STEPS)


def test_no_more_than_the_twelve_longest_and_none_without_length(model, tmp_path):
    stems = [stem_of(f"Stem {i}", 100.0 + i) for i in range(15)]
    empty = StemProfile("Point", 1, np.zeros(2), np.zeros(2), {})
    paths = write_profiles(tmp_path, dataclasses.replace(model, profiles=(*stems, empty)))
    assert [p.name for p in paths] == [f"profile_{i:02d}_stem_{15 - i}.png" for i in range(1, MOST_STEMS + 1)]


def test_nothing_is_written_without_profiles(model, tmp_path):
    assert write_profiles(tmp_path, dataclasses.replace(model, profiles=())) == []
    assert list(tmp_path.iterdir()) == []


def test_equal_results_give_equal_pictures(model, tmp_path):
    one = dataclasses.replace(model, profiles=model.profiles[:1])
    (tmp_path / "b").mkdir()
    (a,), (b,) = write_profiles(tmp_path, one), write_profiles(tmp_path / "b", one)
    assert a.read_bytes() == b.read_bytes()


@pytest.mark.parametrize("name", ["../../etc/passwd", "", "CON", "a/b\\c", "Ünïcode Rivière", "川", "x" * 300, ".."])
def test_file_names_are_safe(name):
    made = slug(name)
    assert made == slug(made)
    assert 0 < len(made) <= 40
    assert bundle.is_ours(f"profile_01_{made}.png")


def test_names_of_pictures_are_told_from_files_of_others():
    assert bundle.is_ours("profile_12_stem.png")
    assert bundle.is_ours("profile_12_stem.png.aux.xml")
    for name in ("profile_dam.png", "profile_1.png", "profile_01_A.png", "profile_01_a.jpg", "my_profile_01_a.png"):
        assert not bundle.is_ours(name)


def test_the_bundle_holds_them_and_clears_those_of_the_run_before(model, tmp_path):
    out = tmp_path / "results"
    told = []
    one = dataclasses.replace(model, profiles=(stem_of("Old creek"),))
    bundle.write_bundle(out, one, progress=told.append)
    assert (out / "profile_01_old_creek.png").exists()
    assert "profile_<number>_<stem>.png" in told
    assert "profile_01_old_creek.png" in (out / "run.json").read_text()
    (out / "profile_dam.png").write_text("a photo of ours")
    told.clear()
    bundle.write_bundle(out, dataclasses.replace(model, profiles=()), progress=told.append)
    assert not (out / "profile_01_old_creek.png").exists()
    assert (out / "profile_dam.png").read_text() == "a photo of ours"
    assert not any("profile" in name for name in told)


# --- What they show ---


def test_quality_along_the_way(model):
    quality = {"lamprey": np.array([0.1, 0.1, 0.9, 0.9]), "walleye": np.array([np.nan, np.nan, 0.0, 0.0])}
    found = strips(draw_profile(model, stem_of(quality=quality)))
    assert list(found) == ["Sea lamprey", "Walleye"]  # in the order of the species, none without quality
    lamprey, walleye = (colours_along(a) for a in found.values())
    half = len(lamprey) // 2
    for part, colour in ((lamprey[: half - 1], STEPS[0].colour), (lamprey[half + 1 :], STEPS[4].colour)):
        np.testing.assert_allclose(part[:, :3], np.tile(to_rgb(colour), (len(part), 1)), atol=1e-6)
    assert (walleye[: half - 1, 3] == 0).all()  # the hatching shows through
    np.testing.assert_allclose(walleye[-1, :3], to_rgb(step_colour(6)), atol=1e-6)
    assert [p.get_hatch() for p in found["Walleye"].patches] == ["////"]


def test_columns_keep_steps():
    # 0 to 60 m: 0.2, then 1.0; ten columns of 10 m
    got = columns_of(np.array([0.0, 60.0, 60.0, 100.0]), np.array([0.2, 0.2, 1.0, 1.0]), 10)
    assert got.tolist() == [0.2] * 6 + [1.0] * 4
    got = columns_of(np.array([0.0, 50.0, 100.0]), np.array([np.nan, 0.5, 0.9]), 4)
    np.testing.assert_array_equal(got, [np.nan, np.nan, 0.5, 0.5])  # a value holds from its point on


def test_elevation_is_drawn_in_the_units_of_the_reader(model):
    for units, along, up in (("metric", 1000.0, 1.0), ("us", 1609.344, 0.3048)):
        stem = stem_of(length=5000.0)
        axes = draw_profile(dataclasses.replace(model, units=units), stem).axes[0]
        x, y = axes.lines[0].get_data()
        np.testing.assert_allclose(x, stem.distance_m / along)
        np.testing.assert_allclose(y, stem.elevation_m / up)
        assert {"metric": "[m]", "us": "[ft]"}[units] in axes.get_ylabel()
        assert {"metric": "[km]", "us": "[miles]"}[units] in axes.get_xlabel()


def test_unknown_elevations_leave_gaps_and_say_so(model):
    gap = np.array([100.0, np.nan, np.nan, 110.0])
    site = StemSite("S1", "Old weir", "weir", 500.0, np.nan, 3)
    draw_profile(model, stem_of(elevation=gap, sites=[site]))
    figure = draw_profile(model, stem_of(elevation=np.full(4, np.nan), sites=[site]))
    assert "Elevations are not known." in [t.get_text() for t in figure.axes[0].texts]


def names_of(figure):
    return [t for t in figure.axes[0].texts if "Weir" in t.get_text()]


def crowded(n):
    x = np.linspace(200, 800, n)
    return [
        StemSite(f"S{i}", f"Weir number {i}", "weir", float(x[i]), 104.0, i + 1 if i % 2 else None) for i in range(n)
    ]


@pytest.mark.parametrize("n", [3, 12, 60])
def test_names_do_not_overlap_and_ranks_stand_before_them(model, n):
    figure = draw_profile(model, stem_of(sites=crowded(n)))
    labels = names_of(figure)
    boxes = [t.get_window_extent() for t in labels]
    for a, b in itertools.combinations(boxes, 2):
        inside = min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)
        assert min(inside) <= 0.5
    frame = figure.axes[0].get_window_extent()
    assert all(frame.x0 <= b.x0 and b.x1 <= frame.x1 and frame.y0 <= b.y0 and b.y1 <= frame.y1 for b in boxes)
    texts = [t.get_text() for t in labels]
    assert "2. Weir number 1" in texts
    if n == 3:
        assert sorted(texts) == ["2. Weir number 1", "Weir number 0", "Weir number 2"]
    unnamed = n - len(labels)
    told = " ".join(t.get_text() for t in figure.texts)
    assert (f"{unnamed} without room for a name" in told) == (unnamed > 0)
    assert len(figure.axes[0].collections) >= n  # every site is marked


def test_user_text_is_taken_as_it_is_and_stays_on_the_sheet(model):
    site = StemSite("S1", "$x^2$ \\frac Weir", "weir", 500.0, 104.0, 1)
    stem = stem_of("$\\alpha$" + "W" * 80, sites=[site], quality={"lamprey": np.full(4, 0.5)})
    figure = draw_profile(model, stem)
    assert names_of(figure)[0].get_text() == "1. $x^2$ \\frac Weir"
    for text in figure.texts:
        assert text.get_window_extent().x1 <= figure.get_figwidth() * figure.dpi
    assert figure.texts  # title and key
    blank = draw_profile(model, stem_of(" \n"))
    assert any(t.get_text().startswith("Outlet 1") for t in blank.texts)


def test_hostile_names(small_model, tmp_path):
    model = small_model(quality=True, hostile=True, n_reaches=60, n_sites=12)
    paths = write_profiles(tmp_path, model)
    assert len(paths) == len([p for p in model.profiles if p.distance_m[-1] > 0])
    assert all(bundle.is_ours(p.name) for p in paths)


def test_strips_agree_with_the_reaches(model):
    stem = max(model.profiles, key=lambda p: p.distance_m[-1])
    drawn = colours_along(strips(draw_profile(model, stem))["Walleye"])
    codes = quality_codes(columns_of(stem.distance_m, stem.quality["walleye"], len(drawn)))
    assert ((drawn[:, 3] == 0) == (codes == UNKNOWN)).all()
