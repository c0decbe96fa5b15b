"""`plan` end to end: what is asked for, what comes out, what is told where there is no plan, and Ctrl-C."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from support.command import Ranked, Said, run, state_of
from support.plain_plan import PlainBasin, PlainSpecies, all_choices, plain_habitat, plain_worth, spent
from support.small_basin import SmallBasin

from barrierrank import planning, planning_draws, planning_front
from barrierrank.basin import Clock
from barrierrank.inputs.plan_demands import plan_demands
from barrierrank.plan.basin import BasinPlans
from barrierrank.plan.demands import NoPlanError
from barrierrank.plan.relaxation import Narrowed
from barrierrank.problems import Problems
from barrierrank.project import load_project
from barrierrank.run import ranked_run

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "data_demo"
TABLES = {"plan.csv", "plan_left_out.csv", "plan_steadiness.csv", "plan_access.csv"}
FILES = TABLES | {"plan.xlsx", "plan.gpkg", "plan_map.html", "cautions.txt", "plan.json"}
FILES |= {"plan_access_lamprey.png", "plan_access_walleye.png"}
FEW = "\n[plan]\ndraws = 4\ncurve_points = 4\nfront_points = 3\n[uncertainty]\ndraws = 8\n"


@pytest.fixture
def small(tmp_path: Path) -> SmallBasin:
    """Return a small sound project that is planned in no time."""
    basin = SmallBasin(tmp_path / "basin")
    basin.text += FEW
    return basin


def plan(small: SmallBasin, *words: str, out: str = "plan") -> Said:
    """Plan a small project."""
    return run("plan", small.project, "--out", small.folder / out, *words)


def table(small: SmallBasin, name: str = "plan") -> pd.DataFrame:
    """Return a table of the plan."""
    return pd.read_csv(small.folder / "plan" / f"{name}.csv", keep_default_na=False, na_values=[""])


def record(small: SmallBasin) -> dict[str, Any]:
    """Return plan.json."""
    return dict(json.loads((small.folder / "plan" / "plan.json").read_text(encoding="utf-8")))


def demand(small: SmallBasin, text: str) -> None:
    """Ask for more in [plan]."""
    small.edit("\n[plan]\n", f"\n[plan]\n{text}\n")


def plain(small: SmallBasin) -> PlainBasin:
    """Return the project as tables for the plain definition."""
    problems = Problems()
    project = load_project(Path(small.project), problems)
    basin = ranked_run(project, problems, Clock(), learn=False).basin
    inputs = basin.inputs
    flow = np.ones(len(basin.built.network))
    species = tuple(
        PlainSpecies(
            s.value, basin.habitat.counted[:, k], flow, inputs.sites.passability[:, k],
            inputs.actions.passability[:, k], s.treatment,
        )
        for k, s in enumerate(project.species)
    )  # fmt: skip
    return PlainBasin(
        basin.built.network, inputs.sites.failure_probability, inputs.actions, species, project.economy
    )


def chosen(basin: PlainBasin, told: pd.DataFrame) -> np.ndarray:
    """Return the plan of a table as rows of the actions table."""
    names = {"D1": 0, "D2": 1, "D3": 2}
    rows = np.full(3, -1)
    for site, action in zip(told["site"], told["action"], strict=True):
        here = np.flatnonzero((basin.actions.site_index == names[site]) & (basin.actions.action == action))
        rows[names[site]] = here[0]
    return rows


class TestPlan:
    """A plan that is found."""

    def test_writes_exactly_its_files_and_says_where(self, small: SmallBasin) -> None:
        said = plan(small, "--budget", "1_600")
        assert said.code == 0, said.err
        assert {p.name for p in (small.folder / "plan").iterdir()} == FILES
        assert said.out.startswith(
            "Plan for Example basin: 2 actions at 2 sites for USD 1,600 of a budget of USD 1,600"
        )
        assert "Taking the list from the top" in said.out
        assert said.out.count("Caution: ") == 2
        assert said.out.endswith(
            f"plan in {small.folder / 'plan'}: open {small.folder / 'plan' / 'plan_map.html'}\n"
        )
        assert "s  looking for the best plan" in said.err
        outputs = {o["path"]: o["sha256"] for o in record(small)["outputs"]}
        assert outputs == {n: h for n, h in state_of(small.folder / "plan").items() if n != "plan.json"}
        assert record(small)["command"][:2] == ["barrierrank", "plan"]

    def test_curve_and_front_come_when_asked_for(self, small: SmallBasin) -> None:
        assert plan(small, "--budget", "1600", "--curve", "--front").code == 0
        more = {f"plan_{name}.{kind}" for name in ("curve", "front") for kind in ("csv", "png")}
        assert {p.name for p in (small.folder / "plan").iterdir()} == FILES | more
        curve, front = table(small, "plan_curve"), table(small, "plan_front")
        assert len(curve) == 4
        assert (np.diff(curve["worth"]) >= 0).all()
        assert (curve["bound"] >= curve["worth"] - 0.01).all()
        assert (curve["spent"] <= curve["budget"] + 0.01).all()
        assert (curve["list_worth"] <= curve["bound"] + 0.01).all()
        assert (curve["greedy_worth"] <= curve["worth"] + 0.01).all()
        assert len(front) == 3
        assert (front["invader_habitat"] <= front["cap"] * (1 + 1e-5)).all()
        assert (front["spent"] <= 1600.01).all()
        assert front["here"].sum() == 1
        assert plan(small, "--budget", "1600").code == 0  # what is not asked for any more goes
        assert {p.name for p in (small.folder / "plan").iterdir()} == FILES

    def test_a_front_without_natives_is_told(self, small: SmallBasin) -> None:
        small.edit("value = 0.4", "value = 0.0")
        said = plan(small, "--budget", "1600", "--front", "--quiet")
        assert said.code == 0
        assert said.err.startswith(
            "warning: project.toml: a front needs an invasive species, and a native one"
        )
        assert {p.name for p in (small.folder / "plan").iterdir()} == FILES

    @pytest.mark.parametrize("budget", [0, 450, 600, 1000, 1500, 1650, 2500])
    def test_is_the_best_of_all_plans(self, small: SmallBasin, budget: int) -> None:
        small.edit(
            "value = -1.0\n",
            'value = -1.0\ntreatment = { cost_per_unit = 0.4, per = "habitat", interval_years = 4 }\n',
        )
        assert plan(small, "--budget", str(budget), "--quiet") == Said(0, "", "")
        basin = plain(small)
        rows = chosen(basin, table(small))
        within = [r for r in all_choices(basin) if spent(basin, r) <= budget]
        best = max(plain_worth(basin, r) for r in within)
        assert spent(basin, rows) <= budget
        assert plain_worth(basin, rows) == pytest.approx(best, rel=1e-3, abs=1e-6)
        access = table(small, "plan_access")
        for k in range(2):
            assert access["after"][k] == pytest.approx(plain_habitat(basin, rows, k), rel=1e-5)
            assert access["before"][k] == pytest.approx(plain_habitat(basin, np.full(3, -1), k), rel=1e-5)
        for _, row in table(small).iterrows():  # what each action brings beside the rest
            without = np.where(basin.actions.site_index == {"D1": 0, "D2": 1, "D3": 2}[row["site"]], -1, 0)
            left = rows.copy()
            left[basin.actions.site_index[np.flatnonzero(without < 0)[0]]] = -1
            lost = plain_worth(basin, rows) - plain_worth(basin, left)
            assert row["worth_in_plan"] == pytest.approx(lost, rel=1e-4, abs=0.02)

    def test_budget_of_nothing_is_an_empty_plan_with_a_clear_sentence(self, small: SmallBasin) -> None:
        said = plan(small, "--budget", "0", "--curve", "--front")
        assert said.code == 0, said.err
        assert "within a budget of USD 0 nothing is worth doing; all is left as it is" in said.out.replace(
            "\n  ", " "
        )
        assert table(small).empty

    def test_budget_beyond_everything(self, small: SmallBasin) -> None:
        assert plan(small, "--budget", "1e15", "--quiet").code == 0
        assert len(table(small)) == 3

    def test_points_instead_of_money(self, small: SmallBasin) -> None:
        small.edit('[money]\ncurrency = "USD"\n', "[points]\n")
        said = plan(small, "--budget", "1000", "--curve", "--front")
        assert said.code == 0, said.err
        assert "points" in said.out
        assert "USD" not in said.out
        basin = plain(small)
        best = max(plain_worth(basin, r) for r in all_choices(basin) if spent(basin, r) <= 1000)
        assert plain_worth(basin, chosen(basin, table(small))) == pytest.approx(best)

    def test_no_actions_at_all(self, small: SmallBasin) -> None:
        small.edit('[actions]\npath = "actions.csv"\n', "")
        said = plan(small, "--budget", "1000", "--curve", "--front")
        assert said.code == 0, said.err
        assert "nothing is worth doing" in said.out.replace("\n  ", " ")

    def test_without_draws_nothing_is_said_of_steadiness(self, small: SmallBasin) -> None:
        small.edit("[uncertainty]\ndraws = 8", "[uncertainty]\ndraws = 0").edit("draws = 4\n", "")
        assert plan(small, "--budget", "1600", "--quiet") == Said(0, "", "")
        assert {p.name for p in (small.folder / "plan").iterdir()} == FILES - {"plan_steadiness.csv"}
        assert table(small)["share"].isna().all()

    def test_years_share_the_budget(self, small: SmallBasin) -> None:
        said = plan(small, "--budget", "1600", "--years", "2")
        assert said.code == 0
        assert "By funding year: year 1:" in said.out
        told = table(small)
        paid = [told["cost"][told["year"] <= y].sum() for y in (1, 2)]
        assert paid[0] <= 800
        assert paid[1] <= 1600

    def test_what_is_forced_waits_for_its_money(self, small: SmallBasin) -> None:
        demand(small, 'forced = [ {site = "D1", action = "raise"} ]')
        assert plan(small, "--budget", "1600", "--years", "2", "--quiet") == Said(0, "", "")
        assert table(small).set_index("site").loc["D1", "year"] == 2
        said = plan(small, "--budget", "900", "--years", "2")
        assert said.code == 1
        assert "forced asks for raise, which cost 1,000 USD together; the budget is 900" in said.err

    def test_the_project_file_can_hold_the_budget(self, small: SmallBasin) -> None:
        demand(small, "year_budgets = [1000, 700]")
        said = plan(small)
        assert said.code == 0, said.err
        assert "of a budget of USD 1,700" in said.out.replace("\n  ", " ")
        assert table(small)["year"].max() == 2
        assert plan(small, "--budget", "500", "--quiet").code == 0  # the command line stands before it
        assert table(small)["cost"].sum() <= 500

    def test_run_again_it_gives_the_same(self, small: SmallBasin) -> None:
        assert plan(small, "--budget", "1600", "--curve", "--front").code == 0
        first = state_of(small.folder / "plan")
        assert plan(small, "--budget", "1600", "--curve", "--front").code == 0
        second = state_of(small.folder / "plan")
        assert {n for n in first if first[n] != second[n]} <= {"plan.json", "plan.gpkg", "plan.xlsx"}


class TestDemands:
    """What [plan] asks besides the budget."""

    @pytest.mark.parametrize(
        ("text", "holds"),
        [
            ('forced = [ {site = "D3", action = "replace"} ]', lambda r: r.get("D3") == "replace"),
            ('forbidden = [ {site = "D1", action = "raise"} ]', lambda r: r.get("D1") != "raise"),
            ('forbidden = [ {site = "D1"} ]', lambda r: "D1" not in r),
            (
                'exclusive = [ [ {site = "D1", action = "raise"}, {site = "D2", action = "remove"} ] ]',
                lambda r: not (r.get("D1") == "raise" and "D2" in r),
            ),
            (
                'depends = [ {site = "D1", action = "raise", on = {site = "D3", action = "replace"}} ]',
                lambda r: r.get("D1") != "raise" or "D3" in r,
            ),
        ],
    )  # fmt: skip
    def test_is_kept_and_told(
        self, small: SmallBasin, text: str, holds: Callable[[dict[str, str]], bool]
    ) -> None:
        demand(small, text)
        said = plan(small, "--budget", "1700", "--curve")
        assert said.code == 0, said.err
        told = table(small)
        assert holds(dict(zip(told["site"], told["action"], strict=True)))
        assert "Asked of the plan besides its budget:" in said.out
        curve = table(small, "plan_curve")
        assert (np.diff(curve["worth"]) >= 0).all()
        basin, named = plain(small), plan_demands_of(small)
        best = -np.inf
        for rows in all_choices(basin):
            mine = {("D1", "D2", "D3")[s]: str(basin.actions.action[r]) for s, r in enumerate(rows) if r >= 0}
            best = max(best, plain_worth(basin, rows)) if spent(basin, rows) <= 1700 and holds(mine) else best
        assert plain_worth(basin, chosen(basin, told)) == pytest.approx(best, rel=1e-3)
        assert named

    def test_the_cap_is_kept(self, small: SmallBasin) -> None:
        demand(small, "most_invader_habitat = { lamprey = 600 }")
        said = plan(small, "--budget", "1700")
        assert said.code == 0, said.err
        assert table(small, "plan_access")["after"][0] <= 600
        assert "Sea lamprey may reach no more than 600 m of habitat." in said.out.replace("\n  ", " ")

    @pytest.mark.parametrize(
        ("text", "budget", "words"),
        [
            (
                'forced = [ {site = "D1", action = "raise"}, {site = "D2", action = "remove"} ]', "1500",
                "forced asks for raise, remove, which cost 1,600 USD together; the budget is 1,500",
            ),
            ("most_invader_habitat = { lamprey = 1 }", "1700", "[plan] most_invader_habitat caps lamprey at 1 m;"),
            (
                'forced = [ {site = "D1", action = "raise"} ]\n'
                'depends = [ {site = "D1", action = "raise", on = {site = "D2", action = "remove"}} ]', "1500",
                "no plan of 1,500 USD meets everything that [plan] asks",
            ),
            (
                'forced = [ {site = "D1", action = "raise"} ]\nforbidden = [ {site = "D1"} ]', "1500", "forbidden",
            ),
            ('forced = [ {site = "D9", action = "raise"} ]', "1500", 'there is no site "D9"'),
            ('forced = [ {site = "D1", action = "rise"} ]', "1500", 'did you mean "raise"'),
        ],
        ids=["budget_below_forced", "cap_out_of_reach", "demands_cannot_be_met", "clash", "site", "action"],
    )  # fmt: skip
    def test_what_cannot_be_met_is_named(self, small: SmallBasin, text: str, budget: str, words: str) -> None:
        demand(small, text)
        said = plan(small, "--budget", budget)
        assert said.code == 1
        assert said.out == ""
        errors = [s for s in said.err.splitlines() if s.startswith("error: ")]
        assert len(errors) == 1, said.err
        assert words in errors[0]
        assert " -> " in errors[0]
        assert not (small.folder / "plan").exists()

    def test_what_is_forced_off_the_network_is_named(self, small: SmallBasin) -> None:
        small.change("sites.csv", "502500,4600500", "502500,4609500")
        demand(small, 'forced = [ {site = "D3", action = "replace"} ]')
        said = plan(small, "--budget", "1700")
        assert said.code == 1
        assert "forced: D3 not on the network" in said.err

    def test_no_plan_that_gets_through_is_one_line(
        self, small: SmallBasin, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def none(*_: object, **__: object) -> None:
            raise NoPlanError("nothing meets it")

        monkeypatch.setattr(planning, "schedule", none)
        said = plan(small, "--budget", "1000", "--years", "2")
        assert said.code == 1
        assert "cannot be spread over 2 funding years: nothing meets it -> " in said.err
        monkeypatch.setattr(planning, "found_plan", none)
        said = plan(small, "--budget", "1000")
        assert said.code == 1
        assert [s for s in said.err.splitlines() if s.startswith("error")] == [
            "error: project.toml: nothing meets it -> raise the budget, or ask for less in [plan]"
        ]


def plan_demands_of(small: SmallBasin) -> bool:
    """Say whether anything is asked by name."""
    problems = Problems()
    project = load_project(Path(small.project), problems)
    inputs = ranked_run(project, problems, Clock(), learn=False).basin.inputs
    named = plan_demands(project.plan, inputs.sites, inputs.actions, problems, "p")
    return bool(len(named.forced) + len(named.forbidden) + len(named.exclusive) + len(named.depends))


class TestUse:
    """Right and wrong usage."""

    @pytest.mark.parametrize(
        "words",
        [
            ["--budget", "-1"], ["--budget", "nan"], ["--budget", "inf"], ["--budget", "lots"], ["--budget", ""],
            ["--budget", "2,000"], ["--budget"], ["--budget", "9", "--years", "0"], ["--budget", "9", "--years", "-2"],
            ["--budget", "9", "--years", "1.5"], ["--budget", "9", "--years", "two"], ["--budget", "9", "--fast"],
        ],
    )  # fmt: skip
    def test_wrong_use_is_2(self, small: SmallBasin, words: list[str]) -> None:
        said = plan(small, *words)
        assert said.code == 2
        assert "usage: barrierrank" in said.err
        assert not (small.folder / "plan").exists()

    def test_a_folder_must_be_named(self, small: SmallBasin) -> None:
        assert run("plan", small.project, "--budget", "9").code == 2

    def test_without_a_budget(self, small: SmallBasin) -> None:
        said = plan(small)
        assert said.code == 1
        assert (
            "error: project.toml: no budget is given -> add --budget X, or year_budgets in [plan]" in said.err
        )

    def test_more_years_than_the_horizon(self, small: SmallBasin) -> None:
        said = plan(small, "--budget", "9", "--years", "31")
        assert said.code == 1
        assert "31 funding years do not fit into a horizon of 30 years" in said.err

    def test_strict_lets_warnings_fail(self, small: SmallBasin) -> None:
        small.change("sites.csv", "502500,4600500", "502500,4609500")
        said = plan(small, "--budget", "1600", "--quiet")
        assert said.code == 0
        assert "no stream line within 100 m" in said.err
        shutil.rmtree(small.folder / "plan")
        said = plan(small, "--budget", "1600", "--strict")
        assert said.code == 1
        assert "no stream line within 100 m" in said.err
        assert not (small.folder / "plan").exists()

    def test_a_folder_of_a_ranking_is_left_alone(self, small: SmallBasin) -> None:
        assert run("rank", small.project, "--out", small.out, "--quiet").code == 0
        before = state_of(small.out)
        said = plan(small, "--budget", "1600", out="results")
        assert said.code == 1
        assert "holds the results of a ranking" in said.err
        assert state_of(small.out) == before

    def test_inputs_are_never_overwritten(self, small: SmallBasin) -> None:
        assert plan(small, "--budget", "1600", "--quiet").code == 0
        small.edit('path = "actions.csv"', 'path = "plan/plan.csv"')  # the plan of last year, filled in anew
        before = state_of(small.folder / "plan")
        said = plan(small, "--budget", "1600")
        assert said.code == 2
        assert "plan.csv is an input and would be replaced by the results" in said.err
        assert state_of(small.folder / "plan") == before


class TestStopped:
    """Ctrl-C while plans are made."""

    def stop(self, monkeypatch: pytest.MonkeyPatch, where: object, name: str, after: int = 0) -> None:
        """Press Ctrl-C when something is called for the time after some."""
        calls: list[int] = []
        real = getattr(where, name)

        def pressed(*args: Any, **named: Any) -> Any:
            calls.append(1)
            if len(calls) == after + 1:
                raise KeyboardInterrupt
            return real(*args, **named)

        monkeypatch.setattr(where, name, pressed)

    def whole(self, small: SmallBasin) -> set[str]:
        """Return the files of a plan that was stopped, which must be whole."""
        names = {p.name for p in (small.folder / "plan").iterdir()}
        assert names >= FILES - {"plan_steadiness.csv"}
        return names

    def test_in_the_search_the_best_so_far_is_written(
        self, small: SmallBasin, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        self.stop(monkeypatch, Narrowed, "at")
        said = plan(small, "--budget", "1600", "--curve", "--front", "--strict")
        assert said.code == 0, said.err
        assert self.whole(small) == FILES - {"plan_steadiness.csv"}
        assert "The search was stopped" in said.out
        assert (
            "warning: stopped from the keyboard; cut short: the search for the plan; draws (0 of 4 done); "
            "budgets of the curve (0 of 4 done); caps of the front (none done); "
            "how far each species could be taken (0 of 2 done) -> "
        ) in said.err
        basin = plain(small)
        assert spent(basin, chosen(basin, table(small))) <= 1600
        assert any(p["kind"] == "stopped" for p in record(small)["problems"])

    def test_in_the_draws_what_comes_after_is_left_out(
        self, small: SmallBasin, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        self.stop(monkeypatch, planning_draws, "each")
        said = plan(small, "--budget", "1600", "--curve", "--front")
        assert said.code == 0, said.err
        assert self.whole(small) == FILES - {"plan_steadiness.csv"}
        assert "Proven" in said.out
        assert (
            "cut short: draws (0 of 4 done); budgets of the curve (0 of 4 done); caps of the front (none"
            in said.err
        )

    def test_in_the_curve_what_is_done_is_kept(
        self, small: SmallBasin, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        self.stop(monkeypatch, planning_front, "_point", after=2)
        said = plan(small, "--budget", "1600", "--curve", "--front")
        assert said.code == 0, said.err
        assert "plan_curve.csv" in self.whole(small)
        assert len(table(small, "plan_curve")) == 2
        assert "cut short: budgets of the curve (3 of 4 done); caps of the front (none done)" in said.err

    def test_in_the_front_what_is_done_is_kept(
        self, small: SmallBasin, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def kept(self: BasinPlans, *_: object, **__: object) -> None:
            raise KeyboardInterrupt

        front = planning.native_front

        def stopped(*args: Any) -> Any:
            with monkeypatch.context() as patch:
                patch.setattr(BasinPlans, "kept", kept)
                return front(*args)

        monkeypatch.setattr(planning, "native_front", stopped)
        said = plan(small, "--budget", "1600", "--curve", "--front")
        assert said.code == 0, said.err
        names = self.whole(small)
        assert "plan_curve.csv" in names
        assert "plan_front.csv" not in names
        assert "cut short: caps of the front (1 of 3 done)" in said.err

    def test_while_it_writes_the_old_plan_stays(
        self, small: SmallBasin, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        assert plan(small, "--budget", "1600", "--quiet").code == 0
        before = state_of(small.folder / "plan")
        from barrierrank.outputs import plan_write  # noqa: PLC0415

        self.stop(monkeypatch, plan_write, "write_record")
        assert plan(small, "--budget", "1000").code == 130
        assert state_of(small.folder / "plan") == before

    @pytest.mark.skipif(os.name != "posix", reason="signals of this kind are POSIX")
    def test_from_the_keyboard(self, tmp_path: Path) -> None:
        words = [sys.executable, "-m", "barrierrank", "plan", str(DEMO / "project.toml"), "--budget", "2e6"]
        started = subprocess.Popen(
            [*words, "--curve", "--front", "--out", str(tmp_path / "plan")],
            env={**os.environ, "PYTHONPATH": str(ROOT)}, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert started.stderr is not None
        for line in started.stderr:
            if "looking for the best plan" in line:  # told as done: it plans for draws
                break
        started.send_signal(signal.SIGINT)
        out, rest = started.communicate(timeout=120)
        assert started.returncode == 0, rest
        assert re.search(r"warning: stopped from the keyboard; cut short: (the )?draws", rest)
        assert "Traceback" not in rest
        assert out.startswith("Plan for Lake Thessamer")
        names = {p.name for p in (tmp_path / "plan").iterdir()}
        assert names >= {"plan.csv", "plan_map.html", "plan.json"}
        assert "plan_front.csv" not in names


class TestDemo:
    """The plan of the demo basin."""

    def test_tells_where_it_differs_from_the_list_and_what_that_is_worth(self, demo: Ranked) -> None:
        assert demo.said.code == 0, demo.said.err
        text = demo.said.out.replace("\n  ", " ")
        assert "of a budget of USD 2 million, worth USD" in text
        found = text.split("Taking the list from the top would gain USD ")[1]
        assert found.split(" less (USD ")[0].split()[1] == "million"
        assert "it takes S" in found
        assert "leaves out S" in found
        assert f"open {demo.folder / 'plan' / 'plan_map.html'}" in demo.said.out

    def test_writes_curve_and_front_beside_the_ranking(self, demo: Ranked) -> None:
        names = {p.name for p in (demo.folder / "plan").iterdir()}
        assert names >= TABLES | {
            "plan_curve.csv",
            "plan_front.csv",
            "plan_curve.png",
            "plan_front.png",
            "plan.json",
        }
        curve = pd.read_csv(demo.folder / "plan" / "plan_curve.csv")
        assert (np.diff(curve["worth"]) >= 0).all()
        assert (curve["list_worth"] <= curve["bound"]).all()
        assert (curve["greedy_worth"] <= curve["bound"]).all()
        front = pd.read_csv(demo.folder / "plan" / "plan_front.csv")
        assert (front["invader_habitat"] <= front["cap"] * (1 + 1e-5)).all()
        assert (front["spent"] <= 2e6).all()

    def test_its_worth_is_that_of_the_plain_definition(self, demo: Ranked) -> None:
        problems = Problems()
        project = load_project(DEMO / "project.toml", problems)
        basin = ranked_run(project, problems, Clock(), learn=False).basin
        inputs = basin.inputs
        flow = np.ones(len(basin.built.network))
        plain = PlainBasin(
            basin.built.network, inputs.sites.failure_probability, inputs.actions,
            tuple(
                PlainSpecies(
                    s.value, basin.habitat.counted[:, k], flow, inputs.sites.passability[:, k],
                    inputs.actions.passability[:, k], s.treatment,
                )
                for k, s in enumerate(project.species)
            ),
            project.economy,
        )  # fmt: skip
        told = pd.read_csv(demo.folder / "plan" / "plan.csv")
        assert told["cost"].sum() <= 2e6
        rows = np.full(len(inputs.sites), -1)
        for site, action in zip(told["site"], told["action"], strict=True):
            s = int(np.flatnonzero(inputs.sites.site == site)[0])
            rows[s] = np.flatnonzero((inputs.actions.site_index == s) & (inputs.actions.action == action))[0]
        curve = pd.read_csv(demo.folder / "plan" / "plan_curve.csv")
        own = curve.loc[(curve["budget"] - 2e6).abs().idxmin()]
        assert plain_worth(plain, rows) == pytest.approx(own["worth"], rel=1e-6)
        left = rows.copy()
        first = int(np.flatnonzero(rows >= 0)[0])
        left[first] = -1
        lost = plain_worth(plain, rows) - plain_worth(plain, left)
        row = told.set_index("site").loc[str(inputs.sites.site[first])]
        assert row["worth_in_plan"] == pytest.approx(lost, rel=1e-5)
