"""The small basin with structures, flows and trials, made so that passabilities can be counted by hand.

All structures have one rating of the water below, 99 m + q / 10 up to 10 m3/s, and the flows of the gauge. The run is
90 days of the same weight, from 1 April to 29 June. Each day of it has 2 m3/s but for HIGH[y] days of 7 m3/s from
1 April on in each year y: water below at 99.2 m and 99.7 m.

The lamprey is stopped by a drop of 0.45 m (0.25 m with a lip), the walleye by one of 0.9 m; nothing else stops them.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from barrierrank.basin import Inputs, PassageWork, read_inputs
from barrierrank.passage.after import ActionPassability, actions_after
from barrierrank.passage.today import Measured, SitePassability, Tried, measure, sites_today, try_out
from barrierrank.passage.trials import combine
from barrierrank.problems import Problems
from barrierrank.project import Project, load_project
from support.small_basin import SmallBasin

YEARS = (2001, 2002, 2003, 2004)
HIGH = (9, 18, 27, 36)
"""Days of high water in the run of each year: 0.1, 0.2, 0.3 and 0.4 of it, a mean of 0.25."""
LOW_Q, HIGH_Q = 2.0, 7.0
RUN_DAYS = 90

TABLES = """
[structures]
path = "structures.csv"
ratings = "ratings.csv"

[flows]
path = "flows.csv"
discharge = "q"

[species.lamprey.swimming]
moves = "swims"
required_drop_m = 0.45
required_drop_lip_m = 0.25

[species.lamprey.run]
by = "date"
curve = [["04-01", 1.0], ["06-29", 1.0]]

[species.walleye.swimming]
moves = "swims"
required_drop_m = 0.9

[species.walleye.run]
by = "date"
curve = [["04-01", 1.0], ["06-29", 1.0]]
"""
SITES = """\
site,name,kind,x,y,q,p_lamprey,p_walleye
D1,Lower weir,weir,500500,4600000,0,,
D2,Upper weir,weir,501500,4600250,0,,
D3,Good place,,502500,4600500,0,,
"""
#: D1: drops of 0.8 m and 0.3 m, the lamprey passes at high water, 0.25, the walleye always. D2: 1.2 m and 0.7 m, the
#: lamprey never passes, the walleye at high water. D3: nothing stands there, all pass.
STRUCTURES = """\
site,kind,crest_m,crest_width_m,bed_m,lip_m,logs_m,logs_in,logs_out,channel_bed_m,channel_width_m,flow_a,flow_b
D1,weir,100.0,8,99.2,,,,,99.0,10,1,1
D2,weir,100.4,8,99.4,,,,,99.0,10,1,1
D3,none,,,,,,,,99.0,10,1,1
"""
ACTIONS = """\
site,action,cost,change,change_m,note
D1,raise,1000,raise,0.5,
"""
TRIALS_TABLE = '\n[trials]\npath = "trials.csv"\n'
TRIALS_HEAD = "site,action,species,offered,passed\n"


def flows(*, years: tuple[int, ...] = YEARS, high: tuple[int, ...] = HIGH) -> str:
    """Return a table of daily flows: 1 m3/s out of the run."""
    lines = ["date,q"]
    for year, days in zip(years, high, strict=True):
        for date in np.arange(f"{year}-01-01", f"{year + 1}-01-01", dtype="datetime64[D]"):
            since = int((date - np.datetime64(f"{year}-04-01", "D")).astype(int))
            q = 1.0 if not 0 <= since < RUN_DAYS else HIGH_Q if since < days else LOW_Q
            lines.append(f"{date},{q}")
    return "\n".join(lines) + "\n"


def ratings(*sites: str) -> str:
    """Return the table of ratings, the same for every site."""
    points = ((0, 99), (10, 100), (30, 101))
    return "site,discharge_m3s,elevation_m\n" + "".join(f"{s},{q},{z}\n" for s in sites for q, z in points)


@dataclass(frozen=True)
class Worked:
    """Everything on the way from files to passabilities."""

    project: Project
    inputs: Inputs
    measured: Measured | None
    tried: Tried
    today: SitePassability
    after: ActionPassability
    problems: Problems

    def told(self, kind: str, severity: str = "") -> list[str]:
        """Return the lines of the problems of one kind."""
        return [p.line() for p in self.problems if p.kind == kind and severity in ("", p.severity)]

    @property
    def work(self) -> PassageWork:
        """All of it as the stages after it take it."""
        return PassageWork(self.measured, self.tried, self.today, self.after)


class SmallPassage(SmallBasin):
    """Files of a project whose passabilities are worked out."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.text += TABLES
        self.write("sites.csv", SITES)
        self.write("structures.csv", STRUCTURES)
        self.write("ratings.csv", ratings("D1", "D2", "D3"))
        self.write("flows.csv", flows())
        self.write("actions.csv", ACTIONS)

    def give(self, site: str, lamprey: float | str = "", walleye: float | str = "") -> SmallPassage:
        """Type passabilities of a site."""
        rows = (self.folder / "sites.csv").read_text(encoding="utf-8").splitlines()
        typed = [
            f"{row.rsplit(',', 2)[0]},{lamprey},{walleye}" if row.startswith(f"{site},") else row for row in rows
        ]
        self.write("sites.csv", "\n".join(typed) + "\n")
        return self

    def measured(self, *sites: str) -> SmallPassage:
        """Leave out the structures of all other sites."""
        head, *rows = STRUCTURES.splitlines(keepends=True)
        self.write("structures.csv", head + "".join(r for r in rows if r.startswith(sites)))
        self.write("ratings.csv", ratings(*sites))
        return self

    def actions(self, columns: str, *rows: str) -> SmallPassage:
        """Write the actions; columns come after site, action, cost."""
        self.write("actions.csv", "\n".join([f"site,action,cost,{columns}", *rows]) + "\n")
        return self

    def trials(self, *rows: str) -> SmallPassage:
        """Write trials and name them in the project file."""
        self.write("trials.csv", TRIALS_HEAD + "".join(f"{r}\n" for r in rows))
        self.text += TRIALS_TABLE if TRIALS_TABLE not in self.text else ""
        return self

    def worked(self, *, area_km2: NDArray[np.float64] | None = None) -> Worked:
        """Read everything and work out the passabilities, errors and all; drainage areas of sites are not known."""
        problems = Problems()
        project = load_project(Path(self.project), problems)
        inputs = read_inputs(project, problems)
        area = np.full(len(inputs.sites), np.nan) if area_km2 is None else area_km2
        tried = try_out(project, combine(inputs.trials), problems)
        measured = None
        if inputs.flows is not None:
            measured = measure(project, inputs.structures, inputs.flows, area, problems)
        today = sites_today(project, inputs.sites, measured, tried, problems)
        after = actions_after(project, (inputs.sites, inputs.actions), today, measured, tried, problems)
        return Worked(project, inputs, measured, tried, today, after, problems)
