"""The map page without a browser: escaping, nothing to load, missing numbers told."""

from __future__ import annotations

import base64
import copy
import dataclasses
import hashlib
import html
import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import folium
import numpy as np
import pandas as pd
import pytest
from branca.element import JavascriptLink
from hypothesis import given
from hypothesis import strategies as st
from support.map_page import Decoded, Reader, read_significant, read_varints

from barrierrank.outputs.map import encode, render_map, write_map
from barrierrank.outputs.map import page as page_module
from barrierrank.outputs.map.escape import esc, script_json
from barrierrank.outputs.map.page import OWN_SCRIPTS, OWN_STYLES, Data, SelfContainedPage, linked
from barrierrank.outputs.model import OutputModel

Build = Callable[..., OutputModel]
FOLDER = Path(encode.__file__).parent


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
