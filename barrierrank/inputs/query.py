"""Yes/no questions about columns, as ``Divergence == 2``: only comparisons; checked, then evaluated."""

from __future__ import annotations

import ast
import re
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

_MOST_CHARACTERS = 1000
_ALLOWED = (
    ast.Expression, ast.BoolOp, ast.And, ast.Or, ast.UnaryOp, ast.Not, ast.Invert, ast.USub, ast.UAdd,
    ast.Compare, ast.Eq, ast.NotEq, ast.Lt, ast.LtE, ast.Gt, ast.GtE, ast.In, ast.NotIn,
    ast.BinOp, ast.BitAnd, ast.BitOr, ast.Add, ast.Sub, ast.Div,
    ast.Name, ast.Load, ast.Constant, ast.List, ast.Tuple,
)  # fmt: skip


class QueryError(ValueError):
    """The expression is not one this package evaluates; the message says why."""


def query_columns(expression: str) -> tuple[str, ...]:
    """Return the columns an expression asks about, in the order of their first mention.

    Parameters
    ----------
    expression : str
        Comparisons of columns and constants joined by ``and``, ``or``, ``not``, ``in``; a name with
        spaces goes between backticks.

    Raises
    ------
    QueryError
        When it holds anything else: calls, attributes, ``@`` names, powers.
    """
    plain, quoted = _without_backticks(expression)
    tree = _parse(plain)
    for node in ast.walk(tree):
        if not isinstance(node, _ALLOWED):
            raise QueryError("holds more than comparisons joined by and, or, not, in")
    names = [n.id for n in ast.walk(tree) if isinstance(n, ast.Name)]
    columns = tuple(dict.fromkeys(quoted.get(n, n) for n in names))
    if not columns:
        raise QueryError("asks about no column")
    return columns


def evaluate_query(expression: str, frame: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Evaluate a yes/no question for every row; where a missing value leaves it open, the answer is no.

    Parameters
    ----------
    expression : str
        See :func:`query_columns`.
    frame : DataFrame
        Holds at least the columns it asks about; n rows.

    Returns
    -------
    (n,) bool

    Raises
    ------
    QueryError
        When it cannot be evaluated or the answer is not yes or no.
    """
    query_columns(expression)
    plain, quoted = _without_backticks(expression)
    # nullable types: a comparison with a missing value is open, not true
    renamed = frame.rename(columns={v: k for k, v in quoted.items()}).convert_dtypes()
    try:
        answer: Any = renamed.eval(plain, engine="python", parser="pandas")
    except Exception as error:  # whatever pandas raises for operands that do not fit
        raise QueryError(f"cannot be evaluated ({str(error).splitlines()[0]})") from None
    if not isinstance(answer, pd.Series) or not pd.api.types.is_bool_dtype(answer.dtype):
        raise QueryError("is not a yes/no question such as Divergence == 2")
    return answer.fillna(False).to_numpy(dtype=bool)


def _without_backticks(expression: str) -> tuple[str, dict[str, str]]:
    """Return the expression with names in backticks replaced by identifiers, and what these stand for."""
    quoted: dict[str, str] = {}

    def stand_in(match: re.Match[str]) -> str:
        name = f"quoted_column_{len(quoted)}"
        quoted[name] = match.group(1)
        return name

    return re.sub(r"`([^`]+)`", stand_in, expression.strip()), quoted


def _parse(expression: str) -> ast.Expression:
    if len(expression) > _MOST_CHARACTERS:
        raise QueryError(f"is longer than {_MOST_CHARACTERS} characters")
    try:
        return ast.parse(expression, mode="eval")
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise QueryError("is not an expression such as Divergence == 2") from None
