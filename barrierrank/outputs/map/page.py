"""A page that needs nothing but itself: scripts and styles inside, and a policy that forbids all else."""

from __future__ import annotations

import base64
import hashlib
import importlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from branca.element import CssLink, Figure, JavascriptLink

from barrierrank.outputs.map.escape import esc

MAP_PLACE = "<!--map-->"
OWN_SCRIPTS = (
    "formats.js",
    "store.js",
    "reach_layer.js",
    "site_layer.js",
    "intervals.js",
    "list.js",
    "quality.js",
    "passage.js",
    "panel.js",
    "map.js",
)
OWN_STYLES = ("map.css", "panel.css")
# What folium's map asks for by name, besides Leaflet: for its own icons and pop-ups, which are not used here.
NOT_NEEDED = frozenset(
    {
        "jquery",
        "bootstrap",
        "awesome_markers",
        "bootstrap_css",
        "glyphicons_css",
        "awesome_markers_font_css",
        "awesome_markers_css",
        "awesome_rotate_css",
    }
)
_CSS_URL = re.compile(r"url\(\s*['\"]?([^'\")]+)['\"]?\s*\)")
_INLINE = re.compile(r"<(script|style)>(.*?)</\1>", re.DOTALL)
_VIEWPORT = re.compile(r'<meta\s+name="viewport".*?/>', re.DOTALL)


@dataclass(frozen=True)
class Data:
    """A block of data in the page, never run.

    Parameters
    ----------
    id : str
    kind : {"application/json", "text/plain"}
    text : str
        Safe inside a script element.
    """

    id: str
    kind: str
    text: str

    def html(self) -> str:
        """Return the element."""
        return f'<script type="{self.kind}" id="{self.id}">{self.text}</script>'


class SelfContainedPage(Figure):
    """A branca figure whose page asks no network for anything.

    Parameters
    ----------
    title : str
        User text.
    frame : str
        Body of the page, HTML that is safe already, with `MAP_PLACE` where the map goes.
    data : sequence of Data
    image_hosts : sequence of str
        Hosts that pictures may come from, such as ``https://tiles.example.org``; normally none.
    extras : sequence of str
        Further scripts and styles, from this folder on, after those that every page has.
    """

    def __init__(
        self,
        *,
        title: str,
        frame: str,
        data: Sequence[Data],
        image_hosts: Sequence[str] = (),
        extras: Sequence[str] = (),
    ) -> None:
        super().__init__(title=title)
        self.frame = frame
        self.data = tuple(data)
        self.image_hosts = tuple(image_hosts)
        self.scripts = (*OWN_SCRIPTS, *(name for name in extras if name.endswith(".js")))
        self.styles = (*OWN_STYLES, *(name for name in extras if name.endswith(".css")))

    def render(self, **kwargs: object) -> str:
        """Return the whole page.

        Raises
        ------
        ValueError
            For a script or style from elsewhere that is not known.
        """
        for child in list(self._children.values()):
            child.render(**kwargs)
        library, head = self._head(**kwargs)
        scripts = [library, *(_own(name) for name in self.scripts), self.script.render(**kwargs)]
        blocks = [*_INLINE.findall(head), *(("script", s) for s in scripts)]
        body = self.frame.replace(MAP_PLACE, self.html.render(**kwargs))
        return "\n".join(
            [
                "<!DOCTYPE html>",
                '<html lang="en">',
                "<head>",
                '<meta charset="utf-8">',
                f'<meta http-equiv="Content-Security-Policy" content="{self._policy(blocks)}">',
                '<meta name="viewport" content="width=device-width, initial-scale=1">',
                f"<title>{esc(self.title)}</title>",
                head,
                "</head>",
                "<body>",
                body,
                *(d.html() for d in self.data),
                *(f"<script>{s}</script>" for s in scripts),
                "</body>",
                "</html>",
                "",
            ]
        )

    def _head(self, **kwargs: object) -> tuple[str, str]:
        """Return Leaflet's script, and the head's inline styles and scripts."""
        library, styles, rest = "", "", ""
        for name, child in self.header._children.items():
            if isinstance(child, JavascriptLink | CssLink):
                text = linked(name, child.url)
                if isinstance(child, JavascriptLink):
                    library += text
                else:
                    styles += text
            else:
                rest += child.render(**kwargs)
        rest = "".join(f"<{tag}>{text}</{tag}>" for tag, text in _INLINE.findall(_VIEWPORT.sub("", rest)))
        own = "\n".join(_own(name) for name in self.styles)
        return library, f"<style>{styles}</style>{rest}<style>{own}</style>"

    def _policy(self, blocks: Sequence[tuple[str, str]]) -> str:
        """Return the content-security policy: only these scripts and styles, pictures only from within."""
        hashes: dict[str, list[str]] = {"script": [], "style": []}
        for tag, text in blocks:
            digest = base64.b64encode(hashlib.sha256(_parsed(text).encode("utf-8")).digest()).decode("ascii")
            hashes[tag].append(f"'sha256-{digest}'")
        rules = {
            "default-src": "'none'",
            "script-src": " ".join(hashes["script"]),
            "style-src": " ".join(hashes["style"]),
            "img-src": " ".join(["data:", *self.image_hosts]),
            "base-uri": "'none'",
            "form-action": "'none'",
        }
        return "; ".join(f"{name} {value}" for name, value in rules.items())


def linked(name: str, url: str) -> str:
    """Return the text of a script or style that a part of the map would load; empty where it is not needed.

    Parameters
    ----------
    name : str
        What the part calls it, ``"leaflet"`` for example.
    url : str
        Where it would load it from.

    Raises
    ------
    ValueError
        Where the name is not known.
    """
    if name == "leaflet":
        return _leaflet_script()
    if name == "leaflet_css":
        return _leaflet_style()
    if name in NOT_NEEDED:
        return ""
    raise ValueError(
        f"the map must work with no network, but a part of it wants to load {name} from {url}: "
        "give the text of that file to the page, or leave out the part that needs it."
    )


def _leaflet_folder() -> Path:
    return Path(importlib.import_module("xstatic.pkg.leaflet").BASE_DIR)


def _leaflet_script() -> str:
    """Return Leaflet, its notice kept, without the pointer to its source map."""
    text = (_leaflet_folder() / "leaflet.js").read_text(encoding="utf-8")
    return re.sub(r"//# sourceMappingURL=\S+", "", _inline(text, "script"))


def _leaflet_style() -> str:
    """Return Leaflet's style with its pictures inside."""
    folder = _leaflet_folder()
    notice = re.match(r"/\*.*?\*/", (folder / "leaflet.js").read_text(encoding="utf-8"), re.DOTALL)

    def inside(found: re.Match[str]) -> str:
        if not found[1].endswith(".png"):
            return "none"
        picture = base64.b64encode((folder / found[1]).read_bytes()).decode("ascii")
        return f"url(data:image/png;base64,{picture})"

    style = _CSS_URL.sub(inside, (folder / "leaflet.css").read_text(encoding="utf-8"))
    return (notice[0] if notice else "") + "\n" + _inline(style, "style")


def _own(name: str) -> str:
    """Return one of this folder's own scripts or styles."""
    text = resources.files(__package__).joinpath(name).read_text(encoding="utf-8")
    return _inline(text, "style" if name.endswith(".css") else "script")


def _inline(text: str, tag: str) -> str:
    """Return `text` if it may stand inside the element as it is.

    Raises
    ------
    ValueError
        Where it would end the element or open a comment.
    """
    if f"</{tag}" in text.lower() or "<!--" in text:
        raise ValueError(f"a text for a {tag} element would end it early.")
    return text


def _parsed(text: str) -> str:
    """Return `text` as a browser reads it: the hash is taken over that."""
    return text.replace("\r\n", "\n").replace("\r", "\n")
