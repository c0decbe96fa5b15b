"""What must be said wherever results are shown, since the work can hurt people and fish."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

When = Literal[
    "always", "any_action", "structures", "works", "removal", "passage", "handling", "native_works", "invasive"
]


@dataclass(frozen=True)
class Caution:
    """One caution.

    Parameters
    ----------
    key : str
        Short stable name.
    when : tuple of str
        What calls for it: `always`; `any_action` at a site; `structures` whose drop or crest is told; `works` on
        a structure; `removal` of one; `passage` for fish or works where natives live (`native_works`); `handling`
        of fish; `invasive` species present.
    text : str
        What to print.
    short : str
        The same where there is little room: beside a picture, an action, at the foot of a sheet. Empty where the
        caution is not needed there.
    """

    key: str
    when: tuple[When, ...]
    text: str
    short: str = ""


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "planning_level",
        ("always",),
        "These results are planning-level: they say where to look first. They do not replace a design, a "
        "permit or the judgement of people who know the site, and local codes and licensed practice come "
        "before them.",
        "Planning-level: no design, no permit, no safety assessment; local codes and licensed practice come first.",
    ),
    Caution(
        "field_check",
        ("any_action",),
        "Before money is committed or work begins, check each site in the field: that the structure is "
        "there and as described, its drop at low and high flow, and which fish are found above and below "
        "it.",
    ),
    Caution(
        "low_head_dam",
        ("any_action", "structures"),
        "Low-head dams and weirs drown people, rescuers among them: the water just below the crest "
        "can roll back and hold a swimmer or a boat under, most of all when it runs high, and it looks "
        "harmless. Keep well away above and below, never wade or boat near the crest, and provide warning"
        " signs, buoys and a keep-away zone.",
        "Low-head dams and weirs drown people, rescuers among them: keep well away above and below the crest.",
    ),
    Caution(
        "engineer",
        ("works", "structures"),
        "Building, raising, repairing, changing or removing a dam, weir or culvert needs a licensed "
        "engineer and permits, and the consent of the authority in charge of dam safety where it has a "
        "say. A changed crest changes floods, loads and scour. Have the site's duties confirmed even for "
        "a small structure.",
        "Work on a dam, weir or culvert, its crest raised or lowered, needs a licensed engineer and permits.",
    ),
    Caution(
        "removal",
        ("removal",),
        "Taking a structure out can set free stored sediment and whatever it holds, alter floods and "
        "banks, and open the stream to unwanted species, which can seldom be undone. Have these examined "
        "first.",
        "Removal sets free stored sediment and may let invaders up for good: have both examined first.",
    ),
    Caution(
        "lampricide",
        ("invasive",),
        "Lampricides and other pesticides for fish are of restricted use: only certified applicators of "
        "the responsible agencies may apply them, as the label and the law of the place require. They "
        "harm other life and can injure eyes and skin. Treatment costs here are for comparison and no "
        "plan of treatment.",
    ),
    Caution(
        "fish_passage",
        ("passage", "native_works"),
        "Works in a stream and passage for fish need the consent of the authorities for fish, wildlife "
        "and water, with regard to protected species, spawning seasons and the passage flows they ask "
        "for. Have the design made by people trained in fish passage, and watch afterwards whether native"
        " fish do pass.",
    ),
    Caution(
        "trapped_fish",
        ("handling",),
        "Traps and sorting devices must be tended: fish held too long, too dense or too warm die. "
        "Handling, moving and killing fish needs a permit and trained people; return natives quickly to "
        "the side they were heading for, and dispose of invaders as the permit says. Work at a trap with "
        "a second person present.",
    ),
)

_REMOVAL = re.compile(
    r"remov|breach|demol|dismantl|tear[ _-]*(it[ _-]*)?down|tak(e|ing)[ _-]*(it[ _-]*)?out|decommission|notch|lower"
)
_PASSAGE = re.compile(r"passage|fish[ _-]*(way|pass|lift)|ladder|bypass|ramp|(?<![a-z])eel")
_HANDLING = re.compile(r"trap|sort|select|lift|transfer|catch|captur|(?<![a-z])net")
_TREATMENT = re.compile(r"treat|lampricid|poison|pesticid")
# An action that begins like this needs no work on a structure, unless it names some as well. Whatever else a
# user calls an action is taken for works.
_NO_WORKS = re.compile(
    r"^(leave|none|nothing|no[ _-]action|survey|monitor|inspect|study|trap|sort|treat|lampricid|catch|net)"
)
_WORKS = re.compile(
    r"build|built|construct|install|repair|rais|heighten|remov|breach|demol|dismantl|replac|retrofit|fit|lower|notch"
    r"|dam|weir|crest|sill|barrier|gate|sluice|culvert|season|board|(?<![a-z])(stop)?[ _-]?logs?(?![a-z])"
    r"|(?<![a-z])lip(?![a-z])|ladder|ramp|fish[ _-]*(way|pass|lift)"
)
# What the words of a table of actions for a change to the structure itself call for, whatever the action's name.
_CHANGES: Mapping[str, tuple[When, ...]] = {
    "raise": ("works",),
    "lower": ("works", "removal"),
    "notch": ("works", "removal"),
    "lip": ("works",),
    "seasonal": ("works",),
    "trap_and_sort": ("works", "handling"),
    "fishway": ("works", "passage"),
    "ramp": ("works", "passage"),
    "remove": ("works", "removal"),
    "build": ("works",),
}


def cautions_for(
    actions: Sequence[str], roles: Sequence[str] = (), *, changes: Sequence[str] = (), structures: bool = False
) -> tuple[str, ...]:
    """Return the cautions that a list of actions calls for.

    Actions are the user's own words, so an action is taken for works on a structure unless its name clearly
    says otherwise: a caution too many does no harm.

    Parameters
    ----------
    actions : sequence of str
        Names of the actions, repeated or not.
    roles : sequence of str
        Roles of the species of the project, ``"invasive"`` or ``"native"``.
    changes : sequence of str
        What the table of actions says is changed (``"raise"``, ``"notch"``, ``"remove"`` ...), repeated or not; one
        that is not known is taken for works.
    structures : bool
        Whether results tell of drops and crests of structures, such as a raise that is needed.

    Returns
    -------
    tuple of str
        Texts in the order of :data:`CAUTIONS`; the planning-level one always.
    """
    calls = _calls(actions, roles, changes, structures)
    return tuple(caution.text for caution in CAUTIONS if calls.intersection(caution.when))


def short_cautions(
    actions: Sequence[str] = (), *, changes: Sequence[str] = (), structures: bool = True
) -> tuple[str, ...]:
    """Return the cautions to print where there is little room and a structure's crest or an action is named.

    Parameters
    ----------
    actions, changes : sequence of str
        As in :func:`cautions_for`; those of one site or of one picture.
    structures : bool
        Likewise; True: the danger of low-head dams and the need of an engineer are told in any case.

    Returns
    -------
    tuple of str
        Short texts in the order of :data:`CAUTIONS`.
    """
    calls = _calls(actions, (), changes, structures)
    return tuple(caution.short for caution in CAUTIONS if caution.short and calls.intersection(caution.when))


def shortened(cautions: Sequence[str]) -> tuple[str, ...]:
    """Return the short texts of those of `cautions` that have one.

    Parameters
    ----------
    cautions : sequence of str
        Texts that :func:`cautions_for` returned; others are left out.
    """
    return tuple(caution.short for caution in CAUTIONS if caution.short and caution.text in cautions)


def _calls(actions: Sequence[str], roles: Sequence[str], changes: Sequence[str], structures: bool) -> set[When]:
    """Return what calls for cautions."""
    names = {str(action).strip().lower() for action in actions} - {""}
    kinds = {str(change).strip().lower() for change in changes} - {""}
    calls: set[When] = {"always"}
    if structures:
        calls.add("structures")
    if names or kinds:
        calls.add("any_action")
    if any(_WORKS.search(name) or not _NO_WORKS.search(name) for name in names):
        calls.add("works")
    for kind in kinds:
        calls.update(_CHANGES.get(kind, ("works",)))
    if "works" in calls and "native" in roles:
        calls.add("native_works")
    if "invasive" in roles or any(_TREATMENT.search(name) for name in names):
        calls.add("invasive")
    patterns: tuple[tuple[When, re.Pattern[str]], ...] = (
        ("removal", _REMOVAL),
        ("passage", _PASSAGE),
        ("handling", _HANDLING),
    )
    calls.update(when for when, pattern in patterns if any(pattern.search(name) for name in names))
    return calls
