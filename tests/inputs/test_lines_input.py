"""Stream lines from disk: what arrives, column by column."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString, MultiLineString

from barrierrank.inputs.lines import LineTable, read_lines
from barrierrank.inputs.query import QueryError, evaluate_query, query_columns
from barrierrank.inputs.vector import drop_measures
from barrierrank.problems import InputError

TO_NODE = 'to_node = "b"\n'
EAST, NORTH = 500000.0, 4600000.0


def read(case: Any) -> LineTable:
    return read_lines(case.load(), case.problems)


def with_key(case: Any, key: str) -> Any:
    return case.edit(TO_NODE, f"{TO_NODE}{key}\n")


def test_sound_lines_arrive_as_they_are(case: Any) -> None:
    lines = read(case)
    assert len(lines) == 2
    assert lines.label == "streams.gpkg"
    assert lines.row.tolist() == [1, 2]
    assert lines.source_id.tolist() == ["1", "2"]
    assert lines.to_node is not None
    assert lines.from_node is not None
    assert lines.to_node[0] == lines.from_node[1]
    assert shapely.length(lines.geometry).tolist() == [1000.0, 1000.0]
    assert not lines.minor.any()
    assert not lines.leave_out.any()
    assert not lines.turned.any()
    assert lines.length_m is None
    assert lines.width_m is None
    assert lines.amounts == {}


def test_layers_are_brought_into_the_crs_of_the_basin_and_heights_kept(case: Any) -> None:
    utm = gpd.GeoSeries([LineString([(EAST, NORTH, 210.0), (EAST + 1000, NORTH, 200.0)])], crs="EPSG:32616")
    case.lines({}, list(utm.to_crs("EPSG:4326")), crs="EPSG:4326")
    lines = read(case)
    xyz = shapely.get_coordinates(lines.geometry, include_z=True)
    np.testing.assert_allclose(xyz, [[EAST, NORTH, 210.0], [EAST + 1000, NORTH, 200.0]], atol=1e-4)


def test_mixed_heights_multiparts_and_empty_geometry_pass_through(case: Any) -> None:
    flat = LineString([(EAST, NORTH), (EAST + 5, NORTH)])
    high = LineString([(EAST, NORTH, 3.0), (EAST + 5, NORTH, 1.0)])
    parts = MultiLineString([flat, LineString([(EAST + 9, NORTH), (EAST + 12, NORTH)])])
    case.lines({}, [flat, high, parts, None], name="streams.geojson")
    case.edit("streams.gpkg", "streams.geojson")
    lines = read(case)
    assert shapely.has_z(lines.geometry).tolist() == [False, True, False, False]
    assert lines.geometry[2].geom_type == "MultiLineString"
    assert lines.geometry[3] is None


def test_measures_are_dropped_and_heights_kept(case: Any) -> None:
    rows = [
        shapely.from_wkt(f"LINESTRING ZM ({EAST} {NORTH} 7 0, {EAST + 9} {NORTH} 6 100)"),
        shapely.from_wkt(f"LINESTRING M ({EAST} {NORTH} 0, {EAST + 9} {NORTH} 100)"),
    ]
    if not shapely.has_m(rows[0]):
        pytest.skip("this GEOS has no measures")
    out = drop_measures(np.array([*rows, None], dtype=object))
    assert [g.wkt if g else None for g in out] == [
        f"LINESTRING Z ({EAST:.0f} {NORTH:.0f} 7, {EAST + 9:.0f} {NORTH:.0f} 6)",
        f"LINESTRING ({EAST:.0f} {NORTH:.0f}, {EAST + 9:.0f} {NORTH:.0f})",
        None,
    ]


@pytest.mark.parametrize(
    ("start", "end", "expected"),
    [
        ([5, 7], [7, 9], ([0, 1], [1, 2])),
        ([5.0, 7.0], [7.0, None], ([0, 1], [1, -1])),
        (["p", "q"], ["q", " "], ([0, 1], [1, -1])),
        ([5, 7], ["7", "-9"], ([0, 1], [1, -1])),
        ([-9, -9999], [-9998, 4], ([-1, -1], [-1, 0])),
        ([2**62, 2**62 + 1], [2**62 + 1, 2**62 + 2], ([0, 1], [1, 2])),
    ],
    ids=[
        "integers",
        "floats with null",
        "texts",
        "integers and texts",
        "stand-ins",
        "beyond float precision",
    ],
)
def test_nodes_of_any_type_get_one_code_in_both_columns(
    case: Any, start: list[Any], end: list[Any], expected: tuple[list[int], list[int]]
) -> None:
    case.lines({"a": start, "b": end})
    lines = read(case)
    assert lines.from_node is not None
    assert lines.to_node is not None
    assert (lines.from_node.tolist(), lines.to_node.tolist()) == expected


def test_ids_lose_nothing_but_the_point_and_zero(case: Any) -> None:
    case.lines({"line_id": [10000700021191.0, 2.0]})
    assert read(case).source_id.tolist() == ["10000700021191", "2"]
    case.lines({"line_id": ["007", " x "]})
    assert read(case).source_id.tolist() == ["007", "x"]
    case.lines({"line_id": [1.5, 2.0]})
    assert read(case).source_id.tolist() == ["1.5", "2"]


def test_without_id_column_the_row_number_is_the_id(case: Any) -> None:
    case.edit('id = "line_id"\n', "")
    assert read(case).source_id.tolist() == ["1", "2"]


def test_the_feature_id_of_the_file_can_be_the_id(case: Any) -> None:
    case.edit('id = "line_id"', 'id = "fid"')
    assert read(case).source_id.tolist() == ["1", "2"]


@pytest.mark.parametrize(
    ("unit", "per_metre"), [("m", 1.0), ("km", 1e-3), ("ft", 1 / 0.3048), ("mi", 1 / 1609.344)]
)
def test_lengths_come_in_metres(case: Any, unit: str, per_metre: float) -> None:
    case.lines({"len": [1000 * per_metre, 1010 * per_metre]})
    with_key(case, f'length = "len"\nlength_unit = "{unit}"')
    lines = read(case)
    assert lines.length_m is not None
    np.testing.assert_allclose(lines.length_m, [1000.0, 1010.0])


def test_lengths_that_are_none_are_missing_and_said(case: Any) -> None:
    case.lines({"len": [-9998.0, 1.0]})
    with_key(case, 'length = "len"\nlength_unit = "km"')
    lines = read(case)
    assert lines.length_m is not None
    assert np.isnan(lines.length_m[0])
    assert lines.length_m[1] == 1000.0
    assert 'column "len": row 1 without a length; that of the geometry' in case.told("mended", "no_length")


def test_lines_cut_shorter_than_their_length_are_warned_of(case: Any) -> None:
    whole = [LineString([(EAST + 1000 * i, NORTH), (EAST + 1000 * (i + 1), NORTH)]) for i in range(4)]
    cut = LineString([(EAST + 4000, NORTH), (EAST + 4100, NORTH)])
    case.lines({"len": [1.0, 1.0, 1.0, 1.0, 3.0]}, [*whole, cut])
    with_key(case, 'length = "len"\nlength_unit = "km"')
    assert read(case).length_m.tolist() == [1000.0, 1000.0, 1000.0, 1000.0, 3000.0]  # type: ignore[union-attr]
    assert "row 5: 3000 m for a line drawn 100 m long; the column is used" in case.told(
        "warning", "length_differs"
    )


@pytest.mark.parametrize("given", ["km", "ft", "mi"])
def test_lengths_in_another_unit_are_noticed(case: Any, given: str) -> None:
    case.lines({"len": [1000.0, 1000.0]})
    with_key(case, f'length = "len"\nlength_unit = "{given}"')
    with pytest.raises(InputError, match=r'length_unit: column "len" in .* numbers fit length_unit = "m"'):
        read(case)


def test_lengths_that_fit_no_unit_are_warned_of(case: Any) -> None:
    case.lines({"len": [32.0, 32.0]})
    with_key(case, 'length = "len"\nlength_unit = "m"')
    read(case)
    assert "0.032 times the length of the lines" in case.told("warning", "length_unit")


def test_widths_from_number_column_and_drainage_area(case: Any) -> None:
    case.lines({"w": [4.0, -1.0], "da": [100.0, -9.0], "q": [2.0, -3.0]})
    base = case.text
    with_key(case, "width = 3.5")
    assert read(case).width_m.tolist() == [3.5, 3.5]  # type: ignore[union-attr]
    case.text = base
    with_key(case, 'width = "w"')
    np.testing.assert_array_equal(read(case).width_m, [4.0, np.nan])  # type: ignore[arg-type]
    assert 'width: column "w": row 2 0 or negative' in case.told("mended", "no_value")
    case.text = base
    with_key(case, 'width_a = 2.0\nwidth_b = 0.5\ndrainage_area = "da"\ndischarge = "q"')
    lines = read(case)
    np.testing.assert_allclose(lines.width_m, [2.0 * 100.0**0.5, np.nan])  # type: ignore[arg-type]
    np.testing.assert_array_equal(lines.drainage_area_km2, [100.0, np.nan])  # type: ignore[arg-type]
    np.testing.assert_array_equal(lines.discharge_m3s, [2.0, np.nan])  # type: ignore[arg-type]
    assert 'discharge: column "q": row 2 negative' in case.told("mended", "no_value")


def test_names_and_elevations(case: Any) -> None:
    case.lines({"nm": ["Alder Brook", None], "z0": [10.0, 5.0], "z1": [5.0, -9999.0]})
    with_key(case, 'name = "nm"\nstart_elevation = "z0"\nend_elevation = "z1"')
    lines = read(case)
    assert lines.name is not None
    assert lines.name.tolist() == ["Alder Brook", ""]
    np.testing.assert_array_equal(lines.elevation_end, [5.0, np.nan])  # type: ignore[arg-type]


def test_numbers_kept_as_texts_are_read_and_others_told(case: Any) -> None:
    case.lines({"len": ["1,01", "0,99"]})
    with_key(case, 'length = "len"\nlength_unit = "km"')
    np.testing.assert_allclose(read(case).length_m, [1010.0, 990.0])  # type: ignore[arg-type]
    case.lines({"len": ["1.0", "a mile"]})
    with pytest.raises(InputError, match=r'row 2, column "len": "a mile" is not a number -> write a number'):
        read(case)


def test_habitat_columns(case: Any) -> None:
    case.lines({"spawn": [12.0, None]})
    case.edit('passability = "p_walleye"', 'passability = "p_walleye"\nhabitat = "spawn"')
    lines = read(case)
    assert lines.amounts["walleye"].tolist() == [12.0, 0.0]
    assert set(lines.amounts) == {"walleye"}
    assert "row 2 without a value; counted as 0" in case.told("warning", "no_habitat_value")
    case.lines({"spawn": [12.0, -3.0]})
    with pytest.raises(
        InputError, match=r'species.walleye\] habitat: row 2, column "spawn": given -3, allowed: 0'
    ):
        read(case)


def test_lines_left_out_and_turned(case: Any) -> None:
    with_key(case, 'leave_out = [2]\nturn = ["1"]')
    lines = read(case)
    assert lines.leave_out.tolist() == [False, True]
    assert lines.turned.tolist() == [True, False]


@pytest.mark.parametrize("key", ["leave_out", "turn"])
def test_unknown_ids_are_told_with_the_nearest(case: Any, key: str) -> None:
    case.lines({"line_id": ["alder-1", "alder-2"]})
    with_key(case, f'{key} = ["alder-3", "alder-1"]')
    with pytest.raises(
        InputError, match=rf'{key}: no line has the id "alder-3" -> did you mean "alder-[12]"'
    ):
        read(case)


def test_unknown_outlet_lines_are_told(case: Any) -> None:
    case.edit("[sites]", "[outlets]\nlines = [77]\n[sites]")
    with pytest.raises(InputError, match=r'project.toml: \[outlets\] lines: no line has the id "77"'):
        read(case)


def test_minor_channels(case: Any) -> None:
    case.lines({"div": [1, 2], "side arm": ["no", "yes"]})
    base = case.text
    for question in ("div == 2", "`side arm` == 'yes' and div > 1", "div in [2, 3]", "not (div != 2)"):
        case.text = base
        with_key(case, f'minor_channel = "{question}"')
        assert read(case).minor.tolist() == [False, True]
    case.text = base
    with_key(case, 'minor_channel = "div == 7"')
    read(case)
    assert "is true for no line" in case.told("note", "query")


def test_missing_values_never_answer_yes() -> None:
    frame = gpd.pd.DataFrame({"a": [1.0, np.nan], "b": [3.0, 2.0]})
    assert evaluate_query("a != 2", frame).tolist() == [True, False]
    assert evaluate_query("a == 2 or b == 2", frame).tolist() == [False, True]
    assert evaluate_query("not (a == 2)", frame).tolist() == [True, False]


@pytest.mark.parametrize(
    "question",
    [
        "@x == 1",
        "__import__('os')",
        "div.max() == 2",
        "div == div.max()",
        "div ** 99999 == 1",
        "[d for d in div]",
        "lambda: 1",
        "div ==",
        "",
        "1 == 1",
        "div == 2; 1",
        "(" * 300 + "div" + ")" * 300,
        "a" * 2000,
        "div[0]",
        "f'{div}' == '1'",
        "'x' * 999999999 == div",
        "(div := 3) == 3",
    ],
)
def test_only_comparisons_are_evaluated(question: str) -> None:
    with pytest.raises(QueryError):
        query_columns(question)


def test_a_question_about_no_column_names_those_there_are(case: Any) -> None:
    case.lines({"Divergence": [1, 2]})
    with_key(case, 'minor_channel = "Divergance == 2"')
    with pytest.raises(
        InputError, match=r'asks about "Divergance".*mean "Divergence"\? columns are line_id, a, b'
    ):
        read(case)


def test_questions_that_are_not_yes_or_no(case: Any) -> None:
    case.lines({"div": [1, 2], "word": ["x", "y"]})
    base = case.text
    with_key(case, 'minor_channel = "div + 1"')
    with pytest.raises(InputError, match=r'minor_channel: "div \+ 1" is not a yes/no question'):
        read(case)
    case.text = base
    with_key(case, 'minor_channel = "word > 3"')
    with pytest.raises(InputError, match=r'"word > 3" cannot be evaluated .*its columns are word'):
        read(case)
