"""Draws of a whole project, from its files: benefits and chances against closed forms, the same on every machine.

Each test says where its numbers come from.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from shapely import LineString
from support.moments import Beta, within_error
from support.small_basin import SmallBasin

from barrierrank import jit
from barrierrank.basin import Clock, make_basin
from barrierrank.outputs.model import OutputModel
from barrierrank.problems import Problems
from barrierrank.project import load_project
from barrierrank.ranking import draw_ranks, draw_worth
from barrierrank.ranking.draw_points import beta_worth
from barrierrank.run import rank_project, rule_of
from barrierrank.spreading import Spread, spread_of
from barrierrank.weighing import as_it_is


class Streams(SmallBasin):
    """A river of 2 km with dams 1 and 1.5 km above the mouth, and a brook with a third, 1 km above it.

    Lampreys pass all of them whatever is done; walleye alone count.
    """

    def __init__(self, folder: Path, uncertainty: str) -> None:
        super().__init__(folder)
        river = LineString([(502_000, 4_600_000), (500_000, 4_600_000)])
        brook = LineString([(501_250, 4_610_000), (500_000, 4_610_000)])
        self.lines({"a": [1, 3], "b": [0, 2]}, [river, brook])
        self.write(
            "sites.csv",
            "site,name,kind,x,y,q,p_lamprey,p_walleye,evidence\n"
            "D1,First,weir,501000,4600000,0,1,0.6,measured\nD2,Second,weir,501500,4600000,0,1,0.2,rated\n"
            "D3,Third,weir,500250,4610000,0,1,0.3,guessed\n",
        )
        self.write(
            "actions.csv",
            "site,action,cost,passability_lamprey,passability_walleye,evidence\n"
            "D1,fishway,1000,1,0.9,modelled\nD2,remove,400,1,1,measured\nD3,remove,1300,1,1,guessed\n",
        )
        self.edit("[money]", f"[uncertainty]\n{uncertainty}\n[money]")

    def spread(self) -> Spread:
        problems = Problems()
        project = load_project(Path(self.project), problems)
        basin = make_basin(project, problems, Clock())
        made = spread_of(project, basin, as_it_is(project, basin), rule_of(project))
        assert made is not None
        return made

    def ranked(self) -> OutputModel:
        problems = Problems()
        return rank_project(load_project(Path(self.project), problems), problems)


@pytest.fixture(scope="module")
def drawn_streams(tmp_path_factory: pytest.TempPathFactory) -> Spread:
    return Streams(tmp_path_factory.mktemp("streams"), "draws = 2048").spread()


STEADY = """
draws = 2048
value_cv = 0.0
basin_habitat_cv = 0.0
[uncertainty.habitat]
modelled = 1e-9
"""


@pytest.mark.parametrize("steady", [False, True], ids=["all factors", "passability alone"])
def test_a_project_has_the_analytic_benefit(drawn_streams: Spread, tmp_path: Path, steady: bool) -> None:
    # as for a chain, with the defaults of [uncertainty]: 100, 20, 12 and 4 fish by class of evidence, factors with cv
    # 0.4 (habitat, modelled), 0.2 (all habitat of a species) and 0.3 (its value); or with passability drawn alone
    made = Streams(tmp_path, STEADY).spread() if steady else drawn_streams
    p = Beta(*beta_worth([0.6, 0.2, 0.3], [100.0, 20.0, 4.0]))
    fishway = Beta(*beta_worth([0.9], [12.0]))
    m, q, opened = p.mean, p.square, 1.0 - 2.0 * p.mean + p.square  # the last: second moment of 1 - p
    built = fishway.square[0] - 2.0 * fishway.mean[0] * m[0] + q[0]
    moments = (
        (500.0 * (1.0 + m[1]) * (fishway.mean[0] - m[0]), 500.0**2 * (1.0 + 2.0 * m[1] + q[1]) * built),
        (500.0 * m[0] * (1.0 - m[1]), 500.0**2 * q[0] * opened[1]),
        (1000.0 * (1.0 - m[2]), 1000.0**2 * opened[2]),
    )
    worth = 0.4 * (1.0 - 1.03**-30) / 0.03
    factors = 1.0 if steady else (1.0 + 0.4**2) * (1.0 + 0.2**2) * (1.0 + 0.3**2)
    for row, (mean, square) in enumerate(moments):
        within_error(made.benefit[row], worth * mean, worth**2 * (square * factors - mean**2))
    assert made.intervals.expected_benefit == pytest.approx(made.benefit.mean(axis=1))


def test_the_list_tells_the_chance_that_one_action_is_ahead_of_the_next(tmp_path: Path) -> None:
    # with passabilities for sure, D2 and D3 share their factors of habitat and value, and the order by benefit per cost
    # hangs on two lognormal costs alone: ln(B2 C3 / (B3 C2)) is normal (closed form); cv 0.1 measured, 0.5 guessed
    fish = "".join(f"{word} = 1e6\n" for word in ("measured", "rated", "modelled", "guessed"))
    small = Streams(tmp_path, f"draws = 2048\ntop = 1\n[uncertainty.passability]\n{fish}")
    model = small.ranked()
    s2, s3 = np.sqrt(np.log1p(0.1**2)), np.sqrt(np.log1p(0.5**2))
    ratio = np.log(500.0 * 0.6 * 0.8 / 400.0) - np.log(1000.0 * 0.7 / 1300.0)
    chance = stats.norm.cdf((ratio + 0.5 * (s2**2 - s3**2)) / np.hypot(s2, s3))
    error = 4.0 * np.sqrt(chance * (1.0 - chance) / 2048)
    assert model.uncertainty is not None
    assert model.acceptability is not None
    (pair,) = model.uncertainty.unsettled
    assert pair[:4] == ("D2", "remove", "D3", "remove")
    assert pair[4] == pytest.approx(chance, abs=error)
    table = model.priority.set_index("site")
    assert table.loc["D2", "chance_top"] == pytest.approx(chance, abs=error)
    first, second = model.acceptability.set_index("site")[["1", "2"]].to_numpy()[:2]
    assert first == pytest.approx([chance, 1.0 - chance], abs=error)
    assert second == pytest.approx([1.0 - chance, chance], abs=error)
    assert table.loc["D1", ["rank_low", "rank_high"]].tolist() == [3, 3]


# ---- the same numbers whoever works them out


def alike(one: Spread, other: Spread) -> None:
    """Compare bit for bit."""
    assert one.ranks.tobytes() == other.ranks.tobytes()
    assert one.benefit.tobytes() == other.benefit.tobytes()


@pytest.mark.parametrize("small_room", [False, True])
def test_workers_and_the_room_they_have_make_no_difference(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, small_room: bool
) -> None:
    # common practice, no source: a result that hangs on the machine cannot be checked by anybody else
    small = Streams(tmp_path, "draws = 200")
    small.change("sites.csv", "weir,501000,4600000,0,", "weir,501000,4600000,0.02,")  # years are drawn apart then
    made = []
    for cores in (1, 2, 8):
        monkeypatch.setattr(os, "cpu_count", lambda cores=cores: cores)
        for module in (jit, draw_worth, draw_ranks):
            monkeypatch.setattr(module, "SMALL", 1)
        if small_room:
            monkeypatch.setattr(draw_worth, "ROOM", 100_000 * cores)
        made.append(small.spread())
    alike(made[0], made[1])
    alike(made[0], made[2])


def test_more_draws_go_on_where_fewer_ended(tmp_path: Path, drawn_streams: Spread) -> None:
    fewer = Streams(tmp_path, "draws = 256").spread()
    assert np.array_equal(fewer.ranks, drawn_streams.ranks[:, :256])
    assert np.array_equal(fewer.benefit, drawn_streams.benefit[:, :256])


def test_rows_in_another_order_draw_the_same(tmp_path: Path) -> None:
    small = Streams(tmp_path, "draws = 200")
    first = small.spread()
    for name, order in (("sites.csv", (2, 0, 1)), ("actions.csv", (1, 2, 0))):
        head, *rows = (small.folder / name).read_text(encoding="utf-8").splitlines()
        small.write(name, "\n".join([head, *(rows[i] for i in order)]) + "\n")
    again = small.spread()
    assert np.array_equal(again.ranks, first.ranks[[1, 2, 0]])
    assert np.array_equal(again.benefit, first.benefit[[1, 2, 0]])
