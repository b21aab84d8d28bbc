"""The methods page: the text that lies beside the code of the methods, set as a page."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from importlib.resources import files
from typing import Any, NamedTuple

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.html import escape, format_html
from django.utils.safestring import SafeString, mark_safe
from markdown_it import MarkdownIt
from markdown_it.renderer import RendererHTML
from markdown_it.token import Token

from surveys.methods import METHOD_VERSION
from surveys.permissions import Rule
from surveys.web.access import page

_NUMBERED = re.compile(r"(\d+(?:\.\d+)?) ")
_BREAKS = re.compile(r"(?<=[._])(?=[a-zA-Z])(?!py\b)")
_FOLD = '<details class="whole" data-whole="{}">\n<summary>Section {} in full</summary>\n'
_BOX = '<div class="{}" tabindex="0" role="group" aria-label="{}">'


class Section(NamedTuple):
    """One section of the text: its anchor, its number and its title."""

    anchor: str
    number: str
    title: str


class MethodsText(NamedTuple):
    """The text as HTML, and its sections for a list of contents."""

    html: SafeString
    sections: tuple[Section, ...]


@page(Rule.ANYONE)
def methods(request: HttpRequest) -> HttpResponse:
    """Show the methods."""
    text = methods_text()
    return render(request, "methods.html", {"text": text.html, "sections": text.sections, "version": METHOD_VERSION})


@lru_cache(maxsize=1)
def methods_text() -> MethodsText:
    """Return the methods as a page has them; made once in each process."""
    return set_text(files("surveys.methods").joinpath("METHODS.md").read_text(encoding="utf-8"), folded=True)


def set_text(source: str, *, folded: bool = False) -> MethodsText:
    """Return a numbered text as HTML: anchors for its sections, boxes that scroll for what may be wide.

    ``folded`` sections show their title and what they are in short; the rest opens on a press.
    Its title is left to the page. Raw HTML is shown as text, so that nothing but Markdown can get into the page.
    """
    markdown = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = markdown.parse(source)
    if tokens and tokens[0].tag == "h1":
        del tokens[:3]  # opened, its words, closed
    sections = tuple(_number_sections(tokens))
    if folded:
        tokens = _fold_sections(tokens)
    for kind, rule in _RULES.items():
        markdown.add_render_rule(kind, rule)
    html = markdown.renderer.render(tokens, markdown.options, {})
    return MethodsText(mark_safe(html), sections)  # noqa: S308  # a file of this package, and its HTML is escaped


def _number_sections(tokens: list[Token]) -> list[Section]:
    """Give each numbered heading its anchor, and each table and code block the section it stands in."""
    sections = []
    here = ""
    for position, token in enumerate(tokens):
        if token.type == "heading_open" and (found := _NUMBERED.match(title := tokens[position + 1].content)):
            here = found.group(1)
            token.attrSet("id", f"section-{here.replace('.', '-')}")
            if token.tag == "h2":
                sections.append(Section(f"section-{here}", here, title[found.end() :]))
        token.meta["place"] = f"section {here}" if here else "the symbols"
    return sections


def _fold_sections(tokens: Sequence[Token]) -> list[Token]:
    """Put what follows the short words of a numbered section into a fold."""
    folded: list[Token] = []
    section, is_open = "", False
    for token in tokens:
        if token.type == "heading_open" and token.tag == "h2":
            folded += [_set_as_it_is("</details>\n")] if is_open else []
            section, is_open = str(token.attrGet("id") or ""), False
        folded.append(token)
        if token.type == "blockquote_close" and section and not is_open:
            number = section.removeprefix("section-")
            whole = format_html(_FOLD, section, number)
            folded.append(_set_as_it_is(whole))
            is_open = True
    return [*folded, _set_as_it_is("</details>\n")] if is_open else folded


def _set_as_it_is(html: str) -> Token:
    return Token("html_block", "", 0, content=html)


def _open_short(*_: Any) -> str:
    return '<div class="short">\n'


def _close_box(*_: Any) -> str:
    return "</div>\n"


def _open_table(_: RendererHTML, tokens: Sequence[Token], position: int, *__: Any) -> str:
    return format_html(_BOX + "<table>\n", "sheet", f"Table in {tokens[position].meta['place']}")


def _close_table(*_: Any) -> str:
    return "</table>\n</div>\n"


def _set_equation(_: RendererHTML, tokens: Sequence[Token], position: int, *__: Any) -> str:
    token = tokens[position]
    label = f"Equations in {token.meta['place']}"
    return format_html(_BOX + "<pre><code>{}</code></pre></div>\n", "sheet equation", label, token.content)


def _set_code(_: RendererHTML, tokens: Sequence[Token], position: int, *__: Any) -> str:
    """A long name may break behind its dots and underscores."""
    return "<code>" + _BREAKS.sub("<wbr>", escape(tokens[position].content)) + "</code>"


def _open_cell(renderer: RendererHTML, tokens: Sequence[Token], position: int, *_: Any) -> str:
    """A cell that is set to the right is a number; the style that would say so is not allowed by our policy."""
    token = tokens[position]
    number = ' class="number"' if "right" in str(token.attrGet("style") or "") else ""
    scope = ' scope="col"' if token.tag == "th" else ""
    return f"<{escape(token.tag)}{scope}{number}>"


_RULES = {
    "blockquote_open": _open_short,
    "blockquote_close": _close_box,
    "table_open": _open_table,
    "table_close": _close_table,
    "code_inline": _set_code,
    "fence": _set_equation,
    "code_block": _set_equation,
    "th_open": _open_cell,
    "td_open": _open_cell,
}
