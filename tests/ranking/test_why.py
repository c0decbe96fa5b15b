"""The sentence of each row: every case read in full, and nothing unreadable whatever the numbers."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barrierrank.problems import Problems
from barrierrank.ranking.order import rank_actions
from barrierrank.ranking.rules import RankingRule
from barrierrank.ranking.species import RankedSpecies
from barrierrank.ranking.why import sentences

SPECIES = (
    RankedSpecies("lamprey", "Sea lamprey", "invasive"),
    RankedSpecies("walleye", "Walleye", "native"),
    RankedSpecies("sturgeon", "Lake sturgeon", "native", "m2"),
)
RATIO, NET, POINTS = RankingRule(), RankingRule("net_benefit"), RankingRule(points=True)


def action(site: str, name: str, **numbers: Any) -> dict[str, Any]:
    """Make one row: gains by species, worths in money, benefit as their sum unless given."""
    row = {f"{kind}_{s.key}": 0.0 for s in SPECIES for kind in ("gain", "worth")}
    row |= {"site": site, "name": site, "action": name, "cost": 0.0, "treatment_saved": 0.0}
    row |= numbers
    row["present_worth_cost"] = row["cost_capital"] = row["cost"]
    row["cost_upkeep"] = row["cost_replacement"] = 0.0
    worths = sum(row[f"worth_{s.key}"] for s in SPECIES)
    row.setdefault("benefit", worths + row["treatment_saved"])
    return row


def why(
    rows: list[dict[str, Any]],
    rule: RankingRule = RATIO,
    *,
    species: tuple[RankedSpecies, ...] = SPECIES,
    units: Any = "metric",
    years: int = 30,
) -> dict[str, str]:
    """Rank the rows and return their sentences by site and action."""
    table = pd.DataFrame(rows)
    cost = table["present_worth_cost"].to_numpy(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        table["benefit_per_cost"] = table["benefit"].to_numpy(float) / cost
    table["net_benefit"] = np.nan if rule.points else table["benefit"] - cost
    ranked = rank_actions(table, rule, problems=Problems())
    told = sentences(
        ranked,
        species,
        rule=rule,
        currency=None if rule.points else "USD",
        units=units,
        horizon_years=years,
    )
    return {f"{s} {a}": text for s, a, text in zip(ranked["site"], ranked["action"], told, strict=True)}


REBUILD = action(
    "S07", "rebuild", gain_lamprey=-12_400.0, treatment_saved=1_230_000.0, cost=300_000.0
)  # 4.1 to 1
REMOVE = action("S02", "remove", gain_walleye=5_000.0, worth_walleye=60_000.0, cost=20_000.0)


def test_keeping_out_says_whom_what_it_saves_and_what_it_brings() -> None:
    assert why([REBUILD])["S07 rebuild"] == (
        "Over 30 years it keeps Sea lamprey out of 12.4 km of habitat and saves USD 1.23 million in "
        "treatment; "
        "it costs USD 300,000 in today's money and brings USD 4.10 for every USD 1 spent."
    )


def test_by_net_benefit_the_difference_is_told() -> None:
    assert why([REBUILD], NET)["S07 rebuild"].endswith(
        "it costs USD 300,000 in today's money and brings USD 930,000 more than that."
    )
    free = action("S1", "open gates", gain_walleye=900.0, worth_walleye=4_000.0)
    assert why([free], NET)["S1 open gates"] == (
        "Over 30 years it opens 900 m of habitat to Walleye; it costs nothing and brings USD 4,000."
    )


def test_letting_through_in_the_users_units() -> None:
    assert why([REMOVE], units="us", years=1)["S02 remove"] == (
        "Over one year it opens 3.11 miles of habitat to Walleye; "
        "it costs USD 20,000 in today's money and brings USD 3.00 for every USD 1 spent."
    )


def test_species_that_share_a_verb_stand_under_one() -> None:
    row = action("S1", "remove", gain_walleye=5e3, gain_sturgeon=2e4, worth_sturgeon=9e4, cost=3e4)
    told = why([row])["S1 remove"]
    assert "it opens 5 km of habitat to Walleye and 2 ha to Lake sturgeon; it costs" in told


def test_what_natives_lose_is_told_in_a_good_row_too() -> None:
    row = REBUILD | {"gain_walleye": -3_000.0, "gain_sturgeon": -500.0}
    assert (
        "saves USD 1.23 million in treatment, but cuts Walleye off from 3 km of habitat and Lake "
        "sturgeon off from "
        "500 m²; it costs"
    ) in why([row])["S07 rebuild"]


def test_costing_more_than_it_brings() -> None:
    row = action("S1", "raise", gain_lamprey=-700.0, worth_lamprey=40_000.0, cost=2_100_000.0)
    assert why([row])["S1 raise"] == (
        "Over 30 years it keeps Sea lamprey out of 700 m of habitat; it costs USD 2.1 million in "
        "today's money, "
        "USD 2.06 million more than it brings."
    )
    even = row | {"cost": 40_000.0, "present_worth_cost": 40_000.0}
    assert why([even])["S1 raise"].endswith("it costs USD 40,000 in today's money, no less than it brings.")


def test_harm_is_told_plainly_with_what_it_outweighs() -> None:
    row = action(
        "S1",
        "remove",
        gain_lamprey=12_000.0,
        treatment_saved=-2_000_000.0,
        gain_walleye=3_000.0,
        worth_walleye=600_000.0,
        cost=300_000.0,
    )
    assert why([row])["S1 remove"] == (
        "It does more harm than good: over 30 years it opens 12 km of habitat to Sea lamprey and adds USD 2 "
        "million in treatment, which outweighs opening 3 km of habitat to Walleye by USD 1.4 million, "
        "and it costs "
        "USD 300,000 in today's money."
    )


def test_harm_alone_and_for_free() -> None:
    row = action("S1", "new barrier", gain_walleye=-30_000.0, worth_walleye=-90_000.0)
    assert why([row])["S1 new barrier"] == (
        "It does more harm than good: over 30 years it cuts Walleye off from 30 km of habitat, a loss "
        "of USD 90,000."
    )


def test_no_effect_with_and_without_a_reason() -> None:
    rows = [
        action("S1", "rebuild", cost=50_000.0, reason="a dam below already stops Sea lamprey."),
        action("S2", "open gates", reason=None),
        action("S3", "raise", cost=10.0, reason="two\nlines", gain_lamprey=-1.0, worth_lamprey=99.0),
    ]
    told = why(rows)
    assert told["S1 rebuild"].startswith(
        "It would cost USD 50,000 in today's money and change nothing: a dam below already stops Sea "
        "lamprey ("
    )
    assert told["S2 open gates"].startswith("It would change nothing: no species gains or loses habitat (")
    assert "\n" not in "".join(told.values())


def test_ties_are_told_with_a_partner() -> None:
    twin = REBUILD | {"site": "S03"}
    told = why([REBUILD, twin, REMOVE])
    assert told["S07 rebuild"].endswith("for every USD 1 spent (equal with S03 rebuild).")
    assert told["S03 rebuild"].endswith("for every USD 1 spent (equal with S07 rebuild).")
    assert "equal" not in told["S02 remove"]
    told = why([REBUILD, twin, REBUILD | {"site": "S04"}])
    assert told["S07 rebuild"].endswith("(equal with S03 rebuild and 1 other).")
    told = why([REBUILD | {"site": f"S{i:04d}"} for i in range(1_201)])
    assert told["S0500 rebuild"].endswith("(equal with S0000 rebuild and 1,199 others).")


def test_what_costs_nothing_comes_first_and_says_so() -> None:
    row = action("S1", "open gates", gain_walleye=5_000.0, worth_walleye=1.0)
    assert why([REBUILD, row])["S1 open gates"].endswith(
        "it costs nothing and so comes before all that must be paid for."
    )


def test_a_return_of_about_one_is_not_rounded_into_a_riddle() -> None:
    row = REMOVE | {"benefit": 20_001.0}
    assert why([row])["S02 remove"].endswith("and brings about USD 1 for every USD 1 spent.")


@pytest.mark.parametrize(
    ("benefit", "told"),
    [
        (600_000.0, "brings 2 points for every 1 spent."),
        (600.0, "brings 2 points for every 1,000 spent."),
        (0.6, "brings 2 points for every 1,000,000 spent."),
    ],
)
def test_points_never_become_money(benefit: float, told: str) -> None:
    row = action("S1", "rebuild", gain_lamprey=-4_000.0, benefit=benefit, cost=300_000.0)
    sentence = why([row], POINTS)["S1 rebuild"]
    told = told.replace("1,000,000", "1 million")
    assert sentence == (
        f"Over 30 years it keeps Sea lamprey out of 4 km of habitat; it costs 300,000 and {told}"
    )


def test_points_one_step_serves_the_whole_list() -> None:
    rows = [action(f"S{i}", "a", gain_lamprey=-9.0, benefit=float(i), cost=1e3) for i in range(1, 4)]
    told = why(rows, POINTS)
    assert [told[f"S{i} a"].split("brings ")[1] for i in (1, 2, 3)] == [
        "1 point for every 1,000 spent.",
        "2 points for every 1,000 spent.",
        "3 points for every 1,000 spent.",
    ]


def test_points_that_cancel_out() -> None:
    gains = {"gain_lamprey": 5.0, "gain_walleye": 5.0, "worth_lamprey": -2.0, "worth_walleye": 2.0}
    row = action("S1", "remove", **gains, cost=9.0)
    assert why([row], POINTS)["S1 remove"] == (
        "Over 30 years it opens 5 m of habitat to Walleye, but opens 5 m of habitat to Sea lamprey, "
        "which cancel out, "
        "and it costs 9."
    )


def test_a_species_without_a_value_is_told_as_not_counted() -> None:
    species = (*SPECIES[:1], RankedSpecies("walleye", "Walleye", "native", value_known=False))
    row = REBUILD | {"gain_walleye": -3_000.0}
    assert (
        "but cuts Walleye off from 3 km of habitat (not counted, since it is given no value); it costs"
    ) in why([row], species=species)["S07 rebuild"]
    free_of_worth = action("S1", "remove", gain_walleye=2_000.0, cost=5.0)
    assert why([free_of_worth], POINTS, species=species)["S1 remove"] == (
        "Over 30 years it opens 2 km of habitat to Walleye (not counted, since it is given no value), "
        "which counts "
        "for nothing by the values given, and it costs 5."
    )


def test_a_species_that_a_criterion_weighs_counts_without_a_value() -> None:
    species = tuple(RankedSpecies(s.key, s.label, s.role, value_known=False) for s in SPECIES)
    row = action("S1", "remove", gain_walleye=2_000.0, gain_lamprey=4.0, benefit=5.0, cost=1.0)
    told = why([row], RankingRule("criteria", {"gain_walleye": 1.0}), species=species)["S1 remove"]
    assert "opens 2 km of habitat to Walleye, but opens 4 m of habitat to Sea lamprey (not counted" in told


def test_treatment_is_told_in_points_where_it_is_counted_in_points() -> None:
    row = action("S1", "rebuild", treatment_saved=120.0, cost=1_000.0)
    assert why([row], POINTS)["S1 rebuild"] == (
        "Over 30 years it saves 120 points in treatment; it costs 1,000 and brings 120 points for every "
        "1,000 spent."
    )
    worse = action("S1", "remove", treatment_saved=-120.0, cost=1_000.0)
    assert why([worse], POINTS)["S1 remove"] == (
        "It does more harm than good: over 30 years it adds 120 points in treatment, a loss of 120 points, "
        "and it costs 1,000."
    )


def test_what_is_not_known_is_said() -> None:
    rows = [
        REBUILD,
        action("S1", "a", gain_walleye=900.0, benefit=math.nan, cost=5.0),
        action("S2", "a", gain_walleye=900.0, benefit=10.0, cost=math.nan),
    ]
    told = why(rows)
    assert told["S1 a"] == (
        "Its worth cannot be told, since what it brings is not known, though over 30 years it opens "
        "900 m of habitat "
        "to Walleye."
    )
    assert told["S2 a"].startswith("Its worth cannot be told, since what it costs is not known, though")
    assert why(rows, POINTS)["S2 a"].endswith(
        "it costs an unknown sum and so has no place by what it brings for its cost."
    )


def test_by_criteria_the_score_and_what_makes_it() -> None:
    rows = [
        REBUILD,
        REMOVE,
        action("S3", "raise", gain_lamprey=-100.0, worth_lamprey=5.0, cost=30_000.0),
        action("S4", "remove", gain_lamprey=800.0, worth_lamprey=-5.0, cost=300_000.0),
    ]
    rule = RankingRule("criteria", {"gain_lamprey": -3.0, "cost": -1.0})
    told = why(rows, rule)
    # lamprey -12,400 to 800, cost 20,000 to 300,000: S07 scores 3 + 0, S02 3 * 800 / 13,200 + 1
    assert told["S07 rebuild"].endswith(
        "and scores 3 out of 4, helped most by the change in habitat of Sea lamprey, held back most by "
        "its cost."
    )
    assert told["S02 remove"].endswith(
        "and scores 1.18 out of 4, helped most by its cost, held back most by the change in habitat of "
        "Sea lamprey."
    )
    assert "USD 30,000 more than it brings; it scores 1.17 out of 4" in told["S3 raise"]
    assert told["S4 remove"].startswith("It does more harm than good: ")
    assert "; it scores 0 out of 4, held back most by the change in habitat of Sea" in told["S4 remove"]


def test_by_criteria_a_missing_criterion_is_said() -> None:
    rows = [REBUILD, REMOVE | {"gain_lamprey": math.nan}]
    told = why(rows, RankingRule("criteria", {"gain_lamprey": -3.0, "cost": -1.0}))
    assert told["S02 remove"].endswith("and scores nothing that can be told, since a criterion is missing.")


def test_user_text_stays_on_one_line_and_braces_are_letters() -> None:
    species = (RankedSpecies("lamprey", "Sea {amount}\nlamprey\t<b>", "invasive"),)
    (told,) = why([REBUILD], species=species).values()
    assert "keeps Sea {amount} lamprey <b> out of 12.4 km of habitat" in told


NUMBERS = st.sampled_from([-2e6, -300.0, -0.2, 0.0, 0.4, 1e3, 5e7, math.nan])


CRITERIA = RankingRule("criteria", {"cost": -1.0, "benefit": 1.0})


@given(st.data(), st.sampled_from([RATIO, NET, POINTS, CRITERIA]))
@settings(deadline=None)
def test_whatever_the_numbers_it_reads_as_one_sentence(data: st.DataObject, rule: RankingRule) -> None:
    rows = [
        action(
            f"S{i}",
            "raise",
            cost=data.draw(st.sampled_from([0.0, 0.3, 1e4, math.nan])),
            treatment_saved=data.draw(NUMBERS),
            benefit=data.draw(NUMBERS),
            **{f"gain_{s.key}": data.draw(NUMBERS) for s in SPECIES},
        )
        for i in range(data.draw(st.integers(1, 5)))
    ]
    for text in why(rows, rule).values():
        assert text[0].isupper()
        assert text.endswith(".")
        assert ". " not in text
        assert "  " not in text
        assert not {"nan", "inf", "None", "-0"} & set(text.replace("(", " ").replace(";", " ").split())
