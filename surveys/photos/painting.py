"""Painting a picture anew: nothing of the file that was sent goes on but the dots.

A picture that is only saved again may keep more: Pillow writes a JPEG's comment back. So it is pasted into a new,
empty picture, which never had any words in it. Colours of a profile are not turned into those of another: the profile
is dropped, and a tray looks a little paler.
"""

from __future__ import annotations

import io
import warnings

from PIL import Image, ImageOps

from surveys.photos.kinds import JPEG, Kind, kind_of
from surveys.photos.records import LONGEST_SIDE, MOST_PIXELS, SHORTEST_SIDE, CannotPaint, Cut, Painted, PhotoFault

# A picture above this is refused when it is opened: the warning is an error here, and twice as much is one anyway.
Image.MAX_IMAGE_PIXELS = MOST_PIXELS
warnings.simplefilter("error", Image.DecompressionBombWarning)

#: The coarsest quality at which no leg of a small animal was lost to the eye. Own choice.
QUALITY = 82
#: Kinds of which a file may hold one picture only. A phone's JPEG often has a second, small one: the first is taken.
_STILL = ("PNG", "WEBP")


def paint_anew(content: bytes, name: str) -> Painted:
    """Return a picture that was sent, upright, at most 1600 dots long, as a JPEG with nothing in it but dots.

    Raises :class:`CannotPaint` for what is no picture of ours, is damaged, moves, or has too many dots or too few.
    """
    return _painted(_upright(_opened(content, kind_of(content, name))))


def cut_off(jpeg: bytes, cut: Cut) -> Painted:
    """Return what stays of a picture that was painted here, painted anew."""
    picture = _opened(jpeg, JPEG)
    if not cut.leaves_enough(*picture.size):
        raise CannotPaint(PhotoFault.LITTLE_LEFT)
    return _painted(picture.crop(cut.kept(*picture.size)))


def _opened(content: bytes, kind: Kind) -> Image.Image:
    """Decode a picture, and make it small at once."""
    try:
        picture = Image.open(io.BytesIO(content), formats=(kind.name,))
        _refuse_by_head(picture)
        # A JPEG can be decoded to a half, a quarter or an eighth of its size, which takes as much less memory.
        picture.draft(None, (LONGEST_SIDE, LONGEST_SIDE))
        picture.load()
        small = _in_plain_colours(picture)
        small.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    except (CannotPaint, MemoryError):
        raise
    except (Image.DecompressionBombWarning, Image.DecompressionBombError):
        raise CannotPaint(PhotoFault.TOO_MANY_DOTS) from None
    except Exception:  # whatever a decoder falls over, it is not a picture
        raise CannotPaint(PhotoFault.DAMAGED) from None
    return small


def _refuse_by_head(picture: Image.Image) -> None:
    """Refuse what can be told from the first lines of the file: nothing is decoded yet."""
    if picture.format in _STILL and getattr(picture, "is_animated", False):
        raise CannotPaint(PhotoFault.MOVING)
    if min(picture.size) < SHORTEST_SIDE:
        raise CannotPaint(PhotoFault.TOO_SMALL)


def _in_plain_colours(picture: Image.Image) -> Image.Image:
    """Return a picture in a mode that can be made smaller: no palette, and eight bits a colour."""
    if picture.mode.startswith("I"):
        # Sixteen bits of grey: the upper eight are what a screen shows. Pillow by itself would cut all above 255.
        return picture.point(lambda value: value / 256).convert("L")
    if picture.mode in ("1", "P") or "transparency" in picture.info:
        return picture.convert("RGBA")
    return picture


def _upright(picture: Image.Image) -> Image.Image:
    """Return a picture turned as the camera was held."""
    try:
        return ImageOps.exif_transpose(picture)
    except Exception:  # what the camera wrote beside the picture is broken, and the picture is not
        return picture


def _painted(picture: Image.Image) -> Painted:
    fresh = Image.new("RGB", picture.size, "white")
    clear = picture.mode in ("RGBA", "LA")
    fresh.paste(picture.convert("RGBA" if clear else "RGB"), mask=picture.getchannel("A") if clear else None)
    into = io.BytesIO()
    fresh.save(into, "JPEG", quality=QUALITY, optimize=True)
    return Painted(into.getvalue(), *fresh.size)
