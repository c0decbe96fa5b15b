"""Actions from disk: what arrives, and what is said where the table is at fault."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from barrierrank.inputs.actions import ActionTable, read_actions
from barrierrank.inputs.sites import read_sites
from barrierrank.problems import InputError

HEAD = "site,action,cost,upkeep,life_years,failure_probability,passability_lamprey,passability_walleye,note\n"


def read(case: Any) -> ActionTable:
    project = case.load()
    return read_actions(project, read_sites(project, case.problems), case.problems)


def rows(case: Any, *lines: str, head: str = HEAD) -> Any:
    case.write("actions.csv", head + "".join(f"{line}\n" for line in lines))
    return case


def test_sound_actions_arrive_as_they_are(case: Any) -> None:
    actions = read(case)
    assert len(actions) == 2
    assert actions.row.tolist() == [2, 3]
    assert actions.site_index.tolist() == [0, 1]
    assert actions.action.tolist() == ["raise", "remove"]
    assert actions.cost.tolist() == [100000.0, 50000.0]
    assert actions.upkeep.tolist() == [1000.0, 0.0]
    np.testing.assert_array_equal(actions.life_years, [30.0, np.nan])
    assert actions.failure_probability.tolist() == [0.01, 0.0]
    assert actions.passability.tolist() == [[0.0, 0.0], [1.0, 1.0]]
    assert actions.note.tolist() == ["", "brown fields below"]


def test_what_is_not_given_is_as_the_site_today(case: Any) -> None:
    case.edit('id = "site"', 'id = "site"\nfailure_probability = 0.07')
    rows(case, "D2,repair,1,", "D1,repair,1,poor", head="site,action,cost,passability_walleye\n")
    actions = read(case)
    assert actions.site_index.tolist() == [1, 0]
    assert actions.passability.tolist() == [[0.2, 0.5], [0.1, 0.25]]
    assert actions.failure_probability.tolist() == [0.07, 0.07]
    assert actions.upkeep.tolist() == [0.0, 0.0]
    assert np.isnan(actions.life_years).all()
    notes = case.told("note", "missing_column")
    for words in (
        'no column "passability_lamprey": every row counts as the site today',
        '"upkeep": every row counts as 0',
        '"life_years": every row counts as never replaced',
        '"failure_probability"',
    ):
        assert words in notes


def test_without_actions_the_table_is_empty(case: Any) -> None:
    case.edit('[actions]\npath = "actions.csv"\n', "")
    actions = read(case)
    assert len(actions) == 0
    assert actions.passability.shape == (0, 2)


def test_spreadsheet_of_actions(case: Any) -> None:
    pd.DataFrame({"site": ["D1"], "action": ["raise"], "cost": [1200.5], "life_years": [25]}).to_excel(
        case.folder / "a.xlsx", index=False
    )
    case.edit("actions.csv", "a.xlsx")
    actions = read(case)
    assert (actions.cost[0], actions.life_years[0]) == (1200.5, 25.0)


SPOILED = [
    pytest.param(
        "D12,raise,1,,,,,,",
        r'"site": row 2: there is no site "D12" in sites.csv -> did you mean "D[12]"',
        id="unknown site",
    ),
    pytest.param(",raise,1,,,,,,", r'column "site": row 2 without site -> name the site', id="no site"),
    pytest.param(
        "D1,raise,1,,,,,,\nD1,Raise,2,,,,,,",
        r'rows 2, 3: "raise" stands twice at site "D1" -> keep one',
        id="action twice",
    ),
    pytest.param("D1,,1,,,,,,", r'column "action": row 2: no action is named -> name it', id="no action"),
    pytest.param(
        "D1,Leave as it is,1,,,,,,",
        r'row 2: "leave as it is" is what every site has .* -> remove the row',
        id="reserved",
    ),
    pytest.param(
        "D1,raise,-5,,,,,,", r'row 2 \("D1"\), column "cost": given -5, allowed: 0 or more', id="cost below 0"
    ),
    pytest.param("D1,raise,1,-5,,,,,", r'column "upkeep": given -5, allowed: 0 or more', id="upkeep below 0"),
    pytest.param("D1,raise,1,,0,,,,", r'column "life_years": given 0, allowed: above 0', id="no life"),
    pytest.param(
        "D1,raise,1,,,1.5,,,", r'column "failure_probability": given 1.5, allowed: from 0 to 1', id="failing"
    ),
    pytest.param(
        "D1,raise,1,,,poor,,,", r'column "failure_probability": "poor" is neither a number', id="failing poor"
    ),
    pytest.param(
        "D1,raise,1,,,,25,,",
        r'column "passability_lamprey": given 25.* -> .*divide the column by 100',
        id="passability in per cent",
    ),
    pytest.param(
        "D1,raise,,,,,,,",
        r'row 2 \(site "D1"\), column "cost": the cell is empty -> fill it in, 0',
        id="no cost",
    ),
    pytest.param(
        'D1,raise,"$1,200",,,,,,',
        r'row 2, column "cost": "\$1,200" is not a number -> write 1200 without '
        "thousands separators and currency",
        id="currency and thousands",
    ),
    pytest.param(
        "D1,raise,1200 USD,,,,,,",
        r'"1200 USD" is not a number -> .*currency belongs into \[money\]: 1200',
        id="currency",
    ),
    pytest.param('D1,raise,"1,200",,,,,,', '"1,200" is not a number -> write 1200 without', id="thousands"),
    pytest.param("D1,raise,1 200 000,,,,,,", '"1 200 000" is not a number -> write 1200000', id="spaces"),
    pytest.param("D1,raise,dear,,,,,,", '"dear" is not a number -> write a number', id="words"),
]


@pytest.mark.parametrize(("line", "match"), SPOILED)
def test_each_fault_is_told_with_row_site_column_and_remedy(case: Any, line: str, match: str) -> None:
    rows(case, line)
    with pytest.raises(InputError, match=match) as caught:
        read(case)
    assert str(caught.value).startswith("error: actions.csv: [actions]: ")


def test_decimal_commas_in_costs_where_there_is_no_doubt(case: Any) -> None:
    rows(case, 'D1,raise,"1200,5",,,,"0,125",,', 'D2,raise,"3,250",,,,,,')
    actions = read(case)
    assert actions.cost.tolist() == [1200.5, 3.25]  # the first cell shows that commas are decimal here
    assert actions.passability[0, 0] == 0.125
    assert "decimal comma" in case.told("note", "decimal_comma")


def test_all_faults_are_told_at_once(case: Any) -> None:
    rows(case, "D9,raise,-1,,0,,,,", "D1,,x,,,,,,")
    with pytest.raises(InputError, match="no site") as caught:
        read(case)
    for words in ("given -1", "life_years", "no action is named", '"x" is not a number'):
        assert words in str(caught.value)


def test_many_unknown_sites_are_summed_up(case: Any) -> None:
    rows(case, *(f"Q{i},raise,1,,,,,," for i in range(60)))
    with pytest.raises(InputError, match=r"40 more sites that are not in sites\.csv"):
        read(case)


@pytest.mark.parametrize("need", ["site", "action", "cost"])
def test_missing_columns(case: Any, need: str) -> None:
    case.write("actions.csv", (HEAD + "D1,raise,1,,,,,,\n").replace(need, f"{need}_", 1))
    with pytest.raises(InputError, match=rf'no column "{need}" -> did you mean "{need}_"\? columns are'):
        read(case)


def test_passability_of_an_unknown_species(case: Any) -> None:
    rows(case, "D1,raise,1,0", head="site,action,cost,passability_lampry\n")
    with pytest.raises(
        InputError, match=r'"passability_lampry" is of no species .* mean "passability_lamprey"\?'
    ):
        read(case)


def test_columns_that_are_not_used_are_told(case: Any) -> None:
    rows(case, "D1,raise,1,4,Weir Street", head="site,action,cost,upkeeep,depot\n")
    read(case)
    assert 'column "upkeeep" is not used -> did you mean "upkeep"?' in case.told("warning", "unused_column")
    assert "columns not used: depot" in case.told("note", "unused_column")


def test_empty_and_missing_tables(case: Any) -> None:
    case.write("actions.csv", HEAD)
    with pytest.raises(
        InputError, match=r"actions.csv: \[actions\]: the table has no rows below its headings"
    ):
        read(case)
    project = case.load()
    (case.folder / "actions.csv").unlink()
    sites = read_sites(project, case.problems)
    with pytest.raises(InputError, match=r"actions.csv: \[actions\] path: there is no such file"):
        read_actions(project, sites, case.problems)


def test_rows_in_another_order_give_the_same_actions(case: Any) -> None:
    lines = ["D1,raise,5,,,,0,0,", "D2,remove,7,,,,1,1,"]
    forth, back = read(rows(case, *lines)), read(rows(case, *reversed(lines)))
    assert forth.cost.tolist() == back.cost[::-1].tolist()
    assert forth.site_index.tolist() == back.site_index[::-1].tolist()


CHANGED = (
    "site,action,cost,change,change_m,change_width_m,crest_up,crest_down,passability_lamprey,passability_walleye,"
    "efficiency_lamprey,efficiency_walleye\n"
)


def test_a_table_without_changes_says_so_in_every_row(case: Any) -> None:
    actions = read(rows(case, "D1,raise,1,,,,0,,"))
    assert actions.change.tolist() == [""]
    for column in (actions.change_m, actions.change_width_m, actions.efficiency):
        assert np.isnan(column).all()
    assert actions.efficiency.shape == actions.given.shape == (1, 2)
    assert (actions.crest_up.tolist(), actions.crest_down.tolist()) == ([-1], [-1])
    assert actions.given.tolist() == [[True, False]]
    assert actions.passability.tolist() == [[0.0, 0.25]]


def test_what_a_change_leaves_open_is_to_be_worked_out(case: Any) -> None:
    actions = read(
        rows(
            case,
            "D1,higher,1,Raise,0.4,,,,,,,",
            "D1,by season,1,seasonal,0.5,,03-15,7-01,0.05,,,",
            "D2,sorter,1,trap and sort,,,,,,,0.02,0.6",
            "D2,take out,1,remove,,,,,,1,,",
            "D2,leave,1,,,,,,,,,",
            head=CHANGED,
        )
    )
    assert actions.change.tolist() == ["raise", "seasonal", "trap_and_sort", "remove", ""]
    np.testing.assert_array_equal(actions.change_m, [0.4, 0.5, np.nan, np.nan, np.nan])
    assert (actions.crest_up.tolist(), actions.crest_down.tolist()) == ([-1, 75, -1, -1, -1], [-1, 183, -1, -1, -1])
    nan = np.nan
    np.testing.assert_array_equal(actions.passability, [[nan, nan], [0.05, nan], [nan, nan], [nan, 1.0], [0.2, 0.5]])
    assert actions.given.tolist() == [[False, False], [True, False], [False, False], [False, True], [False, False]]
    np.testing.assert_array_equal(actions.efficiency[2], [0.02, 0.6])
    assert np.isnan(actions.efficiency[[0, 1, 3, 4]]).all()
    assert not case.problems.of("warning")


def test_actions_without_changes_where_the_site_is_left_to_be_worked_out(case: Any) -> None:
    case.edit('passability = "p_lamprey"', 'passability = "computed"').edit("[ratings]", f"{MEASURED}[ratings]")
    case.write("structures.csv", "site\n").parent.joinpath("flows.csv").write_text("date\n")
    actions = read(rows(case, "D1,repair,1,,,,,,"))
    np.testing.assert_array_equal(actions.passability, [[np.nan, 0.25]])
    assert not actions.given.any()


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


@pytest.mark.parametrize(
    ("line", "match"),
    [
        ("D1,a,1,rise,0.4,,,,,,,", r'row 2, column "change": there is no change "rise" -> did you mean "raise"'),
        ("D1,a,1,burn,0.4,,,,,,,", r'no change "burn" -> .*raise, lower, notch'),
        ("D1,a,1,raise,,,,,,,,", r'row 2 \(site "D1"\): "raise" needs change_m, how much higher the crest comes'),
        ("D1,a,1,notch,0.4,,,,,,,", r'"notch" needs change_width_m, the width of the notch -> give it'),
        ("D1,a,1,raise,-0.4,,,,,,,", r'\("D1"\), column "change_m": given -0\.4, allowed: above 0'),
        ("D1,a,1,raise,high,,,,,,,", r'column "change_m": "high" is not a number'),
        ("D1,a,1,seasonal,0.4,,02-30,06-01,,,,", r'"crest_up": "02-30" is not a day of the year -> write month-day'),
        ("D1,a,1,seasonal,0.4,,,06-01,,,,", r"one of crest_up and crest_down is given -> give both"),
        ("D1,a,1,fishway,,,,,,,1.5,", r'column "efficiency_lamprey": given 1\.5, allowed: from 0 to 1'),
        ("D1,a,1,,0.4,,,,,,,", r"change_m is given, but no change -> name the change"),
    ],
)
def test_faults_of_changes_are_told(case: Any, line: str, match: str) -> None:
    rows(case, line, head=CHANGED)
    with pytest.raises(InputError, match=match) as caught:
        read(case)
    assert len(caught.value.problems) == 1


def test_nothing_is_needed_where_every_passability_is_given(case: Any) -> None:
    actions = read(rows(case, "D1,a,1,raise,,,,,0,0,,", "D2,b,1,seasonal,0.4,,,,,,,", head=CHANGED))
    assert actions.given.tolist() == [[True, True], [False, False]]
    assert actions.crest_up.tolist() == [-1, -1]  # the best days are to be found


def test_a_crest_that_is_up_over_the_new_year_is_warned_of(case: Any) -> None:
    read(rows(case, "D1,a,1,seasonal,0.4,,07-10,04-15,,,,", "D2,b,1,seasonal,0.4,,04-15,07-10,,,,", head=CHANGED))
    assert "row 2: crest_up is later in the year than crest_down" in case.told("warning", "doubtful")


def test_cells_that_a_change_does_not_use_are_warned_of(case: Any) -> None:
    read(rows(case, "D1,a,1,remove,0.4,2,03-01,,,,0.5,", head=CHANGED))
    told = case.told("warning", "unused")
    for name in ("change_m", "change_width_m", "crest_up", "efficiency"):
        assert f'row 2: {name} is not used with "remove" -> empty the cell' in told


def test_efficiency_of_an_unknown_species(case: Any) -> None:
    rows(case, "D1,raise,1,0", head="site,action,cost,efficiency_waleye\n")
    with pytest.raises(InputError, match=r'"efficiency_waleye" is of no species .* mean "efficiency_walleye"\?'):
        read(case)


def test_tables_made_by_hand_may_leave_changes_out() -> None:
    number, text = np.ones(2), np.array(["a", "b"], dtype=object)
    whole = np.arange(2)
    actions = ActionTable("t", whole, whole, text, number, number, number, number, np.ones((2, 3)), text)
    assert actions.change.tolist() == ["", ""]
    assert actions.given.shape == actions.efficiency.shape == (2, 3)
    assert actions.given.all()
    assert actions.crest_up.dtype == np.int64
