"""Draws of the inputs against what can be worked out on paper: moments, chances, order statistics, evenness.

Each test says where its numbers come from. A mean over D draws may be off by a few standard deviations / sqrt(D): a
Latin hypercube is never worse than D / (D - 1) times plain random numbers (Owen 1997, SIAM J. Numer. Anal. 34).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats
from support.moments import Beta, within_error
from support.random_networks import network_of

from barrierrank.access.graph import AccessGraph
from barrierrank.inputs.actions import ActionTable
from barrierrank.project import EconomySpec, TreatmentSpec
from barrierrank.ranking.draw_points import beta_quantile, beta_worth, draw_blocks, lognormal_factor
from barrierrank.ranking.draw_ranks import draw_ranks
from barrierrank.ranking.draw_worth import DrawBlock, DrawTerms, worth_of_draws
from barrierrank.ranking.intervals import acceptability, ahead, intervals_of
from barrierrank.ranking.rules import RankingRule
from barrierrank.worth.terms import SpeciesStake
from barrierrank.worth.treatment import ground_of

RATE, YEARS = 0.04, 12
ANNUITY = (1.0 - (1.0 + RATE) ** -YEARS) / RATE  # present worth of 1 at the end of every year: textbooks


@dataclass(frozen=True)
class Uncertain:
    """A network with n sites, one on each of its reaches, and a actions whose effect is drawn.

    `own_class`: each reach's habitat is drawn apart; else one factor for all of it.
    """

    graph: AccessGraph
    length: np.ndarray
    today: Beta
    after: Beta
    site: np.ndarray
    habitat_cv: float = 0.0
    value_cv: float = 0.0
    cost_cv: np.ndarray | float = 0.0
    own_class: bool = False
    failing: float = 0.0
    treatment: TreatmentSpec | None = None

    @property
    def classes(self) -> int:
        return self.length.size if self.own_class else 1

    def worth(self, draws: int, *, seed: int = 1, method: str = "latin_hypercube") -> tuple[DrawTerms, ...]:
        """Return the terms of each block; a habitat unit is worth 2 a year, an action costs 100."""
        n, a = self.length.size, self.site.size
        names = np.array([f"a{i:02}" for i in range(a)], dtype=object)
        actions = ActionTable(
            "actions.csv", np.arange(a), self.site, names, np.full(a, 100.0), np.zeros(a), np.full(a, np.nan),
            np.zeros(a), np.zeros((a, 1)), names,
        )  # fmt: skip
        nothing = (np.full(n, np.nan), np.full(a, np.nan), np.full(len(self.graph), np.nan))
        ground = ground_of(self.graph, self.length, None, np.arange(1, n + 1)) if self.treatment else None
        stake = SpeciesStake("pike", "native", np.nan, *nothing, self.treatment, ground)
        cv = np.concatenate([np.full(self.classes, self.habitat_cv), [self.value_cv], np.full(a, self.cost_cv)])
        out = []
        for u in draw_blocks(n + a + cv.size, draws, seed=seed, method=method):
            alpha, beta = (np.concatenate([getattr(b, w) for b in (self.today, self.after)]) for w in ("alpha", "beta"))
            p = beta_quantile(u[:, : n + a], alpha, beta).T
            f = lognormal_factor(u[:, n + a :], cv).T
            amounts = np.zeros((len(self.graph), len(u)))
            amounts[self.graph.of_reach] = self.length[:, None] * f[: self.classes]
            block = DrawBlock(
                (p[:n],), (p[n:],), np.full((n, len(u)), self.failing), np.zeros((a, len(u))), (amounts,),
                2.0 * f[[self.classes]], np.ones((1, len(u))), f[self.classes + 1 :],
            )  # fmt: skip
            out.append(worth_of_draws(self.graph, actions, [stake], block, EconomySpec("USD", RATE, YEARS)))
        return tuple(out)

    def ranks(self, terms: tuple[DrawTerms, ...], rule: RankingRule) -> np.ndarray:
        names = np.array([f"a{i:02}" for i in range(self.site.size)], dtype=object)
        return np.concatenate([draw_ranks(t, rule, site=names, action=names) for t in terms], axis=1)


def benefit_of(terms: tuple[DrawTerms, ...]) -> np.ndarray:
    return np.concatenate([t.benefit for t in terms], axis=1)


def sure(p: float, k: int) -> Beta:
    """Return what is known for sure."""
    return Beta(*beta_worth(np.full(k, p), np.inf))


def chain(today: Beta, after: Beta, site: np.ndarray, **more: object) -> Uncertain:
    """Put sites one above the other, site 0 at the mouth."""
    n = today.alpha.size
    length = 10.0 * (1.0 + np.arange(n) % 3)
    network = network_of(list(range(1, n + 1)), list(range(n)), site=list(range(n)), length=length.tolist())
    return Uncertain(AccessGraph.from_network(network, n), length, today, after, site, **more)  # type: ignore[arg-type]


def streams(k: int, today: Beta, after: Beta, **more: object) -> Uncertain:
    """Put k sites beside each other, each at the mouth of a stream of its own, with one action each."""
    length = np.full(k, 10.0)
    network = network_of(list(range(1, k + 1)), [0] * k, site=list(range(k)), length=length.tolist())
    return Uncertain(AccessGraph.from_network(network, k), length, today, after, np.arange(k), **more)  # type: ignore[arg-type]


def moments_along_chain(c: Uncertain, j: int) -> tuple[float, float]:
    """Return mean and variance of the habitat gained at site j of a chain, by summing products of moments.

    gain = sum over reaches i at or above j of h_i F_i * prod(p_s, s <= i, s not j) * (p' - p_j), all independent.
    """
    m, q, n = c.today.mean, c.today.square, c.length.size
    action = int(np.flatnonzero(c.site == j)[0])
    m2, q2 = c.after.mean[action], c.after.square[action]
    one, two = m2 - m[j], q2 - 2.0 * m2 * m[j] + q[j]
    mean = square = 0.0
    for i in range(j, n):
        mean += c.length[i] * np.prod(np.delete(m[: i + 1], j)) * one
        for k in range(j, n):
            low, high = min(i, k), max(i, k)
            both = np.prod(np.delete(q[: low + 1], j)) * np.prod(m[low + 1 : high + 1]) * two
            same = i == k or not c.own_class
            square += c.length[i] * c.length[k] * (1.0 + same * c.habitat_cv**2) * both
    return mean, square - mean**2


# ---- products along a chain


@pytest.mark.parametrize("method", ["latin_hypercube", "sobol"])
@pytest.mark.parametrize("own_class", [False, True])
def test_a_product_of_betas_along_a_chain(method: str, own_class: bool) -> None:
    # mean of a product of independent numbers = product of means; variance by second moments (Goodman 1960,
    # J. Am. Stat. Assoc. 55:708, from memory)
    today = Beta(*beta_worth([0.8, 0.3, 0.9, 0.0, 0.5], [100.0, 20.0, 12.0, 4.0, 12.0]))
    after = Beta(*beta_worth([1.0, 0.9, 0.2, 1.0, 0.7], [np.inf, 12.0, 12.0, np.inf, 4.0]))
    c = chain(today, after, np.arange(5), habitat_cv=0.4, value_cv=0.3, own_class=own_class)
    terms = c.worth(1 << 13, method=method)
    gain, benefit = np.concatenate([t.gain[0] for t in terms], axis=1), benefit_of(terms)
    for j in range(5):
        mean, variance = moments_along_chain(c, j)
        within_error(gain[j], mean, variance)
        value = 2.0 * ANNUITY  # times its own factor of mean 1, independent of the gain
        within_error(
            benefit[j], value * mean, value**2 * ((variance + mean**2) * (1.0 + c.value_cv**2) - mean**2)
        )


def test_chance_that_an_action_does_harm() -> None:
    # the mouth passes Beta(4, 2) today and Beta(5, 2) after it is rebuilt: the chance that the rebuilt one passes less,
    # by numeric integration with scipy.stats.beta
    c = chain(Beta(np.array([4.0]), np.array([2.0])), Beta(np.array([5.0]), np.array([2.0])), np.zeros(1, np.int64))
    benefit = benefit_of(c.worth(1 << 13))
    x = (np.arange(200_000) + 0.5) / 200_000
    harm = (stats.beta.pdf(x, 4.0, 2.0) * stats.beta.cdf(x, 5.0, 2.0)).mean()
    made = intervals_of(np.ones(benefit.shape, dtype=np.int32), benefit, level=0.9, top=1)
    assert made.chance_of_harm[0] == pytest.approx(harm, abs=4.0 * np.sqrt(harm * (1.0 - harm) / benefit.size))


def test_structures_that_fail_meanwhile() -> None:
    # by year t a structure stands with chance (1 - q)^t (geometric life) and lets all past once it has failed; years
    # are discounted one by one
    today = Beta(*beta_worth([0.4, 0.1], [12.0, 20.0]))
    c = chain(today, sure(1.0, 2), np.arange(2), failing=0.05)
    terms = c.worth(1 << 12)
    t = np.arange(1, YEARS + 1)
    stands = 0.95**t
    passes = 1.0 - stands[None, :] * (1.0 - today.mean[:, None])
    by_year = (1.0 - passes[1]) * passes[0] * c.length[1]  # site 1 opened; site 0 goes on ageing
    gain = np.concatenate([x.gain[0, 1] for x in terms])
    assert gain.mean() == pytest.approx(by_year.mean(), abs=4.0 * gain.std() / np.sqrt(gain.size))
    benefit = benefit_of(terms)[1]
    worth = 2.0 * (by_year * (1.0 + RATE) ** -t).sum()
    assert benefit.mean() == pytest.approx(worth, abs=4.0 * benefit.std() / np.sqrt(benefit.size))


def test_chance_of_being_infested() -> None:
    # a stream is treated where the invader's access is at least 0.3: with chance Beta.sf(0.3) (scipy.stats.beta)
    p = Beta(*beta_worth([0.1, 0.3, 0.6], [12.0, 12.0, 20.0]))
    spec = TreatmentSpec(
        cost_per_unit=3.0, per="habitat", interval_years=4.0, fixed_cost_per_stream=50.0, infested_from=0.3
    )
    c = streams(3, p, sure(0.0, 3), habitat_cv=0.4, treatment=spec)
    saved = np.concatenate([t.treatment_saved for t in c.worth(1 << 13)], axis=1)
    chance = stats.beta.sf(0.3, p.alpha, p.beta)
    error = 4.0 * saved.std(axis=1) / np.sqrt(saved.shape[1])
    assert (np.abs(saved.mean(axis=1) - (3.0 * 10.0 + 50.0) / 4.0 * ANNUITY * chance) < error).all()


# ---- order statistics and chances of being first


def test_actions_that_are_alike_have_the_order_statistics_of_uniform_numbers() -> None:
    # Of k alike each has each rank with chance 1 / k and a place in the top t with t / k. Passabilities of today are
    # Beta(1, 1), so that gains of full opening are uniform: the r-th greatest has mean (k + 1 - r) / (k + 1) (David &
    # Nagaraja 2003, Order Statistics, from memory).
    k, draws = 20, 1536
    c = streams(k, Beta(np.ones(k), np.ones(k)), sure(1.0, k))
    terms = c.worth(draws)
    benefit, ranks = benefit_of(terms), c.ranks(terms, RankingRule("net_benefit"))
    made = intervals_of(ranks, benefit, level=0.75, top=5)
    error = 4.0 * np.sqrt(0.25 * 0.75 / draws)
    assert made.chance_top == pytest.approx(5 / k, abs=error)
    assert made.chance_top.sum() == pytest.approx(5.0)
    assert set(made.rank_low.tolist()) == {3}  # an eighth lies below: ranks 1 and 2 have 0.1, 1 to 3 have 0.15
    assert set(made.rank_high.tolist()) == {18}
    share = acceptability(ranks, np.arange(k))[:, :k]
    assert stats.chisquare(share.ravel() * draws).pvalue > 0.01
    highest_first = -np.sort(-benefit, axis=0).mean(axis=1) / (2.0 * ANNUITY * 10.0)
    assert highest_first == pytest.approx((k - np.arange(k)) / (k + 1.0), abs=0.01)
    np.testing.assert_array_equal(benefit[np.argmin(ranks, axis=0), np.arange(draws)], benefit.max(axis=0))


def test_chance_that_one_lognormal_benefit_beats_another() -> None:
    # ln B is normal with mean ln h - s^2 / 2: P(B1 > B2) = Phi((ln h1 - ln h2) / sqrt(2 s^2)) (closed form). Two normal
    # benefits in the same way: numbers of P(X > Y) are in the tests of intervals.
    c = streams(2, sure(0.0, 2), sure(1.0, 2), habitat_cv=0.5, own_class=True)
    c.length[:] = (12.0, 10.0)
    terms = c.worth(2048)
    ranks = c.ranks(terms, RankingRule("net_benefit"))
    s = np.sqrt(np.log1p(0.5**2))
    chance = stats.norm.cdf(np.log(1.2) / np.sqrt(2.0 * s**2))
    error = 4.0 * np.sqrt(chance * (1.0 - chance) / ranks.shape[1])
    assert ahead(ranks, np.array([0]), np.array([1]))[0] == pytest.approx(chance, abs=error)
    within_error(benefit_of(terms)[0], 2.0 * ANNUITY * 12.0, (2.0 * ANNUITY * 12.0 * 0.5) ** 2)


# ---- distributions and how evenly points lie


def test_lognormal_factors_of_a_statistics_library() -> None:
    # scipy.stats.lognorm, far into both tails; mean 1 by its own integration
    u = np.array([1e-9, 1e-4, 0.05, 0.5, 0.95, 0.9999, 1.0 - 1e-9])[:, None]
    for cv in (1e-3, 0.1, 0.3, 1.0, 5.0):
        s = np.sqrt(np.log1p(cv**2))
        law = stats.lognorm(s, scale=np.exp(-(s**2) / 2.0))
        assert (law.mean(), law.std()) == pytest.approx((1.0, cv))
        np.testing.assert_allclose(lognormal_factor(u, cv), law.ppf(u), rtol=1e-7)


def test_beta_quantiles_of_the_classes_of_evidence() -> None:
    # scipy.stats.beta.ppf: every class's worth in fish at passabilities as they are given, and the posteriors of trials
    p, fish = (x.ravel() for x in np.meshgrid([0.0, 0.1, 0.33, 0.5, 0.66, 0.95], [100.0, 20.0, 12.0, 4.0]))
    alpha, beta = beta_worth(p, fish)
    alpha, beta = np.append(alpha, [1.0, 8.0]), np.append(beta, [41.0, 24.0])  # 0 of 40, 7 of 30
    u = np.repeat(np.linspace(0.001, 0.999, 997)[:, None], alpha.size, axis=1)
    np.testing.assert_allclose(beta_quantile(u, alpha, beta), stats.beta.ppf(u, alpha, beta), rtol=0.0, atol=1e-5)


def spread_of_means(function: Callable[[np.ndarray], np.ndarray], inputs: int, draws: int, times: int) -> float:
    """Return the variance of the mean of one block, over many seeds."""
    blocks: Iterator[np.ndarray] = (
        next(draw_blocks(inputs, draws, seed=seed, method="latin_hypercube")) for seed in range(times)
    )
    return float(np.var([function(u).mean() for u in blocks]))


def test_a_latin_hypercube_takes_off_all_that_adds_up() -> None:
    # McKay, Beckman & Conover 1979, Technometrics 21; Stein 1987, Technometrics 29:143: what remains is the variance of
    # the part that is no sum of functions of one input. Of a sum what lies within strata is left; of a product of two
    # uniform numbers 1/144 of the 7/144 that random numbers have.
    draws = 128
    z = stats.norm.ppf(np.arange(draws + 1) / draws)
    left = 0.0  # by input and stratum, with the partial moments of a lognormal (closed form)
    cv = np.array([0.3, 0.5, 0.8])
    for c in cv:
        w = np.sqrt(np.log1p(c**2))
        first, second = (draws * np.diff(stats.norm.cdf(z - k * w)) for k in (1, 2))
        left += ((1.0 + c**2) * second - first**2).sum() / draws**2
    assert left < 0.03 * (cv**2).sum() / draws
    made = spread_of_means(lambda u: lognormal_factor(u, cv).sum(axis=1), 3, draws, 1500)
    assert made == pytest.approx(left, rel=0.25)
    product = spread_of_means(lambda u: u.prod(axis=1), 2, draws, 1500)
    assert product * draws == pytest.approx(1.0 / 144.0, rel=0.15)  # 4 standard errors of a variance of 1,500


def test_expected_benefit_is_steadier_than_with_random_numbers() -> None:
    # as before, of a whole chain: the variance of the expected benefit over seeds, against variance / draws
    today = Beta(*beta_worth([0.8, 0.7], [20.0, 12.0]))
    c = chain(today, sure(1.0, 1), np.array([1]), habitat_cv=0.4, value_cv=0.3)
    means = [benefit_of(c.worth(64, seed=seed))[0].mean() for seed in range(150)]
    mean, variance = moments_along_chain(c, 1)
    plain = (2.0 * ANNUITY) ** 2 * ((variance + mean**2) * (1.0 + c.value_cv**2) - mean**2) / 64
    assert np.var(means) < 0.4 * plain
    assert np.mean(means) == pytest.approx(2.0 * ANNUITY * mean, abs=4.0 * np.sqrt(plain / 150))
