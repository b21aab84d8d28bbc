"""Looking through bytes for what nobody may learn: also inside of zips, Parquet files, JSON, and escaped texts."""

from __future__ import annotations

import gzip
import html
import io
import json
import re
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, quote_plus, unquote_plus

import pyarrow as pa
from pyarrow import parquet
from shapely import wkb
from shapely.geometry import mapping

from tests.attacker.planted import PLAN_SQUARES

#: How close a number may come to a garden, in degrees: a tenth of a cell.
NEAR_DEG = 0.01
#: Bytes between the two numbers of a point, at most.
TOGETHER = 160
_NUMBER = re.compile(rb"(?<![\w.])[+-]?\d{1,3}\.\d{2,}")
#: Numbers of rows, as planted: see number_rows_apart.
_ROW_NUMBER = re.compile(rb"(?<![0-9A-Za-z])917\d{7}(?![0-9A-Za-z])")
_UUID = re.compile(
    rb"(?<![0-9a-fA-F-])[0-9a-f]{8}-[0-9a-f]{4}-([0-9a-f])[0-9a-f]{3}-([0-9a-f])[0-9a-f]{3}-[0-9a-f]{12}"
)
_PLAN_SQUARE = re.compile(rb"""["',>;|\t ](?:%s)["',<;|\t\r\n ]""" % "|".join(PLAN_SQUARES).encode())


@dataclass(frozen=True, slots=True)
class Found:
    """Something that must not be there: what, where, and the bytes around it."""

    what: str
    where: str
    around: str

    def __str__(self) -> str:
        return f"{self.what} in {self.where}: {self.around}"


class Marks:
    """Texts and points to look for. A text without blanks is looked for among the words of its kind."""

    def __init__(self, texts: Iterable[tuple[str, str]], points: Iterable[tuple[float, float]]) -> None:
        self.words: dict[bytes, str] = {}
        self.phrases: dict[bytes, str] = {}
        for what, text in texts:
            kept = self.phrases if re.search(r"\s", text) else self.words
            kept.update({variant: what for variant in _variants(text) if text})
        #: Most answers hold none of these, so that no whole phrase needs to be looked for.
        self.trunks = {phrase[:6] for phrase in self.phrases}
        self.points = sorted(points)

    def look(self, where: str, content: bytes) -> Iterator[Found]:
        """Yield all that is found in some bytes and in what is packed inside of them."""
        for part, plain in unpacked(where, content):
            yield from self._texts(part, plain)
            yield from _look_for(part, plain, _ROW_NUMBER, "number of a row")
            if b"text/html" not in content[:2000]:  # a page names squares of a map as well
                yield from _look_for(part, plain, _PLAN_SQUARE, "plan square")
            yield from self._near(part, plain)
            yield from _timely_ids(part, plain)

    def _texts(self, where: str, plain: bytes) -> Iterator[Found]:
        for pattern in _KINDS_OF_WORDS:
            for match in pattern.finditer(plain):
                if (what := self.words.get(match[0].lower())) is not None:
                    yield _found(what, where, plain, match)
        lower = plain.lower()
        if any(trunk in lower for trunk in self.trunks):
            for phrase, what in self.phrases.items():
                yield from _look_for(where, lower, re.compile(re.escape(phrase)), what)

    def _near(self, where: str, plain: bytes) -> Iterator[Found]:
        numbers = [(match, float(match[0])) for match in _NUMBER.finditer(plain)]
        for latitude, longitude in self.points if numbers else ():
            north = [match for match, value in numbers if abs(value - latitude) <= NEAR_DEG]
            east = [match for match, value in numbers if abs(value - longitude) <= NEAR_DEG] if north else []
            for one in north:
                if any(abs(one.start() - other.start()) <= TOGETHER for other in east):
                    yield _found(f"a place within {NEAR_DEG} degrees of {latitude}, {longitude}", where, plain, one)


#: Words of every kind that is planted: ids, moments and times of day, numbers, codes and digests, mail addresses.
_KINDS_OF_WORDS = tuple(
    re.compile(pattern)
    for pattern in (
        rb"(?<![0-9A-Za-z-])[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}(?![0-9A-Za-z-])",
        rb"(?<!\d)\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?!\d)",
        rb"(?<!\d)\d\d:\d\d:\d\d(?!\d)",
        rb"T\d\d:\d\d(?!\d)",
        rb"(?<![\d.])\d{1,3}\.\d{4}",
        rb"(?<![0-9A-Za-z])[0-9A-Za-z]{6,64}(?![0-9A-Za-z])",
        rb"[\w.+-]+(?:@|%40)[\w.-]+",
    )
)


def _variants(text: str) -> set[bytes]:
    forms = {text, quote(text), quote_plus(text), html.escape(text), json.dumps(text)[1:-1]}
    return {form.lower().encode() for form in forms}


def _found(what: str, where: str, plain: bytes, match: re.Match[bytes]) -> Found:
    around = plain[max(match.start() - 60, 0) : match.end() + 40]
    return Found(f"{what} ({match[0].decode(errors='replace')})", where, around.decode(errors="replace"))


def _look_for(where: str, plain: bytes, pattern: re.Pattern[bytes], what: str) -> Iterator[Found]:
    yield from (_found(what, where, plain, match) for match in pattern.finditer(plain))


def _timely_ids(where: str, plain: bytes) -> Iterator[Found]:
    """Yield UUIDs that hold a moment: those of versions 1, 2, 6 and 7. RFC 9562, section 4."""
    for match in _UUID.finditer(plain):
        if match[1] in b"1267" and match[2] in b"89ab":
            yield _found("id that holds a moment", where, plain, match)


def unpacked(where: str, content: bytes) -> Iterator[tuple[str, bytes]]:
    """Yield the bytes themselves and everything that is packed in them, as deep as it goes."""
    yield where, content
    if content[:2] == b"PK":
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            for entry in archive.infolist():
                yield f"{where}!{entry.filename}", f"{entry.filename} {entry.comment!r} {entry.extra!r}".encode()
                yield from unpacked(f"{where}!{entry.filename}", archive.read(entry))
    elif content[:4] == b"PAR1":
        yield f"{where}!rows", _text_of(parquet.read_table(io.BytesIO(content)))
        yield f"{where}!about", repr(parquet.read_schema(io.BytesIO(content)).metadata).encode()
    elif content[:2] == b"\x1f\x8b":
        yield from unpacked(f"{where}!gzip", gzip.decompress(content))
    elif b"%" in content or b"&" in content:
        yield f"{where}!unescaped", html.unescape(unquote_plus(content.decode(errors="replace"))).encode()


def _text_of(table: pa.Table) -> bytes:
    rows = (json.dumps({name: _plain(value) for name, value in row.items()}, default=str) for row in table.to_pylist())
    return "\n".join(rows).encode()


def _plain(value: Any) -> Any:
    if isinstance(value, bytes):  # a geometry
        return mapping(wkb.loads(value))
    return value
