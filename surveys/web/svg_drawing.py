"""From a chart's description to the SVG that stands in the page.

The drawing is made on the server. What comes back is taken apart and written anew from short lists of elements and
attributes: no style, no script, no address, text stays text, and each colour becomes the name of an ink, so that the
page's Content-Security-Policy holds and the chart follows the reader's light or dark paper.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Iterator, Mapping
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element  # its type only: parsing is defusedxml's  # nosec

from defusedxml.ElementTree import fromstring
from django.core.cache import cache
from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import get_language

from surveys.web.chart_palette import ink_drawn_as

log = logging.getLogger(__name__)

#: A drawing depends on nothing but what it is of, so it may be kept for long.
KEPT_S = 7 * 24 * 3600

ELEMENTS = frozenset({"g", "path", "line", "rect", "text"})
ATTRIBUTES = (
    "transform", "d", "x", "y", "x1", "y1", "x2", "y2", "width", "height", "text-anchor", "font-size", "font-weight",
    "stroke-width", "stroke-dasharray",
)  # fmt: skip
_SVG = "{http://www.w3.org/2000/svg}"


def draw_svg(describe: Callable[[], Mapping[str, Any]], *, of: object, title: str, sentence: str) -> SafeString:
    """Return the SVG of a Vega-Lite description, named by its title and described by its sentence. No query.

    ``of`` is all that the description is made from, as frozen records. The same gives the same bytes; a drawing is
    kept in the cache under a hash of it, and then nothing is described or drawn.
    """
    key = drawing_key(of)
    inside = _kept(key)
    if inside is None:
        inside = mended(_converted(describe()))
        _keep(key, inside)
    name = f"chart-{hashlib.sha256(f'{title}{sentence}{inside[1]}'.encode()).hexdigest()[:10]}"
    return mark_safe(  # noqa: S308  # written anew from short lists, with every word escaped
        f'<svg class="drawn-chart" viewBox="{inside[0]}" role="img" aria-labelledby="{name}-t" '
        f'aria-describedby="{name}-d"><title id="{name}-t">{escape(title)}</title>'
        f'<desc id="{name}-d">{escape(sentence)}</desc>{inside[1]}</svg>'
    )


def drawing_key(of: object) -> str:
    """Return the name under which a drawing is kept: it changes with what it is of, its language and who draws it."""
    return f"chart/{hashlib.sha256(f'{_drawn_by()}/{get_language()}/{of!r}'.encode()).hexdigest()}"


@lru_cache(maxsize=1)
def _drawn_by() -> str:
    """Return a hash over the code that draws, so that new code never finds a drawing of old code."""
    digest = hashlib.sha256(f"{version('altair')}/{version('vl-convert-python')}".encode())
    for file in sorted([*Path(__file__).parent.glob("svg_*.py"), *Path(__file__).parent.glob("chart*.py")]):
        digest.update(file.read_bytes())
    return digest.hexdigest()


def mended(svg: str) -> tuple[str, str]:
    """Return the view box of a drawing and what is in it, written anew from what is allowed."""
    root = fromstring(svg)
    return escape(root.attrib["viewBox"]), "".join(_written(child) for child in root)


def _kept(key: str) -> tuple[str, str] | None:
    try:
        found: tuple[str, str] | None = cache.get(key)
    except Exception:  # the cache is away, whatever its kind: draw it once more
        return None
    return found


def _keep(key: str, inside: tuple[str, str]) -> None:
    try:
        cache.set(key, inside, KEPT_S)
    except Exception:
        log.warning("the cache is away: a chart is drawn at every asking")


def _converted(description: Mapping[str, Any]) -> str:
    # Loaded where a chart is drawn: it brings an engine of its own, which a worker never needs.
    import vl_convert

    drawn: str = vl_convert.vegalite_to_svg(dict(description), allowed_base_urls=[])
    return drawn


def _written(element: Element) -> str:
    """Return an element with all that is inside it, or nothing where nothing would be seen."""
    name = element.tag.removeprefix(_SVG)
    if name not in ELEMENTS or element.get("display") == "none" or element.get("opacity") == "0":
        return ""  # words that would lie on others are there, but cannot be seen
    inside = "".join(_written(child) for child in element)
    if name == "text":
        inside = escape(element.text or "")
    if (name in ("g", "text") and not inside) or (name in ("path", "rect", "line") and not _is_seen(element)):
        return ""
    attributes = "".join(f' {key}="{escape(value)}"' for key, value in _attributes(element))
    return inside if name == "g" and not attributes else f"<{name}{attributes}>{inside}</{name}>"


def _is_seen(element: Element) -> bool:
    return any(element.get(paint, "none") not in ("none", "transparent") for paint in ("fill", "stroke"))


def _attributes(element: Element) -> Iterator[tuple[str, str]]:
    inks = [
        f"{paint}-none" if colour in ("none", "transparent") else f"{paint}-{ink_drawn_as(colour).name}"
        for paint in ("fill", "stroke")
        if (colour := element.get(paint)) is not None
    ]
    if inks:
        yield "class", " ".join(inks)
    for key in ATTRIBUTES:
        value = element.get(key)
        if value is not None and value != "translate(0,0)":
            yield key, value
