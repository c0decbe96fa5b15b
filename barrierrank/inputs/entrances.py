"""Types of culvert inlet by plain words: how each throttles the flow.

K, M, c and Y are those of inlet control (form 1 and the submerged form) of FHWA Hydraulic Design Series 5, 3rd
edition (2012), appendix A; the loss is K_e of outlet control of its table C.2. Where no `from memory` stands beside
them, K, M, c and Y agree with those in the source of the US EPA's Storm Water Management Model 5.2, culvert.c. Losses
are from memory of table C.2.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple


class Entrance(NamedTuple):
    """Coefficients of one type of inlet, in the order of the columns INLET_K to INLET_Y, then ENTRANCE_LOSS.

    Parameters
    ----------
    k, m : float
        Unsubmerged: head / rise = critical energy / rise + k x^m - 0.5 S, x = 1.811 Q / (A D^0.5) in SI.
    c, y : float
        Submerged: head / rise = c x^2 + y - 0.5 S.
    loss : float
        Share of the velocity head in the barrel that is lost at the inlet under outlet control.
    """

    k: float
    m: float
    c: float
    y: float
    loss: float


_HDS5 = "FHWA HDS-5 (2012) appendix A; loss: table C.2"
_HDS5_MEMORY = "FHWA HDS-5 (2012) appendix A and table C.2, from memory"

# word: coefficients, publication
_TABLE: dict[str, tuple[Entrance, str]] = {
    "concrete pipe, square edge in headwall": (Entrance(0.0098, 2.0, 0.0398, 0.67, 0.5), _HDS5),
    "concrete pipe, groove end in headwall": (Entrance(0.0018, 2.0, 0.0292, 0.74, 0.2), _HDS5),
    "concrete pipe, groove end sticking out": (Entrance(0.0045, 2.0, 0.0317, 0.69, 0.2), _HDS5),
    "pipe, bevelled ring of 45 degrees": (Entrance(0.0018, 2.5, 0.0300, 0.74, 0.2), _HDS5_MEMORY),
    "pipe, bevelled ring of 33.7 degrees": (Entrance(0.0018, 2.5, 0.0243, 0.83, 0.2), _HDS5_MEMORY),
    "metal pipe, headwall": (Entrance(0.0078, 2.0, 0.0379, 0.69, 0.5), _HDS5),
    "metal pipe, cut to the slope": (Entrance(0.0210, 1.33, 0.0463, 0.75, 0.7), _HDS5),
    "metal pipe, sticking out": (Entrance(0.0340, 1.50, 0.0553, 0.54, 0.9), _HDS5),
    "concrete box, wingwalls of 30 to 75 degrees": (Entrance(0.026, 1.0, 0.0347, 0.81, 0.4), _HDS5),
    "concrete box, headwall or wingwalls of 15 degrees": (Entrance(0.061, 0.75, 0.0400, 0.80, 0.5), _HDS5),
    "concrete box, wingwalls in line with its sides": (Entrance(0.061, 0.75, 0.0423, 0.82, 0.7), _HDS5),
    "metal box, headwall": (Entrance(0.0083, 2.0, 0.0379, 0.69, 0.5), _HDS5_MEMORY),
    "metal box, sticking out": (Entrance(0.0340, 1.5, 0.0496, 0.57, 0.9), _HDS5_MEMORY),
    "metal arch, headwall": (Entrance(0.0083, 2.0, 0.0379, 0.69, 0.5), _HDS5_MEMORY),
    "metal arch, cut to the slope": (Entrance(0.0300, 1.0, 0.0463, 0.75, 0.7), _HDS5_MEMORY),
    "metal arch, sticking out": (Entrance(0.0340, 1.5, 0.0496, 0.57, 0.9), _HDS5_MEMORY),
}

ENTRANCES: Mapping[str, Entrance] = MappingProxyType({word: made for word, (made, _) in _TABLE.items()})
"""Coefficients by the word used in the column `entrance` of the table of structures."""

SOURCES: Mapping[str, str] = MappingProxyType({word: source for word, (_, source) in _TABLE.items()})
"""Where the coefficients of each come from."""

CUT_TO_THE_SLOPE = frozenset(word for word in ENTRANCES if word.endswith("cut to the slope"))
"""Inlets whose head HDS-5 corrects by +0.7 S in place of -0.5 S."""
