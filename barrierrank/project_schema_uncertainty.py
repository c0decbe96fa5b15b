"""Keys of the project file that say how uncertain the inputs are, by the evidence behind them."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from barrierrank.project_key import Key

#: What a number can rest on, the best first.
EVIDENCE = ("measured", "rated", "modelled", "guessed")
#: What a row may say of its numbers beside these: that there is no doubt. It has no number of its own.
CERTAIN = "certain"
ROW_EVIDENCE = (*EVIDENCE, CERTAIN)

UNCERTAINTY = (
    Key(
        "draws",
        "integer",
        "times the list is worked out anew with drawn inputs; 0 = not at all, else 2 or more",
        default=512,
        reason="assumed: ends of a 90 per cent interval then rest on about 25 draws each",
        low=0,
        high=100_000,
    ),
    Key(
        "seed",
        "integer",
        "the same seed gives the same draws",
        default=1,
        reason="assumed: any number does",
        low=0,
        high=2**31 - 1,
    ),
    Key(
        "method",
        "choice",
        "how the draws are spread over what the inputs may be",
        default="latin_hypercube",
        choices=("latin_hypercube", "sobol"),
        reason="assumed: even in each input, for any number of inputs",
    ),
    Key(
        "level",
        "number",
        "share of the draws that the interval of a rank covers",
        default=0.9,
        reason="assumed: from the 5th to the 95th of 100",
        low=0.0,
        high=1.0,
        above=True,
    ),
    Key(
        "top",
        "integer",
        "the chance is told that an action is among this many best",
        default=10,
        reason="assumed: about what is looked at closely",
        low=1,
        high=1_000_000,
    ),
    Key(
        "value_cv",
        "number",
        "coefficient of variation of the value of a species",
        default=0.3,
        reason="assumed",
        low=0.0,
        high=5.0,
    ),
    Key(
        "treatment_cv",
        "number",
        "coefficient of variation of the costs of treating a species",
        default=0.2,
        reason="assumed",
        low=0.0,
        high=5.0,
    ),
    Key(
        "basin_habitat_cv",
        "number",
        "coefficient of variation of all habitat of a species together",
        default=0.2,
        reason="assumed",
        low=0.0,
        high=5.0,
    ),
)

_BEHIND = MappingProxyType(
    {
        "measured": "measured at the place",
        "rated": "judged at the place, as by a word of [ratings]",
        "modelled": "worked out, or given without a word on it",
        "guessed": "guessed",
    }
)


def _by_evidence(what: str, values: tuple[float, ...], *, high: float, unit: str = "") -> tuple[Key, ...]:
    """Return a key for each class of evidence, each above 0."""
    return tuple(
        Key(
            name,
            "number",
            f"{what} {_BEHIND[name]}",
            default=value,
            reason="assumed",
            low=0.0,
            high=high,
            above=True,
            unit=unit,
        )
        for name, value in zip(EVIDENCE, values, strict=True)
    )


_CV = "coefficient of variation of"
#: Tables that have a number for each class of evidence, by the name of the sub-table.
BY_EVIDENCE: Mapping[str, tuple[Key, ...]] = MappingProxyType(
    {
        "passability": _by_evidence(
            "number of fish that tell as much as a passability", (100.0, 20.0, 12.0, 4.0), high=1e6, unit="fish"
        ),
        "habitat": _by_evidence(f"{_CV} habitat", (0.1, 0.3, 0.4, 0.8), high=5.0),
        "cost": _by_evidence(f"{_CV} a cost", (0.1, 0.2, 0.3, 0.5), high=5.0),
        "failure": _by_evidence(f"{_CV} a chance of failing", (0.2, 0.4, 0.5, 1.0), high=5.0),
    }
)

UNCERTAINTY_SCHEMA: Mapping[str, tuple[Key, ...]] = MappingProxyType(
    {"uncertainty": UNCERTAINTY, **{f"uncertainty.{name}": keys for name, keys in BY_EVIDENCE.items()}}
)
