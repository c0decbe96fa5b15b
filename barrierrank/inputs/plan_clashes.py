"""Entries of ``[plan]`` that cannot be met together, found and named."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

IntArray = npt.NDArray[np.int64]
Pair = tuple[int, int]
Labelled = Sequence[tuple[Pair, str]]
Tell = Callable[[str, str, str, str], None]

_KEYS = ("forced", "forbidden", "exclusive", "depends")
_MEND = "remove or mend one of these entries"


@dataclass(frozen=True)
class _Need:
    """An action `row` that a plan must have, as the entry `label` says, for the sake of what was needed `before`.

    Without a label it is an action that is looked at whether it could be chosen.
    """

    row: int
    label: str
    before: _Need | None = None

    def all(self) -> list[_Need]:
        """Return the needs that lead here, the first one first."""
        way = [self]
        while way[-1].before is not None:
            way.append(way[-1].before)
        return way[::-1]

    def labels(self) -> list[str]:
        """Return the entries that lead here."""
        return [need.label for need in self.all() if need.label]


Needs = Mapping[int, _Need]
_NONE: Needs = MappingProxyType({})


@dataclass(frozen=True)
class _Clash:
    """Why some needs cannot be met together, and the entries that say so."""

    labels: tuple[str, ...]
    words: str


def tell_clashes(
    forced: Sequence[tuple[int, str]],
    forbidden: Sequence[tuple[int, str]],
    pairs: tuple[Labelled, Labelled],
    names: tuple[IntArray, Callable[[int], str]],
    tell: Tell,
) -> None:
    """Tell which entries clash: errors where no plan meets all, warnings where an action can never be chosen.

    Parameters
    ----------
    forced, forbidden : sequence of (row, entry)
        Rows of the table of actions, each with the entry that names it, such as ``"forced, entry 1"``.
    pairs : (exclusive, depends)
        Sequences of ((row, row), entry), the rows of each pair at different sites.
    names : (site, called)
        Site of each action, (n,) int64; a callable that returns the name of a row for messages.
    tell : callable
        Called with severity, kind, message and remedy.
    """
    rules = _Rules(dict(reversed(forbidden)), *pairs, *names)
    needs: dict[int, _Need] = {}
    for row, label in forced:
        needs |= rules.with_all_it_needs(_Need(row, label), needs)
    for clash in rules.clashes(needs):
        tell("error", "demands_clash", f"{_entries(clash.labels)}: {clash.words}", _MEND)
    for row in rules.on:
        if row in needs or row in rules.forbidden:
            continue
        for clash in rules.clashes(rules.with_all_it_needs(_Need(row, ""), needs), needs):
            if not any(label.startswith("depends") for label in clash.labels):
                continue  # it is ruled out by itself, as was asked
            message = f"{_entries(clash.labels)}: {rules.called(row)} can never be chosen: {clash.words}"
            tell("warning", "never_chosen", message, f"{_MEND}, unless it is meant so")
            break  # one reason will do
    for labels, rows in rules.circles():
        listed = " and ".join(rules.called(row) for row in rows)
        message = f"{_entries(labels)}: {listed} depend on each other, so that a plan has all of them or none"
        tell("note", "all_or_none", message, "")


def _entries(labels: Sequence[str]) -> str:
    """Return ``"forced, entries 1 and 3, and exclusive, entry 2"`` for ``"forced, entry 1"`` and so on."""
    by_key: dict[str, set[int]] = {}
    for label in labels:
        key, _, number = label.partition(", entry ")
        by_key.setdefault(key, set()).add(int(number))
    parts = []
    for key in sorted(by_key, key=_KEYS.index):
        numbers = [str(n) for n in sorted(by_key[key])]
        many = (
            f"entries {', '.join(numbers[:-1])} and {numbers[-1]}" if numbers[1:] else f"entry {numbers[0]}"
        )
        parts.append(f"{key}, {many}")
    return ", and ".join(parts)


@dataclass
class _Rules:
    """What rules out what."""

    forbidden: dict[int, str]
    exclusive: Labelled
    depends: Labelled
    site: IntArray
    called: Callable[[int], str]
    #: By action: what it depends on, what excludes it, each with the entry that says so.
    on: dict[int, dict[int, str]] = field(default_factory=dict)
    excludes: dict[int, dict[int, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for (first, second), label in self.depends:
            self.on.setdefault(first, {}).setdefault(second, label)
        for (first, second), label in self.exclusive:
            self.excludes.setdefault(first, {}).setdefault(second, label)
            self.excludes.setdefault(second, {}).setdefault(first, label)

    def with_all_it_needs(self, need: _Need, known: Needs) -> dict[int, _Need]:
        """Return a need and all it depends on, by row, save those that are known."""
        found: dict[int, _Need] = {}
        todo = [need]
        while todo:
            now = todo.pop()
            if now.row not in known and now.row not in found:
                found[now.row] = now
                on = self.on.get(now.row, {})
                todo += [_Need(row, label, now) for row, label in reversed(on.items())]
        return found

    def clashes(self, new: Needs, known: Needs = _NONE) -> Iterator[_Clash]:
        """Find what keeps new needs from being met together with each other and with those known, which are."""
        at_site: dict[int, _Need] = {}
        for row, need in known.items():
            at_site.setdefault(int(self.site[row]), need)
        seen: dict[int, _Need] = {}
        for row, need in new.items():
            seen[row] = need
            if row in self.forbidden:
                words = f"{self.called(row)} is both forced and forbidden"
                if need.before is not None:
                    words = f"{self._said(need)}, which is forbidden"
                yield _Clash((*need.labels(), self.forbidden[row]), words)
            other = at_site.setdefault(int(self.site[row]), need)
            if other.row != row:
                yield self._both(other, need, (), "a site has one action")
            for mate, label in self.excludes.get(row, {}).items():
                if mate in known or mate in seen:
                    excluded = known[mate] if mate in known else seen[mate]
                    yield self._both(excluded, need, (label,), "a plan may have one of them only")

    def _both(self, one: _Need, other: _Need, more: tuple[str, ...], why: str) -> _Clash:
        words = ", and ".join(self._said(need) for need in (one, other) if need.label)
        return _Clash((*one.labels(), *other.labels(), *more), f"{words}, but {why}")

    def _said(self, need: _Need) -> str:
        """Say what is needed and for the sake of what."""
        if need.before is not None:
            return f"{self.called(need.all()[0].row)} depends on {self.called(need.row)}"
        return f"{self.called(need.row)} is forced"

    def circles(self) -> Iterator[tuple[list[str], list[int]]]:
        """Find actions that depend on each other: the entries that say so, and their rows."""
        if not self.depends:
            return
        ends = np.array([pair for pair, _ in self.depends], dtype=np.int64)
        rows, at = np.unique(ends, return_inverse=True)
        first, second = at.reshape(-1, 2).T
        graph = coo_array((np.ones(len(first)), (first, second)), shape=(rows.size, rows.size))
        _, circle = connected_components(graph.tocsr(), directed=True, connection="strong")
        inside = circle[first] == circle[second]
        for one in np.unique(circle[first[inside]]):
            mine = np.flatnonzero(inside & (circle[first] == one)).tolist()
            yield [self.depends[i][1] for i in mine], rows[circle == one].tolist()
