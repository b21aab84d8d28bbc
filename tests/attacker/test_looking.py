"""The search for what nobody may learn finds what is planted, however it is packed, and lets pass what is public."""

from __future__ import annotations

import io
import zipfile

import pyarrow as pa
import pytest
from pyarrow import parquet

from tests.attacker.looking import Marks


def _zipped(content: bytes) -> bytes:
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("inner.txt", content)
    outer = io.BytesIO()
    with zipfile.ZipFile(outer, "w") as archive:
        archive.writestr("inner.zip", inner.getvalue())
    return outer.getvalue()


def _table(column: object) -> bytes:
    file = io.BytesIO()
    parquet.write_table(pa.table({"x": [column], "y": [-17.4321]}), file, compression="zstd")
    return file.getvalue()


@pytest.mark.parametrize(
    "content",
    [
        b"by Quillmark Bramble 07, yes", b"by Quillmark%20Bramble+07", b"by QUILLMARK BRAMBLE 07",
        b"lat 51.5437", b"[-17.43900, 51.55000]", b"POINT (-17.4250 51.5399)", b"515437", b"id=9170300012;",
        b'{"plan_square": "H8"}', b"a,H8,b", b"set 2026-05-03T17:07:11Z", _zipped(b"Quillmark Bramble 07"),
        _table("Quillmark Bramble 07"), _table(51.5431), b"f81d4fae-7dec-11d0-a765-00a0c91e6bf6",
        b"017f22e2-79b0-7cc3-98c4-dc0c0c07398f",
    ],
)  # fmt: skip
def test_the_search_finds_what_is_planted(content: bytes) -> None:
    """The two last ids are the examples of RFC 4122, section 3, and of RFC 9562, appendix A.6: both hold a moment."""
    assert list(_marks().look("here", content))


@pytest.mark.parametrize(
    "content",
    [
        b"centre -17.45, 51.55 and 51.5, -17.5", b"51.60,-17.50", b"id 19170300012", b"H80 AH8 H8a",
        b"17:15:00 and 17:00:00", b"919108b7-52d1-4320-9bac-f847db4148a8", b"951.5437",
    ],
)  # fmt: skip
def test_the_search_lets_pass_what_is_public(content: bytes) -> None:
    """The id is the example of RFC 9562, appendix A.3: a random one."""
    assert not list(_marks().look("here", content)), [str(one) for one in _marks().look("here", content)]


def _marks() -> Marks:
    texts = [
        ("alias", "Quillmark Bramble 07"),
        ("moment", "2026-05-03T17:07:11"),
        ("point", "51.5437"),
        ("point", "515437"),
    ]
    return Marks(texts, [(51.5437, -17.4321)])
