"""A picture is painted anew: nothing of the file goes on but the dots, and whatever is no picture ends in a sentence.

The judge of what is kept is not Pillow: tests/pictures.py walks the segments by ITU-T T.81.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib

import pytest
from PIL import Image

from surveys.photos.painting import cut_off, paint_anew
from surveys.photos.records import LONGEST_SIDE, MOST_BYTES, CannotPaint, Cut, PhotoFault
from tests.pictures import (
    BLUE,
    MARKERS,
    RED,
    assert_nothing_but_dots,
    chunk,
    corners_of,
    exif_of,
    flat_png,
    laden_jpeg,
    laden_png,
    laden_webp,
    painted_corners,
    plain_jpeg,
    saved,
    segment,
    segments_of,
    size_in,
)

QUARTERS = ["red", "green", "blue", "white"]
#: EXIF 2.32, table 6 (tag 0x0112), worked out by hand: where each quarter is once the picture stands upright.
UPRIGHT = {
    1: ["red", "green", "blue", "white"],
    2: ["green", "red", "white", "blue"],
    3: ["white", "blue", "green", "red"],
    4: ["blue", "white", "red", "green"],
    5: ["red", "blue", "green", "white"],
    6: ["blue", "red", "white", "green"],
    7: ["white", "green", "blue", "red"],
    8: ["green", "white", "red", "blue"],
}


def fault_of(content: bytes, name: str) -> PhotoFault:
    """Return why a picture is not taken."""
    with pytest.raises(CannotPaint) as refused:
        paint_anew(content, name)
    return refused.value.fault


def test_the_five_hiding_places_of_a_jpeg_are_empty_afterwards() -> None:
    laden = laden_jpeg()
    planted = ("exif", "gps", "xmp", "comment", "profile", "trailer")
    assert all(MARKERS[name] in laden for name in planted), "a mark that was never there proves nothing"
    painted = paint_anew(laden, "tray.jpg")
    assert_nothing_but_dots(painted.jpeg)
    assert corners_of(painted.jpeg) == QUARTERS


def test_the_judge_sees_each_hiding_place() -> None:
    """Otherwise it would prove nothing: each one alone is found."""
    plain = paint_anew(plain_jpeg(), "tray.jpg").jpeg
    assert_nothing_but_dots(plain)
    for marker, content in ((0xE1, exif_of()), (0xE2, b"ICC_PROFILE\0\x01\x01x"), (0xFE, b"a word"), (0xED, b"Photo")):
        with pytest.raises(AssertionError):
            assert_nothing_but_dots(plain[:2] + segment(marker, content) + plain[2:])
    with pytest.raises(AssertionError):
        assert_nothing_but_dots(plain + b"x")


def test_a_plain_save_would_keep_the_comment() -> None:
    """Why the picture is painted into a new one: Pillow writes a JPEG's comment back."""
    kept = saved(Image.open(io.BytesIO(laden_jpeg()[: -len(MARKERS["trailer"])])))
    assert MARKERS["comment"] in kept


def test_the_hiding_places_of_a_png_are_empty_afterwards() -> None:
    laden = laden_png()
    assert all(MARKERS[name] in laden for name in ("text", "xmp", "long text", "exif", "gps", "trailer"))
    assert zlib.compress(MARKERS["packed text"]) in laden
    painted = paint_anew(laden, "tray.png")
    assert_nothing_but_dots(painted.jpeg)
    assert corners_of(painted.jpeg) == QUARTERS


def test_the_hiding_places_of_a_webp_are_empty_afterwards() -> None:
    laden = laden_webp()
    assert all(MARKERS[name] in laden for name in ("exif", "gps", "xmp", "profile", "trailer"))
    painted = paint_anew(laden, "tray.webp")
    assert_nothing_but_dots(painted.jpeg)
    assert corners_of(painted.jpeg) == QUARTERS


@pytest.mark.parametrize("orientation", sorted(UPRIGHT))
def test_a_picture_stands_as_the_camera_was_held(orientation: int) -> None:
    for content, name in (
        (laden_jpeg(orientation), "tray.jpg"),
        (laden_png(orientation=orientation), "tray.png"),
        (laden_webp(orientation), "tray.webp"),
    ):
        painted = paint_anew(content, name)
        assert corners_of(painted.jpeg) == UPRIGHT[orientation], name
        assert (painted.width, painted.height) == ((400, 300) if orientation < 5 else (300, 400)), name
        assert_nothing_but_dots(painted.jpeg)


@pytest.mark.parametrize(
    "broken", [b"Exif\0\0MM\0\x2a\xff\xff\xff\xff", b"Exif\0\0II*\0\x08\0\0\0\xff\xff", b"Exif\0\0"]
)
def test_a_broken_block_beside_the_picture_does_not_spoil_it(broken: bytes) -> None:
    plain = plain_jpeg()
    painted = paint_anew(plain[:2] + segment(0xE1, broken) + plain[2:], "tray.jpg")
    assert corners_of(painted.jpeg) == QUARTERS


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ((400, 300), (400, 300)),
        ((1600, 1200), (1600, 1200)),
        ((1601, 1200), (1600, 1199)),
        ((4000, 3000), (1600, 1200)),
        ((3000, 4000), (1200, 1600)),
        ((5000, 100), (1600, 32)),
    ],
)
def test_the_longest_side_is_1600_dots(sent: tuple[int, int], kept: tuple[int, int]) -> None:
    """By hand: both sides times 1600 over the longer one, and never larger than what was sent."""
    for kind, name in (("JPEG", "tray.jpg"), ("PNG", "tray.png")):
        painted = paint_anew(saved(painted_corners(*sent), kind), name)
        assert size_in(painted.jpeg) == (painted.width, painted.height)
        assert (painted.width, painted.height) == pytest.approx(kept, abs=1)
        assert max(painted.width, painted.height) == max(kept)
        assert corners_of(painted.jpeg) == QUARTERS


@pytest.mark.parametrize("mode", ["CMYK", "L", "RGB"])
def test_every_colour_space_of_a_jpeg_is_taken(mode: str) -> None:
    painted = paint_anew(saved(painted_corners(mode=mode)), "tray.jpg")
    # ITU-T T.81, B.2.2: the frame header counts its components; three of them are red, green and blue.
    frame = next(content for marker, content in segments_of(painted.jpeg) if marker == 0xC0)
    assert frame[5] == 3
    if mode != "L":
        assert corners_of(painted.jpeg) == QUARTERS


def test_a_progressive_jpeg_becomes_a_plain_one() -> None:
    painted = paint_anew(saved(painted_corners(), progressive=True), "tray.jpeg")
    assert_nothing_but_dots(painted.jpeg)


@pytest.mark.parametrize("mode", ["P", "1", "L", "LA", "RGBA"])
def test_every_mode_of_a_png_is_taken(mode: str) -> None:
    painted = paint_anew(saved(painted_corners(mode="RGB").convert(mode), "PNG"), "tray.png")
    assert_nothing_but_dots(painted.jpeg)
    if mode in ("P", "RGBA"):
        assert corners_of(painted.jpeg) == QUARTERS


def test_what_is_clear_becomes_white() -> None:
    clear = Image.new("RGBA", (100, 100), (*RED, 0))
    see_through = Image.new("P", (100, 100), 0)
    see_through.putpalette([*BLUE, 0, 0, 0])
    for content in (saved(clear, "PNG"), saved(see_through, "PNG", transparency=0)):
        picture = Image.open(io.BytesIO(paint_anew(content, "tray.png").jpeg))
        assert min(picture.getpixel((50, 50))) > 250


@pytest.mark.parametrize(("value", "shown"), [(0, 0), (0x4000, 64), (0x8000, 128), (0xFFFF, 255)])
def test_sixteen_bits_of_grey_become_eight(value: int, shown: int) -> None:
    """By hand: the upper byte of each value. A reader that cuts at 255 would show white from 0x00FF on."""
    line = b"\0" + struct.pack(">H", value) * 80
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 80, 80, 16, 0, 0, 0, 0))
    content = b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(line * 80)) + chunk(b"IEND", b"")
    picture = Image.open(io.BytesIO(paint_anew(content, "tray.png").jpeg))
    assert picture.getpixel((40, 40)) == pytest.approx((shown,) * 3, abs=2)


def test_sixteen_bits_a_colour_become_eight() -> None:
    line = b"\0" + struct.pack(">HHH", 0xDC00, 0x1400, 0x1400) * 80
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 80, 80, 16, 2, 0, 0, 0))
    content = b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(line * 80)) + chunk(b"IEND", b"")
    assert corners_of(paint_anew(content, "tray.png").jpeg) == ["red"] * 4


def test_of_two_pictures_in_a_phones_jpeg_the_first_is_taken() -> None:
    """Many phones put a second one behind the first (CIPA DC-007, multi-picture format)."""
    second = Image.new("RGB", (400, 300), BLUE)
    content = saved(painted_corners(), "MPO", save_all=True, append_images=[second])
    painted = paint_anew(content, "tray.jpg")
    assert corners_of(painted.jpeg) == QUARTERS
    assert_nothing_but_dots(painted.jpeg)


def test_an_archive_behind_a_picture_is_gone() -> None:
    """One file that is a picture to one reader and an archive to another: what is kept is a picture to both."""
    into = io.BytesIO(plain_jpeg())
    into.seek(0, io.SEEK_END)
    with zipfile.ZipFile(into, "a") as archive:
        archive.writestr("page.html", "<script>alert(1)</script>")
    content = into.getvalue()
    assert zipfile.is_zipfile(io.BytesIO(content))
    painted = paint_anew(content, "tray.jpg")
    assert not zipfile.is_zipfile(io.BytesIO(painted.jpeg))
    assert_nothing_but_dots(painted.jpeg)


SVG = b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'
HEIC = b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(200)


@pytest.mark.parametrize("name", ["tray.jpg", "tray.png", "tray.webp", "tray.svg", "tray.gif", ""])
@pytest.mark.parametrize(
    "content",
    [
        SVG, b"<?xml version='1.0'?>" + SVG, saved(painted_corners(), "GIF"), saved(painted_corners(), "BMP"),
        saved(painted_corners(), "TIFF"), HEIC, b"%PDF-1.7 ", b"PK\x03\x04" + plain_jpeg(), b"GIF89a" + plain_jpeg(),
        b" " + plain_jpeg(), b"<html>" + plain_jpeg(), b"RIFF\0\0\0\0WAVE", b"\xff\xd8", b"x",
    ],
)  # fmt: skip
def test_what_does_not_begin_as_one_of_the_three_kinds_is_refused(content: bytes, name: str) -> None:
    assert fault_of(content, name) == PhotoFault.OTHER_KIND


@pytest.mark.parametrize(
    "name", ["tray.png", "tray.webp", "tray.gif", "tray.jpg.exe", "tray", "jpg", "", "tray.jpg.svg"]
)
def test_a_name_that_does_not_fit_the_picture_is_refused(name: str) -> None:
    assert fault_of(plain_jpeg(), name) == PhotoFault.OTHER_ENDING


@pytest.mark.parametrize("name", ["tray.jpg", "TRAY.JPG", "a/b\\c.JPeG", "übers Beet.jpeg", "x.png.jpg"])
def test_the_end_of_a_name_is_read_in_any_way_of_writing(name: str) -> None:
    assert paint_anew(plain_jpeg(), name).width == 400


def test_an_empty_file_is_said_to_be_empty() -> None:
    assert fault_of(b"", "tray.jpg") == PhotoFault.EMPTY


def test_a_file_of_more_than_ten_megabytes_is_not_opened() -> None:
    assert fault_of(plain_jpeg() + bytes(MOST_BYTES), "tray.jpg") == PhotoFault.TOO_BIG


@pytest.mark.parametrize("share", [0.05, 0.3, 0.6, 0.9])
def test_a_picture_that_is_cut_short_is_refused(share: float) -> None:
    for kind, name in (("JPEG", "tray.jpg"), ("PNG", "tray.png"), ("WEBP", "tray.webp")):
        content = saved(Image.effect_noise((300, 300), 80), kind)
        assert fault_of(content[: int(len(content) * share)], name) == PhotoFault.DAMAGED, name


def test_only_a_beginning_is_no_picture() -> None:
    for content, name in (
        (b"\xff\xd8\xff", "a.jpg"),
        (b"\x89PNG\r\n\x1a\n", "a.png"),
        (b"RIFF\x24\0\0\0WEBPVP8 ", "a.webp"),
        (b"\xff\xd8\xff\xe0" + SVG, "a.jpg"),
    ):
        assert fault_of(content, name) == PhotoFault.DAMAGED


@pytest.mark.parametrize(("width", "height"), [(8000, 5001), (40_000_001, 1), (30_000, 30_000), (65_000, 65_000)])
def test_more_than_40_million_dots_are_refused_before_they_are_opened(width: int, height: int) -> None:
    content = flat_png(width, 1)[:8]
    content += chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0))
    content += chunk(b"IDAT", zlib.compress(b"\0" * 100)) + chunk(b"IEND", b"")
    assert len(content) < 200
    assert fault_of(content, "tray.png") == PhotoFault.TOO_MANY_DOTS


def test_40_million_dots_are_taken() -> None:
    painted = paint_anew(flat_png(8000, 5000), "tray.png")
    assert (painted.width, painted.height) == (LONGEST_SIDE, 1000)


def test_a_text_that_grows_to_many_megabytes_when_it_is_opened_is_refused() -> None:
    plain = saved(painted_corners(), "PNG")
    bomb = chunk(b"zTXt", b"Comment\0\0" + zlib.compress(b"a" * (60 << 20), 9))
    assert len(bomb) < 100_000
    assert fault_of(plain[:33] + bomb * 2 + plain[33:], "tray.png") == PhotoFault.DAMAGED


def test_a_picture_that_moves_is_refused_in_words() -> None:
    frames = [painted_corners(), Image.new("RGB", (400, 300), RED)]
    for kind, name in (("PNG", "tray.png"), ("WEBP", "tray.webp")):
        content = saved(frames[0], kind, save_all=True, append_images=frames[1:], duration=100)
        assert fault_of(content, name) == PhotoFault.MOVING, kind
    assert PhotoFault.MOVING.label == "This picture moves. Send one that stands still."


@pytest.mark.parametrize("size", [(63, 400), (400, 63), (1, 1)])
def test_a_picture_too_small_to_show_an_animal_is_refused(size: tuple[int, int]) -> None:
    assert fault_of(saved(Image.new("RGB", size)), "tray.jpg") == PhotoFault.TOO_SMALL


def test_every_reason_is_a_whole_sentence() -> None:
    assert all(fault.label.endswith(".") and fault.label[0].isupper() for fault in PhotoFault)


# --- cutting ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cut", "left"),
    [
        # By hand, on 400 x 300 dots: the part in per cent, rounded up, so that at least as much as was asked for goes.
        (Cut(left=50), ((200, 300), ["green", "green", "white", "white"])),
        (Cut(right=50), ((200, 300), ["red", "red", "blue", "blue"])),
        (Cut(top=50), ((400, 150), ["blue", "white", "blue", "white"])),
        (Cut(bottom=50), ((400, 150), ["red", "green", "red", "green"])),
        (Cut(left=1, top=1, right=1, bottom=1), ((392, 294), QUARTERS)),
    ],
)
def test_a_cut_leaves_what_is_left(cut: Cut, left: tuple[tuple[int, int], list[str]]) -> None:
    painted = cut_off(plain_jpeg(), cut)
    assert (size_in(painted.jpeg), corners_of(painted.jpeg)) == left
    assert_nothing_but_dots(painted.jpeg)


def test_of_a_dot_that_is_partly_in_what_goes_nothing_stays() -> None:
    """By hand: 33 per cent of 101 dots are 33.33, so 34 go; from the right too, and 33 are left."""
    assert Cut(left=33, right=33).kept(101, 300) == (34, 0, 67, 300)


@pytest.mark.parametrize("cut", [Cut(left=60, right=30), Cut(top=90), Cut(left=90, right=90), Cut(top=50, bottom=50)])
def test_a_cut_that_leaves_next_to_nothing_is_refused(cut: Cut) -> None:
    with pytest.raises(CannotPaint) as refused:
        cut_off(plain_jpeg(), cut)
    assert refused.value.fault == PhotoFault.LITTLE_LEFT
