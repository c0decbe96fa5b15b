"""Passability of sites as they are: given before tried before worked out, and what is said where nothing is known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.small_passage import STRUCTURES, SmallPassage, flows, ratings

from barrierrank.basin import with_passage
from barrierrank.passage import kernels_fields as f
from barrierrank.passage.assemble import COLUMNS
from barrierrank.passage.results import Passage
from barrierrank.problems import InputError


@pytest.fixture
def small(tmp_path: Path) -> SmallPassage:
    """Return a small project whose passabilities can be counted by hand."""
    return SmallPassage(tmp_path / "basin")


def test_every_column_of_a_structure_is_filled_from_the_table() -> None:
    assert sorted([*COLUMNS.values(), f.TAIL_SHIFT]) == list(range(f.FIELDS))


def test_by_hand_what_is_worked_out(small: SmallPassage) -> None:
    worked = small.worked()
    # D1: 100.0 - 99.2 = 0.8 m and 100.0 - 99.7 = 0.3 m of drop; the lamprey (0.45 m) gets past at high water alone,
    # on 0.1, 0.2, 0.3 and 0.4 of the runs. D2: 1.2 m and 0.7 m: the walleye (0.9 m) at high water. D3: nothing there.
    assert worked.today.p == pytest.approx(np.array([[0.25, 1.0], [0.0, 0.25], [1.0, 1.0]]))
    assert (worked.today.source == "computed").all()
    assert (worked.today.trial == -1).all()
    assert worked.measured is not None
    assert worked.measured.passage.p[0, 0] == pytest.approx([0.1, 0.2, 0.3, 0.4])
    assert not worked.problems.of("error")
    assert not worked.problems.of("warning")
    filled = with_passage(worked.inputs, worked.work)
    assert np.array_equal(filled.sites.passability, worked.today.p)
    assert np.isnan(worked.inputs.sites.passability).all(), "what was read is left as it was"


def test_a_lip_lowers_the_drop_that_is_needed(small: SmallPassage) -> None:
    small.change("structures.csv", "D1,weir,100.0,8,99.2,,", "D1,weir,100.0,8,99.2,0.15,")
    # with a lip 0.25 m are enough for the lamprey, and 0.3 m are left; nothing is said of the walleye
    assert small.worked().today.p[0] == pytest.approx([0.0, 1.0])


def test_the_drainage_area_of_the_table_comes_before_that_of_the_site(small: SmallPassage) -> None:
    small.write("gauges.csv", "gauge,area_km2\nflows,10\n")
    small.edit('discharge = "q"\n', 'discharge = "q"\ngauges = "gauges.csv"\nratio_high = 5\n')
    table = STRUCTURES.replace("flow_a,flow_b", "drainage_area_km2,note").replace(",1,1\n", ",,\n")
    small.write("structures.csv", table.replace("99.0,10,,\nD2", "99.0,10,20,\nD2"))
    measured = small.worked(area_km2=np.array([40.0, 10.0, 5.0])).measured
    assert measured is not None
    assert measured.structures.flow_factor.tolist() == [2.0, 1.0, 0.5]
    assert measured.structures.gauge.tolist() == [0, 0, 0]


class TestPrecedence:
    """Given > trial > computed."""

    def test_cell_by_cell(self, small: SmallPassage) -> None:
        small.give("D1", "0.6", "")
        small.trials("D1,,lamprey,40,0", "D1,,walleye,8,2", "D2,,walleye,98,48")
        worked = small.worked()
        assert worked.today.source.tolist() == [["given", "trial"], ["computed", "trial"], ["computed"] * 2]
        # Beta(1, 1): (2 + 1) / (8 + 2) = 0.3; (48 + 1) / 100 = 0.49
        assert worked.today.p == pytest.approx(np.array([[0.6, 0.3], [0.0, 0.49], [1.0, 1.0]]))

    def test_the_invader_takes_the_upper_bound_the_native_the_mean(self, small: SmallPassage) -> None:
        small.trials("D1,,lamprey,40,0", "D1,,walleye,40,0")
        worked = small.worked()
        # none of 40: upper bound 1 - 0.05^(1/40); mean 1 / 42
        assert worked.today.p[0] == pytest.approx([1.0 - 0.05 ** (1 / 40), 1.0 / 42.0])
        trial = worked.today.trial[0]
        assert worked.tried.trials.offered[trial].tolist() == [40, 40]
        assert worked.tried.stands_for[trial] == pytest.approx(worked.today.p[0])

    def test_the_mean_stands_for_the_invader_where_the_project_says_so(self, small: SmallPassage) -> None:
        small.trials("D1,,lamprey,40,0")
        small.edit('path = "trials.csv"\n', 'path = "trials.csv"\ninvasive = "mean"\n')
        assert small.worked().today.p[0, 0] == pytest.approx(1.0 / 42.0)

    def test_trials_of_an_action_say_nothing_of_the_site_as_it_is(self, small: SmallPassage) -> None:
        small.trials("D1,raise,lamprey,40,0", ",raise,walleye,40,0")
        assert (small.worked().today.source == "computed").all()

    def test_trials_that_differ_are_told(self, small: SmallPassage) -> None:
        small.trials("D1,,walleye,40,38", "D1,,walleye,40,2")
        told = small.worked().told("trials_differ", "warning")
        assert len(told) == 1
        assert "2 trials of walleye differ more than chance would have it" in told[0]
        small.trials("D1,,walleye,40,20", "D1,,walleye,40,22")
        assert not small.worked().told("trials_differ")

    def test_a_given_number_far_from_what_is_worked_out_is_noted(self, small: SmallPassage) -> None:
        small.give("D1", "0.6", "0.95")  # 0.25 and 1.0 are worked out: 0.35 and 0.05 off
        told = small.worked().told("given_unlike_computed", "note")
        assert len(told) == 1
        assert 'site "D1": the passability given for Sea lamprey, 0.60, is used' in told[0]
        assert "would make it 0.25" in told[0]
        assert "leave the cell empty" in told[0]

    def test_one_number_for_all_sites_is_given(self, small: SmallPassage) -> None:
        small.edit('passability = "p_walleye"', "passability = 0.4")
        worked = small.worked()
        assert worked.today.p[:, 1].tolist() == [0.4, 0.4, 0.4]
        assert (worked.today.source[:, 1] == "given").all()

    def test_computed_everywhere_looks_at_no_column(self, small: SmallPassage) -> None:
        small.give("D1", "0.6", "0.5")
        small.edit('passability = "p_lamprey"', 'passability = "computed"')
        worked = small.worked()
        assert worked.today.p[0] == pytest.approx([0.25, 0.5])


class TestNothingKnown:
    """Errors name the sites and the reason; nothing is guessed."""

    def test_sites_that_are_not_measured(self, small: SmallPassage) -> None:
        small.measured("D1")
        worked = small.worked()
        told = worked.told("missing_passability", "error")
        assert len(told) == 1  # of both species, for they share it
        assert '[species.lamprey], [species.walleye] passability: sites "D2", "D3": not given, and it' in told[0]
        assert told[0].count("not measured in [structures] ->") == 1
        assert np.isnan(worked.today.p[1:]).all()
        assert worked.today.source[1:].tolist() == [["", ""], ["", ""]]
        small.trials("D2,,lamprey,4,1")
        told = small.worked().told("missing_passability", "error")
        assert [line.count("[species.") for line in told] == [1, 1]  # one of them lacks more sites than the other
        assert '[species.lamprey] passability: site "D3"' in told[0]
        assert "the site is not measured in [structures], nor tried in [trials]" in told[0]

    def test_a_species_without_swimming(self, small: SmallPassage) -> None:
        start = small.text.index("[species.walleye.swimming]")
        small.text = small.text[:start]
        # an empty cell is a fault of the table of sites where nothing could fill it
        with pytest.raises(InputError, match="no passability"):
            small.worked()
        small.trials("D1,,walleye,8,2")
        worked = small.worked()
        told = worked.told("missing_passability", "error")
        assert len(told) == 1
        assert 'sites "D2", "D3"' in told[0]
        assert "[species.walleye.swimming] and [species.walleye.run] are not given" in told[0]
        assert worked.measured is not None
        assert worked.measured.species.tolist() == [0]
        assert worked.today.p[:, 0] == pytest.approx([0.25, 0.0, 1.0])

    def test_a_species_without_swimming_whose_numbers_are_given(self, small: SmallPassage) -> None:
        small.text = small.text[: small.text.index("[species.walleye.swimming]")]
        small.edit('passability = "p_walleye"', "passability = 0.4")
        small.actions("passability_walleye,change,change_m", "D1,raise,1000,0.2,raise,0.5")
        worked = small.worked()
        assert not worked.problems.of("error")
        assert worked.today.p == pytest.approx(np.array([[0.25, 0.4], [0.0, 0.4], [1.0, 0.4]]))
        assert worked.after.p == pytest.approx(np.array([[0.0, 0.2]]))

    def test_without_structures_trials_alone_count(self, small: SmallPassage) -> None:
        start, end = small.text.index("[structures]"), small.text.index("[species.lamprey.swimming]")
        small.text = small.text[:start] + small.text[end:]
        small.actions("note", "D1,repair,1000,")
        small.trials("D1,,lamprey,40,0")
        worked = small.worked()
        assert worked.measured is None
        told = worked.told("missing_passability", "error")
        assert any("there are no [structures] to work it out from" in line for line in told)
        assert worked.today.source[0].tolist() == ["trial", ""]

    def test_flows_that_cannot_be_carried_over(self, small: SmallPassage) -> None:
        small.change("structures.csv", "D1,weir,100.0,8,99.2,,,,,99.0,10,1,1", "D1,weir,100.0,8,99.2,,,,,99.0,10,,")
        worked = small.worked()
        told = worked.told("missing_passability", "error")
        assert len(told) == 1
        assert 'site "D1"' in told[0]
        assert "the flow at the site is not known" in told[0]

    def test_each_reason_has_its_sites(self, small: SmallPassage) -> None:
        rows = STRUCTURES.splitlines(keepends=True)
        small.write("structures.csv", rows[0] + rows[1].replace("1,1\n", ",\n") + rows[2])
        small.write("ratings.csv", ratings("D1", "D2"))
        told = small.worked().told("missing_passability", "error")
        assert len(told) == 2
        assert 'site "D1": not given, and it cannot be worked out: the flow at the site' in told[0]
        assert 'site "D3": not given, and it cannot be worked out: the site is not measured' in told[1]

    def test_a_record_too_short_for_the_run(self, small: SmallPassage) -> None:
        head, *lines = flows(years=(2001,), high=(9,)).splitlines()
        small.write("flows.csv", "\n".join([head, *lines[:120]]) + "\n")  # ends on 30 April
        worked = small.worked()
        told = worked.told("missing_passability", "error")
        assert len(told) == 1
        assert "no year of the record has a run that can be timed and has flows on enough of its days" in told[0]
        assert worked.told("no_complete_year", "warning")
        assert np.isnan(worked.today.p).all()

    def test_water_that_cannot_be_worked_out_is_warned_of(
        self, small: SmallPassage, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from barrierrank.passage import today  # noqa: PLC0415

        right = today.run_passability

        def no_channel(structures, *rest, **options):
            structures.numbers[0, f.TAIL] = f.TAIL_CHANNEL
            structures.numbers[0, f.CHANNEL_N] = np.nan
            return right(structures, *rest, **options)

        monkeypatch.setattr(today, "run_passability", no_channel)
        worked = small.worked()
        told = worked.told("no_state", "warning")
        assert len(told) == 1
        assert "structures.csv" in told[0]
        assert "row 2: what the water does cannot be worked out on 360 days of the runs" in told[0]  # 4 x 90, once each
        errors = worked.told("missing_passability", "error")
        assert all('site "D1"' in line and "could not be worked out" in line for line in errors)
        assert len(errors) == 1
        assert worked.today.p[1:] == pytest.approx(np.array([[0.0, 0.25], [1.0, 1.0]]))


def test_a_record_without_any_flow_above_zero_is_judged_all_the_same(small: SmallPassage) -> None:
    dry = "\n".join(f"{line.split(',')[0]},0" for line in flows().splitlines()[1:])
    small.write("flows.csv", f"date,q\n{dry}\n")
    worked = small.worked()
    # without flow the water below is at 99 m: 1.0 m and 1.4 m of drop stop both; D3 is open
    assert worked.today.p == pytest.approx(np.array([[0.0, 0.0], [0.0, 0.0], [1.0, 1.0]]))


def test_means_have_a_column_for_every_species(small: SmallPassage) -> None:
    measured = small.worked().measured
    assert measured is not None
    one = replace(measured, species=np.array([2]))
    years = np.arange(2)
    passage = Passage(years, np.array([[[0.2, np.nan]]]), *(np.zeros((1, 1, 2)),) * 2, np.zeros((1, 1, 6)))
    means = one.means(passage, 4)
    assert means.shape == (1, 4)
    assert means[0, 2] == pytest.approx(0.2)
    assert np.isnan(means[0, [0, 1, 3]]).all()
    assert measured.row_of_site(5).tolist() == [0, 1, 2, -1, -1]


def test_a_temperature_that_nothing_depends_on_changes_nothing(small: SmallPassage) -> None:
    # without temperatures in the record; the speed over the crest of D1 lies between what is held and what is not
    able = "burst = [[2.0, 20.0], [4.0, 5.0]]\nprolonged = [[0.5, 6000.0], [2.0, 20.0]]\n"
    small.edit("required_drop_m = 0.9\n", f"required_drop_m = 0.9\n{able}")
    bare = small.worked().today.p
    small.edit("required_drop_m = 0.9\n", "required_drop_m = 0.9\nwarmth_at_c = 12.0\n")
    assert small.worked().today.p == pytest.approx(bare)
    assert bare[0, 1] > 0.0
