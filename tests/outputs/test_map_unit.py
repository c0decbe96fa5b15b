"""The map page without a browser: codes read back by a second, plain reader; escaping; nothing to load."""

from __future__ import annotations

import base64
import copy
import dataclasses
import hashlib
import html
import json
import math
import re
import zlib
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType
from typing import Any

import folium
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from branca.element import JavascriptLink
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.outputs.map import encode, lines, render_map, write_map
from barrierrank.outputs.map import page as page_module
from barrierrank.outputs.map.escape import esc, script_json
from barrierrank.outputs.map.page import OWN_SCRIPTS, OWN_STYLES, Data, SelfContainedPage, linked
from barrierrank.outputs.map.reach_layer import STATES
from barrierrank.outputs.map.sites import PURPOSES
from barrierrank.outputs.model import OutputModel

Build = Callable[..., OutputModel]
FOLDER = Path(encode.__file__).parent


# --- A plain reader of the page, written from the description of the codes alone ---


class Reader(HTMLParser):
    """Elements of the page with their attributes, and the text of scripts and styles."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.texts: list[tuple[str, dict[str, str], str]] = []
        self.open = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))
        self.open = True

    def handle_endtag(self, tag: str) -> None:  # noqa: ARG002
        self.open = False

    def handle_data(self, data: str) -> None:
        if self.open:
            tag, attributes = self.elements[-1]
            self.texts.append((tag, attributes, data))

    def inside(self, tag: str, **wanted: str) -> list[str]:
        """Texts of elements of one kind."""
        return [t for g, a, t in self.texts if g == tag and wanted.items() <= a.items()]


def read_varints(data: bytes) -> list[int]:
    out, value, shift = [], 0, 0
    for byte in data:
        value |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            out.append(value)
            value = shift = 0
    return out


def unfold(code: int) -> int:
    return code // 2 if code % 2 == 0 else -(code + 1) // 2


def read_significant(code: int) -> float:
    return math.nan if code == 0 else ((code - 1) % 1000) * 10.0 ** ((code - 1) // 1000 - 3)


class Decoded:
    """Everything in a page's package."""

    def __init__(self, page: str) -> None:
        reader = Reader(page)
        self.meta = json.loads("".join(reader.inside("script", id="meta")))
        self.bytes = base64.b64decode("".join(reader.inside("script", id="package")), validate=True)
        self.n: int = self.meta["reaches"]["n"]
        self.down = [i - d if d else -1 for i, d in enumerate(read_varints(self.section("down")))]

    def section(self, name: str) -> bytes:
        at, length = self.meta["sections"][name]
        return zlib.decompress(self.bytes[at : at + length])

    def json(self, name: str) -> Any:
        return json.loads(self.section(name))

    def ids(self) -> list[str]:
        data = self.section("source")
        if self.meta["reaches"]["source"] == "lines":
            return data.decode().split("\n")
        return [str(v) for v in np.cumsum([unfold(c) for c in read_varints(data)])]

    def lines(self) -> list[np.ndarray]:
        """Lines in pixels of the page's zoom, from foot to head."""
        counts = read_varints(self.section("count"))
        steps = [[unfold(c) for c in read_varints(self.section(s))] for s in "xy"]
        out: list[np.ndarray] = []
        at, outlet = 0, np.zeros(2)
        for i, count in enumerate(counts):
            piece = np.array([s[at : at + count] for s in steps], dtype=float).T
            at += count
            start = out[self.down[i]][-1] if self.down[i] >= 0 else outlet
            line = start + np.cumsum(piece, axis=0)
            if self.down[i] < 0:
                outlet = line[0]
            out.append(line)
        return out

    def ground(self) -> list[np.ndarray]:
        """Lines in web Mercator metres."""
        r = self.meta["reaches"]
        size = 256 * 2 ** r["zoom"]
        world = 2 * math.pi * 6378137.0
        return [
            np.column_stack(
                [((p[:, 0] + r["x0"]) / size - 0.5) * world, (0.5 - (p[:, 1] + r["y0"]) / size) * world]
            )
            for p in self.lines()
        ]

    def shares(self, name: str) -> list[float]:
        codes: list[int] = []
        for i, c in enumerate(read_varints(self.section(name))):
            codes.append(unfold(c) + (codes[self.down[i]] if self.down[i] >= 0 else 0))
        return [math.nan if c == 0 else (c - 1) / 1000 for c in codes]


# --- Codes ---


@given(st.lists(st.integers(-(2**60), 2**60), max_size=60))
def test_differences_read_back_equal(values: list[int]) -> None:
    data = encode.varints(encode.deltas(np.array(values, dtype=np.int64)))
    assert np.cumsum([unfold(c) for c in read_varints(data)]).tolist() == values


def test_varints_by_hand() -> None:
    # 300 = 0b10_0101100: low seven bits 0101100 with the high bit set, then 10.
    assert encode.varints(np.array([0, 127, 128, 300])) == bytes([0, 127, 0x80, 1, 0xAC, 2])
    assert encode.zigzag(np.array([0, -1, 1, -2, 2])).tolist() == [0, 1, 2, 3, 4]


def test_varints_refuse_negative_values() -> None:
    with pytest.raises(ValueError, match="values of 0 or more, got -3"):
        encode.varints(np.array([1, -3]))


@given(st.lists(st.floats(0, 1e12) | st.just(math.nan), min_size=1, max_size=30))
def test_three_digits_are_kept(values: list[float]) -> None:
    codes = encode.significant(np.array(values))
    assert codes.max() < 2**16  # the page reads them into sixteen bits
    for value, code in zip(values, codes.tolist(), strict=True):
        back = read_significant(code)
        if math.isnan(value):
            assert math.isnan(back)
        else:
            assert abs(back - value) <= max(0.0005, 0.00501 * value) * (1 + 1e-9)


def test_three_digits_carry_over_a_power_of_ten() -> None:
    given_, wanted = [999.4, 999.6, 0.9996, 123456.0, 0.0], [999, 1000, 1.0, 123000, 0]
    assert [read_significant(c) for c in encode.significant(np.array(given_))] == pytest.approx(wanted)


@pytest.mark.parametrize("bad", [-1.0, math.inf])
def test_three_digits_refuse_what_they_cannot_hold(bad: float) -> None:
    with pytest.raises(ValueError, match="finite numbers of 0 or more"):
        encode.significant(np.array([1.0, bad]))


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_shares_are_kept_and_never_rounded_to_none_or_all(values: list[float]) -> None:
    back = (encode.share(np.array(values)) - 1) / 1000
    for value, read in zip(values, back, strict=True):
        assert abs(read - value) <= 0.001
        if 1e-9 <= value <= 1 - 1e-9:
            assert 0 < read < 1


def test_shares_outside_nought_to_one_are_refused() -> None:
    assert encode.share(np.array([1 + 1e-12, -1e-12, math.nan])).tolist() == [1001, 1, 0]
    with pytest.raises(ValueError, match="shares lie between 0 and 1"):
        encode.share(np.array([1.1]))


@pytest.mark.parametrize(
    ("texts", "kind"),
    [
        (["12", "5", "0", "10000200003412"], "numbers"),
        (["12", "007"], "lines"),
        (["a", "", "ß €"], "lines"),
        (["²", "1"], "lines"),  # a digit to str.isdigit, but no number
        ([], "numbers"),
    ],
)
def test_ids_read_back_equal(texts: list[str], kind: str) -> None:
    found, data = encode.ids(texts)
    assert found == kind
    if kind == "lines":
        assert data.decode().split("\n") == texts
    else:
        assert [str(v) for v in np.cumsum([unfold(c) for c in read_varints(data)])] == texts


def test_sections_need_different_names() -> None:
    package = encode.Package()
    package.add("a", b"1")
    with pytest.raises(KeyError, match="section a is there already"):
        package.add("a", b"2")


# --- The walk up the tree ---


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 40).flatmap(lambda n: st.lists(st.integers(-1, n - 1), min_size=n, max_size=n)))
def test_walk_visits_all_once_each_after_the_one_below(to: list[int]) -> None:
    """Any pointers at all, circles among them."""
    n = len(to)
    table = gpd.GeoDataFrame(
        {
            "reach": np.arange(n) * 7 + 3,
            "downstream": pd.array([pd.NA if t < 0 else t * 7 + 3 for t in to], dtype="Int64"),
        },
        geometry=[shapely.LineString([(i, i % 3), (i + 1, 5)]) for i in range(n)],
        crs="EPSG:32625",
    )
    order, down = lines.up_the_tree(table)
    assert sorted(order.tolist()) == list(range(n))
    for i, d in enumerate(down.tolist()):
        assert d < i
        if d >= 0:
            assert to[order[i]] == order[d]
    circling = _circling(to)
    assert {int(order[i]) for i in range(n) if down[i] < 0} >= {i for i in range(n) if to[i] < 0}
    if not circling:
        assert all(to[order[i]] < 0 for i in range(n) if down[i] < 0)


def _circling(to: list[int]) -> bool:
    for start in range(len(to)):
        at, steps = start, 0
        while at >= 0 and steps <= len(to):
            at, steps = to[at], steps + 1
        if at >= 0:
            return True
    return False


def test_a_long_chain_and_a_comb_are_walked_without_recursion() -> None:
    n = 200_000
    chain = np.arange(n, dtype=np.int64) - 1
    upwards = lines.from_the_outlets(chain)
    assert upwards.tolist() == list(range(n))
    size = lines.sizes_above(chain, upwards)
    assert size[0] == n
    assert lines.first_visits(chain, upwards, size).tolist() == list(range(n))


# --- Lines in the page ---


@pytest.mark.parametrize("n", [3, 40, 900])
def test_lines_stay_within_the_tolerance_told(small_model: Build, n: int) -> None:
    model = small_model(n_reaches=n, n_sites=5, seed=n)
    page = Decoded(render_map(model))
    r = page.meta["reaches"]
    pixel = 2 * math.pi * 6378137.0 / (256 * 2 ** r["zoom"])
    by_id = dict(zip(page.ids(), page.ground(), strict=True))
    web = model.reaches.to_crs("EPSG:3857")
    stretch = float(np.cosh(web.geometry.iloc[0].coords[0][1] / 6378137.0))  # Mercator's, metres to metres
    for source, line in zip(web["source_id"], web.geometry, strict=True):
        drawn = shapely.LineString(by_id[source][::-1])  # the page writes from foot to head
        allowed = (r["tolerance_m"] * stretch + pixel) * 1.02
        assert shapely.hausdorff_distance(drawn, line) <= allowed
        assert np.hypot(*(np.array(drawn.coords[0]) - line.coords[0])) <= pixel


def test_each_line_starts_where_the_one_below_ends(small_model: Build) -> None:
    model = small_model(n_reaches=400, n_sites=5)
    page = Decoded(render_map(model))
    drawn, ids = page.lines(), page.ids()
    below = dict(zip(model.reaches["source_id"], model.reaches["downstream"], strict=True))
    name = dict(zip(model.reaches["reach"], model.reaches["source_id"], strict=True))
    for i, source in enumerate(ids):
        if page.down[i] < 0:
            assert pd.isna(below[source])
        else:
            assert ids[page.down[i]] == name[below[source]]
            assert (drawn[i][0] == drawn[page.down[i]][-1]).all()


def test_coarser_lines_where_there_are_many(small_model: Build, monkeypatch: pytest.MonkeyPatch) -> None:
    model = small_model(n_reaches=300, n_sites=5)
    fine = lines.encode_lines(model.reaches)
    monkeypatch.setattr(lines, "FIXED_BYTES", 0)
    coarse = lines.encode_lines(model.reaches)
    assert fine.tolerance_m == 1.0
    assert coarse.tolerance_m > 5
    assert coarse.plane.zoom < fine.plane.zoom == 17
    assert sum(map(len, coarse.sections().values())) < sum(map(len, fine.sections().values())) / 2


def test_a_basin_across_the_180th_meridian_stays_whole() -> None:
    west, east = (
        shapely.LineString([(179.9, 60), (179.99, 60.01)]),
        shapely.LineString([(179.99, 60.01), (-179.9, 60)]),
    )
    local = "+proj=tmerc +lat_0=60 +lon_0=180 +ellps=WGS84 +units=m"
    table = gpd.GeoDataFrame(
        {"reach": [1, 2], "downstream": pd.array([2, pd.NA], dtype="Int64")},
        geometry=[west, east],
        crs="EPSG:4326",
    ).to_crs(local)
    found = lines.encode_lines(table)
    web = lines.to_web(shapely.get_coordinates(table.geometry.array), table.crs)
    degrees = found.plane.degrees(web)[:, 0]
    assert np.ptp(degrees) == pytest.approx(0.2, abs=1e-6)
    assert np.ptp(found.xy[:, 0]) < 0.3 / 360 * 256 * 2**found.plane.zoom


def test_numbers_of_reaches_are_those_of_the_table(small_model: Build) -> None:
    model = small_model(n_reaches=200, n_sites=30)
    page = Decoded(render_map(model))
    table = model.reaches.set_index("source_id").loc[page.ids()]
    assert list(page.section("strahler")) == table["strahler"].tolist()
    for name, column in (("length", table["length_m"]), ("upstream", table["upstream_km"] * 1000)):
        back = [read_significant(c) for c in read_varints(page.section(name))]
        assert back == pytest.approx(column.tolist(), rel=0.0051)
    for k, look in enumerate(model.species):
        back = [read_significant(c) for c in read_varints(page.section(f"habitat{k}"))]
        assert back == pytest.approx(table[f"habitat_{look.key}"].tolist(), rel=0.0051, abs=0.0005)
        assert page.shares(f"access{k}") == pytest.approx(table[f"access_{look.key}"].tolist(), abs=0.001)
        assert [STATES[c] for c in page.section(f"state{k}")] == table[f"state_{look.key}"].tolist()
        told = dict(zip(STATES, page.meta["lengths"][k], strict=True))
        for state, part in table.groupby(f"state_{look.key}"):
            assert told[str(state)] == pytest.approx(part["length_m"].sum(), abs=0.5)


def test_sites_and_actions_are_those_of_the_tables(small_model: Build) -> None:
    model = small_model(n_reaches=200, n_sites=30)
    page = Decoded(render_map(model))
    sites, actions = page.json("sites"), page.json("actions")
    assert sites["id"] == model.sites["site"].tolist()
    assert sites["rank"] == [None if pd.isna(r) else r for r in model.sites["best_rank"]]
    degrees = model.sites.to_crs("EPSG:4326").geometry
    assert np.array(sites["lon"]) / 1e5 == pytest.approx(degrees.x.to_numpy(), abs=1e-5)
    assert np.array(sites["lat"]) / 1e5 == pytest.approx(degrees.y.to_numpy(), abs=1e-5)
    source = dict(zip(model.reaches["reach"], model.reaches["source_id"], strict=True))
    assert [page.ids()[r] for r in sites["reach"]] == [source[r] for r in model.sites["reach"]]
    assert [sites["id"][s] for s in actions["site"]] == model.priority["site"].tolist()
    assert [PURPOSES[p] for p in actions["purpose"]] == model.priority["purpose"].tolist()
    for name, column in (("net", "net_benefit"), ("per_cost", "benefit_per_cost"), ("gain0", "gain_lamprey")):
        assert actions[name] == pytest.approx(model.priority[column].tolist(), rel=0.0051)
    assert [bool(w) for w in actions["worth"]] == (model.priority["net_benefit"] > 0).tolist()


def test_points_have_no_net_benefit(small_model: Build) -> None:
    model = small_model(currency=None)
    actions = Decoded(render_map(model)).json("actions")
    assert set(actions["net"]) == {None}
    assert [bool(w) for w in actions["worth"]] == (model.priority["benefit"] > 0).tolist()


# --- Escaping ---


@given(st.text())
def test_escaped_text_is_shown_as_given(text: str) -> None:
    escaped = esc(text)
    shown = "".join(c if c.isprintable() or c in "\n\u00ad" else " " for c in text)
    assert html.unescape(escaped) == shown
    bare = re.sub(r"&(#\d+|#x[0-9a-fA-F]+|[a-z]+);", "", escaped)
    assert not set(bare) & set("<>&\"'`\\${}")


def test_every_hostile_text_is_made_harmless(model_fixture: ModuleType) -> None:
    for text in model_fixture.HOSTILE:
        assert not set("<>\"'`\\${}") & set(esc(text)), text


@given(
    st.recursive(
        st.none() | st.integers() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    )
)
def test_json_for_scripts_reads_back_equal_and_cannot_end_its_element(value: Any) -> None:
    text = script_json(value)
    assert json.loads(text) == value
    assert not set("<>&\u2028\u2029") & set(text)


# --- The page ---


def test_page_loads_nothing_from_anywhere(small_model: Build) -> None:
    reader = Reader(render_map(small_model()))
    for tag, attributes in reader.elements:
        loading = {"src", "srcset", "data", "poster", "action", "background", "style"} & set(attributes)
        assert not loading, (tag, attributes)
        assert not any(name.startswith("on") for name in attributes)
        if "href" in attributes:
            assert attributes["href"].startswith("#"), (tag, attributes)
        assert tag not in {"link", "iframe", "object", "embed", "base"}
    for style in reader.inside("style"):
        assert "@import" not in style
        assert all(url.startswith("data:") for url in re.findall(r"url\(\s*['\"]?([^)'\"]+)", style))


def test_policy_names_exactly_the_scripts_and_styles_of_the_page(small_model: Build) -> None:
    page = render_map(small_model())
    rules = _policy(page)
    assert rules["default-src"] == {"'none'"}
    assert rules["img-src"] == {"data:"}
    assert rules["base-uri"] == rules["form-action"] == {"'none'"}
    for tag in ("script", "style"):
        blocks = re.findall(rf"<{tag}>(.*?)</{tag}>", page, re.DOTALL)
        hashes = {
            f"'sha256-{base64.b64encode(hashlib.sha256(b.encode()).digest()).decode()}'" for b in blocks
        }
        assert rules[f"{tag}-src"] == hashes
        assert len(blocks) >= 2


def test_policy_opens_pictures_of_base_maps_only_where_asked_for(small_model: Build) -> None:
    model = small_model()
    assert "tile" not in re.sub(r"leaflet-tile\S*", "", str(_policy(render_map(model))))
    page = render_map(model, online_base=True)
    rules = _policy(page)
    hosts = rules["img-src"] - {"data:"}
    assert len(hosts) == 2
    assert all(re.fullmatch(r"https://[\w.-]+", h) for h in hosts)
    assert rules["default-src"] == {"'none'"}
    reader = Reader(page)
    chosen = [
        a["value"] for t, a in reader.elements if t == "input" and a.get("name") == "base" and "checked" in a
    ]
    assert chosen == ["plain"]
    assert "tile_layer_base0.addTo(" not in page


def _policy(page: str) -> dict[str, set[str]]:
    metas = [a for t, a in Reader(page).elements if t == "meta"]
    (text,) = [a["content"] for a in metas if a.get("http-equiv") == "Content-Security-Policy"]
    rules = (rule.split(" ") for rule in text.split("; "))
    return {name: set(values) for name, *values in rules}


def test_page_says_its_language_and_lets_people_zoom(small_model: Build) -> None:
    elements = Reader(render_map(small_model())).elements
    assert ("html", {"lang": "en"}) in elements
    viewports = [a["content"] for t, a in elements if t == "meta" and a.get("name") == "viewport"]
    assert viewports == ["width=device-width, initial-scale=1"]
    labelled = {a["for"] for t, a in elements if t == "label" and "for" in a}
    assert not labelled  # every field stands inside its label


def test_licence_notices_are_kept_and_source_maps_are_not_asked_for(small_model: Build) -> None:
    page = render_map(small_model())
    folder = linked("leaflet", "")
    notice = re.match(r"/\*.*?\*/", folder, re.DOTALL)
    assert notice is not None
    assert "Vladimir Agafonkin" in notice[0]
    assert page.count(notice[0]) == 2  # over the script and over the style
    assert "sourceMappingURL" not in page


def test_page_refuses_a_script_it_does_not_know() -> None:
    page = SelfContainedPage(title="t", frame="<!--map-->", data=[])
    folium.Map(tiles=None).add_to(page)
    page.header.add_child(JavascriptLink("https://scripts.example.org/extra.js"), name="extra")
    with pytest.raises(ValueError, match=r"wants to load extra from https://scripts\.example\.org/extra\.js"):
        page.render()


def test_page_refuses_a_text_that_would_end_its_element() -> None:
    page = SelfContainedPage(title="t", frame="<!--map-->", data=[Data("d", "text/plain", "a")])
    assert '<script type="text/plain" id="d">a</script>' in page.render()
    with pytest.raises(ValueError, match="would end it early"):
        page_module._inline("</SCRIPT >", "script")


def test_hostile_text_adds_no_element_and_no_attribute(small_model: Build) -> None:
    calm, hostile = small_model(), small_model(hostile=True)
    plain, given_ = Reader(render_map(calm)), Reader(render_map(hostile))
    shape = [(t, sorted(a)) for t, a in plain.elements]
    assert [(t, sorted(a)) for t, a in given_.elements] == shape
    assert given_.inside("title") == [f"{hostile.basin}: barriers ranked"]
    assert hostile.basin in given_.inside("h1")
    labels = given_.inside("span")
    assert all(any(s.label.replace("\u2028", " ") in text for text in labels) for s in hostile.species)


def test_hostile_text_stays_out_of_the_clear_text_of_scripts(
    small_model: Build, model_fixture: ModuleType
) -> None:
    page = render_map(small_model(hostile=True))
    scripts = "".join(re.findall(r"<script>(.*?)</script>", page, re.DOTALL))
    assert "owned" not in scripts
    decoded = Decoded(page)
    assert set(decoded.json("sites")["name"]) <= set(model_fixture.HOSTILE)


def test_same_results_give_the_same_page(small_model: Build, tmp_path: Path) -> None:
    write_map(tmp_path / "a.html", small_model())
    write_map(tmp_path / "b.html", small_model())
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()


def test_results_are_left_as_they_were(small_model: Build) -> None:
    model = small_model()
    before = copy.deepcopy(model)
    render_map(model)
    for name in ("reaches", "sites", "priority"):
        pd.testing.assert_frame_equal(getattr(model, name), getattr(before, name))


def test_order_of_rows_does_not_change_the_lines(small_model: Build) -> None:
    model = small_model()
    turned = dataclasses.replace(model, reaches=model.reaches.sample(frac=1, random_state=3))
    one, other = Decoded(render_map(model)), Decoded(render_map(turned))
    lines_of = [dict(zip(d.ids(), (p.tolist() for p in d.lines()), strict=True)) for d in (one, other)]
    assert lines_of[0] == lines_of[1]


@pytest.mark.parametrize("n", [0, 1])
def test_no_sites_or_a_single_reach(small_model: Build, n: int) -> None:
    model = small_model(receiving=False)
    bare = dataclasses.replace(
        model,
        sites=model.sites.iloc[:0],
        priority=model.priority.iloc[:0],
        reaches=model.reaches.iloc[: n or None],
    )
    page = Decoded(render_map(bare))
    assert page.json("sites")["id"] == []
    assert page.json("water") == []
    assert page.n == len(bare.reaches)


def test_missing_numbers_are_told_as_missing(small_model: Build) -> None:
    model = small_model()
    reaches, sites, priority = model.reaches.copy(), model.sites.copy(), model.priority.copy()
    reaches.loc[reaches.index[0], ["upstream_km", "access_lamprey", "habitat_walleye"]] = np.nan
    sites.loc[sites.index[0], ["passability_lamprey", "upstream_km"]] = np.nan
    priority.loc[priority.index[0], "cost"] = np.nan
    page = Decoded(render_map(dataclasses.replace(model, reaches=reaches, sites=sites, priority=priority)))
    at = page.ids().index(reaches["source_id"].iloc[0])
    assert math.isnan(read_significant(read_varints(page.section("upstream"))[at]))
    assert math.isnan(read_significant(read_varints(page.section("habitat1"))[at]))
    assert math.isnan(page.shares("access0")[at])
    assert page.json("sites")["passability0"][0] is None
    assert page.json("actions")["cost"][0] is None


def test_tables_that_disagree_are_refused(small_model: Build) -> None:
    model = small_model()
    with pytest.raises(ValueError, match="names sites that are not in the table of sites: S0999"):
        render_map(dataclasses.replace(model, priority=model.priority.assign(site="S0999")))
    with pytest.raises(ValueError, match=r"purposes are keep out.*given: 'tidy'"):
        render_map(dataclasses.replace(model, priority=model.priority.assign(purpose="tidy")))
    with pytest.raises(ValueError, match=r"states of reaches are none.*given: 'shut'"):
        render_map(dataclasses.replace(model, reaches=model.reaches.assign(state_walleye="shut")))


def test_cautions_and_way_of_ranking_are_in_the_page(small_model: Build) -> None:
    model = small_model()
    text = html.unescape(re.sub(r"<[^>]+>", " ", render_map(model).split("</style></head>")[-1]))
    for sentence in (*model.cautions, model.ranked_by, "planning-level"):
        assert sentence in text


def test_own_scripts_never_read_text_as_markup_or_code() -> None:
    for name in (*OWN_SCRIPTS, *OWN_STYLES):
        text = (FOLDER / name).read_text(encoding="utf-8")
        for word in (
            "innerHTML",
            "outerHTML",
            "insertAdjacentHTML",
            "document.write",
            "eval(",
            "new Function",
            "http",
        ):
            assert word not in text, (name, word)
    assert {p.name for p in FOLDER.glob("*.js")} == set(OWN_SCRIPTS)
    assert {p.name for p in FOLDER.glob("*.css")} == set(OWN_STYLES)
