"""The best dates of a seasonal crest against brute force over all pairs, each weighed in full."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.small_passage import SmallPassage

from barrierrank.basin import Basin, Clock, make_basin
from barrierrank.inputs.actions import ActionTable
from barrierrank.passage.passability import run_passability
from barrierrank.passage.season import ALWAYS_UP, NEVER_UP, date_grid
from barrierrank.problems import Problems
from barrierrank.project import Project, load_project
from barrierrank.ranking.seasons import STEP_DAYS, SeasonChoice, date_words, repeated, undominated
from barrierrank.weighing import Today, as_it_is, terms_of, with_best_dates

CHANGE = "change,change_m,change_width_m,crest_up,crest_down"
#: 0.8 m of the crest of D2 made movable. Up, drops of 1.2 and 0.7 m: no lamprey passes, walleye at high water. Down,
#: 0.4 and -0.1 m: all pass.
MOVABLE = "D2,x,100,seasonal,0.8,,,"
LAMPREY_RUN = 'curve = [["04-01", 1.0], ["06-29", 1.0]]'
TREATMENT = """
[species.lamprey.treatment]
cost_per_unit = 0.5
per = "habitat"
interval_years = 4
infested_from = 0.3
"""


@pytest.fixture
def small(tmp_path: Path) -> SmallPassage:
    """Return a small project, see `support.small_passage`, with a seasonal crest whose dates are open."""
    made = SmallPassage(tmp_path / "basin").actions(CHANGE, MOVABLE)
    # the lamprey comes from 1 April on, less and less up to 31 May; the walleye more and more up to 29 June
    made.text = made.text.replace(LAMPREY_RUN, 'curve = [["04-01", 1.0], ["05-31", 0.0]]', 1)
    return made.edit(LAMPREY_RUN, 'curve = [["04-15", 0.0], ["06-29", 1.0]]')


@dataclass(frozen=True)
class Case:
    """A basin before and after its dates are found."""

    project: Project
    before: Basin
    today: Today
    after: Basin
    choices: list[SeasonChoice]


def found(small: SmallPassage) -> Case:
    """Read a project and find its dates."""
    problems = Problems()
    project = load_project(Path(small.project), problems)
    before = make_basin(project, problems, Clock())
    today = as_it_is(project, before)
    after, choices = with_best_dates(project, before, today)
    return Case(project, before, today, after, choices)


def benefit(case: Case, actions: ActionTable) -> np.ndarray:
    """Weigh actions in full, as the ranking does."""
    basin = replace(case.before, inputs=replace(case.before.inputs, actions=actions))
    return terms_of(case.project, basin, case.today)["benefit"].to_numpy()


def brute_force(case: Case, j: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return dates (k, 2), passabilities (k, S) and worth (k,) of every pair of dates of one crest.

    The structure is judged anew with each pair of dates, and each is weighed in full.
    """
    measured, after = case.before.passage.measured, case.before.passage.after
    assert measured is not None
    assert after.crests is not None
    runs = [case.project.species[k].run for k in measured.species]
    seasons = [r.season for r in runs if r is not None]
    wraps = any(a > b for a, b in seasons)
    first, last = (1, 366) if wraps else (min(a for a, _ in seasons), max(b for _, b in seasons))
    grid = date_grid(first, last, STEP_DAYS)
    pairs = [(ALWAYS_UP, ALWAYS_UP), (NEVER_UP, NEVER_UP)]
    pairs += [(int(u), int(d)) for u in grid for d in grid if wraps or u <= d]
    dates = np.array(pairs)
    many = after.crests.take(np.full(len(pairs), j))
    many = replace(many, up_from=dates[:, 0].copy(), up_to=dates[:, 1].copy())
    passage, _ = run_passability(many, measured.fish, measured.days, crest_reach_m=measured.crest_reach_m)
    action = int(after.undated[j])
    p = np.where(after.fixed[action], after.p[action], measured.means(passage, len(case.project.species)))
    return dates, p, benefit(case, repeated(case.before.inputs.actions, action, p))


def change_values(small: SmallPassage, lamprey: float, walleye: float) -> None:
    small.edit("value = -1.0", f"value = {lamprey}").edit("value = 0.4", f"value = {walleye}")


class TestBestDates:
    """Worth of the pair found = the greatest worth of all pairs."""

    @pytest.mark.parametrize(
        ("lamprey", "walleye", "more"),
        [
            (-1.0, 0.4, ""),
            (-0.2, 1.0, ""),
            (-3.0, 0.1, ""),
            (-1.0, 0.4, TREATMENT),
            (0.0, 0.4, TREATMENT),
        ],
    )
    def test_equal_brute_force(self, small: SmallPassage, lamprey: float, walleye: float, more: str) -> None:
        change_values(small, lamprey, walleye)
        small.text += more
        case = found(small)
        dates, p, worth = brute_force(case)
        (choice,) = case.choices
        at = int(np.flatnonzero((dates == (choice.up, choice.down)).all(axis=1))[0])
        assert worth[at] == pytest.approx(worth.max(), rel=1e-9)
        assert choice.p == pytest.approx(p[at], abs=1e-9)
        assert np.ptp(worth) > 0.0

    def test_the_dates_lie_between_the_two_runs(self, small: SmallPassage) -> None:
        case = found(small)
        (choice,) = case.choices
        # up while the lamprey comes, down when most of the walleye do
        assert choice.up == 92  # 1 April
        assert 105 < choice.down < 160

    def test_waiting_counts(self, small: SmallPassage) -> None:
        one = found(small).choices[0]
        small.edit('["05-31", 0.0]]', '["05-31", 0.0]]\nwait_days = 10')
        case = found(small)
        dates, _, worth = brute_force(case)
        (choice,) = case.choices
        at = int(np.flatnonzero((dates == (choice.up, choice.down)).all(axis=1))[0])
        assert worth[at] == pytest.approx(worth.max(), rel=1e-9)
        assert choice.down > one.down, "the crest must stay up for those that wait below it"

    def test_seasons_over_new_year_are_tried_all_the_year(self, small: SmallPassage) -> None:
        small.edit('[["04-15", 0.0], ["06-29", 1.0]]', '[["11-15", 1.0], ["01-15", 0.5]]')
        case = found(small)
        dates, p, worth = brute_force(case)
        assert len(dates) > 10_000
        (choice,) = case.choices
        at = int(np.flatnonzero((dates == (choice.up, choice.down)).all(axis=1))[0])
        assert worth[at] == pytest.approx(worth.max(), rel=1e-9)
        # up in the run of the one and down in that of the other: 1 m3/s in winter, drops of 1.3 and 0.5 m
        assert choice.p == pytest.approx([0.0, 1.0], abs=0.02)
        assert choice.p == pytest.approx(p[at], abs=1e-9)

    def test_several_crests_each_for_itself(self, small: SmallPassage) -> None:
        dated = "D2,z,1,seasonal,0.8,,04-01,05-01"
        small.actions(CHANGE, "D1,low,5,raise,0.2,,,", "D1,y,100,seasonal,0.7,,,", MOVABLE, dated)
        case = found(small)
        assert [c.action for c in case.choices] == [1, 2]
        for j, choice in enumerate(case.choices):
            dates, _, worth = brute_force(case, j)
            at = int(np.flatnonzero((dates == (choice.up, choice.down)).all(axis=1))[0])
            assert worth[at] == pytest.approx(worth.max(), rel=1e-9)
        same = [0, 3]
        assert np.array_equal(case.after.inputs.actions.passability[same], case.before.inputs.actions.passability[same])


class TestWhatFollows:
    """The ranking reckons with the dates found, and says them."""

    def test_passabilities_and_note(self, small: SmallPassage) -> None:
        case = found(small)
        (choice,) = case.choices
        actions = case.after.inputs.actions
        assert actions.passability[0] == pytest.approx(choice.p)
        assert actions.note[0].startswith(f"dates found: {date_words(choice.up, choice.down)} (")
        assert case.before.inputs.actions.note[0] == "", "what was read is left as it was"
        small.actions(f"note,{CHANGE}", "D2,x,100,by hand,seasonal,0.8,,,")
        assert found(small).after.inputs.actions.note[0].startswith("by hand; dates found: ")

    def test_given_passabilities_hold_whatever_the_dates(self, small: SmallPassage) -> None:
        small.actions(f"passability_lamprey,{CHANGE}", "D2,x,100,0.02,seasonal,0.8,,,")
        case = found(small)
        (choice,) = case.choices
        # 0.02 of the lamprey get past whatever is done: it is up for as long as no walleye comes, to 14 April
        assert (choice.up, choice.down) == (92, 104)
        assert case.after.inputs.actions.passability[0] == pytest.approx([0.02, 1.0])
        dates, _, worth = brute_force(case)
        assert worth[(dates == (92, 104)).all(axis=1)] == pytest.approx(worth.max())
        assert all((t.p_invader == 0.02).all() for t in choice.trades)

    def test_tried_passabilities_hold_whatever_the_dates(self, small: SmallPassage) -> None:
        small.trials(",x,walleye,8,2")
        case = found(small)
        (choice,) = case.choices
        assert case.after.inputs.actions.passability[0] == pytest.approx([0.0, 0.3])
        assert choice.p == pytest.approx([0.0, 0.3])
        assert choice.trades == ()

    def test_trades_of_invader_and_native(self, small: SmallPassage) -> None:
        (choice,) = found(small).choices
        (trade,) = choice.trades
        assert (trade.invader, trade.native) == (0, 1)
        pairs = trade.pairs
        assert (pairs.up[pairs.best], pairs.down[pairs.best]) == (choice.up, choice.down)
        assert [trade.p_invader[pairs.best], trade.p_native[pairs.best]] == pytest.approx(choice.p)
        assert pairs.on_front[pairs.best]
        front = np.flatnonzero(pairs.on_front)
        for k in front[:5]:
            better = (trade.p_invader <= trade.p_invader[k]) & (trade.p_native >= trade.p_native[k])
            better &= (trade.p_invader < trade.p_invader[k]) | (trade.p_native > trade.p_native[k])
            assert not better.any()
        # dates that go down and up again within the run are tried only where a season passes new year
        assert (pairs.up <= pairs.down).all()

    def test_nothing_to_find(self, small: SmallPassage) -> None:
        small.actions(CHANGE, "D2,x,1,seasonal,0.8,,04-01,05-01")
        case = found(small)
        assert case.choices == []
        assert case.after is case.before


class TestOneSided:
    """Without natives it stays up, without invaders down."""

    def test_no_natives(self, small: SmallPassage) -> None:
        small.edit('role = "native"\nvalue = 0.4', 'role = "invasive"\nvalue = -0.4')
        (choice,) = found(small).choices
        assert (choice.up, choice.down) == (ALWAYS_UP, ALWAYS_UP)
        assert choice.trades == ()

    def test_no_invaders(self, small: SmallPassage) -> None:
        small.edit('role = "invasive"\nlabel = "Sea lamprey"\nvalue = -1.0', 'role = "native"\nvalue = 1.0')
        case = found(small)
        (choice,) = case.choices
        assert choice.trades == ()
        assert choice.p == pytest.approx([1.0, 1.0])
        _, p, worth = brute_force(case)
        assert worth[(p == 1.0).all(axis=1)] == pytest.approx(worth.max())

    def test_a_native_worth_nothing_leaves_the_crest_where_it_is(self, small: SmallPassage) -> None:
        change_values(small, -1.0, 0.0)
        case = found(small)
        (choice,) = case.choices
        assert choice.p[0] == 0.0
        assert benefit(case, case.after.inputs.actions)[0] == pytest.approx(
            benefit(case, repeated(case.before.inputs.actions, 0, np.array([[0.0, 0.25]])))[0]
        )


class TestUndominated:
    """No other row is as good in every column."""

    def plain(self, value: np.ndarray) -> list[int]:
        kept = []
        for i, row in enumerate(value):
            as_good = (value >= row).all(axis=1)
            better = as_good & (value > row).any(axis=1)
            same_before = (value[:i] == row).all(axis=1).any()
            if not better.any() and not same_before:
                kept.append(i)
        return kept

    @settings(max_examples=150, deadline=None)
    @given(
        st.integers(1, 4).flatmap(
            lambda columns: st.lists(
                st.lists(st.sampled_from([-1.0, -0.5, -0.0, 0.0, 0.25, 1.0]), min_size=columns, max_size=columns),
                min_size=1, max_size=25,
            )
        )
    )  # fmt: skip
    def test_equals_the_plain_definition(self, rows: list[list[float]]) -> None:
        value = np.array(rows)
        before = value.copy()
        assert undominated(value).tolist() == self.plain(value)
        assert np.array_equal(value, before)

    @pytest.mark.parametrize("seed", range(3))
    def test_on_many_random_rows(self, seed: int) -> None:
        value = np.random.default_rng(seed).random((400, 3)).round(1)
        assert undominated(value).tolist() == self.plain(value)

    def test_differences_lost_in_a_sum(self) -> None:
        value = np.array([[1e17, 0.0], [1e17, 1.0], [0.0, 5.0]])
        assert undominated(value).tolist() == [1, 2]


@pytest.mark.parametrize(
    ("up", "down", "words"),
    [(ALWAYS_UP, ALWAYS_UP, "always up"), (NEVER_UP, NEVER_UP, "never up"), (92, 138, "1 Apr – 17 May"),
     (330, 60, "25 Nov – 29 Feb"), (1, 366, "always up"), (61, 60, "always up")],
)  # fmt: skip
def test_dates_in_words(up: int, down: int, words: str) -> None:
    assert date_words(up, down) == words


def test_an_action_repeated_differs_in_passability_alone(small: SmallPassage) -> None:
    actions = found(small).before.inputs.actions
    made = repeated(actions, 0, np.array([[0.1, 0.2], [0.3, 0.4], [0.5, 0.6]]))
    assert len(made) == 3
    assert made.passability[1].tolist() == [0.3, 0.4]
    assert made.cost.tolist() == [100.0] * 3
    assert made.change.tolist() == ["seasonal"] * 3
    assert len(actions) == 1


