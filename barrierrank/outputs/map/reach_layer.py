"""The layer of reaches: one canvas layer over arrays that all species share."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
from folium.map import Layer
from folium.template import Template

from barrierrank.outputs.map.encode import Floats, Ints, Package, ids, share, significant, varints, zigzag
from barrierrank.outputs.map.lines import Lines
from barrierrank.outputs.model import OutputModel

# Thousandths of the units in which people read most amounts: three digits kept of these are the three shown.
UNIT_SIZES = {("us", "m"): 1.609344, ("us", "m2"): 4.0468564224}
STATES = ("none", "blocked", "partial", "open")  # codes 0 to 3, in the order they are drawn


class ReachLayer(Layer):
    """Canvas tiles of all reaches, coloured for one species at a time; drawn by ``reach_layer.js``.

    Parameters
    ----------
    pane : str
        Pane of the map it lies in.
    """

    _template = Template(
        """
        {% macro script(this, kwargs) %}
            var {{ this.get_name() }} = barrierrank.reachLayer({{ this.options|tojavascript }});
        {% endmacro %}
        """
    )

    def __init__(self, *, pane: str = "reaches") -> None:
        super().__init__(name="reaches", overlay=True, control=False)
        self._name = "ReachLayer"
        self._id = "main"
        self.options = {"pane": pane}


class SiteLayer(Layer):
    """Numbered marks of the best-ranked sites, the others on the tiles of reaches; drawn by ``site_layer.js``.

    Parameters
    ----------
    numbered : int
        How many are marked with their rank at the most.
    """

    _template = Template(
        """
        {% macro script(this, kwargs) %}
            var {{ this.get_name() }} = barrierrank.siteLayer({{ this.options|tojavascript }});
        {% endmacro %}
        """
    )

    def __init__(self, *, numbered: int) -> None:
        super().__init__(name="sites", overlay=True, control=False)
        self._name = "SiteLayer"
        self._id = "main"
        self.options = {"numbered": numbered}


def add_reaches(package: Package, model: OutputModel, lines: Lines) -> dict[str, Any]:
    """Add the sections of lines and of the numbers of reaches to `package`.

    Returns
    -------
    dict
        What the page's JSON says about them: number, plane, tolerance and how ids are written.
    """
    table = model.reaches.iloc[lines.order]
    for name, data in lines.sections().items():
        package.add(name, data)
    strahler = table["strahler"].to_numpy(dtype=np.int64).clip(0, 255).astype(np.uint8)
    package.add("strahler", strahler.tobytes())
    amounts = {"length": _floats(table, "length_m"), "upstream": _floats(table, "upstream_km") * 1000}
    scales = unit_scales(model)
    for k, look in enumerate(model.species):
        package.add(f"state{k}", _states(table[f"state_{look.key}"].astype(str).to_numpy()).tobytes())
        chances = share(_floats(table, f"access_{look.key}"))
        package.add(f"access{k}", varints(_against_below(chances, lines.down)))
        amounts[f"habitat{k}"] = _floats(table, f"habitat_{look.key}")
    for name, values in amounts.items():
        package.add(name, varints(significant(values / scales[name])))
    kind, data = ids(table["source_id"].astype(str).tolist())
    package.add("source", data)
    return {
        "n": len(table),
        "vertices": len(lines.xy),
        "zoom": lines.plane.zoom,
        "x0": lines.plane.x0,
        "y0": lines.plane.y0,
        "tolerance_m": lines.tolerance_m,
        "source": kind,
        "scales": scales,
    }


def unit_scales(model: OutputModel) -> dict[str, float]:
    """Return what amounts of each column are divided by before they are rounded to three digits."""
    length = UNIT_SIZES.get((model.units, "m"), 1.0)
    habitat = {
        f"habitat{k}": UNIT_SIZES.get((model.units, look.habitat_unit), 1.0)
        for k, look in enumerate(model.species)
    }
    return {"length": length, "upstream": length, **habitat}


def _floats(table: gpd.GeoDataFrame, column: str) -> Floats:
    return np.asarray(table[column].to_numpy(dtype=np.float64, na_value=np.nan), dtype=np.float64)


def _states(words: np.ndarray[Any, Any]) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """Code states by their place in `STATES`.

    Raises
    ------
    ValueError
        For a word that is none of them.
    """
    codes = np.full(len(words), 255, dtype=np.uint8)
    for code, word in enumerate(STATES):
        codes[words == word] = code
    if (codes == 255).any():
        given = sorted(set(words[codes == 255]))[:5]
        raise ValueError(f"states of reaches are {', '.join(STATES)}; given: {', '.join(map(repr, given))}.")
    return codes


def _against_below(values: Ints, down: Ints) -> Ints:
    """Return the difference from the reach each drains to: 0 wherever no site lies between."""
    below = np.where(down >= 0, values[down], 0)
    return zigzag(values - below)
