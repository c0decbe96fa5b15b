"""The priority list, and passability by site and species, as tables for machines (CSV) and people (workbook).

The CSV is plain UTF-8 without a byte-order mark and with a point as decimal sign: a mark would become part
of the first column's name in many programs, and people have the workbook. Texts are made safe by
:func:`~barrierrank.outputs.cells.neutralise` in both.
"""

from __future__ import annotations

import csv
import textwrap
from pathlib import Path

import pandas as pd

from barrierrank.outputs.about import PLANNING_LEVEL
from barrierrank.outputs.cells import clean_table
from barrierrank.outputs.columns import ColumnDoc, describe
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.workbook import write_xlsx

__all__ = [
    "write_acceptability", "write_cautions", "write_csv", "write_passage", "write_survey_next", "write_weights",
    "write_xlsx",
]  # fmt: skip


def write_csv(path: Path, model: OutputModel) -> None:
    """Write the priority list, a row for each site and action in the order of `rank`.

    Missing values are empty cells; `best` is True or False; an unlimited ratio is ``inf``.

    Parameters
    ----------
    path : Path
    model : OutputModel

    Raises
    ------
    OSError
        Where the file cannot be written.
    """
    docs = describe(model.priority.columns, model.species, table="priority_list", currency=model.currency)
    write_table(path, model.priority, docs)


def write_passage(path: Path, model: OutputModel) -> None:
    """Write passability, a row for each site and species; what the columns mean is told in the workbook.

    Parameters
    ----------
    path : Path
    model : OutputModel

    Raises
    ------
    OSError
        Where the file cannot be written.
    ValueError
        Where the model has no such table.
    """
    if model.passage is None:
        raise ValueError("there is no table of passability to write: passability is given for every site.")
    write_table(path, model.passage, describe(model.passage.columns, model.species, table="passage"))


def write_acceptability(path: Path, model: OutputModel) -> None:
    """Write how often each of the first of the list has each rank; what the columns mean is told in the workbook.

    Parameters
    ----------
    path : Path
    model : OutputModel

    Raises
    ------
    OSError
        Where the file cannot be written.
    ValueError
        Where the model has no such table.
    """
    if model.acceptability is None:
        raise ValueError("there is no table of ranks to write: uncertainty is not worked out.")
    write_table(path, model.acceptability, describe(model.acceptability.columns, model.species, table="acceptability"))


def write_survey_next(path: Path, model: OutputModel) -> None:
    """Write what it is worth to know each uncertain input better; what the columns mean is told in the workbook.

    Parameters
    ----------
    path : Path
    model : OutputModel

    Raises
    ------
    OSError
        Where the file cannot be written.
    ValueError
        Where the model has no such table.
    """
    if model.survey_next is None:
        raise ValueError("there is no table of what to survey next: uncertainty is not worked out.")
    docs = describe(model.survey_next.columns, model.species, table="survey_next", currency=model.currency)
    write_table(path, model.survey_next, docs)


def write_weights(path: Path, model: OutputModel) -> None:
    """Write ranks over all weights of the criteria; what the columns mean is told in the workbook.

    Parameters
    ----------
    path : Path
    model : OutputModel

    Raises
    ------
    OSError
        Where the file cannot be written.
    ValueError
        Where the model has no such table.
    """
    if model.weights is None:
        raise ValueError("there is no table of weights to write: the list is not ranked by criteria.")
    write_table(path, model.weights, describe(model.weights.columns, model.species, table="weights"))


def write_cautions(path: Path, model: OutputModel) -> None:
    """Write the cautions in full, a paragraph each: tables of numbers have no room for them.

    Parameters
    ----------
    path : Path
    model : OutputModel

    Raises
    ------
    OSError
        Where the file cannot be written.
    """
    paragraphs = [textwrap.fill(text, 80, break_long_words=False) for text in model.cautions or (PLANNING_LEVEL,)]
    text = "\n\n".join(paragraphs) + "\n"
    path.write_text(text, encoding="utf-8", errors="replace", newline="\n")


def write_table(path: Path, frame: pd.DataFrame, docs: tuple[ColumnDoc, ...]) -> None:
    """Write a table as CSV, cleaned by its column docs."""
    table = clean_table(frame, docs)
    # Python's writer leaves a lone carriage return bare, which readers take for the end of a row
    texts = table.select_dtypes(["object"])
    bare = any(isinstance(v, str) and "\r" in v for name in texts for v in texts[name])
    with path.open("w", encoding="utf-8", errors="replace", newline="") as file:
        table.to_csv(
            file,
            index=False,
            lineterminator="\n",
            quoting=csv.QUOTE_NONNUMERIC if bare else csv.QUOTE_MINIMAL,
        )
