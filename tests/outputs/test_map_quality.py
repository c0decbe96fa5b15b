"""The map's second choice: how good the habitat is. What the page holds, and what a reader sees and does."""

from __future__ import annotations

import dataclasses
import io
import itertools
import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest
import shapely
from PIL import Image
from support.map_browser import Reader
from support.map_page import Decoded, read_significant, read_varints

from barrierrank.outputs.map import quality as page_quality
from barrierrank.outputs.map.encode import Package
from barrierrank.outputs.map.lines import encode_lines
from barrierrank.outputs.map.quality import add_quality, quality_bytes
from barrierrank.outputs.map.write import render_map
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.quality import LOOKS, NONE, STEPS, UNKNOWN, quality_codes


@pytest.fixture(scope="module")
def model(small_model: Callable[..., OutputModel]) -> OutputModel:
    return small_model(quality=True, seed=5, n_reaches=500, n_sites=60)


@pytest.fixture(scope="module")
def decoded(model: OutputModel) -> Decoded:
    return Decoded(render_map(model))


def in_page_order(decoded: Decoded, model: OutputModel):
    return model.reaches.set_index("source_id").loc[decoded.ids()]


# --- What the page holds ---


def test_codes_surveys_limits_and_gradients_come_back(decoded: Decoded, model: OutputModel) -> None:
    table = in_page_order(decoded, model)
    assert decoded.meta["quality"]["known"] == [True, True, True, False]
    words = decoded.section("limits").decode().split("\n")
    for k, look in enumerate(model.species[:3]):
        wanted = quality_codes(table[f"quality_{look.key}"].to_numpy())
        assert list(decoded.section(f"quality{k}")) == wanted.tolist()
        bits = np.unpackbits(np.frombuffer(decoded.section(f"surveyed{k}"), dtype=np.uint8))
        assert bits[: decoded.n].astype(bool).tolist() == table[f"surveyed_{look.key}"].tolist()
        limits = ["", *words]
        read = [limits[c] for c in read_varints(decoded.section(f"limit{k}"))]
        assert read == table[f"limited_by_{look.key}"].tolist()
    codes = read_varints(decoded.section("gradient"))
    shown = [read_significant(c) * decoded.meta["quality"]["gradient_unit"] for c in codes]
    np.testing.assert_allclose(shown, table["gradient"], rtol=0.051)  # two digits
    assert "quality3" not in decoded.meta["sections"]


def test_lengths_of_the_legend_add_up(decoded: Decoded, model: OutputModel) -> None:
    lengths = decoded.meta["quality"]["lengths"]
    total = model.reaches["length_m"].sum()
    for k, look in enumerate(model.species[:3]):
        codes = quality_codes(model.reaches[f"quality_{look.key}"].to_numpy())
        wanted = [model.reaches["length_m"][codes == c].sum() for c in range(len(LOOKS))]
        np.testing.assert_allclose(lengths[k], wanted, atol=0.5)
    assert lengths[3] == [round(total), 0, 0, 0, 0, 0, 0]


def test_without_quality_the_page_holds_nothing_of_it(small_model: Callable[..., OutputModel]) -> None:
    plain = small_model(seed=5, n_reaches=500, n_sites=60)
    page = render_map(plain)
    read = Decoded(page)
    assert "quality" not in read.meta
    assert not {s for s in read.meta["sections"] if s.startswith(("quality", "limit", "surveyed", "gradient"))}
    body = page[page.index("<body>") : page.index('<script type="application/json"')]
    for text in ('name="show"', "data-show", "data-step", "Habitat quality"):
        assert text not in body
    assert "How far can it get?" in body
    # a gradient alone is not a quality
    more = dataclasses.replace(plain, reaches=plain.reaches.assign(gradient=0.01, width_m=3.0))
    assert render_map(more) == page


def test_a_code_takes_less_than_half_a_byte_and_the_lines_make_room(model: OutputModel) -> None:
    package = Package()
    order = np.arange(len(model.reaches))
    add_quality(package, model, order)
    taken = sum(len(d) for n, d in package.sections.items() if n.startswith("quality"))
    assert taken < 0.5 * 3 * len(order)
    assert quality_bytes(model) == sum(map(len, package.sections.values()))
    roomy, tight = encode_lines(model.reaches), encode_lines(model.reaches, others=1_000_000_000)
    assert tight.tolerance_m >= roomy.tolerance_m
    again = encode_lines(model.reaches, others=0)
    assert again.tolerance_m == roomy.tolerance_m


def test_too_many_different_reasons_are_told_elsewhere(model: OutputModel, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_quality, "MOST_TEXTS", 5)
    reasons = [f"its depth is {i} m" if i % 3 else "its gravel" for i in range(len(model.reaches))]
    reasons[0], reasons[1], reasons[2] = "x" * 500, "line\nbreak", page_quality.TOLD
    reaches = model.reaches.assign(limited_by_lamprey=reasons)
    sections = page_quality.quality_sections(dataclasses.replace(model, reaches=reaches), np.arange(len(reaches)))
    words = sections["limits"].decode().split("\n")
    assert len(words) == 6
    assert words[-1] == page_quality.ELSEWHERE
    assert "its gravel" in words
    codes = read_varints(sections["limit0"])
    assert {words[c - 1] for c, r in zip(codes, reasons, strict=True) if r == "its gravel"} == {"its gravel"}
    assert words[codes[4] - 1] == page_quality.ELSEWHERE
    assert codes[2] == 0  # that a reach was surveyed is said anyway


def test_missing_parts_and_odd_gradients_are_not_known(model: OutputModel) -> None:
    n = len(model.reaches)
    drop = [c for c in model.reaches if str(c).startswith(("surveyed_", "limited_by_"))]
    gradient = np.full(n, 0.012345)
    gradient[:4] = np.nan, -0.001, np.inf, 0.0
    reaches = model.reaches.drop(columns=drop).assign(gradient=gradient)
    sections = page_quality.quality_sections(dataclasses.replace(model, reaches=reaches), np.arange(n))
    assert set(sections) == {"quality0", "quality1", "quality2", "gradient"}
    shown = [read_significant(c) for c in read_varints(sections["gradient"])]
    assert np.isnan(shown[:3]).all()
    assert shown[3:5] == [0.0, pytest.approx(12.0)]


def test_a_quality_out_of_range_is_refused(model: OutputModel) -> None:
    reaches = model.reaches.assign(quality_lamprey=1.5)
    with pytest.raises(ValueError, match="between 0 and 1"):
        render_map(dataclasses.replace(model, reaches=reaches))


# Machado, Oliveira & Fernandes 2009, IEEE TVCG 15(6):1291-1298, severity 1.0; from memory
EYES = {
    "usual": np.eye(3),
    "protan": np.array([[0.1523, 1.0526, -0.2049], [0.1145, 0.7863, 0.0992], [-0.0039, -0.0481, 1.0520]]),
    "deutan": np.array([[0.3673, 0.8606, -0.2280], [0.2801, 0.6725, 0.0475], [-0.0118, 0.0429, 0.9689]]),
    "tritan": np.array([[1.2555, -0.0767, -0.1788], [-0.0784, 0.9308, 0.1476], [0.0047, 0.6914, 0.3039]]),
}


@pytest.mark.parametrize("eyes", EYES)
def test_steps_go_from_light_to_dark_for_every_kind_of_colour_vision(eyes: str) -> None:
    def lightness(colour: str) -> float:
        """CIE L* of sRGB (IEC 61966-2-1)."""
        c = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        y = float(np.clip(EYES[eyes] @ linear, 0, 1) @ [0.2126, 0.7152, 0.0722])
        return 116 * y ** (1 / 3) - 16

    for pale, dark in itertools.pairwise(STEPS):
        assert lightness(pale.colour) - lightness(dark.colour) > 6
        assert dark.width > pale.width


# --- What a reader sees ---


@pytest.fixture(scope="module")
def opened(visit: Callable[..., Reader], model: OutputModel) -> Reader:
    return visit(model, "quality")


@pytest.fixture
def page(opened: Reader) -> Iterator[Reader]:
    """The page as it is when opened; others may have used the browser in between."""
    if opened.driver.current_url != opened.url:
        opened.driver.get(opened.url)
        opened.wait("return document.documentElement.dataset.ready")
    opened.one('input[name="show"][value="access"]').click()
    opened.reset()
    return opened


def show_quality(page: Reader) -> None:
    page.one('input[name="show"][value="quality"]').click()
    page.wait("return barrierrank.page.reaches._look === barrierrank.page.quality.look")
    page.wait_drawn()


def near(shot: np.ndarray, spot: tuple[float, float], colour: str) -> bool:
    x, y = round(spot[0]), round(spot[1])
    part = shot[max(y - 3, 0) : y + 4, max(x - 3, 0) : x + 4].reshape(-1, 3)
    wanted = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])
    return bool(len(part)) and bool((np.abs(part - wanted).sum(axis=1) < 70).any())


@pytest.mark.browser
def test_streams_have_the_colour_of_their_quality(page: Reader) -> None:
    page.js(
        "document.getElementById('legend').hidden = true;"
        "for (const p of ['pins', 'route']) barrierrank.page.map.getPane(p).style.display = 'none';"
    )
    try:
        show_quality(page)
        page.js("const m = barrierrank.page.map; m.setZoom(m.getZoom() + 1, { animate: false })")
        page.wait_drawn()
        time.sleep(0.3)  # tiles fade in
        frame = page.js(
            "const b = barrierrank.page.map.getContainer().getBoundingClientRect(); return [b.left, b.right]"
        )
        shot = np.asarray(Image.open(io.BytesIO(page.driver.get_screenshot_as_png())).convert("RGB")).astype(int)
        tries = dict.fromkeys(range(1, 6), 0)
        hits, wrong = dict(tries), 0
        quality = page.model.reaches["quality_lamprey"].to_numpy()
        middles = shapely.line_interpolate_point(page.model.reaches.geometry.to_numpy(), 0.5, normalized=True)
        for code, point in zip(quality_codes(quality), middles, strict=True):
            if code not in tries or tries[code] >= 15:
                continue
            spot = page.at(point.x, point.y)
            if frame[0] + 5 < spot[0] < frame[1] - 60 and 5 < spot[1] < len(shot) - 5:
                tries[code] += 1
                hits[code] += near(shot, spot, STEPS[code - 1].colour)
                wrong += near(shot, spot, STEPS[(code + 2) % 5].colour)
        assert min(tries.values()) >= 5
        assert all(hits[c] >= 0.85 * tries[c] for c in tries), (hits, tries)
        assert wrong <= 0.2 * sum(tries.values())
    finally:
        page.js(
            "document.getElementById('legend').hidden = false;"
            "for (const p of ['pins', 'route']) barrierrank.page.map.getPane(p).style.display = '';"
        )


@pytest.mark.browser
def test_the_legend_follows_the_choice(page: Reader) -> None:
    assert "Partly open" in page.text("#legend")
    assert "very good" not in page.text("#legend")
    assert "where it can breed" in page.text("#meaning")
    show_quality(page)
    told = page.text("#legend")
    assert "Partly open" not in told
    length = page.model.reaches["length_m"]
    codes = quality_codes(page.model.reaches["quality_lamprey"].to_numpy())
    for look in LOOKS:
        row = page.text(f'#legend [data-step="{look.code}"]')
        assert look.word in row
        assert look.figures in row
        assert f"{round(100 * length[codes == look.code].sum() / length.sum())} %" in row
    assert "How good the streams are for Sea lamprey" in page.text("#meaning")
    widths = [float(page.js(f"return document.querySelector('#legend [data-step=\"{s.code}\"] path')"
                            ".getAttribute('stroke-width')")) for s in STEPS]  # fmt: skip
    assert widths == sorted(widths)
    box = page.js("const l = document.getElementById('legend'); return [l.scrollWidth, l.clientWidth]")
    assert box[0] <= box[1]  # nothing runs out of it
    page.one('input[name="show"][value="access"]').click()
    assert "Partly open" in page.text("#legend")


@pytest.mark.browser
def test_the_choices_are_told_apart_and_switched_by_keys(page: Reader) -> None:
    groups = page.all(".masthead fieldset")
    assert [g.find_element("css selector", "legend").text for g in groups] == ["Species", "Show on the streams"]
    page.one('input[name="show"]:checked').send_keys("\ue014")  # arrow to the right
    page.wait("return barrierrank.page.what === 'quality'")
    assert page.js("return document.querySelectorAll('input[name=\"show\"]:checked').length") == 1
    page.one('input[name="species"][value="1"]').click()
    page.wait("return document.getElementById('meaning').textContent.includes('Walleye')")
    assert "How good" in page.text("#meaning")
    page.one('input[name="species"][value="3"]').click()
    page.wait("return document.getElementById('meaning').textContent.includes('sturgeon')")
    assert "No quality is worked out" in page.text("#meaning")
    assert "100 %" in page.text(f'#legend [data-step="{UNKNOWN}"]')


@pytest.mark.browser
def test_a_quick_change_of_mind_shows_the_last_choice(page: Reader) -> None:
    page.js(
        "const p = barrierrank.page;"
        "p.showWhat('quality'); p.showSpecies(2); p.showWhat('access'); p.showSpecies(1)"
    )
    page.wait("return document.getElementById('meaning').textContent.includes('Walleye is a native')")
    assert page.js("return barrierrank.page.reaches._look !== barrierrank.page.quality.look")


@pytest.mark.browser
@pytest.mark.parametrize("case", ["surveyed", "modelled", "none", "unknown"])
def test_a_reach_tells_its_quality_and_why(page: Reader, decoded: Decoded, case: str) -> None:
    table = in_page_order(decoded, page.model)
    q, surveyed = table["quality_lamprey"], table["surveyed_lamprey"].to_numpy()
    codes = quality_codes(q.to_numpy())
    wanted = {
        "surveyed": surveyed & (codes == 3),
        "modelled": ~surveyed & (codes == 2),
        "none": codes == NONE,
        "unknown": codes == UNKNOWN,
    }[case]
    i = int(np.flatnonzero(wanted)[0])
    page.js("document.getElementById('panel-title').textContent = ''; barrierrank.page.chooseReach(arguments[0])", i)
    page.wait(f"return document.getElementById('panel-title').textContent === '{table.index[i]}'")
    row = page.text(".qualities li")
    look = LOOKS[codes[i]]
    assert "Sea lamprey" in row
    assert look.word in row
    assert look.figures in row or case == "none"
    reason = table["limited_by_lamprey"].iloc[i]
    assert reason
    assert (f"Why not known: {reason}." if case == "unknown" else f"Why not better: {reason}.") in row
    if case != "unknown":
        assert ("Modelled, not surveyed." in row) == (not surveyed[i])
        assert ("Surveyed." in row) == surveyed[i]
    assert len(page.all(".qualities li")) == 3  # the fourth species has no quality
    gradient = float(f"{table['gradient'].iloc[i] * 100:.2g}")
    assert f"Gradient\n{gradient:g} %" in page.panel()


@pytest.mark.browser
def test_hostile_reasons_stay_text(visit: Callable[..., Reader], small_model: Callable[..., OutputModel]) -> None:
    model = small_model(hostile=True, quality=True)
    page = visit(model, "hostile_quality")
    title = page.driver.title
    page.one('input[name="show"][value="quality"]').click()
    for i in range(0, 60, 3):
        page.js("barrierrank.page.chooseReach(arguments[0])", i)
        page.wait("return barrierrank.page.panel.isOpen")
    page.wait("return document.querySelector('.qualities')")
    time.sleep(0.2)
    assert page.driver.title == title
    assert page.js("return document.querySelectorAll('body img, svg[onload], b + *[onerror]').length") == 0
    assert [e["message"] for e in page.driver.get_log("browser") if e["level"] == "SEVERE"] == []
