"""From a description to the SVG in the page: nothing that the content policy refuses, and the same bytes each time."""

from __future__ import annotations

import re
import subprocess
import sys
from typing import Any
from xml.etree.ElementTree import fromstring

import pytest
from django.core.cache import cache
from django.utils import translation

from surveys.web import svg_drawing
from surveys.web.svg_drawing import ATTRIBUTES, ELEMENTS, draw_svg, drawing_key, mended


def bars(words: str = "ants", ink: str = "#3f5123") -> dict[str, Any]:
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.1.0.json",
        "background": "transparent",
        "data": {"values": [{"k": words, "n": 3}, {"k": "b", "n": 5}]},
        "layer": [
            {"mark": {"type": "bar", "color": ink}},
            {"mark": {"type": "text", "color": "#241a11"}, "encoding": {"text": {"field": "k"}}},
        ],
        "encoding": {"x": {"field": "k", "axis": None}, "y": {"field": "n", "type": "quantitative", "axis": None}},
        "config": {"view": {"stroke": None}},
    }


def drawn(**changes: Any) -> str:
    of = ("bars", tuple(sorted(changes.items())))
    return draw_svg(lambda: bars(**changes), of=of, title="Ants & bees", sentence="Most had <5.")


def test_a_drawing_has_a_name_a_description_and_says_that_it_is_a_picture() -> None:
    root = fromstring(drawn())
    assert root.get("role") == "img"
    title, desc = root[0], root[1]
    assert (title.tag, title.text, title.get("id")) == ("title", "Ants & bees", root.get("aria-labelledby"))
    assert (desc.tag, desc.text, desc.get("id")) == ("desc", "Most had <5.", root.get("aria-describedby"))


def test_nothing_is_left_that_the_content_policy_refuses() -> None:
    svg = drawn()
    assert not re.search(r"<(style|script|image|a|use|foreignObject|iframe)\b|style=|href|url\(|\son\w+=|xmlns", svg)
    root = fromstring(svg)
    for element in list(root)[2:]:
        for one in element.iter():
            assert one.tag in ELEMENTS
            assert set(one.keys()) <= {"class", *ATTRIBUTES}


def test_text_stays_text_and_cannot_break_out() -> None:
    svg = drawn(words='<script>alert("&")</script>')
    assert "<script" not in svg
    texts = [one.text for one in fromstring(svg).iter("text")]
    assert '<script>alert("&")</script>' in texts


def test_colours_are_named_and_not_drawn() -> None:
    svg = drawn()
    assert 'class="fill-usual"' in svg
    assert not re.search(r"#[0-9a-fA-F]{3,8}\b", svg)


def test_a_colour_that_has_no_ink_stops_the_drawing() -> None:
    with pytest.raises(KeyError):
        drawn(ink="#4c78a8")


def test_the_same_description_gives_the_same_bytes_also_in_another_process() -> None:
    first = drawn()
    cache.clear()
    assert drawn() == first
    code = (
        "from django.conf import settings; settings.configure();"
        "from tests.surveys.web.test_svg_drawing import drawn; print(drawn(), end='')"
    )
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert other.stdout == first


def test_a_drawing_is_made_once_and_kept_under_what_it_is_of_and_its_language(monkeypatch) -> None:
    made: list[int] = []
    convert = svg_drawing._converted
    monkeypatch.setattr(svg_drawing, "_converted", lambda one: made.append(1) or convert(one))
    assert drawn() == drawn()
    assert len(made) == 1
    drawn(words="bees")
    assert len(made) == 2
    with translation.override("de"):
        drawn(words="bees")
    assert len(made) == 3


def test_code_that_draws_otherwise_never_finds_an_old_drawing(monkeypatch) -> None:
    before = drawing_key(("bars", 1))
    assert drawing_key(("bars", 1)) == before
    assert drawing_key(("bars", 2)) != before
    monkeypatch.setattr(svg_drawing, "_drawn_by", lambda: "other code")
    assert drawing_key(("bars", 1)) != before


def test_a_cache_that_is_away_costs_time_and_nothing_else(monkeypatch) -> None:
    first = drawn()

    def away(*_: Any, **__: Any) -> None:
        raise ConnectionError

    monkeypatch.setattr(cache, "get", away)
    monkeypatch.setattr(cache, "set", away)
    assert drawn() == first


UNSEEN = {
    "hidden": '<rect width="5" height="5" fill="#3f5123" display="none"/>',
    "faded words": '<text fill="#241a11" opacity="0">June</text>',
    "without paint": '<path d="M0 0h5" fill="none"/>',
    "an empty group": "<g><g/></g>",
    "a style": "<style>*{fill:red}</style>",
    "a picture from elsewhere": '<image href="https://example.org/x.png"/>',
}


@pytest.mark.parametrize("inside", UNSEEN.values(), ids=UNSEEN.keys())
def test_what_would_not_be_seen_or_may_not_stand_there_is_left_out(inside: str) -> None:
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9">{inside}</svg>'
    assert mended(svg) == ("0 0 9 9", "")


def test_a_document_that_defines_entities_is_refused() -> None:
    with pytest.raises(Exception, match="Entit"):
        mended('<!DOCTYPE svg [<!ENTITY a "b">]><svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1 1">&a;</svg>')
