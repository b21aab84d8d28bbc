"""Text that a coordinator wrote, set as HTML: paragraphs, lists, headings and links, and nothing else.

Raw HTML is shown as the text it is, links lead to https only, and there are no images.
"""

from __future__ import annotations

import re
from functools import lru_cache
from urllib.parse import urlsplit

from django.utils.safestring import SafeString
from markdown_it import MarkdownIt

#: Signs that turn the direction of what follows: they can make a page read other than it is written.
_TURNING = re.compile("[\u202a-\u202e\u2066-\u2069]")
#: The page has its own headings of the first and second rank.
_HEADING = "h3"


def set_safely(text: str) -> SafeString:
    """Return a coordinator's text as HTML that can do no harm in a page."""
    tokens = _reader().parse(_TURNING.sub("", text))
    for token in tokens:
        if token.type in ("heading_open", "heading_close"):
            token.tag = _HEADING
        for child in token.children or ():
            if child.type == "link_open":
                child.attrSet("rel", "noopener noreferrer nofollow")
    html: str = _reader().renderer.render(tokens, _reader().options, {})
    return SafeString(html)


class _Reader(MarkdownIt):
    """Reads nothing but what is switched on, and lets links lead to https only."""

    def validateLink(self, url: str) -> bool:  # noqa: N802  # the library's own name
        """Say whether a link may be set."""
        return _leads_to_https(url)


@lru_cache(maxsize=1)
def _reader() -> MarkdownIt:
    """Return the reader. Raw HTML, images and every other mark stay the text they are."""
    return _Reader("zero", {"html": False, "maxNesting": 6}).enable(["heading", "list", "link", "escape"])


def _leads_to_https(address: str) -> bool:
    """Say whether an address is plain https, with no name and password in front of the host."""
    try:
        parts = urlsplit(address)
    except ValueError:
        return False
    return parts.scheme == "https" and bool(parts.hostname) and "@" not in parts.netloc
