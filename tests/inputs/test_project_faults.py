"""What is said where one key of a project file is at fault."""

from __future__ import annotations

import re
from typing import Any

import pytest

from barrierrank.problems import InputError

SPOILED = [
    pytest.param(
        'id = "line_id"',
        'idd = "line_id"',
        [r"\[hydrography\] idd: there is no such key", 'mean "id"'],
        id="unknown key",
    ),
    pytest.param(
        "[money]", "[mony]", [r"\[mony\]: there is no such table", 'mean "money"'], id="unknown table"
    ),
    pytest.param(
        "[basin]",
        "crs = 3\n[basin]",
        [r"\[crs\].*no such table", r"belongs into the table \[basin\]"],
        id="key outside a table",
    ),
    pytest.param(
        "[money]",
        "[ratings.more]\nx = 1\n[money]",
        [r"\[ratings\] more: given .*0 to 1"],
        id="table where a number goes",
    ),
    pytest.param(
        "value = 0.4",
        'value = "0.4"',
        [r"\[species.walleye\] value: given \"0.4\" \(text\)", r"without quotes: value = 0\.4"],
        id="number in quotes",
    ),
    pytest.param(
        "value = 0.4", "value = true", ["true or false", "allowed: a number"], id="truth for a number"
    ),
    pytest.param("value = 0.4", "value = nan", [r"\[species.walleye\] value: given NaN"], id="nan"),
    pytest.param(
        'name = "Example basin"',
        "name = 3",
        [r"\[basin\] name: given 3", "with quotes"],
        id="number for a text",
    ),
    pytest.param(
        'name = "Example basin"',
        "name = 1979-05-27",
        [r"\[basin\] name: given .*a date or time"],
        id="date for a text",
    ),
    pytest.param(
        'name = "Example basin"', 'name = " "', [r"\[basin\] name: given an empty text"], id="empty text"
    ),
    pytest.param(
        "discount_rate = 0.03",
        "discount_rate = 3",
        ["given 3, allowed: a number from 0 to 1", r"divide per cent by 100: 0\.03"],
        id="per cent",
    ),
    pytest.param(
        "horizon_years = 30", "horizon_years = 0", ["horizon_years: given 0", "whole number"], id="no horizon"
    ),
    pytest.param(
        "horizon_years = 30",
        "horizon_years = 2.5",
        ["horizon_years: given 2.5", "whole number"],
        id="half a year",
    ),
    pytest.param(
        "horizon_years = 30",
        f"horizon_years = 1{'0' * 400}",
        ["horizon_years: given 1000"],
        id="beyond any size",
    ),
    pytest.param(
        'role = "native"',
        "",
        [r"\[species.walleye\] role: the key is missing", '"invasive", "native"'],
        id="missing key",
    ),
    pytest.param(
        'crs = "EPSG:32616"\n\n[hyd',
        "\n[hyd",
        [r"\[basin\] crs: the key is missing", "EPSG:32616"],
        id="missing crs",
    ),
    pytest.param(
        '[basin]\nname = "Example basin"\ncrs = "EPSG:32616"\n',
        "",
        [r"\[basin\]: the table is missing"],
        id="missing table",
    ),
    pytest.param(
        'path = "streams.gpkg"',
        'path = "stream.gpkg"',
        [
            r"\[hydrography\] path: there is no file",
            "relative to the folder of project.toml",
            'mean "streams.gpkg"',
        ],
        id="missing file",
    ),
    pytest.param(
        'path = "streams.gpkg"',
        'path = "a\\u0000b"',
        [r"\[hydrography\] path: there is no file"],
        id="NUL in a path",
    ),
    pytest.param('path = "streams.gpkg"', f'path = "{"a" * 5000}"', ["there is no file"], id="endless path"),
    pytest.param('direction = "nodes"', 'direction = "node"', ['given "node"', 'mean "nodes"'], id="choice"),
    pytest.param(
        "[species.walleye]",
        '[species."Sea Trout"]',
        [r"\[species.Sea Trout\]: a species key holds", r"\[species.sea_trout\]"],
        id="species key",
    ),
    pytest.param(
        "[species.walleye]",
        "[species]\nwalleye2 = 3\n[species.walleye]",
        ["a species is a table of keys"],
        id="species without table",
    ),
    pytest.param(
        "[money]",
        "[species.walleye.treatment]\ncost_per_unit = 1\ninterval_years = 3\n[money]",
        [r"\[species.walleye.treatment\]: a native is not treated"],
        id="treated native",
    ),
    pytest.param(
        "value = -1.0",
        "value = 1.0",
        [r"\[species.lamprey\] value: given 1, allowed: negative", "write -1"],
        id="invader of positive value",
    ),
    pytest.param(
        "value = 0.4",
        "value = -0.4",
        ["allowed: positive or 0 for a native", "write 0.4"],
        id="native of negative value",
    ),
    pytest.param(
        "[money]", "[points]\n[money]", [r"\[money\] and \[points\]: both are given", "keep"], id="both"
    ),
    pytest.param(
        '[money]\ncurrency = "USD"\ndiscount_rate = 0.03\nhorizon_years = 30\n',
        "",
        [r"\[money\] and \[points\]: neither is given", "add one"],
        id="neither",
    ),
    pytest.param(
        '[money]\ncurrency = "USD"',
        '[ranking]\nby = "net_benefit"\n[points]',
        [r"\[ranking\] by: .*points less money", "benefit_per_cost"],
        id="points less money",
    ),
    pytest.param(
        'crs = "EPSG:32616"\n\n[hyd',
        'crs = "EPSG:4326"\n\n[hyd',
        [r"\[basin\] crs: given \"EPSG:4326\" \(WGS 84\), which is in degrees", "projected one in metres"],
        id="degrees",
    ),
    pytest.param(
        'crs = "EPSG:32616"\n\n[hyd',
        'crs = "EPSG:2227"\n\n[hyd',
        [r"\[basin\] crs: .*unit is US survey foot, not metre", "in metres"],
        id="feet",
    ),
    pytest.param(
        'crs = "EPSG:32616"\n\n[hyd', 'crs = "EPSG:4978"\n\n[hyd', ["not a projected system"], id="geocentric"
    ),
    pytest.param(
        'crs = "EPSG:32616"\n\n[hyd',
        'crs = "EPSG:0"\n\n[hyd',
        ["no coordinate system known here"],
        id="unknown crs",
    ),
    pytest.param(
        'crs = "EPSG:32616"\n\n[hyd', "crs = 32616\n\n[hyd", ['write crs = "EPSG:32616"'], id="bare code"
    ),
    pytest.param(
        'from_node = "a"\nto_node = "b"', "", ["needs the columns from_node and to_node"], id="no nodes"
    ),
    pytest.param(
        'to_node = "b"', "", ["from_node: is given without to_node", "add to_node"], id="half a pair"
    ),
    pytest.param(
        'to_node = "b"',
        'to_node = "b"\nlength = "km"',
        [r"\[hydrography\] length_unit: the unit"],
        id="length without unit",
    ),
    pytest.param(
        'to_node = "b"',
        'to_node = "b"\nwidth = 3\nwidth_a = 1\nwidth_b = 0.5\ndrainage_area = "x"',
        ["width: is given beside width_a"],
        id="two widths",
    ),
    pytest.param(
        'to_node = "b"',
        'to_node = "b"\nwidth_a = 1\nwidth_b = 0.5',
        ["width_a: needs drainage areas: the column drainage"],
        id="width without area",
    ),
    pytest.param(
        'to_node = "b"',
        'to_node = "b"\nwidth = 0',
        ["width: given 0, allowed: a number above 0"],
        id="no width",
    ),
    pytest.param(
        'to_node = "b"',
        'to_node = "b"\nturn = 3',
        [r"turn: given 3, allowed: a list", r"turn = \[3\]"],
        id="no list",
    ),
    pytest.param(
        'to_node = "b"', 'to_node = "b"\nturn = [[3]]', ["turn: given .* in the list"], id="list in a list"
    ),
    pytest.param(
        'to_node = "b"',
        'to_node = "b"\nturn = [3]\nleave_out = ["3"]',
        ["lines 3 are also in leave_out"],
        id="turned and left out",
    ),
    pytest.param(
        'direction = "nodes"',
        'direction = "outlets"',
        [r"\[outlets\].*needs to know where they are"],
        id="no outlets",
    ),
    pytest.param(
        "[sites]",
        "[outlets]\ntolerance_m = 3\n[sites]",
        [r"\[outlets\]: names no outlet"],
        id="empty outlets",
    ),
    pytest.param(
        "[sites]",
        "[outlets]\npoints = [[-87.5, 42.5]]\n[sites]",
        ["look like degrees", "metres"],
        id="mouth in degrees",
    ),
    pytest.param(
        "[sites]",
        "[outlets]\npoints = [[1, 2, 3]]\n[sites]",
        [r"points: given \[1, 2, 3\]", r"\[\[x, y\]"],
        id="three coordinates",
    ),
    pytest.param('y = "y"\n', "", ["x: is given without y", "add y"], id="x alone"),
    pytest.param('y = "y"\n', 'y = "x"\n', [r"\[sites\] y: names the same column as x"], id="x twice"),
    pytest.param(
        'y = "y"\ncrs = "EPSG:32616"',
        'y = "y"',
        [r"\[sites\] crs: the coordinate system of x and y", "EPSG:4326"],
        id="sites without crs",
    ),
    pytest.param(
        "poor = 0.25",
        "poor = 25",
        [r"\[ratings\] poor: given 25, allowed: a number from 0 to 1"],
        id="rating of 25",
    ),
    pytest.param("poor = 0.25", '"1" = 0.25', [r"\[ratings\] 1: a rating is a word"], id="rating 1"),
    pytest.param(
        "poor = 0.25", "poor = 0.25\nPoor = 0.3", [r"\[ratings\] Poor: is there twice"], id="rating twice"
    ),
    pytest.param(
        'passability = "p_walleye"',
        'passability = "p"\nhabitat = "area"',
        ["the streams have no width"],
        id="area without width",
    ),
    pytest.param(
        'passability = "p_walleye"',
        "passability = 50",
        ["passability: given 50", "by 100: 0.5"],
        id="passability in per cent",
    ),
    pytest.param(
        'passability = "p_walleye"',
        "passability = []",
        ["allowed: a number from 0 to 1, or the name"],
        id="passability list",
    ),
    pytest.param(
        "[money]",
        '[ranking]\nby = "criteria"\n[money]',
        [r"\[ranking.weights\]: .*not all 0"],
        id="no weights",
    ),
    pytest.param(
        "[money]",
        '[ranking]\nby = "criteria"\nweights = {cost = "x"}\n[money]',
        [r"\[ranking.weights\] cost: given \"x\""],
        id="weight in words",
    ),
    pytest.param(
        "[money]",
        "[display]\nopen_from = 0.2\nblocked_below = 0.5\n[money]",
        ["blocked_below: given 0.5, above open_from = 0.2"],
        id="bands crossed",
    ),
]


@pytest.mark.parametrize(("old", "new", "words"), SPOILED)
def test_each_fault_is_told_with_file_key_and_remedy(case: Any, old: str, new: str, words: list[str]) -> None:
    case.edit(old, new)
    with pytest.raises(InputError, match=words[0]) as caught:
        case.load()
    line = next(p.line() for p in caught.value.problems if re.search(words[0], p.line()))
    assert line.startswith("error: project.toml: [")
    assert " -> " in line
    for word in words[1:]:
        assert re.search(word, line), line
