"""What plans are worth by the plain definition, years and treatment included, and every plan of a small basin."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from barrierrank.access.graph import AccessGraph
from barrierrank.inputs.actions import ActionTable
from barrierrank.network.model import RiverNetwork
from barrierrank.plan.exact import LEAVE, ExactWorth
from barrierrank.project import EconomySpec, TreatmentSpec
from barrierrank.worth.terms import SpeciesStake
from barrierrank.worth.treatment import ground_of
from support.plain import access_by_shortest_way
from support.random_networks import Recipe, random_network, random_passability

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class PlainSpecies:
    """A species on the reaches of a network: habitat and discharge (n,), passability (sites,), after actions (a,)."""

    value: float
    habitat: Floats
    discharge: Floats
    passability: Floats
    after: Floats
    treatment: TreatmentSpec | None = None


@dataclass(frozen=True)
class PlainBasin:
    """A basin with actions, as tables."""

    network: RiverNetwork
    failure_today: Floats
    actions: ActionTable
    species: tuple[PlainSpecies, ...]
    economy: EconomySpec

    def exact(self) -> ExactWorth:
        """Return what the package makes of it."""
        graph = AccessGraph.from_network(self.network, self.failure_today.size)
        stakes = [
            SpeciesStake(
                f"s{k}", "invasive" if s.value < 0.0 else "native", s.value, s.passability, s.after,
                graph.amounts(s.habitat), s.treatment,
                None if s.treatment is None else ground_of(graph, s.habitat, s.discharge, self.network.outlet),
            )
            for k, s in enumerate(self.species)
        ]  # fmt: skip
        return ExactWorth(graph, self.actions, stakes, self.failure_today, self.economy)


def plain_worth(basin: PlainBasin, rows: Ints, year: Ints | None = None) -> float:
    """Return the present worth that a plan gains over leaving everything as it is.

    Year after year the access of each reach is the best way in networkx; what is built in funding year y stands from
    year y on, and is paid at its beginning.
    """
    when = np.ones(rows.size, dtype=np.int64) if year is None else year
    nothing = np.full(rows.size, LEAVE)
    return _present(basin, rows, when) - _present(basin, nothing, when) - _paid(basin, rows, when)


def _failed(chance: float, age: int, life: float) -> float:
    """Return the chance that a structure built anew at each end of its life has failed in the year of its age."""
    return 1.0 - (1.0 - chance) ** ((age - 1) % life + 1 if np.isfinite(life) else age)


def plain_passability(basin: PlainBasin, species: PlainSpecies, rows: Ints, when: Ints, t: int) -> Floats:
    """Return the passability to be expected of each site in year t, counted from 1."""
    out = np.empty(rows.size)
    for site, row in enumerate(rows.tolist()):
        if row != LEAVE and t >= when[site]:
            age = t - int(when[site]) + 1
            failed = _failed(
                basin.actions.failure_probability[row], age, float(basin.actions.life_years[row])
            )
            sound = species.after[row]
        else:
            failed, sound = _failed(basin.failure_today[site], t, np.inf), species.passability[site]
        out[site] = failed + (1.0 - failed) * sound
    return out


def plain_access(basin: PlainBasin, rows: Ints, k: int, t: int) -> Floats:
    """Return the access of each reach to a species in year t."""
    when = np.ones(rows.size, dtype=np.int64)
    passability = plain_passability(basin, basin.species[k], rows, when, t)
    return access_by_shortest_way(basin.network, passability)


def plain_habitat(basin: PlainBasin, rows: Ints, k: int) -> float:
    """Return what a species can reach, mean over the horizon."""
    years = range(1, basin.economy.horizon_years + 1)
    return float(np.mean([plain_access(basin, rows, k, t) @ basin.species[k].habitat for t in years]))


def _present(basin: PlainBasin, rows: Ints, when: Ints) -> float:
    total = 0.0
    for t in range(1, basin.economy.horizon_years + 1):
        now = 0.0
        for species in basin.species:
            access = access_by_shortest_way(basin.network, plain_passability(basin, species, rows, when, t))
            now += species.value * float(access @ species.habitat)
            if species.treatment is not None:
                now -= _treated(basin.network, species, species.treatment, access)
        total += now / (1.0 + basin.economy.discount_rate) ** t
    return total


def _treated(network: RiverNetwork, species: PlainSpecies, spec: TreatmentSpec, access: Floats) -> float:
    """Return a year's share of the cost of treating every reach where the invader is."""
    infested = (access >= spec.infested_from * (1.0 - 1e-12)) & (species.habitat > 0.0)
    streams = set(network.outlet[infested].tolist())
    if spec.per == "habitat":
        amount = float(species.habitat[infested].sum())
    else:
        amount = sum(float(species.discharge[infested & (network.outlet == s)].max()) for s in streams)
    return (spec.cost_per_unit * amount + spec.fixed_cost_per_stream * len(streams)) / spec.interval_years


def _paid(basin: PlainBasin, rows: Ints, when: Ints) -> float:
    """Return the present worth of capital, upkeep and replacement; nothing where values are points."""
    if basin.economy.currency is None:
        return 0.0
    total, table, horizon = 0.0, basin.actions, basin.economy.horizon_years
    for site in np.flatnonzero(rows != LEAVE):
        row, begins = rows[site], int(when[site]) - 1
        life = float(table.life_years[row])
        payments = [(begins, table.cost[row])]
        payments += [(t, table.upkeep[row]) for t in range(begins + 1, horizon + 1)]
        if np.isfinite(life):
            payments += [
                (begins + k * life, table.cost[row]) for k in range(1, horizon) if begins + k * life < horizon
            ]
        total += sum(float(amount) / (1.0 + basin.economy.discount_rate) ** t for t, amount in payments)
    return total


def all_choices(basin: PlainBasin) -> Iterator[Ints]:
    """Yield every plan there is."""
    site = basin.actions.site_index
    options = [[LEAVE, *np.flatnonzero(site == s).tolist()] for s in range(basin.failure_today.size)]
    for choice in product(*options):
        yield np.array(choice, dtype=np.int64)


def some_choices(basin: PlainBasin, rng: np.random.Generator, count: int) -> list[Ints]:
    """Draw some plans."""
    site = basin.actions.site_index
    out = []
    for _ in range(count):
        rows = np.full(basin.failure_today.size, LEAVE)
        for s in np.unique(site):
            rows[s] = rng.choice([LEAVE, *np.flatnonzero(site == s).tolist()])
        out.append(rows)
    return out


def spent(basin: PlainBasin, rows: Ints) -> float:
    """Return what a plan costs."""
    return float(basin.actions.cost[rows[rows != LEAVE]].sum())


def random_basin(
    seed: int, *, sites: int = 5, braids: int = 0, fails: bool = True, treated: bool = True, money: bool = True,
    horizon: int = 4, lives: Sequence[float] = (np.nan, 2.0, 3.0),
) -> PlainBasin:  # fmt: skip
    """Draw a basin with an invader and two natives, and one to three actions at each site."""
    network, n = random_network(Recipe(nodes=14, outlets=2, braids=braids, sites=sites, seed=seed))
    rng = np.random.default_rng(seed + 1000)
    site = np.repeat(np.arange(n), rng.integers(1, 4, n)) if n else np.empty(0, dtype=np.int64)
    a = site.size
    chance = rng.choice([0.0, 0.05, 0.3], a) if fails else np.zeros(a)
    text = np.array([f"do {i}" for i in range(a)], dtype=object)
    table = ActionTable(
        "t", np.arange(a), site.astype(np.int64), text, np.round(rng.lognormal(3.0, 0.7, a)),
        np.round(rng.random(a), 1), rng.choice(lives, a), chance, np.zeros((a, 3)), text,
    )  # fmt: skip
    treatment = TreatmentSpec(
        cost_per_unit=float(rng.choice([0.5, 2.0])), per=rng.choice(["habitat", "discharge"]), interval_years=2.0,
        fixed_cost_per_stream=40.0, infested_from=float(rng.choice([0.1, 0.4, 1.0])),
    )  # fmt: skip
    species = []
    for value in (-1.0, 1.5, 0.7):
        p, after = random_passability(rng, (n,)), random_passability(rng, (a,))
        habitat = np.where(rng.random(len(network)) < 0.2, 0.0, network.length_m)
        spec = treatment if treated and value < 0.0 else None
        species.append(PlainSpecies(value, habitat, network.upstream_m / 10.0, p, after, spec))
    failure = rng.choice([0.0, 0.1], n) if fails else np.zeros(n)
    return PlainBasin(
        network, failure, table, tuple(species), EconomySpec("USD" if money else None, 0.03, horizon)
    )
