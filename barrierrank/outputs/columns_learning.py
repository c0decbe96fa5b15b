"""What the columns about learning mean: `hinges_on` of the list, and the tables `survey_next` and `weights`."""

from __future__ import annotations

from barrierrank.outputs.column_doc import LEARNED, ColumnDoc, Kind

HINGES_ON = "hinges_on"
"""Column of the priority list that is there only where uncertainty is worked out, behind the note."""

HINGES_DOC = ColumnDoc(
    "priority_list",
    HINGES_ON,
    "text",
    "Hinges on",
    "The inputs not known for sure that the worth of the action hinges on most: those that account for the greatest "
    "parts of its spread over all draws; empty where none stands out.",
)


def _of_survey(name: str, kind: Kind, title: str, meaning: str, unit: str = "") -> ColumnDoc:
    words = LEARNED if kind == "word" else ()
    return ColumnDoc("survey_next", name, kind, title, meaning, unit, words)


def _of_weights(name: str, kind: Kind, title: str, meaning: str) -> ColumnDoc:
    return ColumnDoc("weights", name, kind, title, meaning)


SURVEY_DOCS = (
    _of_survey("place", "count", "Place", "Place in the order of worth; 1 is worth most to know."),
    _of_survey("what", "text", "What", "The input that could be known better, in words."),
    _of_survey(
        "kind", "word", "Kind",
        "What sort of input it is: passability of a structure, habitat, value of a species, treatment, cost of an "
        "action, or failure of a structure.",
    ),
    _of_survey("site", "text", "Site", "Id of the site; empty where the input is of no single site."),
    _of_survey("name", "text", "Name", "Name of the site; empty likewise."),
    _of_survey("species", "text", "Species", "Key of the species; empty where the input is of no single species."),
    _of_survey(
        "worth_survey", "worth", "Worth of a survey",
        "By how much what is done is expected to turn out better after a survey of the site, present worth; what the "
        "survey costs is not taken off. Empty where no survey can tell.",
        "{worth}",
    ),
    _of_survey(
        "worth_perfect", "worth", "Worth of knowing it for sure",
        "The same for knowing the input for sure: no survey of it can be worth more.", "{worth}",
    ),
    _of_survey(
        "error", "worth", "Standard error",
        "Standard error of worth_perfect, which comes from the number of draws: a worth below about twice its error "
        "cannot be told from chance.",
        "{worth}",
    ),
    _of_survey(
        "chance_changed", "share", "Chance of a change",
        "Chance that knowing it for sure changes what is done somewhere, 0 to 1.",
    ),
)  # fmt: skip

WEIGHT_DOCS = (
    _of_weights("site", "text", "Site", "Id of the site."),
    _of_weights("name", "text", "Name", "Name of the site."),
    _of_weights("action", "text", "Action", "What would be done there."),
    _of_weights("rank", "count", "Rank", "Place in the priority list, with the weights of the project file."),
    _of_weights("share_first", "share", "First", "Share of all possible weights that put it first, 0 to 1."),
    _of_weights(
        "share_top", "share", "Among the first",
        "Share of all possible weights that put it among the first of the list, 0 to 1; how many these are is "
        "[uncertainty] top of the project file.",
    ),
    _of_weights(
        "rank_low", "count", "Rank, low end",
        "Low end of the interval of its rank over all possible weights: the better end.",
    ),
    _of_weights("rank_high", "count", "Rank, high end", "High end of the same interval: the worse end."),
)  # fmt: skip


def weight_doc(criterion: str) -> ColumnDoc:
    """Return what the column ``weight_<criterion>`` of the table `weights` means.

    Parameters
    ----------
    criterion : str
        Name of the column of the priority list that is weighed.
    """
    meaning = f"Mean of the weights of {criterion} that put the action first; empty where none do."
    return _of_weights(f"weight_{criterion}", "share", f"Weight, {criterion}", meaning)
