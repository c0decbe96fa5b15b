"""What must be said wherever results are shown, since the work can hurt people and fish."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

When = Literal["always", "any_action", "works", "removal", "passage", "handling", "native_works", "invasive"]


@dataclass(frozen=True)
class Caution:
    """One caution.

    Parameters
    ----------
    key : str
        Short stable name.
    when : tuple of str
        What calls for it: `always`; `any_action` at a site; `works` on a structure; `removal` of one;
        `passage` for fish or works where natives live (`native_works`); `handling` of fish; `invasive`
        species present.
    text : str
        What to print.
    """

    key: str
    when: tuple[When, ...]
    text: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "planning_level",
        ("always",),
        "These results are planning-level: they say where to look first. They do not replace a design, a "
        "permit or the judgement of people who know the site, and local codes and licensed practice come "
        "before them.",
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
        ("any_action",),
        "Low-head dams and weirs drown people, rescuers among them: the water just below the crest "
        "can roll back and hold a swimmer or a boat under, most of all when it runs high, and it looks "
        "harmless. Keep well away above and below, never wade or boat near the crest, and provide warning"
        " signs, buoys and a keep-away zone.",
    ),
    Caution(
        "engineer",
        ("works",),
        "Building, raising, repairing, changing or removing a dam, weir or culvert needs a licensed "
        "engineer and permits, and the consent of the authority in charge of dam safety where it has a "
        "say. A changed crest changes floods, loads and scour. Have the site's duties confirmed even for "
        "a small structure.",
    ),
    Caution(
        "removal",
        ("removal",),
        "Taking a structure out can set free stored sediment and whatever it holds, alter floods and "
        "banks, and open the stream to unwanted species, which can seldom be undone. Have these examined "
        "first.",
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

_REMOVAL = re.compile(r"remov|breach|demol|dismantl|tak(e|ing)[ _-]*(it[ _-]*)?out|decommission|notch|lower")
_PASSAGE = re.compile(r"passage|fish[ _-]*(way|pass|lift)|ladder|bypass|ramp|(?<![a-z])eel")
_HANDLING = re.compile(r"trap|sort|select|lift|transfer|catch|captur|(?<![a-z])net")
_TREATMENT = re.compile(r"treat|lampricid|poison|pesticid")
# An action that begins like this needs no work on a structure, unless it names some as well. Whatever else a
# user calls an action is taken for works.
_NO_WORKS = re.compile(
    r"^(leave|none|nothing|no[ _-]action|survey|monitor|inspect|study|trap|sort|treat|lampricid|catch|net)"
)
_WORKS = re.compile(
    r"build|construct|install|repair|rais|remov|replac|retrofit|fit|lower|dam|weir|crest|sill|barrier|gate|culvert"
)


def cautions_for(actions: Sequence[str], roles: Sequence[str] = ()) -> tuple[str, ...]:
    """Return the cautions that a list of actions calls for.

    Actions are the user's own words, so an action is taken for works on a structure unless its name clearly
    says otherwise: a caution too many does no harm.

    Parameters
    ----------
    actions : sequence of str
        Names of the actions, repeated or not.
    roles : sequence of str
        Roles of the species of the project, ``"invasive"`` or ``"native"``.

    Returns
    -------
    tuple of str
        Texts in the order of :data:`CAUTIONS`; the planning-level one always.
    """
    names = {str(action).strip().lower() for action in actions} - {""}
    calls: set[When] = {"always"}
    if names:
        calls.add("any_action")
    if any(_WORKS.search(name) or not _NO_WORKS.search(name) for name in names):
        calls.add("works")
        if "native" in roles:
            calls.add("native_works")
    if "invasive" in roles or any(_TREATMENT.search(name) for name in names):
        calls.add("invasive")
    patterns: tuple[tuple[When, re.Pattern[str]], ...] = (
        ("removal", _REMOVAL),
        ("passage", _PASSAGE),
        ("handling", _HANDLING),
    )
    calls.update(when for when, pattern in patterns if any(pattern.search(name) for name in names))
    return tuple(caution.text for caution in CAUTIONS if calls.intersection(caution.when))
