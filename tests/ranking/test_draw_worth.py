"""Many draws at once: every draw as if it were the only one, terms and ranks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.random_networks import Recipe, random_network, random_passability

from barrierrank.access.graph import AccessGraph
from barrierrank.inputs.actions import ActionTable
from barrierrank.problems import Problems
from barrierrank.project import EconomySpec, TreatmentSpec
from barrierrank.ranking import draw_worth
from barrierrank.ranking.draw_ranks import draw_ranks
from barrierrank.ranking.draw_worth import DrawBlock, worth_of_draws
from barrierrank.ranking.order import rank_actions
from barrierrank.ranking.rules import RankingRule
from barrierrank.worth.terms import SpeciesStake, action_terms, years_of
from barrierrank.worth.treatment import Ground, ground_of

recipes = st.builds(
    Recipe,
    nodes=st.integers(5, 40),
    outlets=st.integers(1, 3),
    braids=st.sampled_from([0, 0, 4, 20]),
    sites=st.integers(1, 20),
    twins=st.integers(0, 3),
    lakes=st.sampled_from([0, 1]),
    dead=st.sampled_from([0, 1]),
    seed=st.integers(0, 10**6),
)
A, D = 18, 5


@dataclass
class Case:
    graph: AccessGraph
    actions: ActionTable
    stakes: list[SpeciesStake]
    block: DrawBlock
    economy: EconomySpec


def case(recipe: Recipe, *, failing: bool = False, per: str = "habitat", money: bool = True) -> Case:
    """Draw a network, actions and a block; the second species is treated."""
    network, sites = random_network(recipe)
    rng = np.random.default_rng(recipe.seed + 11)
    graph = AccessGraph.from_network(network, sites)
    site = np.sort(rng.integers(0, sites, A))
    names = np.array([f"a{i:02}" for i in range(A)], dtype=object)
    life = rng.choice([np.nan, 5.0, 7.0, 4.5, 50.0], A)
    cost = np.where(rng.random(A) < 0.1, 0.0, rng.random(A) * 100)
    upkeep = np.where(cost > 0.0, rng.random(A), 0.0)
    actions = ActionTable(
        "actions.csv", np.arange(A), site, names, cost, upkeep, life, np.zeros(A), np.zeros((A, 2)), names
    )
    spec = TreatmentSpec(
        cost_per_unit=2.0, per=per, interval_years=4.0, fixed_cost_per_stream=70.0, infested_from=0.3
    )
    habitat = np.where(rng.random(len(network)) < 0.3, 0.0, network.length_m)
    ground = ground_of(graph, habitat, network.upstream_m / 10, network.outlet)
    # what stakes hold of today must not be looked at, the block alone
    nothing = (np.full(sites, np.nan), np.full(A, np.nan), np.full(len(graph), np.nan))
    stakes = [
        SpeciesStake("walleye", "native", np.nan, *nothing),
        SpeciesStake("lamprey", "invasive", np.nan, *nothing, spec, ground),
    ]
    q = (rng.random((sites, D)) * 0.1, rng.random((A, D)) * 0.05)
    if not failing:
        q = (q[0] * 0.0, q[1] * 0.0)
    q[0][:, 0] = q[1][:, 0] = 0.0  # nothing fails in the first draw
    factor = np.exp(0.4 * rng.standard_normal((len(graph), D)))
    block = DrawBlock(
        tuple(random_passability(rng, (sites, D)) for _ in stakes),
        tuple(random_passability(rng, (A, D)) for _ in stakes),
        *q,
        (graph.amounts(network.length_m)[:, None] * factor, ground.habitat[:, None] * factor),
        np.array([[0.7], [-0.9]]) * (0.5 + rng.random((2, D))),
        0.5 + rng.random((2, D)),
        0.5 + rng.random((A, D)),
    )
    return Case(graph, actions, stakes, block, EconomySpec("USD" if money else None, 0.04, 12))


def alone(c: Case, d: int) -> pd.DataFrame:
    """Work out the terms of one draw the way the list is worked out."""
    block, f = c.block, c.block.treatment[:, d]
    q, q_after = block.failure_today[:, d].copy(), block.failure_after[:, d].copy()
    cost = block.cost[:, d]
    actions = replace(
        c.actions, cost=c.actions.cost * cost, upkeep=c.actions.upkeep * cost, failure_probability=q_after
    )
    stakes = []
    for s, stake in enumerate(c.stakes):
        spec, ground = stake.treatment, stake.ground
        habitat = block.habitat[s][:, d].copy()
        if spec is not None and isinstance(ground, Ground):
            spec = replace(
                spec,
                cost_per_unit=spec.cost_per_unit * f[s],
                fixed_cost_per_stream=spec.fixed_cost_per_stream * f[s],
            )
            ground = replace(ground, habitat=habitat)
        p, after = block.passability[s][:, d].copy(), block.after[s][:, d].copy()
        stakes.append(SpeciesStake(stake.key, stake.role, block.value[s, d], p, after, habitat, spec, ground))
    years = years_of(q, q_after, actions.life_years, c.economy)
    terms = action_terms(c.graph, actions, stakes, years, c.economy)
    terms.insert(0, "site", np.array([f"S{i:03}" for i in terms["site_index"]], dtype=object))
    return terms.assign(name="")


RULES = {
    "ratio": RankingRule(),
    "net": RankingRule("net_benefit"),
    "points": RankingRule(points=True),
    "criteria": RankingRule("criteria", {"benefit_per_cost": 1.0, "cost": -0.5, "gain_lamprey": -2.0}),
    "criteria_points": RankingRule("criteria", {"treatment_saved": 1.0, "cost_upkeep": -0.5}, points=True),
}


@given(recipes, st.booleans(), st.sampled_from(["habitat", "discharge"]), st.sampled_from(sorted(RULES)))
@settings(max_examples=100, deadline=None)
def test_every_draw_is_as_if_it_were_the_only_one(
    recipe: Recipe, failing: bool, per: str, rule_name: str
) -> None:
    rule = RULES[rule_name]
    c = case(recipe, failing=failing, per=per, money=not rule.points)
    got = worth_of_draws(c.graph, c.actions, c.stakes, c.block, c.economy)
    site = np.array([f"S{i:03}" for i in c.actions.site_index], dtype=object)
    ranks, shared = (
        draw_ranks(got, rule, site=site, action=c.actions.action, shared=both) for both in (False, True)
    )
    assert got.species == ("walleye", "lamprey")
    for d in range(D):
        want = alone(c, d)
        # a balance is as exact as the amounts it is made of
        size = float(np.abs(want[["worth_walleye", "worth_lamprey", "treatment_saved"]]).to_numpy().max())
        columns = got.of_draw(d, points=rule.points)
        assert set(columns) == set(want.columns) - {"site", "site_index", "action", "name"}
        for name in set(columns) - {"benefit_per_cost"}:
            np.testing.assert_allclose(
                columns[name], want[name], rtol=1e-9, atol=1e-11 * (1 + size), err_msg=name
            )
        np.testing.assert_array_equal(got.benefit[:, d], columns["benefit"])
        ranked = rank_actions(want, rule, problems=Problems())
        place = pd.Series(np.arange(1, A + 1), ranked.index).sort_index()
        np.testing.assert_array_equal(ranks[:, d], place)
        np.testing.assert_array_equal(shared[:, d], ranked["rank"].sort_index())


@pytest.mark.parametrize(
    ("room", "threads", "widths"), [(1, 1, [1] * D), (10**9, 2, [3, 2]), (10**9, 9, [1] * D)]
)
def test_slices_and_threads_make_no_difference(
    monkeypatch: pytest.MonkeyPatch, room: int, threads: int, widths: list[int]
) -> None:
    c = case(Recipe(nodes=40, braids=6, sites=20, seed=4), failing=True)
    whole = worth_of_draws(c.graph, c.actions, c.stakes, c.block, c.economy)
    slices: list[int] = []
    fill = draw_worth._fill

    def counted(work: draw_worth._Work, part: slice, out: tuple[np.ndarray, np.ndarray, np.ndarray]) -> None:
        slices.append(part.stop - part.start)
        fill(work, part, out)

    monkeypatch.setattr(draw_worth, "ROOM", room)
    monkeypatch.setattr(draw_worth, "SMALL", 1)
    monkeypatch.setattr(draw_worth.os, "cpu_count", lambda: threads)
    monkeypatch.setattr(draw_worth, "_fill", counted)
    cut = worth_of_draws(c.graph, c.actions, c.stakes, c.block, c.economy)
    assert sorted(slices, reverse=True) == widths
    for name in ("benefit", "gain", "worth", "treatment_saved", "present_worth_cost"):
        np.testing.assert_array_equal(getattr(cut, name), getattr(whole, name))


def test_memory_is_bounded_by_slices(monkeypatch: pytest.MonkeyPatch) -> None:
    c = case(Recipe(nodes=40, sites=20, seed=4), failing=True)
    years, n, e = c.economy.horizon_years, c.block.failure_today.shape[0], len(c.graph)
    monkeypatch.setattr(draw_worth, "SMALL", 1)
    monkeypatch.setattr(draw_worth.os, "cpu_count", lambda: 8)
    one_draw = 8 * years * (2 * n + 2 * A + 3 * e)  # what one draw surely takes
    for room in (1, 3 * one_draw, 10**9):
        monkeypatch.setattr(draw_worth, "ROOM", room)
        work = draw_worth._Work(
            c.graph, c.actions, c.stakes, c.block, np.ones((years, 2)), years, lasting=False
        )
        dealt = draw_worth._dealt(work)
        assert sorted(i for hand in dealt for part in hand for i in range(D)[part]) == list(range(D))
        at_once = sum(max((part.stop - part.start for part in hand), default=0) for hand in dealt)
        assert at_once == 1 or at_once * one_draw <= room


def test_threads_get_as_many_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    c = case(Recipe(nodes=40, sites=20, seed=4))
    wide = np.ones((1, 128))
    block = replace(c.block, cost=np.repeat(wide, A, axis=0), failure_today=np.zeros((c.graph.of_site.size, 128)))
    monkeypatch.setattr(draw_worth, "SMALL", 1)
    monkeypatch.setattr(draw_worth.os, "cpu_count", lambda: 2)
    work = draw_worth._Work(c.graph, c.actions, c.stakes, block, np.ones((1, 2)), 1, lasting=True)
    widths = set()
    for room in np.geomspace(1e4, 1e8, 30):
        monkeypatch.setattr(draw_worth, "ROOM", int(room))
        dealt = draw_worth._dealt(work)
        hands = [[part.stop - part.start for part in hand] for hand in dealt]
        widths.add(max(map(max, hands)))
        assert sum(map(sum, hands)) == 128
        assert len(set(map(len, hands))) == 1
        assert max(map(max, hands)) - min(map(min, hands)) <= 1
    assert len(widths) > 3
    none = replace(c.block, cost=np.empty((A, 0)))
    assert draw_worth._dealt(replace(work, block=none)) == [[]]


def test_what_does_not_fit_is_told() -> None:
    c = case(Recipe(nodes=20, sites=8, seed=2))
    wrong = replace(c.block, value=c.block.value[:1], habitat=c.block.habitat[:1])
    with pytest.raises(
        ValueError, match=r"habitat has 1 arrays for 2 species; value is \(1, 5\), not \(2, 5\)"
    ):
        worth_of_draws(c.graph, c.actions, c.stakes, wrong, c.economy)


def test_callers_data_stays_as_it_was() -> None:
    c = case(Recipe(nodes=20, sites=8, seed=2), failing=True)
    before = [x.copy() for x in (*c.block.passability, *c.block.after, *c.block.habitat, c.block.cost)]
    worth_of_draws(c.graph, c.actions, c.stakes, c.block, c.economy)
    after = [*c.block.passability, *c.block.after, *c.block.habitat, c.block.cost]
    for x, y in zip(before, after, strict=True):
        np.testing.assert_array_equal(x, y)
