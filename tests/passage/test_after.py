"""Passability after works: every change by hand, what is given or tried before it, and what cannot be worked out."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.random_structures import random_structures, some_days, some_fish
from support.small_passage import SmallPassage, Worked

from barrierrank.passage import after as after_module
from barrierrank.passage import kernels_fields as f
from barrierrank.passage.after import actions_after
from barrierrank.passage.today import Measured

CHANGE = "change,change_m,change_width_m,crest_up,crest_down"


@pytest.fixture
def small(tmp_path: Path) -> SmallPassage:
    """Return a small project whose passabilities can be counted by hand; see `support.small_passage`."""
    return SmallPassage(tmp_path / "basin")


@pytest.mark.parametrize(
    ("row", "lamprey", "walleye", "why"),
    [
        ("D1,x,1,raise,0.5,,,", 0.0, 0.25, "drops 1.3 and 0.8 m: both over 0.45, the low one over 0.9"),
        ("D2,x,1,lower,0.4,,,", 0.25, 1.0, "drops 0.8 and 0.3 m, as at D1"),
        ("D1,x,1,lower,0.5,,,", 1.0, 1.0, "drops 0.3 and -0.2 m"),
        ("D1,x,1,notch,0.6,2,,", 1.0, 1.0, "drops from the notch 0.2 and -0.3 m"),
        ("D2,x,1,notch,0.4,2,,", 0.25, 1.0, "drops from the notch 0.8 and 0.3 m"),
        ("D1,x,1,lip,0.15,,,", 0.0, 1.0, "drops as today, but 0.25 m stop the lamprey"),
        ("D1,x,1,remove,,,,", 1.0, 1.0, "nothing stands there"),
        ("D3,x,1,build,1.0,,,", 0.25, 1.0, "the crest at 100 m of D1"),
        ("D3,x,1,build,1.4,6,,", 0.0, 0.25, "the crest at 100.4 m of D2"),
    ],
)
def test_by_hand(small: SmallPassage, row: str, lamprey: float, walleye: float, why: str) -> None:
    worked = small.actions(CHANGE, row).worked()
    assert not worked.problems.of("error")
    assert worked.after.p == pytest.approx(np.array([[lamprey, walleye]])), why
    assert not worked.after.fixed.any()
    assert worked.after.undated.size == 0
    assert worked.after.crests is None


class TestSeasonal:
    """A crest that moves; 0.5 m of that at D1 are movable: down it stands at 99.5 m, drops of 0.3 and -0.2 m."""

    @pytest.mark.parametrize(
        ("up", "down", "share_up"),
        [("04-01", "06-29", 1.0), ("04-01", "05-15", 0.5), ("05-16", "06-29", 0.5), ("07-01", "08-31", 0.0)],
    )
    def test_by_hand_dated(self, small: SmallPassage, up: str, down: str, share_up: float) -> None:
        worked = small.actions(CHANGE, f"D1,x,1,seasonal,0.5,,{up},{down}").worked()
        # down, all pass; up, the lamprey at high water alone, which comes first in the run
        high = np.array([9, 18, 27, 36]) / 90
        early = up != "05-16"
        passes = (high if early else 0.0) * (share_up > 0.0) + (1.0 - share_up)
        assert worked.after.p[0] == pytest.approx([np.mean(passes), 1.0])
        assert worked.after.undated.size == 0

    def test_over_new_year(self, small: SmallPassage) -> None:
        # up from 16 May to 15 April: down for 30 days of the run; of those before 16 April 9, 15, 15, 15 are high
        worked = small.actions(CHANGE, "D1,x,1,seasonal,0.5,,05-16,04-15").worked()
        down = 30
        passes = (np.minimum([9, 18, 27, 36], 15) + down) / 90
        assert worked.after.p[0, 0] == pytest.approx(passes.mean())

    def test_undated_is_up_until_the_best_dates_are_found(self, small: SmallPassage) -> None:
        worked = small.actions(CHANGE, "D2,y,1,raise,0.1,,,", "D1,x,1,seasonal,0.5,,,").worked()
        assert not worked.problems.of("error")
        assert worked.after.undated.tolist() == [1]
        assert worked.after.p[1] == pytest.approx([0.25, 1.0])
        crests = worked.after.crests
        assert crests is not None
        assert crests.site.tolist() == [0]
        assert crests.numbers[0, [f.CREST, f.LOGS]] == pytest.approx([99.5, 0.5])

    def test_undated_with_everything_given_is_not_looked_at(self, small: SmallPassage) -> None:
        columns = f"passability_lamprey,passability_walleye,{CHANGE}"
        worked = small.actions(columns, "D1,x,1,0.1,0.9,seasonal,0.5,,,").worked()
        assert worked.after.undated.size == 0
        assert worked.after.p.tolist() == [[0.1, 0.9]]

    def test_undated_but_one_species_given_or_tried(self, small: SmallPassage) -> None:
        columns = f"passability_lamprey,passability_walleye,{CHANGE}"
        worked = small.actions(columns, "D1,x,1,0.1,,seasonal,0.5,,,").worked()
        assert worked.after.undated.tolist() == [0]
        assert worked.after.fixed.tolist() == [[True, False]]
        small.trials("D1,x,walleye,8,2")
        worked = small.actions(CHANGE, "D1,x,1,seasonal,0.5,,,").worked()
        assert worked.after.fixed.tolist() == [[False, True]]
        assert worked.after.p[0] == pytest.approx([0.25, 0.3])

    def test_a_crest_that_cannot_be_judged_when_down_is_told(
        self, small: SmallPassage, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        right = after_module.run_passability

        def lost_when_down(structures, *rest, **options):
            if (structures.up_from == 0).all():
                structures.numbers[:, f.CREST] = np.nan
            return right(structures, *rest, **options)

        monkeypatch.setattr(after_module, "run_passability", lost_when_down)
        told = small.actions(CHANGE, "D1,x,1,seasonal,0.5,,,").worked().told("change_unknown", "error")
        assert len(told) == 2
        assert "row 2: how much of the run of Sea lamprey gets past afterwards cannot be worked out" in told[0]
        assert "what the water does there could not be worked out" in told[0]


class TestDevices:
    """p = 1 - (1 - p of the structure)(1 - efficiency); D1 lets 0.25 of the lamprey past, D2 0.25 of the walleye."""

    @pytest.mark.parametrize("change", ["trap_and_sort", "fishway", "ramp"])
    def test_by_hand(self, small: SmallPassage, change: str) -> None:
        columns = "change,efficiency_lamprey,efficiency_walleye"
        worked = small.actions(columns, f"D1,x,1,{change},0.2,0.5", f"D2,x,1,{change},0,0.6").worked()
        assert not worked.problems.of("error")
        # 1 - 0.75 x 0.8 = 0.4; 1 - 0.75 x 0.4 = 0.7
        assert worked.after.p == pytest.approx(np.array([[0.4, 1.0], [0.0, 0.7]]))

    def test_a_trial_of_the_action_is_one_of_the_device(self, small: SmallPassage) -> None:
        small.actions("change,efficiency_lamprey,efficiency_walleye", "D2,x,1,fishway,0,0.1")
        small.trials(",x,lamprey,40,0", "D2,x,walleye,8,2")
        worked = small.worked()
        upper = 1.0 - 0.05 ** (1 / 40)
        # the trial comes before the efficiency of the table: 1 - 0.75 x (1 - 0.3) = 0.475
        assert worked.after.p[0] == pytest.approx([upper, 0.475])

    def test_a_trial_will_do_where_no_efficiency_is_given(self, small: SmallPassage) -> None:
        small.actions("change", "D2,x,1,fishway")
        small.trials(",x,lamprey,40,0", ",x,walleye,8,2")
        worked = small.worked()
        assert not worked.problems.of("error")
        assert worked.after.p[0, 1] == pytest.approx(0.475)

    def test_neither_a_trial_nor_an_efficiency(self, small: SmallPassage) -> None:
        small.actions("change,efficiency_lamprey,passability_walleye", "D2,x,1,fishway,0,0.4", "D1,x,1,ramp,,")
        told = small.worked().told("no_efficiency", "error")
        assert len(told) == 2
        assert "row 3: a device is put in, but it is not said what it lets past of Sea lamprey" in told[0]
        assert "row 3: " in told[1]
        assert "walleye" in told[1]
        assert "give efficiency_lamprey (0 = none gets past), a trial of the action, or passability_lamprey" in told[0]

    def test_given_comes_before_the_device(self, small: SmallPassage) -> None:
        columns = "change,efficiency_lamprey,efficiency_walleye,passability_walleye"
        worked = small.actions(columns, "D2,x,1,fishway,0.1,0.6,0.33").worked()
        assert worked.after.p[0] == pytest.approx([0.1, 0.33])

    def test_a_device_goes_beside_what_is_given_or_tried_today(self, small: SmallPassage) -> None:
        small.give("D2", 0.1, 0.5)
        worked = small.actions("change,efficiency_lamprey,efficiency_walleye", "D2,x,1,fishway,0.1,0.6").worked()
        assert worked.after.p[0] == pytest.approx([1 - 0.9 * 0.9, 1 - 0.5 * 0.4])

    def test_a_device_where_nothing_stands(self, small: SmallPassage) -> None:
        small.actions("change,efficiency_lamprey,efficiency_walleye", "D3,x,1,fishway,0.1,0.6")
        told = small.worked().told("impossible_change", "error")
        assert len(told) == 1
        assert "no structure stands there" in told[0]

    def test_an_unmeasured_site_may_have_a_device(self, small: SmallPassage) -> None:
        small.measured("D1", "D2")
        small.give("D3", 0.5, 0.5)
        worked = small.actions("change,efficiency_lamprey,efficiency_walleye", "D3,x,1,fishway,0.1,0.6").worked()
        assert not worked.problems.of("error")
        assert worked.after.p[0] == pytest.approx([0.55, 0.8])


class TestPrecedence:
    """Given > trial > worked out > as today."""

    def test_cell_by_cell(self, small: SmallPassage) -> None:
        columns = f"passability_lamprey,passability_walleye,{CHANGE}"
        small.actions(columns, "D1,x,1,,0.4,raise,0.5,,,", "D1,y,1,0.1,,raise,0.5,,,", "D1,z,1,,,,,,,", "D2,z,1,,,,,,,")
        small.trials(",x,lamprey,40,0", ",x,walleye,40,0", "D2,z,walleye,8,2")
        worked = small.worked()
        upper = 1.0 - 0.05 ** (1 / 40)
        wanted = [[upper, 0.4], [0.1, 0.25], [0.25, 1.0], [0.0, 0.3]]
        assert worked.after.p == pytest.approx(np.array(wanted))
        assert worked.after.fixed.tolist() == [[True, True], [True, False], [False, False], [False, True]]

    def test_a_trial_at_the_site_comes_before_one_anywhere(self, small: SmallPassage) -> None:
        small.actions("note", "D1,z,1,", "D2,z,1,")
        small.trials(",z,walleye,8,2", "D2,z,walleye,98,48")
        assert small.worked().after.p[:, 1] == pytest.approx([0.3, 0.49])

    def test_a_change_whose_passabilities_are_all_known_needs_no_measures(self, small: SmallPassage) -> None:
        small.measured("D1")
        small.give("D2", 0.2, 0.3).give("D3", 0.2, 0.3)
        small.actions(f"passability_walleye,{CHANGE}", "D2,x,1,0.2,raise,0.5,,,")
        small.trials("D2,x,lamprey,40,0")
        worked = small.worked()
        assert not worked.problems.of("error")
        assert worked.after.p[0, 1] == 0.2

    def test_what_is_done_does_not_touch_today(self, small: SmallPassage) -> None:
        worked = small.actions(CHANGE, "D1,x,1,remove,,,,", "D1,y,1,raise,0.5,,,").worked()
        assert worked.today.p[0] == pytest.approx([0.25, 1.0])
        assert worked.measured is not None
        assert worked.measured.structures.numbers[0, f.CREST] == 100.0


class TestCannotBeWorkedOut:
    """Errors name row, site and reason."""

    def test_a_site_that_is_not_measured(self, small: SmallPassage) -> None:
        small.measured("D1")
        small.give("D2", 0.2, 0.3).give("D3", 0.2, 0.3)
        worked = small.actions(CHANGE, "D1,a,1,raise,0.5,,,", "D2,b,1,raise,0.5,,,", "D3,c,1,build,1,,,").worked()
        told = worked.told("change_unmeasured", "error")
        assert len(told) == 2
        assert 'row 3 (site "D2", b): change "raise" is to be worked out, but the site is not measured in' in told[0]
        assert 'row 4 (site "D3", c): change "build"' in told[1]
        assert "give passability_<species> for every species" in told[0]

    def test_an_unmeasured_structure_can_be_removed(self, small: SmallPassage) -> None:
        small.measured("D1")
        small.give("D2", 0.2, 0.3).give("D3", 0.2, 0.3)
        worked = small.actions(CHANGE, "D2,b,1,remove,,,,").worked()
        assert not worked.problems.of("error")
        assert worked.after.p.tolist() == [[1.0, 1.0]]

    def test_impossible_changes(self, small: SmallPassage) -> None:
        impossible = ("D1,a,1,lower,5,,,", "D3,b,1,raise,0.5,,,", "D1,c,1,build,1,,,", "D3,d,1,remove,,,,")
        worked = small.actions(CHANGE, *impossible, "D1,e,1,raise,0.5,,,").worked()
        told = worked.told("impossible_change", "error")
        assert len(told) == 4
        assert 'row 2 (site "D1", a): lower: ' in told[0]
        assert "below the bed" in told[0]
        assert 'row 3 (site "D3", b): raise: no structure stands there' in told[1]
        assert 'row 4 (site "D1", c): build: a weir stands there' in told[2]
        assert 'row 5 (site "D3", d): remove: no structure stands there' in told[3]
        assert not worked.told("change_unknown"), "what cannot be made is told once"
        assert worked.after.p[4] == pytest.approx([0.0, 0.25])

    def test_a_species_without_abilities_is_not_taken_as_today(self, small: SmallPassage) -> None:
        small.text = small.text[: small.text.index("[species.walleye.swimming]")]
        small.edit('passability = "p_walleye"', "passability = 0.4")
        worked = small.actions(CHANGE, "D1,a,1,raise,0.5,,,", "D2,b,1,raise,0.5,,,", "D1,c,1,remove,,,,").worked()
        told = worked.told("change_unknown", "error")
        assert len(told) == 1
        assert "rows 2, 3: how much of the run of walleye gets past afterwards cannot be worked out" in told[0]
        assert "[species.walleye.run] are not given -> give passability_walleye" in told[0]

    def test_a_structure_without_flows(self, small: SmallPassage) -> None:
        small.change("structures.csv", "D1,weir,100.0,8,99.2,,,,,99.0,10,1,1", "D1,weir,100.0,8,99.2,,,,,99.0,10,,")
        small.give("D1", 0.2, 0.3)
        told = small.actions(CHANGE, "D1,a,1,raise,0.5,,,").worked().told("change_unknown", "error")
        assert len(told) == 2
        assert all("the flow at the site is not known" in line for line in told)

    def test_what_is_missing_today_is_told_of_today_alone(self, small: SmallPassage) -> None:
        small.change("structures.csv", "D1,weir,100.0,8,99.2,,,,,99.0,10,1,1", "D1,weir,100.0,8,99.2,,,,,99.0,10,,")
        worked = small.actions(CHANGE, "D1,a,1,raise,0.5,,,").worked()
        assert len(worked.told("missing_passability", "error")) == 1
        assert not worked.told("change_unknown")

    def test_water_that_cannot_be_worked_out_afterwards(
        self, small: SmallPassage, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        right = after_module.run_passability

        def lost(structures, *rest, **options):
            structures.numbers[:, f.CREST] = np.nan
            return right(structures, *rest, **options)

        monkeypatch.setattr(after_module, "run_passability", lost)
        told = small.actions(CHANGE, "D1,a,1,raise,0.5,,,").worked().told("change_unknown", "error")
        assert len(told) == 2
        assert "what the water does there could not be worked out" in told[0]


class TestTwoOrigins:
    """Today given or tried, afterwards worked out: only the difference that the change makes counts."""

    def test_a_raise_that_changes_nothing(self, small: SmallPassage) -> None:
        # typed 0.05, but worked out 0.25; with 0.1 m more the drops are 0.9 and 0.4 m: still 0.25
        small.give("D1", 0.05)
        worked = small.actions(CHANGE, "D1,a,1,raise,0.1,,,").worked()
        assert worked.after.p[0, 0] == pytest.approx(0.05)
        told = worked.told("two_origins", "note")
        assert len(told) == 1
        assert 'row 2 (site "D1", a): Sea lamprey: today\'s 0.05 is given' in told[0]
        assert "make it 0.25 today and 0.25 afterwards; that difference is added to today's: 0.05" in told[0]

    def test_a_raise_does_not_stop_a_leak(self, small: SmallPassage) -> None:
        small.give("D1", 0.5)  # undermined, say: 0.5 typed, 0.25 worked out; nothing gets over the raised crest
        worked = small.actions(CHANGE, "D1,a,1,raise,0.5,,,").worked()
        assert worked.after.p[0, 0] == pytest.approx(0.25)

    def test_a_removal_leaves_nothing_to_differ(self, small: SmallPassage) -> None:
        small.give("D1", 0.05)
        worked = small.actions(CHANGE, "D1,a,1,remove,,,,").worked()
        assert worked.after.p[0, 0] == 1.0
        assert not worked.told("two_origins")

    def test_where_both_are_worked_out_nothing_is_told(self, small: SmallPassage) -> None:
        worked = small.actions(CHANGE, "D1,a,1,raise,0.1,,,", "D2,b,1,lower,0.4,,,").worked()
        assert not worked.told("two_origins")

    def test_of_a_trial(self, small: SmallPassage) -> None:
        small.actions(CHANGE, "D2,a,1,raise,0.5,,,")
        small.trials("D2,,lamprey,10,0")
        worked = small.worked()
        assert worked.after.p[0, 0] == pytest.approx(1 - 0.05**0.1)  # the bound of the trial stays
        assert "today's 0.26 is from a trial" in worked.told("two_origins", "note")[0]


def test_without_actions(small: SmallPassage) -> None:
    small.edit('[actions]\npath = "actions.csv"\n', "")
    worked = small.worked()
    assert worked.after.p.shape == (0, 2)
    assert worked.after.undated.size == 0


@cache
def _template() -> Worked:
    """Return a worked project to put other structures into."""
    with tempfile.TemporaryDirectory() as folder:
        return SmallPassage(Path(folder)).worked()


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), by=st.floats(0.01, 1.5), kind=st.sampled_from([f.WEIR, f.FALL, f.GATE]))
def test_raising_the_crest_never_raises_what_a_drop_stops(seed: int, by: float, kind: int) -> None:
    """The water below does not feel the crest, so that every metre of crest is a metre of drop."""
    rng = np.random.default_rng(seed)
    worked = _template()
    one = random_structures(rng, 1, kinds=(kind,))
    one.numbers[:, f.GATE_TOP] = np.nan
    fish = some_fish()[[0, 1]].copy()
    fish[0, f.PROLONGED_A : f.BURST_TO + 1] = np.nan  # the drop alone stops one of them, depth and speed the other too
    fish[:, f.REQUIRED_DROP : f.REQUIRED_DROP_LIP + 1] = rng.uniform(0.1, 1.2, (2, 1))
    days = some_days(rng, years=2, fish=some_fish())
    days = replace(days, weight=days.weight[:2], year=days.year[:2], complete=days.complete[:2])
    passage, unknown = after_module.run_passability(one, fish, days, crest_reach_m=1.0)
    assert not unknown.any()
    measured = Measured(one, np.array([0, 1]), fish, days, worked.measured.flows, passage, unknown, 1.0)
    actions = replace(worked.inputs.actions, change_m=np.array([by]))
    tables = worked.inputs.sites, actions
    today = replace(worked.today, p=worked.today.p.copy())
    today.p[actions.site_index[0]] = passage.mean[0]
    got = actions_after(worked.project, tables, today, measured, worked.tried, worked.problems)
    assert not worked.problems.of("error")
    assert (got.p[0] <= passage.mean[0] + 1e-12).all()


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), by=st.floats(0.01, 1.0))
def test_a_device_never_lowers_passability_and_is_never_above_one(seed: int, by: float) -> None:
    worked = _template()
    rng = np.random.default_rng(seed)
    today = replace(worked.today, p=rng.random((3, 2)))
    change = np.array(["fishway"], dtype=object)
    actions = replace(worked.inputs.actions, change=change, efficiency=rng.random((1, 2)) * by)
    got = actions_after(
        worked.project, (worked.inputs.sites, actions), today, worked.measured, worked.tried, worked.problems
    )
    assert (got.p[0] >= today.p[0]).all()
    assert (got.p[0] <= 1.0).all()
    assert got.p[0] == pytest.approx(1 - (1 - today.p[0]) * (1 - actions.efficiency[0]))
