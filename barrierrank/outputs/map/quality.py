"""What the page says of habitat quality: a step for each reach and species, and what stands behind it.

Nothing is added where no reach has a quality; ``quality.js`` reads what is.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from barrierrank.outputs.map.encode import Floats, Ints, Package, significant, squeezed, varints
from barrierrank.outputs.model import OutputModel
from barrierrank.outputs.quality import LOOKS, quality_codes
from barrierrank.problems import one_line

GRADIENT_UNIT = 1e-3  # what gradients are counted in; two digits are kept of them
MOST_TEXTS = 2_000  # different words for what limits quality; the rest is in the layers
LONGEST_TEXT = 160
ELSEWHERE = "told in results.gpkg"
TOLD = "it was surveyed"  # said of a surveyed reach anyway


def has_quality(model: OutputModel) -> bool:
    """Tell whether the reaches have a quality for any species."""
    return any(f"quality_{look.key}" in model.reaches for look in model.species)


def quality_sections(model: OutputModel, order: Ints) -> dict[str, bytes]:
    """Return the sections of the package, reaches in `order`.

    For the species k: ``quality{k}`` a byte for each reach, the code of
    :func:`~barrierrank.outputs.quality.quality_codes`; ``surveyed{k}`` a bit for each; ``limit{k}`` the place in
    ``limits`` plus one, 0 for none. ``limits`` are the texts, one a line; ``gradient`` three-digit codes.
    """
    table = model.reaches.iloc[order]
    sections: dict[str, bytes] = {}
    limits: dict[int, list[str]] = {}
    for k, look in enumerate(model.species):
        if f"quality_{look.key}" not in table:
            continue
        sections[f"quality{k}"] = quality_codes(_floats(table[f"quality_{look.key}"])).tobytes()
        if f"surveyed_{look.key}" in table:
            surveyed = table[f"surveyed_{look.key}"].astype("boolean").fillna(False).to_numpy(dtype=bool)
            sections[f"surveyed{k}"] = np.packbits(surveyed).tobytes()
        if f"limited_by_{look.key}" in table:
            limits[k] = _texts(table[f"limited_by_{look.key}"])
    words = _words(limits)
    place = {text: i for i, text in enumerate(words, start=1)} | {"": 0}
    for k, texts in limits.items():
        other = place.get(ELSEWHERE, 0)
        sections[f"limit{k}"] = varints(np.array([place.get(t, other) for t in texts], dtype=np.int64))
    if limits:
        sections["limits"] = "\n".join(words).encode("utf-8", "replace")
    if sections and "gradient" in table:
        sections["gradient"] = varints(significant(_two_digits(_floats(table["gradient"]) / GRADIENT_UNIT)))
    return sections


def quality_bytes(model: OutputModel) -> int:
    """Return about how many bytes the sections take, deflated; 0 where no reach has a quality."""
    if not has_quality(model):
        return 0
    sections = quality_sections(model, np.arange(len(model.reaches), dtype=np.int64))
    return sum(len(squeezed(data)) for data in sections.values())


def add_quality(package: Package, model: OutputModel, order: Ints) -> dict[str, Any] | None:
    """Add the sections of quality to `package`; return what the page's JSON says of it, None without any."""
    if not has_quality(model):
        return None
    for name, data in quality_sections(model, order).items():
        package.add(name, data)
    return {
        "known": [f"quality_{look.key}" in model.reaches for look in model.species],
        "lengths": [_lengths(model, look.key) for look in model.species],
        "words": [look.word for look in LOOKS],
        "figures": [look.figures for look in LOOKS],
        "colours": [look.colour for look in LOOKS],
        "widths": [look.width for look in LOOKS],
        "gradient_unit": GRADIENT_UNIT,
    }


def _lengths(model: OutputModel, key: str) -> list[int]:
    """Return the stream length [m] in each code of quality; all of it not known where there is none."""
    length = _floats(model.reaches["length_m"])
    name = f"quality_{key}"
    known = quality_codes(_floats(model.reaches[name])) if name in model.reaches else np.zeros(len(length), np.uint8)
    return [round(float(s)) for s in np.bincount(known, weights=np.nan_to_num(length), minlength=len(LOOKS))]


def _floats(column: pd.Series[Any]) -> Floats:
    return np.asarray(column.to_numpy(dtype=np.float64, na_value=np.nan), dtype=np.float64)


def _two_digits(values: Floats) -> Floats:
    """Round to two significant digits; what is no gradient (negative, not finite) is not known."""
    out = np.where(np.isfinite(values) & (values >= 0), values, np.nan)
    some = out > 0
    power: npt.NDArray[np.float64] = 10.0 ** (np.floor(np.log10(out[some])) - 1)
    out[some] = np.round(out[some] / power) * power
    return out


def _texts(column: pd.Series[Any]) -> list[str]:
    """Return texts on one line each, empty where there is none; the same few come again and again."""
    known: dict[Any, str] = {}
    out = []
    for value in column.tolist():
        if value not in known:
            text = "" if pd.isna(value) or value == TOLD else one_line(str(value)).strip()
            known[value] = text if len(text) <= LONGEST_TEXT else text[: LONGEST_TEXT - 1].rstrip() + "…"
        out.append(known[value])
    return out


def _words(limits: dict[int, list[str]]) -> list[str]:
    """Return the texts that occur, frequent ones first, so that most codes take one byte."""
    counts = Counter(text for texts in limits.values() for text in texts if text)
    words = sorted(counts, key=lambda text: (-counts[text], text))
    return words if len(words) <= MOST_TEXTS else [*words[:MOST_TEXTS], ELSEWHERE]
