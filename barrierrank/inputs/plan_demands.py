"""What the project file asks of a plan, by rows of the table of actions; entries that clash are named."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import numpy.typing as npt

from barrierrank.inputs.actions import ActionTable
from barrierrank.inputs.plan_clashes import Pair, tell_clashes
from barrierrank.inputs.schema import RESERVED_ACTION
from barrierrank.inputs.sites import SiteTable
from barrierrank.problems import Problems, some
from barrierrank.project_check import nearest
from barrierrank.project_plan import ActionName, PlanSpec

IntArray = npt.NDArray[np.int64]

_AS_IT_IS = {
    "forced": 'to have nothing done there, name the site without an action in forbidden: {{site = "{site}"}}',
    "forbidden": "to have something done there, name the action in forced",
}
_ONLY_ROWS = "name actions of the table alone"


@dataclass(frozen=True, eq=False)
class NamedDemands:
    """What ``[plan]`` asks by name, as rows of the :class:`ActionTable`; each row and pair once, in the file's order.

    Parameters
    ----------
    forced : (k,) int64
        Actions that a plan must have.
    forbidden : (k,) int64
        Actions that it must not have; every action of a site that is named without one.
    exclusive : (k, 2) int64
        Pairs, at different sites, of which it may have one only; the smaller row first.
    depends : (k, 2) int64
        Pairs, at different sites: it may have the first only together with the second.
    """

    forced: IntArray
    forbidden: IntArray
    exclusive: IntArray
    depends: IntArray


def plan_demands(
    spec: PlanSpec, sites: SiteTable, actions: ActionTable, problems: Problems, where: str
) -> NamedDemands:
    """Find the sites and actions that ``[plan]`` names, and tell what cannot be met together.

    Parameters
    ----------
    spec : PlanSpec
    sites : SiteTable
    actions : ActionTable
        Names of actions are found whatever their capitals; ids of sites must be the same.
    problems : Problems
        Gets an error for each site or action that there is not, for each entry that has no sense (two actions of one
        site in a group, an action that depends on itself) and for entries of which no plan could meet all; a warning
        for each action that no plan could have for the sake of other entries; a note for what has no effect.
    where : str
        Name of the project file.

    Returns
    -------
    NamedDemands
        Without the entries at fault: not to be used before :meth:`Problems.stop_on_errors`.
    """
    finder = _Finder(sites, actions, problems, where)
    forced = finder.rows(spec.forced, "forced")
    forbidden = finder.rows(spec.forbidden, "forbidden")
    exclusive = finder.groups(spec.exclusive)
    depends = finder.dependencies(spec)
    tell_clashes(forced, forbidden, (exclusive, depends), (actions.site_index, finder.called), finder.tell)
    return NamedDemands(
        _once([row for row, _ in forced]),
        _once([row for row, _ in forbidden]),
        _pairs([pair for pair, _ in exclusive]),
        _pairs([pair for pair, _ in depends]),
    )


def _once(rows: Iterable[int]) -> IntArray:
    return np.array(list(dict.fromkeys(rows)), dtype=np.int64)


def _pairs(pairs: Iterable[Pair]) -> IntArray:
    return np.array(list(dict.fromkeys(pairs)), dtype=np.int64).reshape(-1, 2)


@dataclass
class _Finder:
    """Finds rows by names; complains of what there is not."""

    sites: SiteTable
    actions: ActionTable
    problems: Problems
    where: str
    position: dict[str, int] = field(init=False)
    at_site: dict[int, list[int]] = field(init=False)

    def __post_init__(self) -> None:
        self.position = {str(s): i for i, s in enumerate(self.sites.site.tolist())}
        self.at_site = {}
        for row, site in enumerate(self.actions.site_index.tolist()):
            self.at_site.setdefault(site, []).append(row)

    def tell(self, severity: str, kind: str, message: str, remedy: str) -> None:
        """Add a problem of ``[plan]``."""
        add = {"error": self.problems.error, "warning": self.problems.warning, "note": self.problems.note}
        add[severity](kind, f"[plan] {message}", remedy=remedy, where=self.where)

    def called(self, row: int) -> str:
        """Return how an action is called in messages."""
        site = self.sites.site[self.actions.site_index[row]]
        return f'"{self.actions.action[row]}" at site "{site}"'

    def rows(self, names: Sequence[ActionName], key: str) -> list[tuple[int, str]]:
        """Return the rows of a list of names, each with the entry that names it."""
        found = []
        for i, name in enumerate(names, start=1):
            label = f"{key}, entry {i}"
            if name.action is not None:
                row = self.row(name, key, label)
                found += [] if row is None else [(row, label)]
                continue
            site = self.site(name.site, label)
            rows = [] if site is None else self.at_site.get(site, [])
            if site is not None and not rows:
                message = f'{label}: site "{name.site}" has no actions, so nothing is done there anyway'
                self.tell("note", "idle_demand", message, "")
            found += [(row, label) for row in rows]
        return found

    def groups(self, groups: Sequence[Sequence[ActionName]]) -> list[tuple[Pair, str]]:
        """Return the pairs of each group, each with its entry; complain of two actions at one site."""
        found: list[tuple[Pair, str]] = []
        for i, group in enumerate(groups, start=1):
            label = f"exclusive, entry {i}"
            rows = [r for r in (self.row(name, "exclusive", label) for name in group) if r is not None]
            self.check_group(rows, label)
            site = self.actions.site_index
            found += [((min(p), max(p)), label) for p in combinations(rows, 2) if site[p[0]] != site[p[1]]]
        return found

    def check_group(self, rows: list[int], label: str) -> None:
        """Complain of an action named twice in a group, and of several actions of one site in it."""
        twice = [r for r in dict.fromkeys(rows) if rows.count(r) > 1]
        for row in twice:
            self.tell("error", "demand_twice", f"{label}: {self.called(row)} is named twice", "name it once")
        by_site: dict[int, list[int]] = {}
        for row in dict.fromkeys(rows):
            by_site.setdefault(int(self.actions.site_index[row]), []).append(row)
        for site, mine in by_site.items():
            if len(mine) < 2:
                continue
            listed = some([f'"{self.actions.action[r]}"' for r in mine])
            message = (
                f'{label}: {listed} are all at site "{self.sites.site[site]}"; a site has one action anyway'
            )
            remedy = "remove the entry: it asks for nothing"
            if len(by_site) > 1:
                remedy = "write a group for each of these, together with the actions of the other sites"
            self.tell("error", "same_site", message, remedy)

    def dependencies(self, spec: PlanSpec) -> list[tuple[Pair, str]]:
        """Return what depends on what, each with its entry; complain of what depends on its own site."""
        found: list[tuple[Pair, str]] = []
        for i, entry in enumerate(spec.depends, start=1):
            label = f"depends, entry {i}"
            first, second = self.row(entry, "depends", label), self.row(entry.on, "depends", f"{label}, on")
            if first is None or second is None:
                continue
            if first == second:
                message = f"{label}: {self.called(first)} depends on itself"
                self.tell(
                    "error", "depends_on_itself", message, "name another action in on, or remove the entry"
                )
            elif self.actions.site_index[first] == self.actions.site_index[second]:
                message = (
                    f'{label}: {self.called(first)} depends on "{self.actions.action[second]}" at the same site, '
                    "but a site has one action, so that it could never be chosen"
                )
                remedy = (
                    "remove the entry; where both are to be done, give them one row in the table of actions"
                )
                self.tell("error", "same_site", message, remedy)
            else:
                found.append(((first, second), label))
        return found

    def site(self, site: str, label: str) -> int | None:
        """Return the position of a site; complain where there is none."""
        if site in self.position:
            return self.position[site]
        message = f'{label}: there is no site "{site}" in {self.sites.label}'
        remedy = nearest(site, self.position) or "add it to the sites, or mend the id"
        self.tell("error", "unknown_site", message, remedy)
        return None

    def row(self, name: ActionName, key: str, label: str) -> int | None:
        """Return the row of an action; complain where there is none."""
        site = self.site(name.site, label)
        if site is None:
            return None
        wanted = str(name.action).casefold()
        rows = self.at_site.get(site, [])
        for row in rows:
            if self.actions.action[row].casefold() == wanted:
                return row
        names = [str(self.actions.action[row]) for row in rows]
        message = f'{label}: site "{name.site}" has no action "{name.action}"'
        if wanted == RESERVED_ACTION:
            message = f'{label}: "{name.action}" at site "{name.site}" is no action of the table'
            remedy = _AS_IT_IS.get(key, _ONLY_ROWS).format(site=name.site)
        elif names:
            listed = some([f'"{n}"' for n in names])
            remedy = nearest(wanted, names) or f"its actions are {listed}; name one of these, or add a row"
        else:
            table = self.actions.label or "a table that [actions] names"
            remedy = f"it has no actions: add a row to {table}, or remove the entry"
        self.tell("error", "unknown_action", message, remedy)
        return None
