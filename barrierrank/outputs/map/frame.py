"""What stands round the map: heading, choice of species, legend, list, panel and notes, as plain HTML."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from barrierrank.outputs.map.escape import esc
from barrierrank.outputs.map.intervals import list_words
from barrierrank.outputs.map.page import MAP_PLACE
from barrierrank.outputs.map.quality import has_quality
from barrierrank.outputs.model import OutputModel, SpeciesLook
from barrierrank.outputs.quality import NO_HABITAT, NOT_KNOWN, STEPS, QualityLook

ROLE_WORDS = {"invasive": "invader", "native": "native"}
STATE_ROWS = ((3, "Open"), (2, "Partly open"), (1, "Blocked"), (0, "No habitat"))  # as in reach_layer.js
SHAPE_ROWS = (
    ("keep-out", "keep out"),
    ("let-through", "let through"),
    ("both", "both"),
    ("neither", "neither"),
)


@dataclass(frozen=True)
class Additions:
    """Parts of the page that only some results have, HTML that is safe already; empty where there are none.

    Parameters
    ----------
    choice : str
        Below the choice of species.
    streams : str
        Another legend of the streams, shown in place of the usual one (`data-view` tells them apart).
    marks : str
        Items of the legend of sites, before the others.
    ledger : str
        Above the ranked list.
    notes : str
        Among the notes.
    """

    choice: str = ""
    streams: str = ""
    marks: str = ""
    ledger: str = ""
    notes: str = ""


NOTHING = Additions()


def svg(inside: str, *, width: int = 16, height: int = 16, kind: str = "") -> str:
    """Return a small picture that is left out when a page is read aloud."""
    return f'<svg viewBox="0 0 {width} {height}" class="{kind}" aria-hidden="true" fill="none">{inside}</svg>'


def stroke(path: str, colour: str, width: float, dashes: str = "") -> str:
    """Return a line of a picture."""
    dash = f' stroke-dasharray="{dashes}"' if dashes else ' stroke-linecap="round"'
    return f'<path d="{path}" stroke="{colour}" stroke-width="{width}"{dash}/>'


SWATCHES = {
    3: stroke("M3 8H33", "#0072B2", 4),
    2: stroke("M3 8H33", "#882255", 3.8) + stroke("M5 8H34", "#F6EDF1", 2.2, "3 8"),
    1: stroke("M3 8H33", "#D55E00", 1.8),
    0: stroke("M2 8H35", "#8A8A8A", 1.8, "1.8 3.4"),
}
CIRCLE = '<circle cx="8" cy="8" r="4.5" fill="#FBFAF6" stroke="#1B2F38" stroke-width="1.6"/>'
OFF = '<path d="M4.5 4.5L11.5 11.5M11.5 4.5L4.5 11.5" stroke="#1B2F38" stroke-width="1.6"/>'
TRIANGLE = '<path d="M8 3L13 12H3Z" fill="#1B2F38"/>'
CROSS = stroke("M4 4L16 16M16 4L4 16", "currentColor", 2)
MARK = svg(
    stroke("M20 2C12 10 27 14 20 20", "#56B4E9", 3.4)
    + stroke("M20 20C13 26 28 30 20 38", "#0072B2", 3.4)
    + stroke("M8 20H32", "#1B2F38", 4.4),
    width=40,
    height=40,
    kind="mark",
)


def frame(
    model: OutputModel,
    *,
    notes: Sequence[str],
    bases: Sequence[str],
    numbered: int,
    more: Additions = NOTHING,
) -> str:
    """Return the body of the page round `MAP_PLACE`.

    Parameters
    ----------
    model : OutputModel
    notes : sequence of str
        Sentences about how the map was made, for the notes at the end.
    bases : sequence of str
        Names of base maps from elsewhere that may be chosen; none normally.
    numbered : int
        How many sites are marked with their rank at the most.
    more : Additions
    """
    return f"""
<a class="skip" href="#filter">Skip to the ranked list</a>
<div class="sheet">
{_masthead(model, more)}
<main class="mapbox">
{MAP_PLACE}
<p id="loading" role="status">Drawing the streams …</p>
<noscript><p>This map needs scripts; priority_list.csv holds the same list.</p></noscript>
{_legend(model, numbered, more)}
{_base_choice(bases)}
</main>
{_ledger(model, more)}
{_about(model, notes, more)}
</div>
{_panel()}"""


def _masthead(model: OutputModel, more: Additions) -> str:
    """Return heading and choice of species."""
    quality = has_quality(model)
    asked = "Species" if quality else "How far can it get?"
    choices = "".join(_species_choice(k, look) for k, look in enumerate(model.species))
    return f"""<header class="masthead">
<div class="title">{MARK}<div><p class="kicker">Barriers and the streams above them</p>
<h1>{esc(model.basin)}</h1></div></div>
<fieldset class="species"><legend>{asked}</legend><div class="choices">{choices}</div></fieldset>
{_SHOW if quality else ""}<p id="meaning" class="meaning" role="status"></p>
{more.choice}</header>"""


def radio(name: str, value: str, label: str, *, checked: bool = False) -> str:
    """Return a labelled radio button; `label` is HTML."""
    state = " checked" if checked else ""
    return (
        f'<label><input type="radio" name="{name}" value="{value}" autocomplete="off"{state}>'
        f"<span>{label}</span></label>"
    )


# What the streams show, where reaches have a quality: how far a species can get, or how good the habitat is.
_SHOW = f"""<fieldset class="species show"><legend>Show on the streams</legend><div class="choices">
{radio("show", "access", "how far it can get", checked=True)}
{radio("show", "quality", "how good the habitat is")}</div></fieldset>
"""


def _species_choice(k: int, look: SpeciesLook) -> str:
    role = f'<small class="role role-{look.role}">{ROLE_WORDS[look.role]}</small>'
    return radio("species", str(k), f"{esc(look.label)} {role}", checked=k == 0)


def _items(items: Iterable[str]) -> str:
    return "".join(f"<li>{item}</li>" for item in items)


def badge(kind: str, number: str = "1") -> str:
    """Return a mark as on the map; `kind` ends the name of its class."""
    return f'<span class="badge pin-{kind}" aria-hidden="true"><span>{number}</span></span>'


def _legend(model: OutputModel, numbered: int, more: Additions) -> str:
    """Return the legend; states are told by colour and by width or dashes, purposes by shape."""
    best = model.priority[model.priority["best"].astype(bool)]
    dear = (best["net_benefit"] <= 0).any()
    outlined = f'<li class="wide">{badge("keep-out pin-outline")}<span>outlined: costs more than it brings</span></li>'
    later = f", or ranked after {numbered}" if model.sites["best_rank"].count() > numbered else ""
    rows = "".join(
        f'<li data-state="{code}">{svg(SWATCHES[code], width=36)}<b>{word}</b>'
        '<span class="amount"></span></li>'
        for code, word in STATE_ROWS
    )
    shapes = _items(f"{badge(kind)}<span>{word}</span>" for kind, word in SHAPE_ROWS)
    others = _items(
        [
            f"{svg(CIRCLE)}<span>leave as it is{later}</span>",
            f"{svg(TRIANGLE)}<span>no action listed</span>",
            *([f"{svg(OFF)}<span>on no stream line</span>"] if model.sites["snap_m"].isna().any() else []),
        ]
    )
    streams = f"""<h2>Streams</h2><ul>{rows}</ul>
<p class="quiet">Open: most fish can get there from the receiving water; blocked: few or none can.</p>"""
    if more.streams:
        streams = f'<div data-view="access">{streams}</div>{more.streams}'
    if has_quality(model):
        streams = f'<div data-show="access">{streams}</div>{_quality_legend()}'
    return f"""<details id="legend" class="legend" open><summary>Legend</summary>
{streams}
<h2>Sites by rank and purpose</h2>
<ul class="marks">{more.marks}{shapes}
{outlined if dear else ""}
{others}</ul></details>"""


def _quality_legend() -> str:
    """Return the legend of habitat quality, best first; hidden till it is asked for."""
    rows = "".join(_quality_row(look) for look in (*reversed(STEPS), NO_HABITAT, NOT_KNOWN))
    return f"""<div data-show="quality" hidden><h2>Habitat quality</h2><ul>{rows}</ul>
<p class="quiet">From 0, no use, to 1, the best there is, whether or not fish can get there.</p></div>"""


def _quality_row(look: QualityLook) -> str:
    dashes = "1.8 3.4" if look == NOT_KNOWN else ""
    swatch = svg(stroke("M3 8H33", look.colour, round(2.7 * look.width, 1), dashes), width=36)
    figures = f" <small>{look.figures}</small>" if look.figures else ""
    return f'<li data-step="{look.code}">{swatch}<b>{look.word}{figures}</b><span class="amount"></span></li>'


def _base_choice(bases: Sequence[str]) -> str:
    """Return the choice of background; nothing where there is none to choose."""
    if not bases:
        return ""
    plain = radio("base", "plain", "Plain", checked=True)
    rest = "".join(radio("base", str(k), esc(name)) for k, name in enumerate(bases))
    return f"""<details class="bases"><summary>Background</summary>
<fieldset><legend>Background of the map</legend>{plain}{rest}</fieldset>
<p class="quiet">All but the plain one are fetched from the internet.</p>
<p id="base-note" role="status"></p></details>"""


def _ledger(model: OutputModel, more: Additions) -> str:
    """Return the ranked list without its rows."""
    drawn = esc(list_words(model))
    return f"""<section class="ledger" aria-labelledby="ledger-title">
{more.ledger}<div class="ledger-head"><h2 id="ledger-title">Ranked actions</h2>
<p class="quiet">{esc(model.ranked_by)}</p>
{f'<p class="quiet drawn">{drawn}</p>' if drawn else ""}<label class="filter"><span>Find by name, id or action</span>
<input type="search" id="filter" autocomplete="off" spellcheck="false" aria-controls="rows"
 aria-describedby="rows-note"></label>
<label class="check"><input type="checkbox" id="best-only" autocomplete="off">
only the best action of each site</label>
<p id="rows-note" class="quiet" role="status"></p></div>
<ol id="rows" class="rows" aria-label="Ranked actions"></ol>
<button type="button" id="more" class="more" hidden></button></section>"""


def _about(model: OutputModel, notes: Sequence[str], more: Additions) -> str:
    """Return cautions and notes, folded away."""
    cautions = f'<h2>Cautions</h2><ul class="cautions">{_items(map(esc, model.cautions))}</ul>'
    lines = "".join(f"<p>{esc(note)}</p>" for note in notes)
    return f"""<footer class="about"><details><summary>Planning-level results: cautions and notes</summary>
<div class="about-body">{cautions if model.cautions else ""}
<h2>How it was ranked</h2><p>{esc(model.ranked_by)}</p>{lines}{more.notes}</div></details></footer>"""


def _panel() -> str:
    return f"""<aside id="panel" class="panel" role="region" aria-labelledby="panel-title" hidden>
<header><p id="panel-kicker" class="kicker"></p><h2 id="panel-title" tabindex="-1"></h2>
<button type="button" id="panel-close" aria-label="Close the panel (Escape)">
{svg(CROSS, width=20, height=20)}</button></header><div id="panel-body" class="panel-body"></div></aside>"""
