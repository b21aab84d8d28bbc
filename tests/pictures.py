"""Pictures for tests, and a judge of them that is not Pillow.

:func:`segments_of` walks a JPEG by its markers: ITU-T T.81 (1992), annex B.1.1.2 (a marker is X'FF' and a byte that is
neither 0 nor X'FF'), B.1.1.4 (a segment carries its length, which counts itself), B.1.1.5 and B.2.1 (after a scan's
header come its coded bytes, in which X'FF' is followed by X'00' or by a restart marker), table B.1 (which is which).
"""

from __future__ import annotations

import io
import struct
import zlib
from functools import lru_cache

from PIL import Image

#: Table B.1: markers that stand alone.
SOI, EOI = 0xD8, 0xD9
ALONE = {0x01, *range(0xD0, 0xD8)}
SOS, SOF0, DHT, DQT, APP0, COM = 0xDA, 0xC0, 0xC4, 0xDB, 0xE0, 0xFE
#: All that a plain baseline picture needs, with the head of JFIF (ITU-T T.871, 10.1) before it.
NEEDED = {APP0, DQT, SOF0, DHT, SOS}

#: What a test hides in a picture, and where.
MARKERS = {
    "exif": b"XEXIFMARKX", "gps": b"XGPSMARKX", "xmp": b"XXMPMARKX", "comment": b"XCOMMARKX", "profile": b"XICCMARKX",
    "trailer": b"XTRAILMARKX", "text": b"XTEXTMARKX", "packed text": b"XZTXTMARKX", "long text": b"XITXTMARKX",
}  # fmt: skip
RED, GREEN, BLUE, WHITE = (220, 20, 20), (20, 180, 20), (20, 20, 220), (250, 250, 250)


def segments_of(jpeg: bytes) -> list[tuple[int, bytes]]:
    """Return marker and content of each segment; whatever is not as T.81 says raises an AssertionError."""
    assert jpeg[:2] == bytes((0xFF, SOI))
    at, found = 2, []
    while True:
        assert jpeg[at] == 0xFF, at
        marker = jpeg[at + 1]
        assert marker not in (0x00, 0xFF, SOI, *ALONE), at
        if marker == EOI:
            assert at + 2 == len(jpeg), "something stands behind the end"
            return found
        (length,) = struct.unpack_from(">H", jpeg, at + 2)
        found.append((marker, jpeg[at + 4 : at + 2 + length]))
        at += 2 + length
        if marker == SOS:
            at = _end_of_scan(jpeg, at)


def _end_of_scan(jpeg: bytes, at: int) -> int:
    while not (jpeg[at] == 0xFF and jpeg[at + 1] not in (0x00, *ALONE)):
        at += 1
    return at


def assert_nothing_but_dots(jpeg: bytes) -> None:
    """The judge: only the segments that a picture needs, the head of JFIF bare, and no marker of ours anywhere."""
    segments = segments_of(jpeg)
    assert {marker for marker, _ in segments} == NEEDED
    heads = [content for marker, content in segments if marker == APP0]
    # ITU-T T.871, 10.1: identifier, version, units, two densities, and a thumbnail of 0 x 0 dots.
    assert [head[:5] for head in heads] == [b"JFIF\0"]
    assert len(heads[0]) == 14
    assert heads[0][12:] == b"\0\0"
    assert [name for name, mark in MARKERS.items() if mark in jpeg] == []
    for word in (b"Exif", b"http://ns.adobe", b"ICC_PROFILE", b"GPS", b"PK\x03\x04"):
        assert word not in jpeg, word


def size_in(jpeg: bytes) -> tuple[int, int]:
    """Return width and height as the frame header says (T.81, B.2.2)."""
    frame = next(content for marker, content in segments_of(jpeg) if marker == SOF0)
    height, width = struct.unpack_from(">HH", frame, 1)
    return width, height


def painted_corners(width: int = 400, height: int = 300, mode: str = "RGB") -> Image.Image:
    """Return a picture with one colour in each quarter: red and green above, blue and white below."""
    picture = Image.new("RGB", (width, height), WHITE)
    picture.paste(RED, (0, 0, width // 2, height // 2))
    picture.paste(GREEN, (width // 2, 0, width, height // 2))
    picture.paste(BLUE, (0, height // 2, width // 2, height))
    return picture.convert(mode)


def corners_of(jpeg: bytes) -> list[str]:
    """Return the colours of the four quarters: above left, above right, below left, below right."""
    picture = Image.open(io.BytesIO(jpeg))
    across, down = (picture.width // 4, 3 * picture.width // 4), (picture.height // 4, 3 * picture.height // 4)
    return [_named(picture.getpixel((x, y))) for y in down for x in across]


def _named(colour: tuple[int, int, int]) -> str:
    names = {"red": RED, "green": GREEN, "blue": BLUE, "white": WHITE}
    return min(names, key=lambda name: sum((a - b) ** 2 for a, b in zip(colour, names[name], strict=True)))


def saved(picture: Image.Image, kind: str = "JPEG", **options: object) -> bytes:
    into = io.BytesIO()
    picture.save(into, kind, **options)
    return into.getvalue()


@lru_cache(maxsize=1)
def plain_jpeg() -> bytes:
    """Return a small picture of a tray."""
    return saved(painted_corners())


# --- what hides in a JPEG ---------------------------------------------------------------------------


def exif_of(orientation: int = 1) -> bytes:
    """Return an EXIF block with a place, a maker's words and a way up."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010E] = MARKERS["exif"].decode()  # ImageDescription
    exif[0x8825] = {1: "N", 2: (51.0, 25.0, 55.56), 3: "W", 4: (17.0, 34.0, 4.0), 0x1B: MARKERS["gps"]}  # the GPS part
    return exif.tobytes()


XMP = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf>' + MARKERS["xmp"] + b"</rdf></x:xmpmeta>"


def segment(marker: int, content: bytes) -> bytes:
    """Return one segment of a JPEG: T.81, B.1.1.4."""
    return bytes((0xFF, marker)) + struct.pack(">H", len(content) + 2) + content


def laden_jpeg(orientation: int = 1, picture: Image.Image | None = None) -> bytes:
    """Return a JPEG with all five hiding places filled: EXIF with GPS, XMP, comment, profile, and bytes behind the end."""
    plain = saved(picture or painted_corners())
    hidden = (
        segment(0xE1, exif_of(orientation))
        + segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + XMP)
        + segment(0xE2, b"ICC_PROFILE\0\x01\x01" + MARKERS["profile"])
        + segment(COM, MARKERS["comment"])
    )
    return plain[:2] + hidden + plain[2:] + MARKERS["trailer"]


# --- what hides in a PNG and in a WebP --------------------------------------------------------------


def chunk(kind: bytes, content: bytes) -> bytes:
    """Return one chunk of a PNG: W3C PNG specification (third edition), 5.3."""
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def laden_png(picture: Image.Image | None = None, orientation: int = 1) -> bytes:
    """Return a PNG with text, packed text, long text, EXIF, a profile, and bytes behind the end."""
    plain = saved(picture or painted_corners(), "PNG")
    head = 8 + 25  # the signature and IHDR
    hidden = (
        chunk(b"iCCP", b"profile\0\0" + zlib.compress(MARKERS["profile"]))
        + chunk(b"tEXt", b"Comment\0" + MARKERS["text"])
        + chunk(b"zTXt", b"Comment\0\0" + zlib.compress(MARKERS["packed text"]))
        + chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + XMP)
        + chunk(b"iTXt", b"Title\0\0\0\0\0" + MARKERS["long text"])
        + chunk(b"eXIf", exif_of(orientation).removeprefix(b"Exif\0\0"))
    )
    return plain[:head] + hidden + plain[head:] + MARKERS["trailer"]


def laden_webp(orientation: int = 1) -> bytes:
    """Return a WebP with EXIF, XMP and a profile, and bytes behind the end."""
    options = {"exif": exif_of(orientation), "xmp": XMP, "icc_profile": MARKERS["profile"], "quality": 90}
    return saved(painted_corners(), "WEBP", **options) + MARKERS["trailer"]


def flat_png(width: int, height: int, depth: int = 1) -> bytes:
    """Return a PNG of so many grey dots, all the same: small as a file, however large it opens."""
    line = b"\0" + bytes(-(-width * depth // 8))
    packer = zlib.compressobj(9)
    packed = b"".join(packer.compress(line) for _ in range(height)) + packer.flush()
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", packed) + chunk(b"IEND", b"")
