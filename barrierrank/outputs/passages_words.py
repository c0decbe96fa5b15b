"""Passability in words: one plain sentence for a species at a site, and what the design flood leaves of the drop."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal

import pandas as pd

from barrierrank.outputs.units import format_flow, format_height
from barrierrank.problems import one_line
from barrierrank.ranking import words
from barrierrank.ranking.words import Units

Role = Literal["invasive", "native"]

STOPPED_BY: Mapping[str, str] = {
    "drop": "the drop",
    "leap": "the height of the leap",
    "pool": "too shallow a pool below",
    "depth": "too little depth of water",
    "velocity": "the speed of the water",
}
"""What stops fish, as the subject of a sentence."""

RAISE_CAUTION = "planning-level: a crest is raised by a licensed engineer, with permits"
ENOUGH = ", enough to stop it"
LONGEST = 500  # return intervals that are told [years]
YEARLY = 1.05  # floods that come more often come every year
_SAME = 5e-4  # shares that differ by less are told as equal
MATTERS = 0.05  # from such a difference on the range of an invader's passability is told


def passage_words(row: Mapping[str, Any] | pd.Series[Any], label: str, role: Role, units: Units) -> str:
    """Say in one sentence how many of a species get past a site, why not more, and what the worst year is like.

    For an invader what the design flood leaves of the drop follows, and the raise of the crest that is needed, with
    `RAISE_CAUTION`: the sentence also stands in files that have no room for cautions of their own.

    Parameters
    ----------
    row : Mapping or Series
        One row of `OutputModel.passage`; columns that are missing count as not known.
    label : str
        Name of the species (user text: escape the sentence).
    role : {"invasive", "native"}
    units : {"metric", "us"}
    """
    name = one_line(label)
    source = row.get("source", "given")
    if source == "trial":
        told = _trial(row, name)
    elif source == "computed":
        told = _computed(row, name)
        if role == "invasive":
            told.insert(1, range_words(row))
    else:
        told = _stated(row, name, str(source))
    design = design_words(row, units) if role == "invasive" else ""
    caution = RAISE_CAUTION if design and _number(row, "raise_needed_m") > 0 else ""
    return "; ".join(part for part in (*told, design, caution) if part) + "."


def design_words(row: Mapping[str, Any] | pd.Series[Any], units: Units) -> str:
    """Say in a clause what the design flood leaves of the drop and how much the crest lacks; "" where not known.

    Parameters
    ----------
    row : Mapping or Series
        One row of `OutputModel.passage`.
    units : {"metric", "us"}
    """
    drop, needed = _number(row, "design_drop_m"), _number(row, "required_drop_m")
    if not math.isfinite(drop) or math.isnan(needed):  # under a shut gate there is no drop to tell
        return ""
    flood = f"at the design flood ({format_flow(_number(row, 'design_flow_m3s'), units)})"
    left = f"{format_height(drop, units)} of drop is left" if drop > 0 else "no drop is left"
    lack = _number(row, "raise_needed_m")
    if math.isnan(lack):  # a culvert has no crest to raise
        return f"{flood} {left}{f' where {format_height(needed, units)} is needed' if drop < needed else ENOUGH}"
    low, high = (_number(row, name) for name in ("raise_low_m", "raise_high_m"))
    if lack <= 0:
        short = f", but up to {format_height(high, units)} too little if the water below stands higher than reckoned"
        return f"{flood} {left}{ENOUGH}{short if high > 0 else ''}"
    known = math.isfinite(low) and math.isfinite(high)
    span = f" ({format_height(low, units)} to {format_height(high, units)}, by the estimate of the tailwater)"
    return (
        f"{flood} {left} where {format_height(needed, units)} is needed, so that the crest is "
        f"{format_height(lack, units)} too low{span if known else ''}"
    )


def range_words(row: Mapping[str, Any] | pd.Series[Any]) -> str:
    """Say in a clause how far the estimate of the tailwater moves passability; "" where little or not known.

    Parameters
    ----------
    row : Mapping or Series
        One row of `OutputModel.passage`, of an invader: where the range matters nobody should trust the mean alone.
    """
    low, high = _number(row, "p_low"), _number(row, "p_high")
    if not high - low > MATTERS:
        return ""
    return f"{share_words(low)} to {share_words(high)} of it by the estimate of the tailwater"


def share_words(share: float) -> str:
    """Write a share of a run: ``40 %``, ``2.5 %``, ``none``, ``all``; never none or all where it is not.

    Parameters
    ----------
    share : float
        0 to 1; NaN is "not known".
    """
    if math.isnan(share):
        return words.UNKNOWN
    if share <= 0 or share >= 1:
        return "none" if share <= 0 else "all"
    if share < 0.001:
        return "less than 0.1 %"
    if share > 0.99:
        return "more than 99 %"
    return f"{100 * share:.0f} %" if share >= 0.0995 else f"{100 * share:.2g} %"


def return_words(years: float) -> str:
    """Write a return interval [years]: ``once in 6.2 years``; "" where it is not known or endless.

    Beyond `LONGEST` a fit to some decades of flows says no more than "seldom".

    Parameters
    ----------
    years : float
    """
    if not math.isfinite(years):
        return ""
    if years > LONGEST:
        return f"less than once in {LONGEST} years"
    return "every year" if years < YEARLY else f"once in {float(f'{years:.2g}'):,.12g} years"


def flood_words(row: Mapping[str, Any] | pd.Series[Any]) -> str:
    """Say up to which flood the drop holds and at which the crest drowns, as sentences; "" where not known.

    Parameters
    ----------
    row : Mapping or Series
        One row of `OutputModel.passage`.
    """
    years, drowned = _number(row, "holds_return_years"), _number(row, "drowns_return_years")
    if years >= LONGEST:  # a record of some decades knows no better
        return f"The drop holds even in floods that come less than once in {LONGEST} years."
    holds, drowns = return_words(years), return_words(drowned)
    if not holds:
        return ""
    told = "The drop holds in no flood, not even one that comes every year"
    if years >= YEARLY:
        told = f"The drop holds in floods up to one that comes {holds}"
    return f"{told}; it is drowned in one that comes {drowns}." if drowns else f"{told}."


def _number(row: Mapping[str, Any] | pd.Series[Any], name: str) -> float:
    value = row.get(name)
    return math.nan if value is None or pd.isna(value) else float(value)


def _share_first(share: float) -> str:
    """Write a share as the beginning of a sentence."""
    text = share_words(share)
    return f"{text[0].upper()}{text[1:]}"


def _stated(row: Mapping[str, Any] | pd.Series[Any], name: str, source: str) -> list[str]:
    """Passability that somebody gave or assumed."""
    share = _number(row, "passability")
    if math.isnan(share):
        return [f"How much of the run of {name} gets past is not known"]
    how = "assumed, for want of measurements" if source == "assumed" else "given, not worked out"
    return [f"{_share_first(share)} of the run of {name} gets past: {how}"]


def _trial(row: Mapping[str, Any] | pd.Series[Any], name: str) -> list[str]:
    """Counts, and what they leave open."""
    offered, passed = _number(row, "trial_offered"), _number(row, "trial_passed")
    share, upper = _number(row, "passability"), _number(row, "trial_upper")
    if math.isnan(offered) or math.isnan(passed):
        return [f"{_share_first(share)} of the run of {name} gets past, by a trial"]
    reckoned = abs(share - upper) < _SAME
    bound = "" if math.isnan(upper) else f"up to {share_words(upper)} may get past (upper bound)"
    if passed == 0:
        counted = f"None of {offered:,.0f} {name} passed in a trial, which does not prove that none can"
    else:
        rate = f" ({share_words(passed / offered)})" if offered > 0 else ""
        counted = f"{passed:,.0f} of {offered:,.0f} {name} passed in a trial{rate}"
    if bound and reckoned:
        bound += ", and that is what is reckoned with"
    elif not math.isnan(share):
        bound += f"{', and ' if bound else ''}{share_words(share)} is reckoned with"
    return [counted, bound]


def _computed(row: Mapping[str, Any] | pd.Series[Any], name: str) -> list[str]:
    """Share of the run, days, what stops the rest, the worst year."""
    share = _number(row, "passability")
    if math.isnan(share):
        return [f"How much of the run of {name} gets past is not known: no year has flows on enough of its days"]
    gets = f"{_share_first(share)} of the run of {name} gets past"
    days = _days(row, share)
    return [f"{gets}: {days}" if days else gets, _stopper(row, share), _worst(row, share)]


def _days(row: Mapping[str, Any] | pd.Series[Any], share: float) -> str:
    """On how many days of the run the way is open; fish that wait may get past after it."""
    open_, run = _number(row, "days_passable"), _number(row, "run_days")
    if not run > 0 or math.isnan(open_):
        return ""
    years = _number(row, "years")
    of = f" (mean of {years:.0f} years)" if years > 1 else " (one year)" if years == 1 else ""
    if round(run) <= 1:
        count = "none of its days" if open_ <= 0 else "its only day" if open_ >= run else "part of its only day"
    elif open_ >= run:
        count = f"all its {run:.0f} days"
    elif round(open_) >= round(run):
        count = f"nearly all its {run:.0f} days"
    elif open_ < 0.5:
        count = f"{'none' if open_ <= 0 else 'less than one'} of its {run:.0f} days"
    else:
        count = f"{max(open_, 1):.0f} of its {run:.0f} days"
    later = ", but on some soon after it, while fish still wait" if open_ <= 0 < share else ""
    return f"the way is open on {count}{of}{later}"


def _stopper(row: Mapping[str, Any] | pd.Series[Any], share: float) -> str:
    """What stops the others."""
    reason = STOPPED_BY.get(str(row.get("stopped_by") or ""), "")
    stopped = _number(row, "stopped_share")
    if not reason or share >= 1 or stopped == 0:
        return ""
    if share <= 0:
        return f"{reason} stops it" if math.isnan(stopped) or stopped >= 1 - _SAME else f"what stops most is {reason}"
    most = math.isnan(stopped) or stopped > 0.5 * (1 - share)
    return f"what stops most of the others is {reason}" if most else f"what stops it most often is {reason}"


def _worst(row: Mapping[str, Any] | pd.Series[Any], share: float) -> str:
    """The worst year, where years differ."""
    worst, year = _number(row, "p_worst"), _number(row, "worst_year")
    if math.isnan(worst) or abs(worst - share) < _SAME or not _number(row, "years") > 1:
        return ""
    when = "" if math.isnan(year) else f" ({year:.0f})"
    return f"in the worst year{when} {share_words(worst)}{' of it' if worst <= 0 or worst >= 1 else ''}"
