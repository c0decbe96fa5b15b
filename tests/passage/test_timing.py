"""When the run comes by: by hand on short records, and against a slow and plain way on random ones."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

import numpy as np
import pytest

from barrierrank.inputs.flows import FlowRecords
from barrierrank.passage.passability import leap_day
from barrierrank.passage.timing import fill_gaps, run_weights
from barrierrank.problems import Problems
from barrierrank.project_dates import day_of_year, in_season
from barrierrank.project_passage import RunSpec

NAN = np.nan
LEAST = 0.9


def of(text: str) -> int:
    """Return the day of a leap year of a month-day."""
    day = day_of_year(text)
    assert day is not None
    return day


def by_date(*points: tuple[str, float], season: tuple[str, str] | None = None) -> RunSpec:
    first, last = season or (points[0][0], points[-1][0])
    return RunSpec("date", (of(first), of(last)), tuple((float(of(d)), w) for d, w in points), 0.0, 0)


def by_heat(curve: Sequence[tuple[float, float]], season: tuple[str, str], *, base: float | None = None) -> RunSpec:
    by = "temperature" if base is None else "degree_days"
    return RunSpec(by, (of(season[0]), of(season[1])), tuple(curve), base or 0.0, 0)


def records(first: str, last: str, *, gauges: int = 1) -> FlowRecords:
    """Return flows of 1 m3/s and 10 deg C from one day to another, both included."""
    day = np.arange(np.datetime64(first), np.datetime64(last) + 1)
    shape, none = (gauges, day.size), np.full(gauges, NAN)
    names = np.array([chr(65 + i) for i in range(gauges)], dtype=object)
    return FlowRecords(names, none, none, none, day, np.ones(shape), np.full(shape, 10.0))


def at(flows: FlowRecords, *days: str) -> list[int]:
    """Return the columns of days."""
    return [int((np.datetime64(d) - flows.day[0]).astype(int)) for d in days]


def told(problems: Problems, kind: str) -> str:
    return "\n".join(p.line() for p in problems if p.kind == kind)


def test_a_run_by_date_is_straight_between_its_points_and_sums_to_one() -> None:
    flows = records("2001-01-01", "2002-12-31")
    run = run_weights(by_date(("04-01", 0.0), ("04-03", 1.0), ("04-07", 0.0)), flows, LEAST, Problems())
    # weights 0, .5, 1, .75, .5, .25, 0: together 3
    first = at(flows, "2001-04-01")[0]
    assert run.weight[0, first : first + 7] == pytest.approx(np.array([0, 2, 4, 3, 2, 1, 0]) / 12)
    assert run.weight[0].sum() == pytest.approx(2.0)
    assert run.years.tolist() == [2001, 2002]
    assert run.complete.tolist() == [[True, True]]
    assert run.year[first : first + 7].tolist() == [0] * 7
    assert (run.year >= 0).sum() == 14


def test_a_date_has_its_weight_in_leap_years_and_others() -> None:
    flows = records("2003-01-01", "2004-12-31")
    run = run_weights(by_date(("02-27", 1.0), ("03-03", 5.0)), flows, LEAST, Problems())
    # days of a leap year: 27 Feb 1, 28 Feb 1.8, 29 Feb 2.6, 1 Mar 3.4, 2 Mar 4.2, 3 Mar 5
    got = run.weight[0, at(flows, "2003-02-27", "2003-02-28", "2003-03-01", "2003-03-02", "2003-03-03")]
    assert got == pytest.approx(np.array([1, 1.8, 3.4, 4.2, 5]) / 15.4)
    assert run.weight[0, at(flows, "2004-02-29", "2004-03-03")] == pytest.approx(np.array([2.6, 5]) / 18)


def test_a_season_that_passes_new_year_belongs_to_the_year_it_begins_in() -> None:
    flows = records("2001-01-01", "2003-06-30")
    run = run_weights(by_date(("12-30", 1.0), ("01-02", 1.0)), flows, LEAST, Problems())
    days = at(flows, "2001-12-29", "2001-12-30", "2001-12-31", "2002-01-01", "2002-01-02", "2002-01-03")
    assert run.year[days].tolist() == [-1, 0, 0, 0, 0, -1]
    assert run.weight[0, days] == pytest.approx([0.0, 0.25, 0.25, 0.25, 0.25, 0.0])
    assert run.year[at(flows, "2001-01-01")].tolist() == [-1]  # of the run of 2000, before the record
    assert run.complete.tolist() == [[True, True, False]]
    assert run.weight[0, : days[0]].sum() == 0.0


def test_beyond_the_curve_its_ends_hold_within_the_season_which_is_told() -> None:
    flows = records("2001-01-01", "2001-12-31")
    problems = Problems()
    run = run_weights(by_date(("05-02", 1.0), ("05-03", 3.0), season=("05-01", "05-04")), flows, LEAST, problems)
    days = at(flows, "2001-04-30", "2001-05-01", "2001-05-02", "2001-05-03", "2001-05-04", "2001-05-05")
    assert run.weight[0, days] == pytest.approx([0.0, 1 / 8, 1 / 8, 3 / 8, 3 / 8, 0.0])
    assert "its weight 1 on 05-02 holds to 05-01, where the season begins" in told(problems, "open_curve")
    assert "its weight 3 on 05-03 holds to 05-04, where the season ends" in told(problems, "open_curve")


def test_the_run_is_put_on_days_with_flow_and_few_of_it_may_lack() -> None:
    flows = records("2001-01-01", "2002-12-31")
    flows.discharge[0, at(flows, "2001-05-10", "2002-05-09", "2002-05-10")] = NAN
    problems = Problems()
    run = run_weights(by_date(("05-01", 1.0), ("05-10", 1.0)), flows, LEAST, problems)  # 10 days: 90 % and 80 %
    assert run.complete.tolist() == [[True, False]]
    days = at(flows, "2001-05-01", "2001-05-09", "2001-05-10", "2002-05-01")
    assert run.weight[0, days] == pytest.approx([1 / 9, 1 / 9, 0.0, 0.0])
    line = told(problems, "run_without_flow")
    assert "1 year(s) are left out" in line
    assert "gauge A: 2002" in line


def test_it_is_the_share_of_the_run_that_counts_not_of_days() -> None:
    flows = records("2001-01-01", "2001-12-31")
    flows.discharge[0, at(flows, "2001-05-01", "2001-05-02", "2001-05-03")] = NAN
    assert run_weights(by_date(("05-01", 0.0), ("05-31", 1.0)), flows, LEAST, Problems()).complete.all()
    assert not run_weights(by_date(("05-01", 1.0), ("05-31", 0.0)), flows, LEAST, Problems()).complete.any()


@pytest.mark.parametrize(("first", "last", "complete"), [
    ("2001-05-01", "2001-05-31", True), ("2001-05-02", "2001-12-31", False), ("2001-01-01", "2001-05-30", False),
])  # fmt: skip
def test_the_season_must_lie_wholly_in_the_record(first: str, last: str, complete: bool) -> None:
    run = run_weights(by_date(("05-01", 0.0), ("05-15", 1.0), ("05-31", 0.0)), records(first, last), 0.5, Problems())
    assert run.complete.tolist() == [[complete]]


@pytest.mark.parametrize(("season", "first", "last"), [
    (("02-29", "03-31"), "2001-03-01", "2001-03-31"), (("02-01", "02-29"), "2001-02-01", "2001-02-28"),
])  # fmt: skip
def test_a_season_from_or_to_29_february_has_its_neighbours_in_other_years(
    season: tuple[str, str], first: str, last: str
) -> None:
    spec = by_date((season[0], 1.0), (season[1], 1.0))
    run = run_weights(spec, records(first, last), LEAST, Problems())
    assert run.complete.tolist() == [[True]]
    assert run.weight[0] == pytest.approx(1 / run.weight.size)
    one_day_more = str(np.datetime64(first) + 1)
    assert not run_weights(spec, records(one_day_more, last), LEAST, Problems()).complete.any()


def test_one_gauge_more_changes_nothing_for_another() -> None:
    flows, alone = records("1999-01-01", "2003-12-31", gauges=2), records("2001-05-02", "2002-12-31")
    out = (flows.day < alone.day[0]) | (flows.day > alone.day[-1])
    flows.discharge[0, out] = NAN
    spec = by_date(("05-01", 0.0), ("05-15", 1.0), ("05-31", 0.0))
    both, one = run_weights(spec, flows, LEAST, Problems()), run_weights(spec, alone, LEAST, Problems())
    assert both.years.tolist() == [1999, 2000, 2001, 2002, 2003]
    assert both.complete.tolist() == [[False, False, False, True, False], [True] * 5]
    assert one.complete.tolist() == [[False, True]]
    assert both.weight[0, ~out] == pytest.approx(one.weight[0])


def test_a_run_by_temperature() -> None:
    flows = records("2001-01-01", "2002-12-31")
    flows.temperature[0] = 5.0
    flows.temperature[0, at(flows, "2001-05-01", "2001-05-02", "2001-05-03", "2001-08-01")] = 9.0, 10.0, 20.0, 12.0
    problems = Problems()
    spec = by_heat([(8.0, 0.0), (12.0, 1.0)], ("04-01", "06-30"))
    run = run_weights(spec, flows, LEAST, problems, at="species.char.run")
    got = run.weight[0, at(flows, "2001-05-01", "2001-05-02", "2001-05-03", "2001-05-04", "2001-08-01")]
    assert got == pytest.approx(np.array([0.25, 0.5, 1.0, 0.0, 0.0]) / 1.75)
    assert run.complete.tolist() == [[True, False]]
    line = told(problems, "no_run")
    assert "[species.char.run]: 1 year(s) are left out" in line
    assert "gauge A: 2002" in line
    assert line.startswith("note")


def test_short_gaps_of_temperature_are_bridged_and_long_ones_not() -> None:
    value = np.array([[NAN, 1.0, NAN, NAN, 4.0, *[NAN] * 6, 11.0, *[NAN] * 5, 5.0, NAN], [NAN] * 19])
    got = fill_gaps(value)
    assert got[0, :5] == pytest.approx([NAN, 1.0, 2.0, 3.0, 4.0], nan_ok=True)
    assert np.isnan(got[0, 5:11]).all()
    assert got[0, 11:] == pytest.approx([11.0, 10.0, 9.0, 8.0, 7.0, 6.0, 5.0, NAN], nan_ok=True)
    assert np.isnan(got[1]).all()
    assert np.isnan(value[0, 2])  # the caller's data are as they were


def test_too_few_temperatures_leave_a_year_out() -> None:
    flows = records("2001-01-01", "2003-12-31")
    for year, days in (("2001", 10), ("2002", 9)):  # of 91 days of the season
        start = at(flows, f"{year}-05-01")[0]
        flows.temperature[0, start : start + days] = NAN
    problems = Problems()
    run = run_weights(by_heat([(8.0, 0.0), (12.0, 1.0)], ("04-01", "06-30")), flows, LEAST, problems)
    assert run.complete.tolist() == [[False, True, True]]
    assert run.weight[0, at(flows, "2002-05-01", "2002-04-30")] == pytest.approx([0.0, 1 / 82])
    assert "gauge A: 2001" in told(problems, "run_not_timed")


def test_degree_days_are_counted_from_the_first_day_of_the_season() -> None:
    flows = records("2001-01-01", "2002-12-31")
    flows.temperature[0, at(flows, "2001-04-02")] = -3.0
    spec = by_heat([(8.0, 0.0), (12.0, 1.0), (20.0, 1.0), (24.0, 0.0)], ("04-01", "04-30"), base=6.0)
    run = run_weights(spec, flows, LEAST, Problems())
    # 4 a day, none on 2 April 2001: 4, 4, 8, 12, 16, 20, 24 and 4, 8, 12, 16, 20, 24 at the end of each day
    first, second = at(flows, "2001-04-01", "2002-04-01")
    assert run.weight[0, first : first + 8] == pytest.approx(np.array([0, 0, 0, 1, 1, 1, 0, 0]) / 3)
    assert run.weight[0, second : second + 7] == pytest.approx(np.array([0, 0, 1, 1, 1, 0, 0]) / 3)


def test_degree_days_in_a_season_that_passes_new_year() -> None:
    flows = records("2001-01-01", "2003-12-31")
    spec = by_heat([(29.0, 0.0), (30.0, 1.0), (40.0, 1.0), (41.0, 0.0)], ("12-30", "02-28"), base=0.0)
    run = run_weights(spec, flows, LEAST, Problems())  # 10, 20, 30, 40, 50, ...
    days = at(flows, "2001-12-31", "2002-01-01", "2002-01-02", "2002-01-03")
    assert run.weight[0, days] == pytest.approx([0.0, 0.5, 0.5, 0.0], abs=1e-12)
    assert run.complete.tolist() == [[True, True, False]]


def test_after_a_long_gap_degree_days_are_known_only_where_the_curve_is_passed() -> None:
    flows = records("2001-01-01", "2002-12-31")
    for first in ("2001-04-03", "2002-04-20"):
        start = at(flows, first)[0]
        flows.temperature[0, start : start + 7] = NAN
    spec = by_heat([(40.0, 0.0), (80.0, 1.0), (120.0, 0.0)], ("04-01", "06-30"), base=0.0)
    problems = Problems()
    run = run_weights(spec, flows, LEAST, problems)
    assert run.complete.tolist() == [[False, True]]  # in 2002 the run was over on 12 April
    whole = run_weights(spec, records("2002-01-01", "2002-12-31"), LEAST, Problems())
    assert run.weight[0, 365:] == pytest.approx(whole.weight[0])
    assert "2001" in told(problems, "run_not_timed")


def test_a_gauge_without_a_complete_year_is_told() -> None:
    flows = records("2001-01-01", "2003-12-31", gauges=3)
    flows.discharge[1] = NAN
    problems = Problems()
    spec = by_date(("04-01", 0.0), ("04-03", 1.0), ("05-01", 0.0))
    run = run_weights(spec, flows, LEAST, problems, at="species.a.run")
    assert run.complete.all(axis=1).tolist() == [True, False, True]
    line = told(problems, "no_complete_year")
    assert line.startswith("warning: flows: [species.a.run]: gauge B: no season from 04-01 to 05-01 is complete")
    assert "-> give a longer record" in line


def test_the_remedy_is_that_of_the_cause() -> None:
    flows = records("2001-01-01", "2003-12-31")
    spec = by_heat([(40.0, 0.0), (80.0, 1.0), (120.0, 0.0)], ("04-01", "06-30"), base=0.0)
    flows.temperature[0] = 0.0  # no degree-day ever
    problems = Problems()
    run_weights(spec, flows, LEAST, problems)
    line = told(problems, "no_complete_year")
    assert "no day has a weight above 0: check the season and the curve of degree-days" in line
    flows.temperature[0] = NAN
    problems = Problems()
    run_weights(spec, flows, LEAST, problems)
    assert "fill gaps of the temperatures" in told(problems, "no_complete_year")


def test_a_run_of_29_february_comes_in_leap_years() -> None:
    flows = records("2001-01-01", "2005-12-31")
    spec = RunSpec("date", (60, 60), ((60.0, 1.0), (60.0, 1.0)), 0.0, 0)
    run = run_weights(spec, flows, LEAST, Problems())
    assert run.complete.tolist() == [[False, False, False, True, False]]
    assert run.weight[0, at(flows, "2004-02-29")] == pytest.approx([1.0])


def test_a_season_of_the_whole_year() -> None:
    flows = records("2001-01-01", "2004-12-31")
    run = run_weights(by_date(("10-01", 1.0), ("09-30", 1.0)), flows, LEAST, Problems())
    assert run.complete.tolist() == [[True, True, True, False]]
    assert run.year[at(flows, "2001-09-30", "2001-10-01", "2002-09-30", "2002-10-01")].tolist() == [-1, 0, 0, 1]
    assert run.weight[0, at(flows, "2002-09-30")] == pytest.approx([1 / 365])


def plain_weights(spec: RunSpec, flows: FlowRecords, g: int, year: int) -> dict[int, float] | None:
    """Return the weights of one run by column, day after day as the words say; None where the year does not count."""
    heat = fill_gaps(flows.temperature)[g]
    start = next(d for d in range(366) if leap_number(year, d) >= spec.season[0])
    days, today = [], datetime.date(year, 1, 1) + datetime.timedelta(start)
    while in_season(leap_of(today), spec.season):
        days.append((np.datetime64(today, "D") - flows.day[0]).astype(int))
        today += datetime.timedelta(1)
    known = np.flatnonzero(~np.isnan(flows.discharge[g]))
    if not known.size or days[0] < known[0] or days[-1] > known[-1]:
        return None
    x, w = np.array(spec.curve).T
    weight, total = {}, 0.0
    lost = False
    for d in days:
        if spec.by == "date":
            since = (leap_of(flows.day[d].item()) - spec.season[0]) % 366
            weight[d] = np.interp(since, (x - spec.season[0]) % 366, w)
        elif spec.by == "temperature":
            weight[d] = np.interp(heat[d], x, w)
        else:
            lost |= bool(np.isnan(heat[d]))
            total += 0.0 if np.isnan(heat[d]) else max(heat[d] - spec.base_c, 0.0)
            weight[d] = np.interp(total, x, w) if not lost or total >= x[-1] else NAN
    timed = {d: v for d, v in weight.items() if not np.isnan(v)}
    usable = {d: v for d, v in timed.items() if not np.isnan(flows.discharge[g, d])}
    whole, there = sum(timed.values()), sum(usable.values())
    if len(timed) < LEAST * len(days) or there <= 0 or there < LEAST * whole:
        return None
    return {d: v / there for d, v in usable.items()}


def leap_of(day: datetime.date) -> int:
    return datetime.date(2000, day.month, day.day).timetuple().tm_yday


def leap_number(year: int, offset: int) -> int:
    day = datetime.date(year, 1, 1) + datetime.timedelta(offset)
    return leap_of(day) if day.year == year else 367


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("by", ["date", "temperature", "degree_days"])
def test_against_the_plain_way(by: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    flows = records(f"1999-0{rng.integers(1, 9)}-05", f"2005-0{rng.integers(1, 9)}-20", gauges=3)
    of_year = leap_day(flows.day)
    flows.temperature[:] = 10 - 9 * np.cos((of_year - 20) / 58.1) + rng.normal(0, 1.5, flows.discharge.shape)
    for table in (flows.discharge, flows.temperature):
        for _ in range(25):
            g, d, n = rng.integers(3), rng.integers(flows.day.size), rng.integers(1, 15)
            table[g, d : d + n] = NAN
    season = (int(rng.integers(1, 367)), 0)
    season = (season[0], int((season[0] + rng.integers(20, 150) - 1) % 366 + 1))
    span = (season[1] - season[0]) % 366
    since = np.unique(rng.integers(0, span + 1, 5))
    x = (season[0] + since - 1) % 366 + 1.0
    if by != "date":
        x = np.sort(rng.uniform(0.0, 20.0 if by == "temperature" else 900.0, since.size))
    w = rng.choice([0.0, 1.0, 0.3], since.size)
    w[rng.integers(since.size)] = 0.7
    spec = RunSpec(by, season, tuple(zip(x.tolist(), w.tolist(), strict=True)), 4.0, 0)
    run = run_weights(spec, flows, LEAST, Problems())
    found = 0
    for g in range(3):
        wanted = np.zeros(flows.day.size)
        for y, year in enumerate(run.years.tolist()):
            plain = plain_weights(spec, flows, g, year)
            assert run.complete[g, y] == (plain is not None), (g, year)
            for d, v in (plain or {}).items():
                wanted[d] = v
                assert run.year[d] == y
            found += plain is not None
        assert run.weight[g] == pytest.approx(wanted, abs=1e-12)
    assert found > 0
