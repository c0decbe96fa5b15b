"""Daily flows: what is read, what is mended, what is complained of and how."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from barrierrank.inputs.flow_rows import careful_rows, quick_rows
from barrierrank.inputs.flows import FT3_M3, FlowRecords, read_flows
from barrierrank.problems import InputError, Problems

FLOWS = '\n[flows]\npath = "flows.csv"\n'
PLAIN = "date,discharge\n2001-03-01,1.5\n2001-03-02,2\n2001-03-03,2.5\n"
TWO = "date,discharge,gauge,heat\n2001-03-01,1,B,8\n2001-03-02,2,B,9\n2001-03-01,10,A,7\n2001-03-03,30,A,6.5\n"
TWO_KEYS = FLOWS + 'gauge = "gauge"\ntemperature = "heat"\n'


@pytest.fixture
def read(case) -> Callable[..., FlowRecords]:
    """Return a function that reads one table of flows as the project file says."""

    def reader(table: str | bytes, keys: str = FLOWS, *, gauges: str = "", name: str = "flows.csv") -> FlowRecords:
        if table:
            case.write(name, table)
        if gauges:
            case.write("gauges.csv", gauges)
            keys += 'gauges = "gauges.csv"\n'
        case.text += keys.replace("flows.csv", name)
        return read_flows(case.load(), case.problems)

    return reader


def test_one_gauge_without_a_name(read) -> None:
    flows = read(PLAIN)
    assert flows.gauge.tolist() == ["flows"]
    assert flows.day.tolist() == pd.date_range("2001-03-01", "2001-03-03").date.tolist()
    assert flows.discharge.tolist() == [[1.5, 2.0, 2.5]]
    assert np.isnan(flows.temperature).all()
    assert np.isnan(flows.area_km2).all()


def test_gauges_are_laid_out_by_name_and_day(read, case) -> None:
    flows = read(TWO, TWO_KEYS, gauges="gauge,area_km2,x,y\nB,20,500000,4600000\nA,100,,\n")
    assert flows.gauge.tolist() == ["A", "B"]
    assert np.array_equal(flows.discharge, [[10.0, np.nan, 30.0], [1.0, 2.0, np.nan]], equal_nan=True)
    assert np.array_equal(flows.temperature, [[7.0, np.nan, 6.5], [8.0, 9.0, np.nan]], equal_nan=True)
    assert flows.area_km2.tolist() == [100.0, 20.0]
    assert np.array_equal(flows.x, [np.nan, 500000.0], equal_nan=True)
    told = case.told("note", "flow_gaps")
    assert "gauge A, 2001-03-01 to 2001-03-03: 1 gap(s)" in told
    assert "the longest of 1 days from 2001-03-02 to 2001-03-02" in told
    assert "gauge B" not in told  # its record ends, which is no gap


def test_the_order_of_rows_changes_nothing_but_is_told(read, case) -> None:
    head, *rows = TWO.splitlines()
    one = read("\n".join([head, *rows]), TWO_KEYS)
    case.text = case.text.replace(TWO_KEYS, "")
    other = read("\n".join([head, *rows[::-1]]), TWO_KEYS)
    for name in ("gauge", "day", "discharge", "temperature"):
        mine, its = getattr(one, name), getattr(other, name)
        assert mine.tolist() == its.tolist() or np.array_equal(mine, its, equal_nan=True)
    told = case.told("mended", "unsorted_dates")
    assert "flows.csv" in told
    assert "rows 3, 5" in told


def test_gauges_one_after_the_other_are_not_out_of_order(read, case) -> None:
    read(TWO, TWO_KEYS)
    assert not [p for p in case.problems if p.kind == "unsorted_dates"]


def test_cubic_feet(read) -> None:
    keys = FLOWS + 'discharge_unit = "ft3s"\n'
    assert read(PLAIN, keys).discharge[0] == pytest.approx(np.array([1.5, 2.0, 2.5]) * 0.3048**3, rel=1e-12)
    assert pytest.approx(0.3048**3, rel=1e-12) == FT3_M3


def test_numbers_and_words_that_stand_for_no_value(read, case) -> None:
    keys = FLOWS + 'missing = [-9999, "Ice"]\n'
    flows = read(PLAIN.replace("1.5", "-9999").replace(",2\n", ",ice\n"), keys)
    assert np.array_equal(flows.discharge, [[np.nan, np.nan, 2.5]], equal_nan=True)
    told = case.told("note", "missing_value")
    assert 'column "discharge": 1 cell(s) with -9999 count as missing' in told


def test_a_sentinel_is_not_converted_first(read) -> None:
    flows = read(PLAIN.replace("1.5", "-999.0"), FLOWS + 'discharge_unit = "ft3s"\n')
    assert np.isnan(flows.discharge[0, 0])


def test_negative_discharge(read, case) -> None:
    flows = read(PLAIN.replace("1.5", "-99999"))
    assert np.isnan(flows.discharge[0, 0])
    told = case.told("warning", "negative_discharge")
    assert "flows.csv" in told
    assert "row 2" in told
    assert "add it to [flows] missing" in told


@pytest.mark.parametrize(
    ("spoilt", "kind", "told", "remedy"),
    [
        (PLAIN.replace("2001-03-02", "03/02/2001"), "bad_date", 'row 3: column "date": given "03/0', "2024-06-30"),
        (PLAIN.replace("2001-03-02", "2001-02-30"), "bad_date", 'row 3: column "date": given "2001', "year-month-"),
        (PLAIN.replace("2001-03-02", "0201-03-02"), "bad_date", 'given "0201-03-02", allowed: a day of the years', ""),
        (PLAIN.replace("2001-03-02", ""), "bad_date", "row 3", "year-month-day"),
        (PLAIN.replace("2001-03-02", "2001-03-01"), "duplicate_date", "rows 2, 3: 2001-03-01 is there twice", "gauge"),
        (PLAIN.replace("discharge", "flow"), "missing_column", 'there is no column "discharge"', "date, flow"),
        (PLAIN.replace("date,", "day,"), "missing_column", 'there is no column "date"', "day"),
        (PLAIN.replace(",2\n", ",two\n"), "not_a_number", 'row 3, column "discharge": "two"', "write a number"),
        (PLAIN.replace(",2\n", ',"1,200"\n'), "not_a_number", "row 3", "write 1200"),
        ("date,discharge\n", "empty_layer", "no rows", "fill it"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_with_its_row_and_remedy(read, case, spoilt, kind, told, remedy) -> None:
    with pytest.raises(InputError, match="flows"):
        read(spoilt)
    line = case.told("error", kind)
    assert "flows.csv" in line
    assert told in line
    assert remedy in line


def test_several_faults_are_told_at_once(read, case) -> None:
    with pytest.raises(InputError, match=r"is not a number"):
        read(PLAIN.replace("2001-03-02", "soon").replace("2.5", "lots"), gauges="gauge,area_km2\nX,-5\nX,3\n,4\n")
    for kind in ("bad_date", "not_a_number", "duplicate_id", "out_of_range", "missing_id"):
        case.told("error", kind)


def test_the_same_day_twice_with_the_same_values_is_counted_once(read, case) -> None:
    flows = read(PLAIN + "2001-03-02,2.0\n")
    assert flows.discharge.tolist() == [[1.5, 2.0, 2.5]]
    assert "row 5" in case.told("mended", "duplicate_date")


@pytest.mark.parametrize(
    "text", ["2001-03-02", "2001-3-2", "20010302", "2001/03/02", "2001-03-02 00:00:00", "2001-03-02T12:00:00+01:00"]
)
def test_ways_to_write_a_day(read, text) -> None:
    assert read(PLAIN.replace("2001-03-02", text)).day.size == 3


def test_temperatures_in_fahrenheit_are_refused(read, case) -> None:
    with pytest.raises(InputError, match="heat"):
        read(TWO.replace(",9\n", ",68\n"), TWO_KEYS)
    told = case.told("error", "out_of_range")
    assert 'row 3: column "heat": given 68' in told
    assert "Fahrenheit" in told


def test_gauges_that_are_in_one_table_alone(read, case) -> None:
    table = TWO.replace(",A,", ",0123,").replace(",B,", ",Bend,")
    flows = read(table, TWO_KEYS, gauges="gauge,area_km2\n123,40\nBent,50\nC,60\n")
    assert np.isnan(flows.area_km2).all()
    told = case.told("warning", "unknown_gauge")
    assert 'gauges.csv: [flows] gauges: gauge "0123" has flows but no row there' in told
    assert "zeros in front" in told
    assert 'did you mean "Bent"?' in told
    assert "123, Bent, C" in case.told("note", "gauge_without_flow")


def test_a_gauge_without_an_area(read, case) -> None:
    flows = read(TWO, TWO_KEYS, gauges="gauge,area_km2\nA,\nB,20\n")
    assert np.array_equal(flows.area_km2, [np.nan, 20.0], equal_nan=True)
    told = case.told("warning", "gauge_without_area")
    assert "row 2: gauge A has no area_km2" in told


def test_the_only_gauge_listed_is_that_of_a_table_without_a_column_of_gauges(read) -> None:
    flows = read(PLAIN, gauges="gauge,area_km2\nG7,12.5\n")
    assert flows.gauge.tolist() == ["G7"]
    assert flows.area_km2.tolist() == [12.5]


def test_several_gauges_listed_but_no_column_says_whose_row_it_is(read, case) -> None:
    with pytest.raises(InputError, match=r"lists 2 gauges"):
        read(PLAIN, gauges="gauge,area_km2\nA,1\nB,2\n")
    assert "add [flows] gauge" in case.told("error", "missing_key")


def test_a_row_without_a_gauge(read, case) -> None:
    with pytest.raises(InputError, match="is empty"):
        read(TWO.replace(",A,7", ",,7"), TWO_KEYS)
    assert "row 4" in case.told("error", "missing_id")


def test_a_gauge_without_any_discharge(read, case) -> None:
    flows = read(TWO.replace(",10,A", ",,A").replace(",30,A", ",,A"), TWO_KEYS)
    assert np.isnan(flows.discharge[0]).all()
    assert "gauge A has no discharge at all" in case.told("warning", "no_discharge")


def test_a_gauge_that_is_dry_throughout_is_told(read, case) -> None:
    read(TWO.replace(",10,A", ",0,A").replace(",30,A", ",0,A"), TWO_KEYS)
    assert "gauge A: every discharge is 0" in case.told("warning", "no_discharge")


def test_more_water_than_any_basin_has_points_at_the_unit(read, case) -> None:
    read(PLAIN, gauges="gauge,area_km2\nG,5\n")  # 2 m3/s from 5 km2: 12.6 m a year
    assert "check [flows] discharge_unit" in case.told("warning", "runoff")


def test_the_longest_gap_is_named(read, case) -> None:
    days = pd.date_range("2001-01-01", "2003-12-31").strftime("%Y-%m-%d")
    keep = [d for d in days if not "2001-05-01" <= d <= "2001-05-04" and not d.startswith("2002-0")]
    flows = read("date,discharge\n" + "".join(f"{d},1.0\n" for d in keep))
    assert int(np.isnan(flows.discharge).sum()) == 4 + 273
    told = case.told("note", "flow_gaps")
    assert "2 gap(s) without a discharge, 277 days in all" in told
    assert "the longest of 273 days from 2002-01-01 to 2002-09-30" in told


def test_a_spreadsheet_with_true_dates(read, case) -> None:
    frame = pd.DataFrame({"date": pd.date_range("2001-03-01", periods=3), "discharge": [1.5, 2.0, 2.5]})
    frame.to_excel(case.folder / "flows.xlsx", index=False)
    flows = read("", name="flows.xlsx")
    assert flows.discharge.tolist() == [[1.5, 2.0, 2.5]]


def test_semicolons_and_decimal_commas(read, case) -> None:
    flows = read(PLAIN.replace(",", ";").replace("1.5", "1,5").replace("2.5", "2,5"))
    assert flows.discharge.tolist() == [[1.5, 2.0, 2.5]]
    case.told("note", "decimal_comma")


def rows_of(reader, spec, *more) -> tuple[list, Problems]:
    """Return dates, gauges, discharges, temperatures and row numbers as read, and what was said."""
    problems = Problems()
    rows = reader(spec, *more, problems)
    if rows is None:
        return [], problems
    parts = [rows.dates[rows.date].tolist(), rows.gauges[rows.gauge].tolist(), rows.row.tolist()]
    return [*parts, *(np.nan_to_num(v, nan=-1.0).tolist() for v in (rows.discharge, rows.temperature))], problems


SOUND = ["1", " 2.5 ", "1e3", "", "NA", "n/a", "-", "nan", "ice", "ICE", "-9999", '"3"', "007"]
CELLS = st.sampled_from([*SOUND, *SOUND, "1,5", "inf", "x"])
DAYS = st.sampled_from(["2001-01-01", " 2001-01-02", "2001-01-03 ", '"2001-01-04"', "soon", "2001-01-06", ""])


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.tuples(DAYS, CELLS, st.sampled_from(["A", " B", "", '"C, D"']), CELLS), min_size=1, max_size=6),
    more=st.sampled_from(["", "\n", ",,,\n", '\n2001-01-09,1,"A', "1,2,3,4,5\n", "\ufeff"]),
    separator=st.sampled_from([",", ";", "\t"]),
)  # fmt: skip
def test_the_quick_way_reads_what_the_careful_one_does(case, rows, more, separator) -> None:
    lines = ["date,q,gauge, heat ", *(",".join(r) for r in rows)]
    body = "\n".join(line.replace(",", separator) for line in lines) + "\n"
    text = more + body if more == "\ufeff" else body + more.replace(",", separator)
    if "[flows]" not in case.text:
        case.text += FLOWS + 'discharge = "q"\ngauge = "gauge"\ntemperature = "heat"\nmissing = [-9999, "Ice"]\n'
    case.write("flows.csv", text)
    project = case.load()
    quick, said = rows_of(quick_rows, project.flows)
    if not quick:
        assert not list(said)
        return
    careful, told = rows_of(careful_rows, project.flows, project.basin.projection)
    assert quick == careful
    assert [p.line() for p in said] == [p.line() for p in told]


def test_a_long_table_is_read_the_quick_way_with_the_same_result(case) -> None:
    days = pd.date_range("1990-01-01", periods=9000).strftime("%Y-%m-%d")
    rng = np.random.default_rng(2)
    frame = pd.concat(
        pd.DataFrame({"gauge": f"G{g}", "date": days, "discharge": rng.lognormal(size=days.size)})
        for g in rng.permutation(6)
    )
    frame.to_csv(case.folder / "flows.csv", index=False)  # more than one block of the quick reader
    case.text += FLOWS + 'gauge = "gauge"\n'
    project = case.load()
    quick, _ = rows_of(quick_rows, project.flows)
    assert quick
    assert quick == rows_of(careful_rows, project.flows, project.basin.projection)[0]
    flows = read_flows(project, Problems())
    wide = frame.pivot_table(index="gauge", columns="date", values="discharge")
    assert flows.gauge.tolist() == wide.index.tolist()
    assert np.array_equal(flows.discharge, wide.to_numpy())
