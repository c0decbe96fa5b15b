"""What the map page carries in codes: read back by a second, plain reader and set against the tables."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from support.map_page import Decoded, read_significant, read_varints, unfold

from barrierrank.outputs.map import encode, lines, render_map
from barrierrank.outputs.map.reach_layer import STATES
from barrierrank.outputs.map.sites import PURPOSES
from barrierrank.outputs.model import OutputModel

Build = Callable[..., OutputModel]
FOLDER = Path(encode.__file__).parent


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
