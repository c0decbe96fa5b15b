"""What the columns about passability mean: the table `passage` and what the table of sites gets of it."""

from __future__ import annotations

from barrierrank.outputs.column_doc import SOURCES, STOPPERS, ColumnDoc, Kind
from barrierrank.outputs.passages_words import LONGEST

_WORST = "the greatest for an invader, the least for a native"


def _doc(name: str, kind: Kind, title: str, meaning: str, unit: str = "", words: tuple[str, ...] = ()) -> ColumnDoc:
    return ColumnDoc("passage", name, kind, title, meaning, unit, words)


PASSAGE_DOCS = (
    _doc("site", "text", "Site", "Id of the site."),
    _doc("name", "text", "Name", "Name of the site."),
    _doc("species", "text", "Species", "Key of the species, as in the project file and at the end of columns."),
    _doc(
        "passability", "share", "Passability",
        "Chance that a fish of the species that reaches the site during its run gets past it upstream, 0 to 1, today: "
        "what the ranking reckons with. Where it is computed, the mean of the years.",
    ),
    _doc(
        "source", "word", "Source",
        "Where it comes from: given in a table or the project file; computed from structure, flows and fish; a trial, "
        "from counts of fish; or assumed for want of measurements.",
        words=SOURCES,
    ),
    _doc("p_worst", "share", "Worst year", f"Passability in the worst of the years: {_WORST}."),
    _doc("worst_year", "id", "Which year", "The worst year; a run belongs to the year in which its season begins."),
    _doc(
        "p_best", "share", "Best year",
        "Passability in the best of the years: the least for an invader, the greatest for a native.",
    ),
    _doc(
        "p_low", "share", "Passability, low",
        "The lowest passability (mean of the years) that the estimate of the tailwater allows: as worked out, and with "
        "the tailwater lower and higher by [passage] tailwater_error_m and roughness_error. Empty where it is not "
        "computed.",
    ),
    _doc("p_high", "share", "Passability, high", "The highest one, likewise."),
    _doc("years", "count", "Years", "Years with flows on enough days of the run, which the others are means of."),
    _doc(
        "days_passable", "measure", "Passable days",
        "Days of a run on which the species can get past, mean of the years.", "days",
    ),
    _doc("run_days", "measure", "Days of the run", "Days of a run with known flows, mean of the years.", "days"),
    _doc(
        "stopped_by", "word", "Stopped by",
        "What stops most of the run: the drop, the height of the leap, too shallow a pool to leap from, too little "
        "depth or too much velocity of the water; empty where nothing does or it is not known.",
        words=STOPPERS,
    ),
    _doc("stopped_share", "share", "Stopped share", "Share of the run that meets this on the day it arrives, 0 to 1."),
    _doc(
        "required_drop_m", "length", "Drop needed",
        "Drop that stops the species here; empty for one that leaps or that no drop stops.", "m",
    ),
    _doc("low_flow_drop_m", "length", "Drop at low flow", "Drop from crest to tailwater at low flow.", "m"),
    _doc(
        "design_flow_m3s", "measure", "Design flood",
        "Flow of the design flood at the site: Log-Pearson III of the greatest daily flow of each run or year, "
        "times the peak factor; season, return interval and factor are those of [passage] in the project file.", "m³/s",
    ),
    _doc(
        "design_drop_m", "length", "Drop at the design flood",
        "Drop that is left at the design flood; below zero: drowned.", "m",
    ),
    _doc(
        "holds_return_years", "measure", "Holds up to",
        f"Return interval of the flood up to which the drop that is needed is held; {LONGEST}: that long or longer.",
        "years",
    ),
    _doc(
        "drowns_return_years", "measure", "Drowns at",
        f"Return interval of the flood at which the tailwater reaches the crest; {LONGEST}: that long or longer.",
        "years",
    ),
    _doc(
        "raise_needed_m", "length", "Raise needed",
        "How much higher the crest would have to be to hold the drop that is needed at the design flood; 0: none. "
        "Planning-level: raising a crest needs a licensed engineer and permits; low-head dams drown people.", "m",
    ),
    _doc("raise_low_m", "length", "Raise needed, low", "The same, for the lower estimate of the tailwater. "
         "How well the flood itself is known is not in it.", "m"),
    _doc("raise_high_m", "length", "Raise needed, high", "The same, for the higher estimate of the tailwater. "
         "How well the flood itself is known is not in it.", "m"),
    _doc("trial_offered", "count", "Offered", "Fish of the species that tried, or that a sorter was given."),
    _doc("trial_passed", "count", "Passed", "Those of them that got past, or were let through."),
    _doc(
        "trial_upper", "share", "Trial, upper bound",
        "Upper bound of the passability that such counts allow, 0 to 1: none passed is not none can pass.",
    ),
    _doc("words", "text", "In words", "The same in one sentence."),
)  # fmt: skip

SITE_PASSAGE_DOCS = (
    ColumnDoc(
        "sites", "source_{sp}", "word", "Source, {label}",
        "Where the passability for {label} comes from: given, computed, trial or assumed.", words=SOURCES,
    ),
    ColumnDoc(
        "sites", "p_worst_{sp}", "share", "Worst year, {label}",
        f"Passability for {{label}} in the worst of the years ({_WORST}), 0 to 1; empty where it is not computed.",
    ),
    ColumnDoc(
        "sites", "stopped_by_{sp}", "word", "Stopped by, {label}",
        "What stops most of the run of {label}: drop, leap, pool, depth or velocity; empty where nothing does.",
        words=STOPPERS,
    ),
    ColumnDoc(
        "sites", "design_drop_m_{sp}", "length", "Drop at the design flood, {label}",
        "Drop that is left at the design flood of the run of {label}, or of the year; below zero: drowned; empty where "
        "it is not known.", "m",
    ),
    ColumnDoc(
        "sites", "raise_needed_m_{sp}", "length", "Raise needed, {label}",
        "How much higher the crest would have to be to stop {label} at the design flood; 0: none; empty where it is "
        "not known. Planning-level: raising a crest needs a licensed engineer and permits.", "m",
    ),
)  # fmt: skip

APART = ("p_low", "p_high", "p_best", "run_days", "stopped_share", "low_flow_drop_m", "raise_low_m", "raise_high_m",
         "trial_offered", "trial_passed", "trial_upper")  # fmt: skip
"""Columns that stand behind the sentence in the workbook, and are not printed: it tells what matters of them."""
