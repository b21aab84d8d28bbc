"""JSON inside a page, in a data block: a ``script`` element that no browser runs, as its type is none of a script.

Reference: HTML Living Standard, 4.12.1: with a type that is not JavaScript's the element is a data block.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from django.utils.safestring import SafeString, mark_safe

#: What could end the element, begin a comment in it, or end a line in JavaScript: written as JSON escapes.
_ESCAPES = {ord(sign): f"\\u{ord(sign):04x}" for sign in "<>&\u2028\u2029"}


def json_block(value: Mapping[str, Any]) -> SafeString:
    """Return a value as JSON that stays inside its element, whatever texts it holds."""
    text = json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False)
    return mark_safe(text.translate(_ESCAPES))  # noqa: S308  # nothing of HTML is left in it
