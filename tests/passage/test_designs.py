"""Design checks of a project: which flood, which low flow, logs in or out, and crests below the water."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from support.small_passage import HIGH_Q, LOW_Q, SmallPassage, Worked, flows

from barrierrank.passage.design import AS_MEASURED
from barrierrank.passage.designs import SpeciesDesign, design_of, logs_in_run, low_flows, tell_drops
from barrierrank.passage.frequency import log_pearson3
from barrierrank.problems import Problems

FLOODS = (4.0, 6.0, 9.0, 5.0, 7.0, 8.0, 12.0, 5.5, 6.5, 7.5)


@pytest.fixture
def small(tmp_path: Path) -> SmallPassage:
    """Return a small project whose passabilities can be counted by hand; see `support.small_passage`."""
    return SmallPassage(tmp_path / "basin")


def designs(worked: Worked) -> tuple[list[SpeciesDesign], Problems]:
    """Return the design checks and what is told on the way."""
    assert worked.measured is not None
    problems = Problems()
    return design_of(worked.project, worked.measured, problems), problems


def record(first: int, floods: tuple[float, ...], *, month: str = "05-10", winter: float = 1.0) -> str:
    """Return daily flows of 2 m3/s in the run and 1 m3/s out of it, with a flood on one day of each year.

    `winter`: the flow on 20 November of each year.
    """
    lines = flows(years=tuple(range(first, first + len(floods))), high=(0,) * len(floods)).splitlines()
    out = [lines[0]]
    for line in lines[1:]:
        date, q = line.split(",")
        year, day = int(date[:4]), date[5:]
        q = str(floods[year - first]) if day == month else str(winter) if day == "11-20" else q
        out.append(f"{date},{q}")
    return "\n".join(out) + "\n"


class TestFlood:
    """Of the run or of the year; with the peak factor; none without three years."""

    def test_of_the_run(self, small: SmallPassage) -> None:
        small.write("flows.csv", record(2001, FLOODS, winter=30.0))
        made, problems = designs(small.worked())
        fit = log_pearson3(np.array(FLOODS))
        ten = float(fit.flow(10.0))
        assert made[0].check.design_flow == pytest.approx([ten] * 3)
        # D1: the water below stands at 99 + q / 10 up to 10 m3/s, 100 + (q - 10) / 20 above
        below = 99.0 + ten / 10 if ten <= 10.0 else 100.0 + (ten - 10.0) / 20.0
        assert made[0].check.drop[0, AS_MEASURED] == pytest.approx(100.0 - below)
        assert made[0].check.required_drop.tolist() == [0.45] * 3
        assert made[0].floods[0] is not None
        assert made[0].floods[0].years == 10
        assert not list(problems), "ten years are not few"

    def test_of_the_year_from_october_on(self, small: SmallPassage) -> None:
        small.write("flows.csv", record(2001, FLOODS, winter=30.0))
        small.text += '\n[passage]\ndesign_season = "year"\n'
        fit = designs(small.worked())[0][0].floods[0]
        assert fit is not None
        # nine whole years from October 2001 on, each with the winter's 30 m3/s; the first one begins in January and has
        # too few days, the last ends in December
        assert fit.years == 9
        assert float(fit.flow(10.0)) == pytest.approx(30.0)

    def test_records_from_before_1970_count_by_the_year_too(self, small: SmallPassage) -> None:
        small.write("flows.csv", record(1955, FLOODS))
        small.text += '\n[passage]\ndesign_season = "year"\n'
        fit = designs(small.worked())[0][0].floods[0]
        assert fit is not None
        assert fit.years == 9
        assert fit.mean == pytest.approx(np.log10(FLOODS[1:]).mean())

    def test_peak_factor_and_return_years(self, small: SmallPassage) -> None:
        small.write("flows.csv", record(2001, FLOODS))
        small.text += "\n[passage]\npeak_factor = 1.5\ndesign_return_years = 25\n"
        check = designs(small.worked())[0][0].check
        assert check.design_flow[0] == pytest.approx(1.5 * float(log_pearson3(np.array(FLOODS)).flow(25.0)))

    def test_a_year_that_is_not_complete_does_not_count(self, small: SmallPassage) -> None:
        text = record(2001, FLOODS)
        # the run of 2007, which has the greatest flood, lacks three weeks
        lost = "\n".join(line for line in text.splitlines() if not "2007-04-05" <= line[:10] <= "2007-04-25")
        small.write("flows.csv", lost + "\n")
        fit = designs(small.worked())[0][0].floods[0]
        assert fit is not None
        assert fit.years == 9
        assert fit.mean == pytest.approx(np.log10(np.delete(FLOODS, 6)).mean())

    def test_few_years_are_noted_once(self, small: SmallPassage) -> None:
        start, end = small.text.index("[species.lamprey.swimming]"), small.text.index("[species.walleye.swimming]")
        small.text += small.text[start:end].replace("lamprey", "goby")
        goby = '[species.goby]\nrole = "invasive"\nvalue = -1.0\npassability = "computed"\n\n'
        small.edit("[species.walleye]\n", f"{goby}[species.walleye]\n")
        made, problems = designs(small.worked())
        assert len(made) == 2
        told = [p for p in problems if p.kind == "few_years"]
        assert len(told) == 1
        assert told[0].severity == "note"
        assert "gauge flows has 4 years with flow for the design flood of 10 years" in told[0].message
        assert "rough guess" in told[0].remedy

    @pytest.mark.parametrize("years", [1, 2])
    def test_without_three_years_there_is_no_design_flood(self, small: SmallPassage, years: int) -> None:
        small.write("flows.csv", record(2001, FLOODS[:years]))
        made, problems = designs(small.worked())
        assert made[0].floods == (None,)
        assert np.isnan(made[0].check.design_flow).all()
        assert np.isnan(made[0].check.drop).all()
        assert made[0].check.drop_at_low_flow[0] == pytest.approx(100.0 - 99.2)
        told = [p for p in problems if p.kind == "few_years"]
        assert len(told) == 1
        assert f"has {years} year" in told[0].message
        assert "the raise needed are not known" in told[0].remedy

    def test_gauges_that_no_structure_uses_are_not_looked_at(self, small: SmallPassage) -> None:
        head, *lines = flows().splitlines()
        rows = [f"{line},{g}" for g in ("main", "idle") for line in lines]
        small.write("flows.csv", f"{head},g\n" + "\n".join(rows) + "\n")
        small.edit('discharge = "q"\n', 'discharge = "q"\ngauge = "g"\n')
        small.change("structures.csv", "flow_a,flow_b", "flow_a,flow_b,gauge")
        text = (small.folder / "structures.csv").read_text(encoding="utf-8")
        small.write("structures.csv", text.replace(",1,1\n", ",1,1,main\n"))
        made, problems = designs(small.worked())
        assert [fit is None for fit in made[0].floods] == [True, False]  # in the order of the alphabet: idle, main
        assert [p.message.split()[2] for p in problems] == ["main"]


class TestWhom:
    """Invaders that a drop stops, with abilities and a run."""

    def test_natives_and_leapers_have_no_design_check(self, small: SmallPassage) -> None:
        small.edit("required_drop_m = 0.45\nrequired_drop_lip_m = 0.25\n", "leap_m = 0.5\n")
        small.text = small.text.replace('moves = "swims"', 'moves = "leaps"', 1)
        assert designs(small.worked())[0] == []

    def test_the_lip_has_its_own_drop(self, small: SmallPassage) -> None:
        small.change("structures.csv", "D1,weir,100.0,8,99.2,,", "D1,weir,100.0,8,99.2,0.15,")
        made = designs(small.worked())[0]
        assert [d.species for d in made] == [0]
        assert made[0].check.required_drop.tolist() == [0.25, 0.45, 0.45]


class TestLowFlow:
    """The discharge exceeded on 95 % of the days of the run."""

    def test_by_hand(self, small: SmallPassage) -> None:
        worked = small.worked()
        assert worked.measured is not None
        assert low_flows(worked.measured, 0).tolist() == pytest.approx([LOW_Q] * 3)
        # flows of the run alone: the days of 1 m3/s out of it do not count; carried over like any flow
        small.change("structures.csv", "99.0,10,1,1\nD2", "99.0,10,0.5,2\nD2")
        worked = small.worked()
        assert worked.measured is not None
        assert low_flows(worked.measured, 0) == pytest.approx([0.5 * LOW_Q**2, LOW_Q, LOW_Q])

    def test_between_days(self, small: SmallPassage) -> None:
        # 90 days of 1 to 90 m3/s in one year: 95 % of 91 positions lie at 86.45, between the flows 5 and 4
        head, *lines = flows(years=(2001,), high=(0,)).splitlines()
        dates = [line.split(",")[0] for line in lines]
        first = dates.index("2001-04-01")
        rows = [f"{d},{i - first + 1 if first <= i < first + 90 else 1}" for i, d in enumerate(dates)]
        small.write("flows.csv", "\n".join([head, *rows]) + "\n")
        worked = small.worked()
        assert worked.measured is not None
        assert low_flows(worked.measured, 0)[0] == pytest.approx(91 - 86.45)

    def test_a_structure_without_flows_has_none(self, small: SmallPassage) -> None:
        small.change("structures.csv", "D1,weir,100.0,8,99.2,,,,,99.0,10,1,1", "D1,weir,100.0,8,99.2,,,,,99.0,10,,")
        small.give("D1", 0.2, 0.3)
        worked = small.worked()
        assert worked.measured is not None
        assert np.isnan(low_flows(worked.measured, 0)).tolist() == [True, False, False]
        assert np.isnan(designs(worked)[0][0].check.design_flow).tolist() == [True, False, False]


class TestLogs:
    """Logs are in for the check where they are in while at least half of the run comes by."""

    @pytest.mark.parametrize(
        ("logs_in", "logs_out", "there"),
        [
            ("", "", True),  # all the year
            ("04-01", "06-29", True),
            ("03-01", "05-15", True),  # 45 of 90 days
            ("03-01", "05-14", False),
            ("05-16", "04-15", True),  # over new year, out from 16 April to 15 May: 60 days in
            ("06-15", "04-15", False),  # 15 and 15 days
            ("08-01", "10-01", False),
        ],
    )
    def test_by_hand(self, small: SmallPassage, logs_in: str, logs_out: str, there: bool) -> None:
        row = f"D1,weir,100.0,8,99.2,,0.4,{logs_in},{logs_out},"
        small.change("structures.csv", "D1,weir,100.0,8,99.2,,,,,", row)
        worked = small.worked()
        assert worked.measured is not None
        assert logs_in_run(worked.measured, 0).tolist() == [there, True, True]
        made = designs(worked)[0][0]
        assert made.logs_in.tolist() == [there, True, True]
        crest = 100.4 if there else 100.0
        assert made.check.drop_at_low_flow[0] == pytest.approx(crest - 99.2)
        assert made.check.drop[0, AS_MEASURED] == pytest.approx(crest - (99.0 + HIGH_Q / 10.0))


class TestNegativeDrop:
    """Crests below the water at low flow are warned of."""

    def told(self, worked: Worked) -> list[str]:
        assert worked.measured is not None
        problems = Problems()
        made = design_of(worked.project, worked.measured, Problems())
        tell_drops(worked.measured, made, worked.inputs.sites, problems)
        assert all(p.severity == "warning" for p in problems)
        return [p.line() for p in problems if p.kind == "negative_drop"]

    def test_sound_crests_are_not(self, small: SmallPassage) -> None:
        assert self.told(small.worked()) == []

    def test_a_crest_in_another_datum(self, small: SmallPassage) -> None:
        small.change("structures.csv", "D2,weir,100.4,8,99.4", "D2,weir,99.15,8,98.5")
        told = self.told(small.worked())
        assert len(told) == 1
        # at 2 m3/s the water below stands at 99.2 m
        assert 'site "D2": at low flow (2 m3/s) the water below stands 0.05 m above the crest' in told[0]
        assert "one datum" in told[0]

    def test_without_an_invader_the_first_species_low_flow_counts(self, small: SmallPassage) -> None:
        small.change("structures.csv", "D2,weir,100.4,8,99.4", "D2,weir,99.15,8,98.5")
        start, end = small.text.index("[species.lamprey.swimming]"), small.text.index("[species.walleye.swimming]")
        small.text = small.text[:start] + small.text[end:]
        small.edit('passability = "p_lamprey"', "passability = 0.5")
        worked = small.worked()
        assert designs(worked)[0] == []
        assert len(self.told(worked)) == 1

    def test_a_culvert_under_water_is_no_fault(self, small: SmallPassage) -> None:
        columns = "site,kind,shape,rise_m,length_m,inlet_m,outlet_m,barrel_n,entrance,flow_a,flow_b"
        entrance = '"concrete pipe, square edge in headwall"'
        rows = (f"D1,culvert,circular,2,10,98.9,98.8,0.013,{entrance},1,1", "D2,none,,,,,,,,1,1", "D3,none,,,,,,,,1,1")
        small.write("structures.csv", "\n".join([columns, *rows]) + "\n")
        small.actions("note", "D1,repair,1,")
        worked = small.worked()
        assert worked.measured is not None
        check = designs(worked)[0][0].check
        assert check.perch[0] == pytest.approx(98.8 - 99.2)
        assert self.told(worked) == []
