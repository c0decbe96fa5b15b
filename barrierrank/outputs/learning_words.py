"""What to learn next, in plain sentences."""

from __future__ import annotations

import math

import pandas as pd

from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.units import format_money
from barrierrank.problems import one_line
from barrierrank.ranking.weight_space import weights_sentence
from barrierrank.ranking.words import listed, points

MOST_NAMED = 3
CHANCE_WORDS = (
    "A small worth cannot be told from chance: one that shuffled draws give too is shown as none, and one below about "
    "twice its error (error: standard error of worth_perfect, from the number of draws) may be chance all the same."
)
WEIGHT_WORDS = (
    "Every set of weights that are 0 or more and add up to 1 counts alike, each criterion in the direction the project "
    "file gives it. weight_<criterion> is the mean of the weights that put the action first; rank is that with the "
    "weights of the project file."
)


def worth_words(amount: float, currency: str | None) -> str:
    """Write a worth to two digits: more would be false precision.

    Parameters
    ----------
    amount : float
    currency : str or None
        None where values are points.
    """
    size = abs(amount)
    digits = 2 - math.floor(math.log10(size)) - 1 if size > 0.0 and math.isfinite(size) else 0
    rounded = round(amount, digits)
    return points([rounded])[0] if currency is None else format_money(rounded, currency)


def learning_sentences(model: OutputModel) -> list[str]:
    """Say what to survey first, what else would be worth to know, and what weights decide.

    Parameters
    ----------
    model : OutputModel

    Returns
    -------
    list of str
        On one line each; empty where nothing was drawn and nothing weighed.
    """
    out = []
    look, table = model.learning, model.survey_next
    if look is not None and table is not None:
        whole = worth_words(look.everything, model.currency)
        if look.sites:
            places = listed([_place(model, site) for site in look.sites])
            what = "together worth" if len(look.sites) > 1 else "worth"
            out.append(
                f"Survey first: {places}; {what} about {worth_words(look.together, model.currency)}, "
                f"of {whole} for knowing every input for sure."
            )
        elif not look.everything > 0.0:
            out.append(
                "Nothing need be surveyed: knowing every input for sure would not change what is done in any draw."
            )
        else:
            out.append(
                "No survey of a single site is worth anything that can be told from chance; knowing every input for "
                f"sure would be worth about {whole}."
            )
        others = table[table["worth_survey"].isna() & (table["worth_perfect"] > 0.0)].head(MOST_NAMED)
        if len(others):
            named = [f"{what} ({worth_words(w, model.currency)})" for what, w in _said(others)]
            out.append(f"Of what no survey of a site can tell, worth most to know: {listed(named)}.")
        out += [look.decision, look.survey]
    if model.weights is not None:
        criteria = sum(str(name).startswith("weight_") for name in model.weights)
        out.append(weights_sentence(model.weights, criteria))
    return [one_line(text) for text in out if text]


def survey_notes(model: OutputModel) -> tuple[str, ...]:
    """Return what must be said above the table of what to survey next, a paragraph each.

    Parameters
    ----------
    model : OutputModel
    """
    look = model.learning
    told = () if look is None else (look.decision, look.survey, *learning_sentences(model)[:1])
    spent = (
        "What a survey costs is to be set beside its worth: one that costs more does not pay."
        if model.currency
        else "Worths are points, which cannot be set against what a survey costs."
    )
    return tuple(one_line(text) for text in (*told, f"{CHANCE_WORDS} {spent}") if text)


def weight_notes(model: OutputModel) -> tuple[str, ...]:
    """Return what must be said above the table of weights, a paragraph each.

    Parameters
    ----------
    model : OutputModel
        With `weights`.
    """
    if model.weights is None:
        return ()
    criteria = sum(str(name).startswith("weight_") for name in model.weights)
    return tuple(one_line(text) for text in (weights_sentence(model.weights, criteria), WEIGHT_WORDS) if text)


def _said(table: pd.DataFrame) -> list[tuple[str, float]]:
    rows = zip(table["what"], table["site"], table["name"], table["worth_perfect"], strict=True)
    return [(f"{what} at {name or site}" if site else str(what), float(worth)) for what, site, name, worth in rows]


def _place(model: OutputModel, site: str) -> str:
    table = model.sites
    name = table.loc[table["site"].astype(str) == site, "name"]
    return f"{site} ({name.iloc[0]})" if len(name) and name.iloc[0] and name.iloc[0] != site else site
