"""A coordinator's text as HTML: what may stand in it, and what is shown as the text it is."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest

from surveys.services.safety import LONGEST_TEXT
from surveys.web.safe_text import set_safely


class Seen(HTMLParser):
    """Notes every tag and attribute as a browser would read them."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs


ALLOWED = {"p", "ul", "ol", "li", "h3", "a", "br"}


def test_paragraphs_lists_headings_and_links_are_set() -> None:
    html = set_safely(
        "## Adders\n\nStep back.\n\n- call an adult\n- keep still\n\n[Ask us](https://office.example/help)"
    )
    assert html == (
        "<h3>Adders</h3>\n<p>Step back.</p>\n<ul>\n<li>call an adult</li>\n<li>keep still</li>\n</ul>\n"
        '<p><a href="https://office.example/help" rel="noopener noreferrer nofollow">Ask us</a></p>\n'
    )


@pytest.mark.parametrize(
    "text",
    [
        "<script>alert(1)</script>",
        "<img src=x onerror=alert(1)>",
        "<style>body{display:none}</style>",
        "<!-- --><svg onload=alert(1)>",
        "![a picture](https://office.example/x.png)",
        "![a picture](data:image/png;base64,AAAA)",
        "[click](javascript:alert(1))",
        "[click](JaVaScRiPt:alert(1))",
        "[click](java\tscript:alert(1))",
        "[click](&#106;avascript:alert(1))",
        "[click](data:text/html,<script>alert(1)</script>)",
        "[click](vbscript:x)",
        "[click](http://plain.example)",
        "[click](//elsewhere.example)",
        "[click](/my/returns/)",
        "[click](https://office.example@elsewhere.example/)",
        "[click](https:///)",
        "[click](https://[::1)",
        '[click](https://office.example "x\\" onmouseover=alert(1) y=\\"")',
        "<https://office.example>",
        "<javascript:alert(1)>",
        "[click][1]\n\n[1]: javascript:alert(1)",
        "## <b onclick=alert(1)>Adders</b>",
        "- <iframe src=https://elsewhere.example>",
        "`<script>`",
        "    <script>alert(1)</script>",
        "> <script>alert(1)</script>",
        "| a | b |\n|---|---|\n| <script> | x |",
        "<a href='https://office.example' style='position:fixed'>x</a>",
        "&lt;script&gt;alert(1)&lt;/script&gt;",
    ],
)
def test_hostile_text_stays_text(text: str) -> None:
    seen = Seen(set_safely(text))
    assert set(seen.tags) <= ALLOWED
    for name, value in seen.attributes:
        assert name in ("href", "rel", "title")
        if name == "href":
            assert value is not None
            assert value.startswith("https://office.example")
            assert "@" not in value


def test_the_text_of_hostile_html_can_still_be_read() -> None:
    assert "&lt;script&gt;" in set_safely("<script>alert(1)</script>")


def test_signs_that_turn_the_reading_direction_are_left_out() -> None:
    assert set_safely("safe \u202ekcab\u202c \u2066x\u2069") == "<p>safe kcab x</p>\n"


@pytest.mark.parametrize("piece", ["- ", "> ", "[", "](", "![", "#", "*", "<", "`", "[a](https://a.b ", "1. ", "&#"])
def test_a_long_text_of_nothing_but_marks_still_comes_out_as_allowed_tags(piece: str) -> None:
    text = (piece * LONGEST_TEXT)[:LONGEST_TEXT]
    assert set(Seen(set_safely(text)).tags) <= ALLOWED
