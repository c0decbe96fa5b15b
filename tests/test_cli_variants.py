"""What a project file may ask for beside what the demo does."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from support.command import Ranked, Said, rank, run
from support.small_basin import ACTIONS, COURSES, SITES, SmallBasin

from barrierrank.outputs.columns import describe


@pytest.fixture
def small(tmp_path: Path) -> SmallBasin:
    """Return a small sound project."""
    return SmallBasin(tmp_path / "basin")


class TestVariants:
    """What else a project file may ask for."""

    def test_without_a_table_of_actions(self, small: SmallBasin) -> None:
        small.edit('[actions]\npath = "actions.csv"\n', "")
        assert len(rank(small).csv()) == 0
        said = run("rank", small.project, "--out", small.out)
        assert "No actions are given, so nothing is ranked" in said.out
        assert len(pyogrio.read_dataframe(small.out / "results.gpkg", layer="sites")) == 3

    def test_check_notes_that_there_are_no_actions(self, small: SmallBasin) -> None:
        small.edit('[actions]\npath = "actions.csv"\n', "")
        said = run("check", small.project, "--strict")
        assert said.code == 0
        assert "note: project.toml: no actions are given, so the priority list will be empty" in said.out
        assert "3 of 3 sites are on them; 0 actions at 0 sites" in said.out

    def test_check_tells_of_outlets_nobody_named(self, small: SmallBasin) -> None:
        assert "places where flow ends" not in run("check", small.project).out
        small.lines({"a": [1, 2, 3, 4], "b": [0, 1, 9, 2]})
        assert "runs are taken to start at each of the 2 places where flow ends" in run("check", small.project).out
        small.edit("[sites]", '[outlets]\nlines = ["1"]\n\n[sites]')
        assert "places where flow ends" not in run("check", small.project).out

    def test_where_nothing_is_worth_doing_it_is_said(self, small: SmallBasin) -> None:
        small.write("actions.csv", "site,action,cost,passability_lamprey\nD1,open to the invader,5,1\n")
        said = run("rank", small.project, "--out", small.out)
        assert "No action is worth more than leaving things as they are." in said.out

    def test_what_only_failing_brings_is_told_and_is_no_purpose(self, small: SmallBasin) -> None:
        small.write("actions.csv", "site,action,cost,failure_probability\nD2,patch,100,0.05\n")
        row = rank(small).csv().iloc[0]
        assert row["gain_walleye"] > 0  # by failing: its passability stays as it is
        assert "of habitat to walleye (only because what is built may fail)" in row["why"]
        assert row["purpose"] == "neither"

    @pytest.mark.parametrize("by", ["benefit_per_cost", "criteria"])
    def test_every_column_of_the_list_is_explained(self, small: SmallBasin, by: str) -> None:
        if by == "criteria":
            small.edit("[money]", '[ranking]\nby = "criteria"\nweights = { cost = -1, gain_walleye = 2 }\n\n[money]')
        docs = describe(rank(small).csv().columns, (), table="priority_list", currency="USD")
        per_species = re.compile("(gain|worth|passability)_(lamprey|walleye)")
        assert [d.name for d in docs if d.kind == "other" and not per_species.fullmatch(d.name)] == []

    def test_a_table_of_actions_without_rows_is_told(self, small: SmallBasin) -> None:
        small.write("actions.csv", ACTIONS.splitlines()[0] + "\n")
        said = run("rank", small.project, "--out", small.out)
        assert said.code == 1
        assert "actions.csv: [actions]: the table has no rows below its headings" in said.err
        assert not small.out.exists()

    def test_amounts_at_sites_by_hand(self, small: SmallBasin) -> None:
        sites = rank(small).layer("sites").set_index("site")
        # lengths [m]: D1 sits half way up line 1, D2 half way up line 2, D3 half way up line 4
        half, branch = math.hypot(500, 250), math.hypot(1000, 500)
        to_next = {"D1": 500 + half + branch, "D2": half + 500, "D3": 500}
        assert sites["habitat_to_next_walleye"].to_dict() == pytest.approx(to_next)
        above = {"D1": sum(to_next.values()), "D2": half + 1000, "D3": 500}
        assert sites["habitat_above_walleye"].to_dict() == pytest.approx(above)
        assert (sites["upstream_km"] * 1000).to_dict() == pytest.approx(above)
        # walleye pass with 0.3, 0.25 and 0: blocked = access below x (1 - p) x what is open above
        open_2 = to_next["D2"] + 0.0 * 500
        blocked = {
            "D1": 0.7 * (to_next["D1"] + 0.25 * open_2), "D2": 0.3 * 0.75 * open_2, "D3": 0.3 * 0.25 * 1.0 * 500,
        }  # fmt: skip
        assert sites["blocked_walleye"].to_dict() == pytest.approx(blocked)

    def test_one_line_one_site(self, small: SmallBasin, caplog: pytest.LogCaptureFixture) -> None:
        small.lines({"a": [1], "b": [0]}, [shapely.LineString(COURSES[0])])
        small.write("sites.csv", "\n".join(SITES.splitlines()[:2]))
        small.write("actions.csv", "\n".join(ACTIONS.splitlines()[:3]))
        table = rank(small).csv()
        # above D1 lie 500 m; q = 0.02 a year today, so that p rises towards 1 while nothing is done
        assert table.set_index("action").loc["remove", "purpose"] == "let through"
        reaches = pyogrio.read_dataframe(small.out / "results.gpkg", layer="reaches")
        assert reaches["length_m"].tolist() == [500.0, 500.0]
        assert sorted(reaches["access_lamprey"]) == [0.6, 1.0]
        assert not caplog.records  # a basin that is one straight line is drawn without complaints

    def test_one_site_that_does_not_fail_by_hand(self, small: SmallBasin) -> None:
        small.lines({"a": [1], "b": [0]}, [shapely.LineString(COURSES[0])])
        small.write("sites.csv", "\n".join(SITES.splitlines()[:2]).replace("0.02", "0"))
        small.write("actions.csv", "site,action,cost,passability_lamprey,passability_walleye\nD1,open,500,0.6,1\n")
        small.edit("discount_rate = 0.03", "discount_rate = 0").edit("horizon_years = 30", "horizon_years = 10")
        (row,) = rank(small).csv().to_dict("records")
        # 500 m above it, walleye from 0.3 to 1: 350 m more; 10 years x 0.4 a metre x 350 m = 1400
        assert row["gain_walleye"] == pytest.approx(350.0)
        assert row["benefit"] == pytest.approx(1400.0)
        assert row["net_benefit"] == pytest.approx(900.0)
        assert row["benefit_per_cost"] == pytest.approx(2.8)

    def test_points_instead_of_money(self, small: SmallBasin) -> None:
        money = rank(small).csv()
        small.edit('[money]\ncurrency = "USD"\n', "[points]\n")
        points = rank(small).csv()
        assert points["net_benefit"].isna().all()
        key = ["site", "action"]
        both = money.merge(points, on=key, suffixes=("", "_points"))
        np.testing.assert_allclose(both["benefit"], both["benefit_points"])
        assert "points" in points["why"][0]
        assert "USD" not in "".join(points["why"])

    def test_by_net_benefit(self, small: SmallBasin) -> None:
        small.edit("[money]", '[ranking]\nby = "net_benefit"\n\n[money]')
        table = rank(small).csv()
        shown = table[table["standing"] == "more harm than good"]["net_benefit"].to_numpy()
        assert (np.diff(shown) <= 0).all()
        assert table["rank"][0] == 1
        assert "net benefit" in run("rank", small.project, "--out", small.out).out

    def test_by_criteria(self, small: SmallBasin) -> None:
        small.edit("[money]", '[ranking]\nby = "criteria"\n[ranking.weights]\ncost = -1.0\n\n[money]')
        small.edit("value = -1.0", "value = 0.0")  # then no removal does harm
        table = rank(small).csv()
        useful = table[~table["standing"].isin(["more harm than good", "no effect"])]
        assert useful["cost"].is_monotonic_increasing
        assert {"score", "term_cost"} <= set(table.columns)

    def test_unknown_criterion_names_those_there_are(self, small: SmallBasin) -> None:
        small.edit("[money]", '[ranking]\nby = "criteria"\n[ranking.weights]\ngain_wallaye = 1\n\n[money]')
        said = run("rank", small.project, "--out", small.out)
        assert said.code == 1
        assert "gain_wallaye" in said.err
        assert "gain_walleye" in said.err

    def test_us_units_are_for_people_only(self, small: SmallBasin) -> None:
        metric = rank(small).csv()
        small.edit("[money]", '[display]\nunits = "us"\n\n[money]')
        said = run("rank", small.project, "--out", small.out)
        us = Ranked(small.out, said).csv()
        numbers = metric.select_dtypes("number").columns
        pd.testing.assert_frame_equal(metric[numbers], us[numbers])
        assert " miles of " in said.out
        assert " km " not in said.out
        assert " miles of habitat" in "".join(us["why"])

    def test_treatment_per_discharge_by_hand(self, small: SmallBasin) -> None:
        small.edit(
            "[species.walleye]",
            '[species.lamprey.treatment]\ncost_per_unit = 1000\nper = "discharge"\ninterval_years = 4\n'
            "fixed_cost_per_stream = 200\ninfested_from = 0.5\n\n[species.walleye]",
        )
        small.lines({"q_m3s": [8.0, 3.0, 2.0, 1.0]})
        small.write("actions.csv", "site,action,cost,passability_lamprey\nD1,raise,10000,0\n")
        (row,) = rank(small).csv().to_dict("records")
        summary = Ranked(small.out, Said(0, "", "")).record()["summary"]["lamprey"]
        # one stream, infested from its mouth: 8 m3/s at its foot whatever D1 does, for line 1 has a part below D1
        assert summary["treatment_a_year"] == pytest.approx((1000 * 8.0 + 200) / 4)
        assert row["treatment_saved"] == 0.0

    def test_treatment_per_discharge_needs_it(self, small: SmallBasin) -> None:
        treatment = '[species.lamprey.treatment]\ncost_per_unit = 9\nper = "discharge"\ninterval_years = 4\n\n'
        small.edit("[species.walleye]", treatment + "[species.walleye]")
        small.lines({"q_m3s": [8.0, None, 2.0, 1.0]})
        said = run("rank", small.project, "--out", small.out, "--quiet")
        assert said.code == 0
        assert "warning: streams.gpkg: 1 line(s) have no discharge" in said.err
        small.edit('discharge = "q_m3s"\n', "")
        said = run("rank", small.project, "--out", small.out, "--quiet")
        assert said.code == 1
        assert "[species.lamprey.treatment] per" in said.err
        assert "add the column discharge to [hydrography]" in said.err

    def test_habitat_as_a_column(self, small: SmallBasin) -> None:
        small.lines({"redds": [10.0, 20.0, 0.0, 7.5]})
        small.edit('passability = "p_walleye"', 'passability = "p_walleye"\nhabitat = "redds"')
        rank(small)
        reaches = pyogrio.read_dataframe(small.out / "results.gpkg", layer="reaches")
        by_line = reaches.groupby("source_id")["habitat_walleye"].sum()
        assert by_line.to_dict() == pytest.approx({"1": 10.0, "2": 20.0, "3": 0.0, "4": 7.5})
        # an amount is shared out along its line: D1 cuts line 1 in two halves
        assert reaches[reaches["source_id"] == "1"]["habitat_walleye"].tolist() == pytest.approx([5.0, 5.0])
        assert (reaches[reaches["source_id"] == "3"]["state_walleye"] == "none").all()

    def test_width_by_drainage_area(self, small: SmallBasin) -> None:
        small.edit('width = "width_m"', "width_a = 2.0\nwidth_b = 0.5")
        small.edit('passability = "p_walleye"', 'passability = "p_walleye"\nhabitat = "area"')
        small.lines({"area_km2": [100.0, 25.0, 16.0, 9.0]})
        rank(small)
        reaches = pyogrio.read_dataframe(small.out / "results.gpkg", layer="reaches")
        width = {"1": 20.0, "2": 10.0, "3": 8.0, "4": 6.0}  # 2 A^0.5
        expected = reaches["length_m"] * reaches["source_id"].map(width)
        np.testing.assert_allclose(reaches["habitat_walleye"], expected)

    def test_open_sites_have_nothing_to_gain(self, small: SmallBasin) -> None:
        small.edit('passability = "p_lamprey"', "passability = 1.0")
        small.edit('passability = "p_walleye"', "passability = 1.0")
        table = rank(small).csv().set_index(["site", "action"])
        for pair in (("D1", "remove"), ("D2", "remove")):
            assert table.loc[pair, "standing"] == "no effect"
            assert "it leaves every passability as it is" in table.loc[pair, "why"]
        sites = pyogrio.read_dataframe(small.out / "results.gpkg", layer="sites")
        assert (sites["blocked_lamprey"] == 0.0).all()

    def test_what_costs_nothing(self, small: SmallBasin) -> None:
        small.write("actions.csv", "site,action,cost,passability_lamprey\nD1,close the gate,0,0\n")
        (row,) = rank(small).csv().to_dict("records")
        assert row["cost"] == 0.0
        assert row["benefit_per_cost"] == np.inf
        assert row["best"]
        assert "costs nothing" in row["why"]

    def test_equal_actions_share_a_rank_and_say_so(self, small: SmallBasin) -> None:
        rows = "".join(f"D1,raise {i},100,0\n" for i in range(4))
        small.write("actions.csv", "site,action,cost,passability_lamprey\n" + rows)
        table = rank(small).csv()
        assert table["rank"].tolist() == [1, 1, 1, 1]
        assert table["tied"].tolist() == [3, 3, 3, 3]
        assert table["best"].sum() == 1
        assert table["why"].str.contains("equal with D1 raise").all()

    def test_shortest_lives_and_horizons(self, small: SmallBasin) -> None:
        small.edit("horizon_years = 30", "horizon_years = 1").edit("0.03", "0")
        small.change("actions.csv", ",30,", ",0.5,")
        table = rank(small).csv().set_index(["site", "action"])
        # 1000 now, 10 upkeep, and again 1000 after half a year
        assert table.loc[("D1", "raise"), "present_worth_cost"] == pytest.approx(2010.0)
