"""The one way user text enters the page, and the one way data enters a script.

Nothing else in this folder may write text it was given into HTML.
"""

from __future__ import annotations

import html
import json
from typing import Any

# Besides markup: folium and branca render text as templates ({{ }}) and put it between backticks (${ }).
_ENTITIES = str.maketrans({"\\": "&#92;", "`": "&#96;", "$": "&#36;", "{": "&#123;", "}": "&#125;"})
_JSON = str.maketrans(
    {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}
)


def esc(text: object) -> str:
    """Return `text` as HTML that shows it literally.

    Safe in element content, in quoted attributes, inside JavaScript template literals and in text that is
    rendered as a template afterwards.

    Parameters
    ----------
    text : object
        Turned into a string first. Control characters (which HTML forbids) become spaces.
    """
    printable = "".join(c if c.isprintable() or c in "\n\u00ad" else " " for c in str(text))
    return html.escape(printable, quote=True).translate(_ENTITIES)


def script_json(value: Any) -> str:
    """Return `value` as JSON that cannot end the script element it stands in.

    Raises
    ------
    ValueError
        For NaN and infinity, which JSON has no word for.
    """
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).translate(_JSON)
