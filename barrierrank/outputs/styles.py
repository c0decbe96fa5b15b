"""How states, ranks and purposes are drawn: one set of looks, and the style texts GIS programs read.

Colours are Okabe and Ito's blue, vermilion and grey (Okabe & Ito 2008, Color Universal Design) with a dark
purple for the state in between; every state differs in dash or width too, so that no reader depends on
colour.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

BLUE, VERMILION, GREY, PURPLE, AMBER = "#0072B2", "#D55E00", "#999999", "#882255", "#E69F00"
INK = "#1F3A4D"
WATER = "#DCE9F2"


@dataclass(frozen=True)
class StateLook:
    """How a state of a reach is drawn.

    Parameters
    ----------
    state : str
        Value of the columns `state_<species>`.
    label : str
        For legends.
    colour : str
    width : float
        Times the width that goes with the stream order.
    dash : tuple of float
        Lengths of dash, gap, dash, gap ... in line widths; empty for a whole line.
    """

    state: str
    label: str
    colour: str
    width: float
    dash: tuple[float, ...] = ()


# In the order of drawing: what matters most on top.
STATE_LOOKS: tuple[StateLook, ...] = (
    StateLook("none", "no habitat", GREY, 0.7, (1.2, 1.8)),
    StateLook("blocked", "blocked", VERMILION, 1.0, (3.6, 1.4)),
    StateLook("partial", "partly open", PURPLE, 1.0, (6.0, 1.6, 1.4, 1.6)),
    StateLook("open", "open", BLUE, 1.15),
)


@dataclass(frozen=True)
class Symbol:
    """A line (width and dash in mm) or, with a `shape`, a point mark (size in mm)."""

    colour: str
    size: float
    dash: tuple[float, ...] = ()
    shape: str = ""


@dataclass(frozen=True)
class StyleClass:
    """Features drawn alike: those with the value `word`, or with a value from `low` to `high`."""

    label: str
    symbol: Symbol
    word: str | None = None
    low: float = 0.0
    high: float = 0.0


@dataclass(frozen=True)
class Style:
    """A named style of one layer.

    Parameters
    ----------
    layer, name, description : str
    column : str
        That the classes are told apart by. A class without a word takes part in ranges of numbers.
    classes : tuple of StyleClass
    missing : Symbol or None
        For features without a number (ranges only).
    """

    layer: str
    name: str
    description: str
    column: str
    classes: tuple[StyleClass, ...]
    missing: Symbol | None = None

    @property
    def ranges(self) -> bool:
        """True where classes are ranges of numbers."""
        return all(c.word is None for c in self.classes)


def reach_style(key: str, label: str, name: str) -> Style:
    """Return the style of the layer `reaches` by the state of one species.

    Parameters
    ----------
    key, label : str
        Of the species.
    name : str
        What the style is listed as.
    """
    classes = []
    for w in reversed(STATE_LOOKS):
        width = 0.5 * w.width
        dash = tuple(round(d * width, 2) for d in w.dash)
        classes.append(StyleClass(w.label, Symbol(w.colour, width, dash), w.state))
    return Style(
        "reaches", name, f"Where {label} can go: state of each reach.", f"state_{key}", tuple(classes)
    )


def site_styles(kinds: Sequence[str]) -> tuple[Style, Style]:
    """Return the styles of the layer `sites`: by the rank of its best action (default), and by kind.

    Parameters
    ----------
    kinds : sequence of str
        The kinds that occur, sorted.
    """
    steps = ((1, 10, 4.6), (11, 50, 3.6), (51, 200, 2.8), (201, 2_000_000_000, 2.2))
    ranks = tuple(
        StyleClass(
            f"rank {low} to {high}" if high < 1e9 else f"rank {low} and below",
            Symbol(VERMILION if low == 1 else AMBER if low == 11 else "#F5E0B5", size, shape="circle"),
            low=low,
            high=high,
        )
        for low, high, size in steps
    )
    by_rank = Style(
        "sites",
        "Best rank",
        "Sites by the rank of their best action.",
        "best_rank",
        ranks,
        Symbol(GREY, 1.8, shape="cross"),
    )
    shapes = ("circle", "square", "triangle", "star", "cross", "x")
    colours = (INK, BLUE, VERMILION, PURPLE, AMBER, GREY)
    marks = tuple(
        StyleClass(kind or "not given", Symbol(colours[i % 6], 2.8, shape=shapes[i % 6]), kind)
        for i, kind in enumerate(kinds[:24])
    )
    return by_rank, Style("sites", "Kind", "Sites by kind of structure or place.", "kind", marks)


ACTION_STYLE = Style(
    "actions",
    "Purpose",
    "Actions by what they are for.",
    "purpose",
    (
        StyleClass("keep out", Symbol(VERMILION, 3.4, shape="triangle"), "keep out"),
        StyleClass("let through", Symbol(BLUE, 3.2, shape="circle"), "let through"),
        StyleClass("both", Symbol(PURPLE, 3.2, shape="square"), "both"),
        StyleClass("neither", Symbol(GREY, 2.4, shape="x"), "neither"),
    ),
)
PROBLEM_STYLE = Style(
    "problems",
    "Severity",
    "Problems by severity.",
    "severity",
    (
        StyleClass("error", Symbol(VERMILION, 4.0, shape="triangle"), "error"),
        StyleClass("warning", Symbol(AMBER, 3.6, shape="triangle"), "warning"),
        StyleClass("mended", Symbol(BLUE, 2.8, shape="square"), "mended"),
        StyleClass("note", Symbol(GREY, 2.6, shape="circle"), "note"),
    ),
)


def qml(style: Style) -> str:
    """Return a style as the XML text that QGIS 3 reads."""
    root = ET.Element("qgis", version="3.22", styleCategories="Symbology")
    words = not style.ranges
    column = style.column if words or style.missing is None else f'coalesce("{style.column}", -1)'
    kind = "categorizedSymbol" if words else "graduatedSymbol"
    renderer = ET.SubElement(root, "renderer-v2", type=kind, attr=column, symbollevels="0", forceraster="0")
    symbols = [c.symbol for c in style.classes]
    if words:
        group = ET.SubElement(renderer, "categories")
        for i, c in enumerate(style.classes):
            ET.SubElement(
                group,
                "category",
                value=_xml(c.word or ""),
                label=_xml(c.label),
                symbol=str(i),
                render="true",
                type="string",
            )
    else:
        renderer.set("graduatedMethod", "GraduatedColor")
        group = ET.SubElement(renderer, "ranges")
        spans = [(c.low, c.high, c.label) for c in style.classes]
        if style.missing is not None:
            spans.append((-1, 0, "no action"))
            symbols.append(style.missing)
        for i, (low, high, label) in enumerate(spans):
            ET.SubElement(
                group,
                "range",
                lower=str(low),
                upper=str(high),
                label=_xml(label),
                symbol=str(i),
                render="true",
            )
    holder = ET.SubElement(renderer, "symbols")
    for i, symbol in enumerate(symbols):
        _qml_symbol(holder, symbol, str(i))
    head = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
    return head + ET.tostring(root, encoding="unicode")


def _qml_symbol(holder: ET.Element, symbol: Symbol, name: str) -> None:
    mark = bool(symbol.shape)
    node = ET.SubElement(
        holder,
        "symbol",
        name=name,
        type="marker" if mark else "line",
        alpha="1",
        clip_to_extent="1",
        force_rhr="0",
    )
    layer = ET.SubElement(node, "layer", {"class": "SimpleMarker" if mark else "SimpleLine"})
    layer.attrib |= {"enabled": "1", "locked": "0", "pass": "0"}
    options: dict[str, str]
    if mark:
        names = {"x": "cross2"}
        options = {"name": names.get(symbol.shape, symbol.shape), "color": _rgba(symbol.colour)}
        options |= {"outline_color": _rgba(INK), "outline_width": "0.3", "outline_width_unit": "MM"}
        options |= {"size": str(symbol.size), "size_unit": "MM"}
    else:
        options = {"line_color": _rgba(symbol.colour), "line_width": str(round(symbol.size, 3))}
        options |= {"line_width_unit": "MM", "capstyle": "flat" if symbol.dash else "round"}
        options |= {"joinstyle": "round"}
        options |= {"line_style": "solid", "use_custom_dash": "1" if symbol.dash else "0"}
        options |= {"customdash": ";".join(str(d) for d in symbol.dash) or "5;2", "customdash_unit": "MM"}
    bag = ET.SubElement(layer, "Option", type="Map")
    for key, value in options.items():
        ET.SubElement(bag, "Option", name=key, value=value, type="QString")
    if not mark:
        _width_by_order(layer, symbol.size)


def _width_by_order(layer: ET.Element, width: float) -> None:
    """Let the stream order set the width: half at order 1, the full width at 4."""
    expression = f'{width:.3f} * (0.35 + 0.165 * coalesce("strahler", 1))'
    defined = ET.SubElement(layer, "data_defined_properties")
    bag = ET.SubElement(defined, "Option", type="Map")
    ET.SubElement(bag, "Option", name="name", value="", type="QString")
    properties = ET.SubElement(bag, "Option", name="properties", type="Map")
    one = ET.SubElement(properties, "Option", name="outlineWidth", type="Map")
    ET.SubElement(one, "Option", name="active", value="true", type="bool")
    ET.SubElement(one, "Option", name="expression", value=expression, type="QString")
    ET.SubElement(one, "Option", name="type", value="3", type="int")
    ET.SubElement(bag, "Option", name="type", value="collection", type="QString")


_SLD, _OGC, _SE = "http://www.opengis.net/sld", "http://www.opengis.net/ogc", "http://www.opengis.net/se"


def sld(style: Style) -> str:
    """Return a style as OGC Styled Layer Descriptor 1.1 and Symbology Encoding; pixels of 0.28 mm."""
    for prefix, uri in (("", _SLD), ("ogc", _OGC), ("se", _SE)):
        ET.register_namespace(prefix, uri)
    root = ET.Element(f"{{{_SLD}}}StyledLayerDescriptor", version="1.1.0")
    layer = ET.SubElement(root, f"{{{_SLD}}}NamedLayer")
    ET.SubElement(layer, f"{{{_SE}}}Name").text = style.layer
    user = ET.SubElement(layer, f"{{{_SLD}}}UserStyle")
    ET.SubElement(user, f"{{{_SE}}}Name").text = _xml(style.name)
    feature = ET.SubElement(user, f"{{{_SE}}}FeatureTypeStyle")
    for c in style.classes:
        rule = _rule(feature, c.label)
        _condition(rule, style.column, c)
        _sld_symbol(rule, c.symbol)
    if style.missing is not None:
        rule = _rule(feature, "no action")
        test = ET.SubElement(ET.SubElement(rule, f"{{{_OGC}}}Filter"), f"{{{_OGC}}}PropertyIsNull")
        ET.SubElement(test, f"{{{_OGC}}}PropertyName").text = style.column
        _sld_symbol(rule, style.missing)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode")


def _rule(feature: ET.Element, label: str) -> ET.Element:
    rule = ET.SubElement(feature, f"{{{_SE}}}Rule")
    ET.SubElement(rule, f"{{{_SE}}}Name").text = _xml(label)
    return rule


def _condition(rule: ET.Element, column: str, c: StyleClass) -> None:
    holder = ET.SubElement(rule, f"{{{_OGC}}}Filter")
    test = ET.SubElement(holder, f"{{{_OGC}}}PropertyIs{'EqualTo' if c.word is not None else 'Between'}")
    ET.SubElement(test, f"{{{_OGC}}}PropertyName").text = column
    if c.word is not None:
        ET.SubElement(test, f"{{{_OGC}}}Literal").text = _xml(c.word)
        return
    for end, value in (("Lower", c.low), ("Upper", c.high)):
        bound = ET.SubElement(test, f"{{{_OGC}}}{end}Boundary")
        ET.SubElement(bound, f"{{{_OGC}}}Literal").text = f"{value:g}" if value < 1e6 else str(int(value))


def _sld_symbol(rule: ET.Element, symbol: Symbol) -> None:
    pixel = 0.28  # [mm], as the standard defines it
    if not symbol.shape:
        stroke = ET.SubElement(ET.SubElement(rule, f"{{{_SE}}}LineSymbolizer"), f"{{{_SE}}}Stroke")
        _parameter(stroke, "stroke", symbol.colour)
        _parameter(stroke, "stroke-width", f"{symbol.size / pixel:.2f}")
        if symbol.dash:
            _parameter(stroke, "stroke-dasharray", " ".join(f"{d / pixel:.1f}" for d in symbol.dash))
        return
    graphic = ET.SubElement(ET.SubElement(rule, f"{{{_SE}}}PointSymbolizer"), f"{{{_SE}}}Graphic")
    mark = ET.SubElement(graphic, f"{{{_SE}}}Mark")
    ET.SubElement(mark, f"{{{_SE}}}WellKnownName").text = symbol.shape
    _parameter(ET.SubElement(mark, f"{{{_SE}}}Fill"), "fill", symbol.colour)
    stroke = ET.SubElement(mark, f"{{{_SE}}}Stroke")
    _parameter(stroke, "stroke", INK)
    _parameter(stroke, "stroke-width", "1")
    ET.SubElement(graphic, f"{{{_SE}}}Size").text = f"{symbol.size / pixel:.1f}"


def _parameter(holder: ET.Element, name: str, value: str) -> None:
    ET.SubElement(holder, f"{{{_SE}}}SvgParameter", name=name).text = value


def _rgba(colour: str) -> str:
    return ",".join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)) + ",255"


def _xml(text: Any) -> str:
    """Return text without the characters that XML 1.0 cannot hold."""
    return re.sub("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", str(text))
