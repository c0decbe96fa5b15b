"""What an action does, as clauses: whom it keeps out, whom it lets through, what treatment it saves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.problems import one_line
from barrierrank.ranking import words
from barrierrank.ranking.order import TIE_TOLERANCE
from barrierrank.ranking.species import RankedSpecies

FloatArray = npt.NDArray[np.float64]

_UNVALUED = " (not counted, since it is given no value)"
_BY_FAILING = " (only because what is built may fail)"


@dataclass(frozen=True)
class _Kind:
    """A way in which an action touches a species.

    Parameters
    ----------
    verb, gerund : str
        ``"opens"``, ``"opening"``.
    pattern : str
        What follows the verb, with ``{label}`` and ``{amount}``.
    """

    verb: str
    gerund: str
    pattern: str


_KEEPS_OUT = _Kind("keeps", "keeping", "{label} out of {amount}")
_OPENS = _Kind("opens", "opening", "{amount} to {label}")
_CUTS_OFF = _Kind("cuts", "cutting", "{label} off from {amount}")
# (role, gains) -> kind, and whether it is good.
_KINDS = {
    ("invasive", False): (_KEEPS_OUT, True),
    ("native", True): (_OPENS, True),
    ("invasive", True): (_OPENS, False),
    ("native", False): (_CUTS_OFF, False),
}


@dataclass
class Effects:
    """Clauses of one row, told as something it does and as doing it.

    Parameters
    ----------
    good, bad : list of str
        With a finite verb: ``"opens 12.4 km of habitat to Walleye"``.
    good_doing, bad_doing : list of str
        With a gerund: ``"opening 12.4 km of habitat to Walleye"``.
    """

    good: list[str] = field(default_factory=list)
    bad: list[str] = field(default_factory=list)
    good_doing: list[str] = field(default_factory=list)
    bad_doing: list[str] = field(default_factory=list)

    def add(self, is_good: bool, does: str, doing: str) -> None:
        """Append one clause in both forms."""
        (self.good if is_good else self.bad).append(does)
        (self.good_doing if is_good else self.bad_doing).append(doing)

    def told(self) -> str:
        """Return all of it after an 'it': the good first, then the bad."""
        if self.good and self.bad:
            return f"{words.listed(self.good)}, but {words.listed(self.bad)}"
        return words.listed(self.good or self.bad)


def effects(
    ranked: pd.DataFrame,
    species: Sequence[RankedSpecies],
    *,
    currency: str | None,
    units: words.Units,
    points: bool = False,
) -> list[Effects]:
    """Return what each action does to each species and to treatment.

    Changes that are only rounding, beside the greatest change of the species in the list, are left out.
    Species come in the order given, those that share a verb under one verb.

    Parameters
    ----------
    ranked : DataFrame
        n rows with columns `gain_<sp>` [unit of the species] and `treatment_saved` [money or points]. Optional
        columns `failing_<sp>` (bool) tell where a gain comes of failing alone.
    species : sequence of RankedSpecies
    currency : str or None
        ISO code of the money.
    units : {"metric", "us"}
    points : bool
        True where benefits are points: treatment saved is part of them, so it is told in points too.

    Returns
    -------
    list of n Effects
    """
    rows = [Effects() for _ in range(len(ranked))]
    for (role, gains), (kind, is_good) in _KINDS.items():
        shared = _touched(ranked, [s for s in species if s.role == role], gains=gains, kind=kind, units=units)
        for i, parts in shared.items():
            rest = words.listed(parts)
            rows[i].add(is_good, f"{kind.verb} {rest}", f"{kind.gerund} {rest}")
    saved = ranked["treatment_saved"].to_numpy(dtype=np.float64, na_value=np.nan)
    changed = _changed(saved)
    sizes = np.abs(saved[changed])
    amounts = words.points(sizes) if points else words.money(sizes, currency=currency)
    for i, amount in zip(changed.tolist(), amounts, strict=True):
        if saved[i] > 0.0:
            rows[i].add(True, f"saves {amount} in treatment", f"saving {amount} in treatment")
        else:
            rows[i].add(False, f"adds {amount} in treatment", f"adding {amount} in treatment")
    return rows


def _changed(values: FloatArray) -> npt.NDArray[np.int64]:
    """Return the positions where a column changes by more than rounding."""
    size = np.abs(np.nan_to_num(values))
    return np.flatnonzero(size > TIE_TOLERANCE * size.max(initial=0.0)).astype(np.int64)


def _touched(
    ranked: pd.DataFrame,
    species: Sequence[RankedSpecies],
    *,
    gains: bool,
    kind: _Kind,
    units: words.Units,
) -> dict[int, list[str]]:
    """Return, by row, what follows the verb of `kind`; the first part says what the amounts are."""
    parts: dict[int, list[str]] = {}
    nouns: dict[int, str] = {}
    for one in species:
        change = ranked[f"gain_{one.key}"].to_numpy(dtype=np.float64, na_value=np.nan)
        touched = _changed(change)
        touched = touched[(change[touched] > 0.0) == gains]
        amounts = words.habitats(np.abs(change[touched]), habitat_unit=one.habitat_unit, units=units)
        # Braces in a user's label are no places to fill in.
        label = one_line(one.label or one.key)
        note = "" if one.value_known else _UNVALUED
        before, after = kind.pattern.split("{amount}")
        before, after = before.replace("{label}", label), after.replace("{label}", label) + note
        failing = ranked.get(f"failing_{one.key}", pd.Series(False, index=ranked.index)).to_numpy(dtype=bool)
        for i, amount in zip(touched.tolist(), amounts, strict=True):
            of = "" if nouns.get(i) == one.noun else f" of {one.noun}"
            nouns[i] = one.noun
            why = _BY_FAILING if failing[i] else ""
            parts.setdefault(i, []).append(f"{before}{amount}{of}{after}{why}")
    return parts
