"""From a basin to the tree that plans are made on, and back."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barrierrank.access.graph import WATER, AccessGraph
from barrierrank.plan.exact import LEAVE, ExactWorth
from barrierrank.plan.steps import Steps
from barrierrank.plan.tree import PlanTree
from barrierrank.worth.finance import expected_passability
from barrierrank.worth.terms import SpeciesStake

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

FIRST = 2
"""First element that is a site or a join."""


@dataclass(frozen=True, eq=False)
class PlanModel:
    """A basin as a tree of sites and joins.

    Structures are reckoned with the passability that is to be expected in the mean of the years, present worths
    weighing. Access above a place where arms join again is what today's arms let past. Treatment, which is due from a
    threshold of access on, is counted by the line that lies nowhere below its worth: nothing below the threshold at
    its foot, all of it at full access.

    Parameters
    ----------
    tree : PlanTree
    element : (n,) int64
        Element of the access graph of each node.
    row : (m,) int64
        Row of the actions table of each action of the tree; LEAVE for leaving things as they are.
    node : (sites,) int64
        Node of each site; -1 where no run gets to it.
    constant : float
        Present worth of all that the tree leaves out.
    plain : PlanTree
        The same tree without treatment.
    steps : Steps
        Treatment as it is: due from a threshold on.
    plain_constant : float
        Present worth of all that the plain tree and the steps leave out.
    habitat : (n, species) float64
        Habitat of each node.
    joins : int
        Joins above which arms meet, that something can be done in.
    """

    tree: PlanTree
    element: Ints
    row: Ints
    node: Ints
    constant: float
    plain: PlanTree
    steps: Steps
    plain_constant: float
    habitat: Floats
    joins: int

    def sites(self, choice: Ints) -> Ints:
        """Return the row of the actions table at each site, (sites,), for a choice of the tree's actions (n,)."""
        out = np.full(self.node.size, LEAVE)
        there = self.node >= 0
        out[there] = self.row[choice[self.node[there]]]
        return out

    def choice(self, sites: Ints) -> Ints:
        """Return the choice of the tree's actions (n,) for a row of the actions table at each site."""
        out = self.tree.first[:-1].copy()
        for site in np.flatnonzero((self.node >= 0) & (sites >= 0)):
            node = self.node[site]
            here = slice(self.tree.first[node], self.tree.first[node + 1])
            out[node] += int(np.flatnonzero(self.row[here] == sites[site])[0])
        return out

    def actions(self, rows: Ints) -> Ints:
        """Return the tree's action for each row of the actions table, -1 where no run gets to its site."""
        at = np.full(int(max(self.row.max(initial=-1), rows.max(initial=-1))) + 1, -1)
        real = np.flatnonzero(self.row >= 0)
        at[self.row[real]] = real
        return at[rows]


def plan_model(exact: ExactWorth) -> PlanModel:
    """Build the tree of a basin; worths are absolute present worths.

    Parameters
    ----------
    exact : ExactWorth
    """
    graph, stakes, actions = exact.graph, exact.stakes, exact.actions
    element, parent = _nodes(graph)
    n = element.size
    place = np.full(len(graph), -1)
    place[element] = np.arange(n)
    weight, constant = _weights(exact, element)
    steps, fixed = _steps(exact, place)
    site = graph.site[element]
    order = np.argsort(actions.site_index, kind="stable")
    starts = np.searchsorted(actions.site_index[order], np.arange(exact.failure_today.size + 1))
    row: list[Ints] = []
    for s in site.tolist():
        mine = order[starts[s] : starts[s + 1]] if s >= 0 else order[:0]
        row.append(np.concatenate([[LEAVE], mine]))
    rows = np.concatenate(row) if row else np.empty(0, dtype=np.int64)
    first = np.concatenate([[0], np.cumsum([r.size for r in row])]).astype(np.int64)
    today, after = _mean_passabilities(exact)
    passability = np.vstack([after, np.ones((1, len(stakes)))])[rows]
    left = rows == LEAVE
    of_action = np.repeat(np.arange(n), np.diff(first))
    is_site = site[of_action[left]] >= 0
    passability[np.flatnonzero(left)[is_site]] = today[site[of_action[left][is_site]]]
    passability[np.flatnonzero(left)[~is_site]] = _relative(exact, today)[element[of_action[left][~is_site]]]
    cost = np.append(actions.cost, 0.0)[rows]
    own = np.append(exact.own_worth, 0.0)[rows]
    plain = PlanTree(parent, weight, first, np.clip(passability, 0.0, 1.0), cost, own)
    line = np.zeros_like(weight)
    np.add.at(line, (steps.node, steps.species), -steps.due / (1.0 - steps.at))
    tree = replace(plain, weight=weight + line)
    at_foot = float((steps.due * steps.at / (1.0 - steps.at)).sum())
    node = np.full(exact.failure_today.size, -1)
    node[site[site >= 0]] = np.flatnonzero(site >= 0)
    habitat = np.stack([s.habitat[element] for s in stakes], axis=1)
    constant += fixed
    return PlanModel(
        tree, element, rows, node, constant + at_foot, plain, steps, constant, habitat,
        _joins_with_actions(graph, actions.site_index),
    )  # fmt: skip


def _nodes(graph: AccessGraph) -> tuple[Ints, Ints]:
    """Return the elements that a run can get to, lower ones first, and the node below each."""
    element = np.arange(FIRST, len(graph))
    element = element[np.argsort(graph.depth[element], kind="stable")]
    reached = np.zeros(len(graph), dtype=bool)
    reached[WATER] = True
    for e in element:
        reached[e] = reached[graph.gate[e]]
    element = element[reached[element]].astype(np.int64)
    place = np.full(len(graph), -1)
    place[element] = np.arange(element.size)
    return element, place[graph.gate[element]].astype(np.int64)


def _mean_passabilities(exact: ExactWorth) -> tuple[Floats, Floats]:
    """Return passabilities of sites (sites, species) and after actions (a, species), means of the years."""
    weight = exact.years.weights[:, 1] / exact.years.weights[:, 1].sum()
    today = [expected_passability(s.passability, exact.years.failed_today) @ weight for s in exact.stakes]
    after = [expected_passability(s.after, exact.years.failed_after) @ weight for s in exact.stakes]
    return np.stack(today, axis=1), np.stack(after, axis=1)


def _relative(exact: ExactWorth, today: Floats) -> Floats:
    """Return access of each element as seen from its gate, as things are, (e, species)."""
    return np.hstack([exact.graph.sweep(today[:, [k]]).relative for k in range(today.shape[1])])


def _joins_with_actions(graph: AccessGraph, site_index: Ints) -> int:
    """Count joins that lie above a site where something can be done, in one of their arms."""
    acted = np.zeros(len(graph), dtype=bool)
    there = graph.of_site[np.unique(site_index)]
    acted[there[there >= 0]] = True
    count = 0
    for join in np.flatnonzero(graph.site < 0)[FIRST:]:
        todo = list(graph.parent[graph.first[join] : graph.first[join + 1]])
        seen: set[int] = set()
        while todo:
            e = int(todo.pop())
            if e == graph.gate[join] or e in seen or e < FIRST:
                continue
            seen.add(e)
            if acted[e]:
                count += 1
                break
            todo.extend(graph.parent[graph.first[e] : graph.first[e + 1]])
    return count


def _weights(exact: ExactWorth, element: Ints) -> tuple[Floats, float]:
    """Return worth per unit of access of each node (n, species), and what is worth the same whatever is done."""
    years = float(exact.years.weights[:, 1].sum())
    weight = np.empty((element.size, len(exact.stakes)))
    constant = 0.0
    for k, stake in enumerate(exact.stakes):
        weight[:, k] = stake.value * years * stake.habitat[element]
        constant += stake.value * years * float(stake.habitat[WATER])
    return weight, constant


def _steps(exact: ExactWorth, place: Ints) -> tuple[Steps, float]:
    """Return treatment as steps at nodes, and the present worth of what is treated whatever is done."""
    years = float(exact.years.weights[:, 1].sum())
    found: list[tuple[int, int, float, float]] = []
    constant = 0.0
    for k, stake in enumerate(exact.stakes):
        if stake.treatment is None or stake.ground is None:
            continue
        due, always = _due(exact.graph, stake)
        at = stake.treatment.infested_from
        if at <= 0.0:
            always, due = always + float(due.sum()), np.zeros_like(due)
        elif at >= 1.0:
            due = np.zeros_like(due)  # only full access counts: left out, which no plan is worse for
        constant -= years * always
        found += [(int(place[e]), k, at, years * float(due[e])) for e in np.flatnonzero(due) if place[e] >= 0]
    node, species, at_, due_ = zip(*found, strict=True) if found else ((), (), (), ())
    steps = Steps(
        np.array(node, dtype=np.int64), np.array(species, dtype=np.int64), np.array(at_, dtype=np.float64),
        np.array(due_, dtype=np.float64),
    )  # fmt: skip
    return steps, constant


def _due(graph: AccessGraph, stake: SpeciesStake) -> tuple[Floats, float]:
    """Return what treatment costs a year in each element once it is infested (e,), and below all sites."""
    spec, ground = stake.treatment, stake.ground
    assert spec is not None
    assert ground is not None
    due = np.zeros(len(graph))
    always = float(spec.fixed_cost_per_stream * ground.always.sum())
    if spec.per == "habitat":
        due += spec.cost_per_unit * ground.habitat
        always += float(due[WATER])
        due[:FIRST] = 0.0
    else:
        always += float(spec.cost_per_unit * ground.always_discharge.sum())
    for e, discharge in _feet(graph, stake):
        due[e] += spec.fixed_cost_per_stream
        if spec.per == "discharge":
            due[e] += spec.cost_per_unit * discharge
    return due / spec.interval_years, always / spec.interval_years


def _feet(graph: AccessGraph, stake: SpeciesStake) -> list[tuple[int, float]]:
    """Return, for streams with no habitat below their sites, the element all their habitat lies at or above.

    With the greatest discharge where the invader lives in that element. Streams that have no such element are left
    out: their fixed cost is then not counted.
    """
    ground = stake.ground
    assert ground is not None
    element = np.repeat(np.arange(len(graph)), np.diff(ground.start))
    out = []
    for stream in np.flatnonzero(ground.always == 0):
        parts = np.flatnonzero(ground.stream == stream)
        if not parts.size:
            continue
        lowest = int(parts[np.argmin(graph.depth[element[parts]])])
        foot = int(element[lowest])
        if all(_is_above(graph, int(e), foot) for e in element[parts]):
            out.append((foot, float(ground.discharge[lowest])))
    return out


def _is_above(graph: AccessGraph, upper: int, lower: int) -> bool:
    """Whether every way down from one element passes another, itself included."""
    while graph.depth[upper] > graph.depth[lower]:
        upper = int(graph.gate[upper])
    return upper == lower
