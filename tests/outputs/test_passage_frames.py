"""The table and the pictures of passage, from what was worked out: by hand on the small basin of `support`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from support.small_passage import HIGH, RUN_DAYS, STRUCTURES, SmallPassage, Worked, flows

from barrierrank.outputs.model import SitePassage
from barrierrank.outputs.passage_frames import passage_frame, season_trades, site_passages
from barrierrank.outputs.passage_table import PASSAGE_COLUMNS
from barrierrank.passage.designs import SpeciesDesign, design_of
from barrierrank.passage.season import crest_days, season_trade
from barrierrank.problems import Problems
from barrierrank.ranking.cautions import short_cautions
from barrierrank.ranking.seasons import SeasonChoice, Trade


@pytest.fixture
def small(tmp_path: Path) -> SmallPassage:
    """Return a small project whose passabilities can be counted by hand; see `support.small_passage`."""
    return SmallPassage(tmp_path / "basin")


def designs_of(worked: Worked) -> list[SpeciesDesign]:
    return [] if worked.measured is None else design_of(worked.project, worked.measured, Problems())


def frame_of(worked: Worked) -> pd.DataFrame:
    made = passage_frame(
        worked.project, worked.inputs.sites, worked.today, worked.measured, worked.tried, designs_of(worked)
    )
    assert made is not None
    return made


def row_of(frame: pd.DataFrame, site: str, species: str) -> pd.Series:
    (at,) = np.flatnonzero((frame["site"] == site) & (frame["species"] == species))
    return frame.iloc[at]


def pictures_of(worked: Worked, ranks: list[int | None]) -> tuple[SitePassage, ...]:
    assert worked.measured is not None
    best = pd.Series(ranks, dtype="Int64")
    return site_passages(worked.project, worked.inputs.sites, worked.measured, designs_of(worked), best)


class TestTable:
    """A row per site and species."""

    def test_rows_and_columns(self, small: SmallPassage) -> None:
        frame = frame_of(small.worked())
        assert list(frame["site"]) == ["D1", "D1", "D2", "D2", "D3", "D3"]
        assert list(frame["species"]) == ["lamprey", "walleye"] * 3
        assert set(frame) == set(PASSAGE_COLUMNS) - {"words"}
        assert list(frame.index) == list(range(6))
        assert frame["worst_year"].dtype == "Int64"

    def test_what_is_worked_out(self, small: SmallPassage) -> None:
        frame = frame_of(small.worked())
        one = row_of(frame, "D1", "lamprey")
        assert (one["name"], one["source"], one["stopped_by"]) == ("Lower weir", "computed", "drop")
        assert one["passability"] == pytest.approx(0.25)
        assert (one["years"], one["run_days"]) == (4, RUN_DAYS)
        assert one["days_passable"] == pytest.approx(np.mean(HIGH))
        assert one["stopped_share"] == pytest.approx(0.75)
        open_ = row_of(frame, "D3", "walleye")
        assert (open_["stopped_by"], open_["stopped_share"], open_["days_passable"]) == ("", 0.0, RUN_DAYS)

    def test_the_worst_year_is_the_most_open_one_for_an_invader_and_the_least_for_a_native(
        self, small: SmallPassage
    ) -> None:
        frame = frame_of(small.worked())
        invader, native = row_of(frame, "D1", "lamprey"), row_of(frame, "D2", "walleye")
        columns = ["p_worst", "worst_year", "p_best"]
        assert invader[columns].tolist() == pytest.approx([0.4, 2004, 0.1])
        assert native[columns].tolist() == pytest.approx([0.1, 2001, 0.4])

    def test_the_range_of_the_estimate_of_the_tailwater(self, small: SmallPassage) -> None:
        # with 0.4 m more or less of water below D1 has drops of 0.4 m and less, or of 1.2 m and 0.7 m
        small.text += "\n[passage]\ntailwater_error_m = 0.4\n"
        small.give("D2", "", 0.4).trials("D2,,lamprey,40,0")
        frame = frame_of(small.worked())
        columns = ["p_low", "passability", "p_high"]
        assert row_of(frame, "D1", "lamprey")[columns].tolist() == pytest.approx([0.0, 0.25, 1.0])
        assert row_of(frame, "D1", "walleye")[columns].tolist() == pytest.approx([0.25, 1.0, 1.0])
        for species in ("lamprey", "walleye"):
            assert row_of(frame, "D2", species)[["p_low", "p_high"]].isna().all(), "not computed"
            assert row_of(frame, "D3", species)[columns].tolist() == [1.0, 1.0, 1.0]

    def test_incomplete_years_count_nowhere(self, small: SmallPassage) -> None:
        lost = [line for line in flows().splitlines() if not "2004-04-10" <= line[:10] <= "2004-05-10"]
        small.write("flows.csv", "\n".join(lost) + "\n")
        one = row_of(frame_of(small.worked()), "D1", "lamprey")
        assert (one["years"], one["worst_year"]) == (3, 2003)
        assert one["passability"] == pytest.approx(0.2)
        assert one["days_passable"] == pytest.approx(np.mean(HIGH[:3]))
        assert one["run_days"] == RUN_DAYS
        assert one["stopped_share"] == pytest.approx(0.8)

    def test_given_and_tried_have_no_years_but_trials_their_counts(self, small: SmallPassage) -> None:
        small.give("D1", 0.6).trials("D2,,lamprey,40,0", "D2,,walleye,10,4")
        frame = frame_of(small.worked())
        typed, tried = row_of(frame, "D1", "lamprey"), row_of(frame, "D2", "lamprey")
        assert (typed["source"], tried["source"]) == ("given", "trial")
        for one in (typed, tried):
            assert one[["p_worst", "p_best", "days_passable", "run_days", "stopped_share"]].isna().all()
            assert pd.isna(one["worst_year"])
            assert (one["years"], one["stopped_by"]) == (0, "")
        assert (tried["trial_offered"], tried["trial_passed"]) == (40, 0)
        assert tried["trial_upper"] == tried["passability"] == pytest.approx(1 - 0.05 ** (1 / 40))
        assert np.isnan(typed["trial_offered"])
        native = row_of(frame, "D2", "walleye")
        assert native["trial_upper"] > native["passability"] == pytest.approx(5 / 12)

    def test_a_trial_behind_a_given_number_is_shown(self, small: SmallPassage) -> None:
        small.give("D2", 0.02).trials("D2,,lamprey,40,0")
        one = row_of(frame_of(small.worked()), "D2", "lamprey")
        assert (one["source"], one["trial_offered"], one["passability"]) == ("given", 40, 0.02)

    def test_what_stops_most(self, small: SmallPassage) -> None:
        # the walleye needs 5 m of water: what stops it at D1 is depth, at D2 the drop at low water, depth at high
        small.edit("required_drop_m = 0.9", "required_drop_m = 0.9\ndepth_least_m = 5.0")
        frame = frame_of(small.worked())
        assert row_of(frame, "D1", "walleye")["stopped_by"] == "depth"
        assert row_of(frame, "D1", "walleye")["stopped_share"] == pytest.approx(1.0)
        assert row_of(frame, "D2", "walleye")["stopped_by"] == "drop"
        assert row_of(frame, "D2", "walleye")["stopped_share"] == pytest.approx(0.75)

    def test_nothing_to_tell_where_everything_is_given(self, small: SmallPassage) -> None:
        for site in ("D1", "D2", "D3"):
            small.give(site, 0.5, 0.5)
        w = small.worked()
        assert passage_frame(w.project, w.inputs.sites, w.today, w.measured, w.tried, designs_of(w)) is None

    def test_trials_alone_make_a_table(self, small: SmallPassage) -> None:
        start, end = small.text.index("[structures]"), small.text.index("[species.lamprey.swimming]")
        small.text = small.text[:start] + small.text[end:]
        small.give("D1", 0.5, 0.5).give("D2", 0.5, "").give("D3", 0.5, 0.5).actions("note", "D1,repair,1,")
        small.trials("D2,,walleye,10,4")
        worked = small.worked()
        assert worked.measured is None
        frame = frame_of(worked)
        assert row_of(frame, "D2", "walleye")["trial_passed"] == 4
        assert frame["design_flow_m3s"].isna().all()


class TestDesign:
    """The design check stands with the invader that a drop stops, at every measured site."""

    def test_by_hand(self, small: SmallPassage) -> None:
        small.give("D2", 0.1, 0.1)  # given or not, a crest is checked
        frame = frame_of(small.worked())
        one = row_of(frame, "D1", "lamprey")
        # every year's greatest flow is 7 m3/s: water below at 99.7 m, 0.3 m left; 0.1 m less or more of tailwater error
        assert one["required_drop_m"] == 0.45
        assert one["low_flow_drop_m"] == pytest.approx(0.8)
        assert one["design_flow_m3s"] == pytest.approx(7.0)
        assert one["design_drop_m"] == pytest.approx(0.3)
        assert [one["raise_low_m"], one["raise_needed_m"], one["raise_high_m"]] == pytest.approx([0.05, 0.15, 0.25])
        assert one["holds_return_years"] == pytest.approx(1.0)
        assert one["drowns_return_years"] == np.inf
        other = row_of(frame, "D2", "lamprey")
        assert (other["source"], other["raise_needed_m"]) == ("given", 0.0)
        assert other["design_drop_m"] == pytest.approx(0.7)

    def test_natives_have_the_drop_that_stops_them_and_no_check(self, small: SmallPassage) -> None:
        one = row_of(frame_of(small.worked()), "D1", "walleye")
        assert one["required_drop_m"] == 0.9
        assert one[["design_flow_m3s", "design_drop_m", "raise_needed_m", "low_flow_drop_m"]].isna().all()

    def test_sites_that_are_not_measured_have_neither(self, small: SmallPassage) -> None:
        small.measured("D1").give("D2", 0.1, 0.1).give("D3", 1.0, 1.0)
        frame = frame_of(small.worked())
        for species in ("lamprey", "walleye"):
            assert row_of(frame, "D2", species)[["required_drop_m", "design_drop_m"]].isna().all()

    def test_the_drop_of_a_native_knows_the_lip(self, small: SmallPassage) -> None:
        small.change("structures.csv", "D1,weir,100.0,8,99.2,,", "D1,weir,100.0,8,99.2,0.15,")
        small.edit("required_drop_m = 0.9", "required_drop_m = 0.9\nrequired_drop_lip_m = 0.7")
        frame = frame_of(small.worked())
        assert row_of(frame, "D1", "walleye")["required_drop_m"] == 0.7
        assert row_of(frame, "D2", "walleye")["required_drop_m"] == 0.9


class TestPictures:
    """Which sites are shown, which year, and the curve of drop against flow."""

    def test_best_ranked_first_as_many_as_asked_for(self, small: SmallPassage) -> None:
        small.change("structures.csv", "D3,none,,,,", "D3,weir,100.0,8,99.2,")
        worked = small.worked()
        shown = pictures_of(worked, [None, 7, 2])
        assert [(one.site, one.rank) for one in shown] == [("D3", 2), ("D2", 7), ("D1", None)]
        assert [one.name for one in shown] == ["Good place", "Upper weir", "Lower weir"]
        few = replace(worked.project, passage=replace(worked.project.passage, pictures=2))
        assert [one.site for one in pictures_of(replace(worked, project=few), [None, 7, 2])] == ["D3", "D2"]
        none = replace(worked.project, passage=replace(worked.project.passage, pictures=0))
        assert pictures_of(replace(worked, project=none), [None, 7, 2]) == ()

    def test_without_ranks_in_the_order_of_the_table(self, small: SmallPassage) -> None:
        shown = pictures_of(small.worked(), [None, None, None])
        assert [one.site for one in shown] == ["D1", "D2"], "where nothing stands there is nothing to show"

    def test_the_year_shown_has_the_middle_flow_of_the_run(self, small: SmallPassage) -> None:
        # the more days of high water the more flow: 2001 < 2002 < 2003 < 2004; the lower one of the middle two
        one = pictures_of(small.worked(), [1, 2, 3])[0]
        assert one.year == 2002
        assert (one.day[0], one.day[-1]) == (np.datetime64("2002-04-01"), np.datetime64("2002-06-29"))
        assert (np.diff(one.day) == np.timedelta64(1, "D")).all()
        assert one.discharge == pytest.approx(np.where(np.arange(RUN_DAYS) < HIGH[1], 7.0, 2.0))
        assert one.open["lamprey"].sum() == HIGH[1]
        assert one.open["walleye"].all()
        assert one.run["lamprey"] == pytest.approx(np.full(RUN_DAYS, 1 / RUN_DAYS))

    def test_days_between_two_runs_are_shown_too(self, small: SmallPassage) -> None:
        last = small.text.rindex("curve")
        small.text = small.text[:last] + 'curve = [["09-01", 1.0], ["09-30", 1.0]]\n'
        one = pictures_of(small.worked(), [1, 2, 3])[0]
        assert (one.day[0], one.day[-1]) == (np.datetime64("2002-04-01"), np.datetime64("2002-09-30"))
        assert one.run["lamprey"].sum() == pytest.approx(1.0)
        assert one.run["walleye"].sum() == pytest.approx(1.0)
        assert (one.run["lamprey"][one.day > np.datetime64("2002-06-29")] == 0.0).all()
        # 1 m3/s out of the run of the lamprey: 0.9 m of drop stops the walleye
        assert not one.open["walleye"][one.day > np.datetime64("2002-06-29")].any()

    def test_a_run_over_new_year_is_shown_in_one(self, small: SmallPassage) -> None:
        for _ in range(2):
            small.text = small.text.replace('[["04-01", 1.0], ["06-29", 1.0]]', '[["12-01", 1.0], ["01-31", 1.0]]', 1)
        one = pictures_of(small.worked(), [1, 2, 3])[0]
        assert one.day[0] == np.datetime64(f"{one.year}-12-01")
        assert one.day[-1] == np.datetime64(f"{one.year + 1}-01-31")
        assert len(one.day) == 62

    def test_a_year_complete_for_every_run_is_preferred(self, small: SmallPassage) -> None:
        last = small.text.rindex("curve")
        small.text = small.text[:last] + 'curve = [["09-01", 1.0], ["09-30", 1.0]]\n'
        lost = [line for line in flows().splitlines() if not "2001-09-05" <= line[:10] <= "2003-09-25"]
        small.write("flows.csv", "\n".join(lost) + "\n")
        assert pictures_of(small.worked(), [1, 2, 3])[0].year == 2004

    def test_nothing_is_shown_where_no_year_is_complete(self, small: SmallPassage) -> None:
        head, *lines = flows(years=(2001,), high=(9,)).splitlines()
        small.write("flows.csv", "\n".join([head, *lines[:120]]) + "\n")
        small.give("D1", 0.5, 0.5).give("D2", 0.5, 0.5).give("D3", 0.5, 0.5)
        small.actions("passability_lamprey,passability_walleye", "D1,x,1,0,0")
        worked = small.worked()
        assert not worked.problems.of("error")
        assert pictures_of(worked, [1, 2, 3]) == ()

    def test_the_curve(self, small: SmallPassage) -> None:
        one = pictures_of(small.worked(), [1, 2, 3])[0]
        assert (np.diff(one.curve_q) > 0.0).all()
        assert one.curve_q[0] == pytest.approx(2.0)
        assert one.curve_q[-1] > 7.0
        # crest at 100 m, water below at 99 + q / 10 m
        assert one.curve_drop == pytest.approx(1.0 - one.curve_q / 10.0)
        # the lower estimate of the tailwater leaves more drop
        assert one.curve_low == pytest.approx(one.curve_drop + 0.1)
        assert one.curve_high == pytest.approx(one.curve_drop - 0.1)
        assert (one.crest_m, one.drop_word) == (100.0, "drop from crest to tailwater")
        assert one.required == {"lamprey": 0.45, "walleye": 0.9}
        assert (one.design_q, one.design_years) == (pytest.approx(7.0), 10.0)
        assert one.cautions == short_cautions()
        assert (one.design_season, one.design_record_years, one.peak_factor) == ("run", 4, 1.0)

    def test_what_the_design_flood_rests_on(self, small: SmallPassage) -> None:
        small.text += '\n[passage]\npeak_factor = 1.15\ndesign_season = "year"\n'
        worked = small.worked()
        one = pictures_of(worked, [1, 2, 3])[0]
        # of the years from October on the first one and the last one are not whole
        assert (one.design_season, one.design_record_years, one.peak_factor) == ("year", 3, 1.15)
        assert worked.measured is not None
        best = pd.Series([1, 2, 3], dtype="Int64")
        bare = site_passages(worked.project, worked.inputs.sites, worked.measured, [], best)[0]
        assert bare.design_record_years == 0

    def test_the_curve_reaches_the_design_flood(self, small: SmallPassage) -> None:
        text = (small.folder / "flows.csv").read_text(encoding="utf-8")
        small.write("flows.csv", text.replace("2004-05-10,2.0", "2004-05-10,25.0"))
        one = pictures_of(small.worked(), [1, 2, 3])[0]
        assert one.design_q > 10.0
        assert one.curve_q[-1] > one.design_q

    def test_roughness_widens_the_range_where_the_channel_tells_the_water_below(self, small: SmallPassage) -> None:
        columns = "site,kind,crest_m,crest_width_m,channel_bed_m,channel_width_m,channel_slope,channel_n,flow_a,flow_b"
        rows = [f"{s},weir,100.4,8,99.0,10,0.002,0.035,1,1" for s in ("D1", "D2", "D3")]
        small.write("structures.csv", "\n".join([columns, *rows]) + "\n")
        small.edit('ratings = "ratings.csv"\n', "")
        small.change("actions.csv", "raise,0.5", "raise,0.2")
        one = pictures_of(small.worked(), [1, 2, 3])[0]
        assert (one.curve_low > one.curve_drop + 0.1 + 1e-6).all()
        assert (one.curve_high < one.curve_drop - 0.1 - 1e-6).all()

    def test_a_culvert_shows_its_perch(self, small: SmallPassage) -> None:
        columns = "site,kind,shape,rise_m,length_m,inlet_m,outlet_m,barrel_n,entrance,flow_a,flow_b"
        entrance = '"concrete pipe, square edge in headwall"'
        rows = (f"D1,culvert,circular,2,10,99.6,99.5,0.013,{entrance},1,1", "D2,none,,,,,,,,1,1", "D3,none,,,,,,,,1,1")
        small.write("structures.csv", "\n".join([columns, *rows]) + "\n")
        small.actions("note", "D1,repair,1,")
        (one,) = pictures_of(small.worked(), [1, 2, 3])
        assert (one.crest_m, one.drop_word) == (99.5, "perch of the outlet")
        assert one.curve_drop == pytest.approx(0.5 - one.curve_q / 10.0)

    def test_logs_that_are_in_while_the_run_comes_are_in_the_curve(self, small: SmallPassage) -> None:
        for logs_in, logs_out, more in (("04-01", "06-29", 0.4), ("07-01", "08-31", 0.0)):
            head, _, *others = STRUCTURES.splitlines()
            row = f"D1,weir,100.0,8,99.2,,0.4,{logs_in},{logs_out},99.0,10,1,1"
            small.write("structures.csv", "\n".join([head, row, *others]) + "\n")
            worked = small.worked()
            one = pictures_of(worked, [1, 2, 3])[0]
            assert one.curve_drop == pytest.approx(1.0 + more - one.curve_q / 10.0)
            # and without an invader that a drop stops
            assert worked.measured is not None
            best = pd.Series([1, 2, 3], dtype="Int64")
            bare = site_passages(worked.project, worked.inputs.sites, worked.measured, [], best)[0]
            assert bare.curve_drop == pytest.approx(1.0 + more - bare.curve_q / 10.0)
            assert np.isnan(bare.design_q)


def test_season_trades_name_site_action_and_species(small: SmallPassage) -> None:
    small.actions("change,change_m", "D1,a,1,raise,0.1", "D2,movable crest,1,seasonal,0.8")
    worked = small.worked()
    assert worked.measured is not None
    assert worked.after.crests is not None
    m = worked.measured
    days = crest_days(worked.after.crests, 0, m.fish, m.days, crest_reach_m=1.0)
    pairs = replace(season_trade(days, np.array([92, 120]), invader=0, native=1), best=2)
    choice = SeasonChoice(1, 92, 120, np.array([0.0, 1.0]), (Trade(0, 1, pairs.p[:, 0], pairs.p[:, 1], pairs),))
    actions = worked.inputs.actions
    (one,) = season_trades(worked.project, worked.inputs.sites, (actions.site_index, actions.action), [choice])
    assert (one.site, one.name, one.action) == ("D2", "Upper weir", "movable crest")
    assert (one.invader, one.native, one.best) == ("lamprey", "walleye", 2)
    assert np.array_equal(one.p_invader, pairs.p[:, 0])
    assert np.array_equal(one.front, pairs.on_front)
    assert np.array_equal(one.up, pairs.up)
    bare = replace(choice, trades=())
    assert season_trades(worked.project, worked.inputs.sites, (actions.site_index, actions.action), [bare]) == ()
