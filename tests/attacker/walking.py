"""Going to every address there is, and to every address that an answer names, as somebody in particular."""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterator, Mapping, Sequence
from typing import Any
from urllib.parse import urlsplit

from django.http import HttpResponseBase
from django.test import Client

from tests.attacker.planted import Garden
from tests.pages import walk

#: Addresses in an answer: of HTML, of JSON, of a header Link.
_ADDRESS = re.compile(
    rb"""(?:href|src|action)=["']([^"'#]+)|"(?:href|next|url|contentUrl|@id)":\s*"([^"#]+)"|<([^>\s]+)>;"""
)
MOST_PAGES = 700
#: What Django shows of a request is not the service's: the test client stands in for a browser.
_OWN = "http://testserver"


def read(client: Client, path: str, **headers: str) -> tuple[int, bytes]:
    """GET an address; return its status and everything that came back: status line, headers, body."""
    answer = client.get(path, headers=headers)
    lines = "\n".join(f"{name}: {value}" for name, value in answer.items())
    return answer.status_code, lines.encode() + b"\n\n" + body_of(answer)


def body_of(answer: HttpResponseBase) -> bytes:
    """Return the whole body, also of a file that is sent in pieces."""
    return b"".join(answer.streaming_content) if answer.streaming else answer.content  # type: ignore[attr-defined]


def addresses(values: Mapping[str, Sequence[str]]) -> Iterator[tuple[str, str]]:
    """Yield name and path of every address, once for each value of its last parameter."""
    for name, pattern, _ in walk():
        paths = ["/" + pattern]
        for whole, parameter in re.findall(r"(<(?:\w+:)?(\w+)>)", pattern):
            known = values.get(parameter, ())
            paths = [path.replace(whole, value) for path in paths for value in known]
        yield from ((name, path) for path in paths)


def values_of(gardens: Sequence[Garden], **more: Sequence[str]) -> dict[str, Sequence[str]]:
    """Return what may stand in an address: public codes, and everything that was planted, to try it out."""
    first, last = gardens[0], gardens[-1]
    returns = [str(first.returns[0].uuid), str(last.returns[0].uuid), str(uuid.uuid4())]
    return {
        "season": ["test-2026"], "region": ["eastmark", "westmark"], "step": ["spiders", "1"],
        "code": ["test-2026", "woodlice", "stale"], "uuid": returns, "question": ["1"],
        "site": [str(first.site.public_id)], "trap": [str(first.trap.public_id)], "opening": [str(uuid.uuid4())],
        "draft": [str(uuid.uuid4())], "school_class": [str(uuid.uuid4())], "sheet": [str(uuid.uuid4())],
        "trap_code": [first.trap.code], "number": returns, "uidb36": ["1"], "key": ["none"], "kind": ["csv", "parquet"],
        "run": ["1"], "section": ["weeks"], "link": ["none"], "invitation": ["1"],
        "account": [str(first.household.keeper_id)], "appointment": ["1"], "job": [str(uuid.uuid4())],
        "collection": ["regions", "cells", "index-values", "gardens"], "fid": ["eastmark", "1", str(first.site.public_id)],
        **more,
    }  # fmt: skip


def crawl(client: Client, begin: Sequence[str]) -> Iterator[tuple[str, int, bytes]]:
    """Go to some addresses and on to every one that an answer names, each once; yield path, status and bytes."""
    waiting, seen = list(dict.fromkeys(begin)), set(begin)
    read_so_far = 0
    while waiting and read_so_far < MOST_PAGES:
        path = waiting.pop(0)
        status, content = read(client, path)
        read_so_far += 1
        yield path, status, content
        for named in _named(path, content):
            if named not in seen:
                seen.add(named)
                waiting.append(named)


def _named(path: str, content: bytes) -> Iterator[str]:
    if not re.match(rb"(?s).*?Content-Type: (text/html|application/(geo\+|ld\+)?json)", content[:2000]):
        return
    for groups in _ADDRESS.findall(content):
        address = next(part for part in groups if part).decode(errors="replace").replace("&amp;", "&")
        address = address.removeprefix(_OWN)
        if address.startswith("?"):
            address = path.split("?", maxsplit=1)[0] + address
        parts = urlsplit(address)
        if address.startswith("/") and not parts.netloc and not parts.path.startswith(("/static/", "/sign-out")):
            yield address


def cursors_in(value: Any) -> Iterator[str]:
    """Yield every cursor in an answer of the API."""
    if isinstance(value, dict):
        for one in value.values():
            yield from cursors_in(one)
    elif isinstance(value, list):
        for one in value:
            yield from cursors_in(one)
    elif isinstance(value, str) and "cursor=" in value:
        yield re.findall(r"cursor=([^&]+)", value)[0]
