"""Sites whose passability is left open, to be worked out or found by a trial."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from barrierrank.inputs.sites import SiteTable, read_sites
from barrierrank.problems import InputError

HEAD = "site,name,x,y,p_lamprey,p_walleye,built\n"


def read(case: Any) -> SiteTable:
    return read_sites(case.load(), case.problems)


def rows(case: Any, *lines: str) -> Any:
    case.write("sites.csv", HEAD + "".join(f"{line}\n" for line in lines))
    return case


MEASURED = """\
[structures]
path = "structures.csv"
[flows]
path = "flows.csv"
[species.lamprey.swimming]
moves = "swims"
required_drop_m = 0.45
[species.lamprey.run]
curve = [["04-01", 1.0], ["06-30", 1.0]]
"""


def measured(case: Any) -> Any:
    """Let the passability of lamprey be worked out where it is not given."""
    for name in ("structures.csv", "flows.csv", "trials.csv"):
        case.write(name, "site\n")
    return case.edit("[ratings]", f"{MEASURED}[ratings]")


def test_a_passability_that_is_worked_out_is_left_open_at_every_site(case: Any) -> None:
    measured(case).edit('passability = "p_lamprey"', 'passability = "computed"')
    sites = read(case)
    np.testing.assert_array_equal(sites.passability, [[np.nan, 0.25], [np.nan, 0.5]])
    assert "p_lamprey" in sites.table.columns  # a column like any other then
    assert not case.problems.of("error")


def test_empty_cells_are_left_open_where_they_can_be_worked_out(case: Any) -> None:
    rows(measured(case), "D1,a,1,2,,poor,", "D2,b,1,2,0.3,0.5,")
    np.testing.assert_array_equal(read(case).passability, [[np.nan, 0.25], [0.3, 0.5]])
    rows(case, "D1,a,1,2,0,,", "D2,b,1,2,0.3,0.5,")
    with pytest.raises(InputError, match=r'column "p_walleye": no passability'):  # nobody knows what walleye can do
        read(case)
    case.edit("[ratings]", '[trials]\npath = "trials.csv"\n[ratings]')
    np.testing.assert_array_equal(read(case).passability, [[0.0, np.nan], [0.3, 0.5]])
    rows(case, "D1,a,1,2,0,hardly,")
    with pytest.raises(InputError, match='"hardly" is neither a number nor a rating'):
        read(case)
