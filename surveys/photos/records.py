"""What goes into the painting of a picture, what comes out, and why a picture may not be taken."""

from __future__ import annotations

from dataclasses import dataclass

from surveys.vocabulary import Word

#: Bytes of a picture as it is sent. Own choice: the largest that phones make have about 8 MB.
MOST_BYTES = 10 * 1024 * 1024
#: Dots of a picture before it is made smaller (ASVS 5.0.0, 5.2.6). Phones make 12 million, some of them 40.
MOST_PIXELS = 40_000_000
#: The longest side of what is kept: a beetle of 5 mm in a tray of 30 cm then has some 25 dots.
LONGEST_SIDE = 1600
#: Per cent of a picture that may be cut off one side.
MOST_CUT = 90
#: The shortest side that is of any use, of a picture that is sent and of what is left of one that is cut.
SHORTEST_SIDE = 64


def _(text: str) -> str:
    """Mark a text for translation and leave it as it is."""
    return text


class PhotoFault(Word):
    """Why a picture is not taken; the label is the whole sentence for whoever sent it."""

    EMPTY = "empty", _("There is nothing in this file. Choose the picture once more.")
    TOO_BIG = "too_big", _("The picture is too big. One picture takes 10 MB. Make it smaller, then send it.")
    OTHER_KIND = "other_kind", _("We take JPEG, PNG and WebP pictures. Save your picture as one of these.")
    OTHER_ENDING = (
        "other_ending",
        _("The file's name says one kind of picture, and the file is not that. Save it once more, then send it."),
    )
    DAMAGED = "damaged", _("The picture is damaged, or cut short. Save it once more, then send it.")
    MOVING = "moving", _("This picture moves. Send one that stands still.")
    TOO_MANY_DOTS = (
        "too_many_dots",
        _("The picture has too many dots. 40 million are the most. Make it smaller, then send it."),
    )
    TOO_SMALL = "too_small", _("The picture is too small to see an animal in it. Send a bigger one.")
    LITTLE_LEFT = "little_left", _("That leaves too little of the picture. Cut less off.")
    TOO_MUCH = "too_much", _("The picture is too much for us to open. Make it smaller, then send it.")
    BUSY = "busy", _("Many pictures come in at this moment. Wait a minute, then send it once more.")


class CannotPaint(Exception):
    """A picture is not taken. Carries why."""

    def __init__(self, fault: PhotoFault) -> None:
        super().__init__(fault.value)
        self.fault = fault


@dataclass(frozen=True, slots=True)
class Painted:
    """A picture that was painted here: a JPEG without anything but its dots, and its size in dots."""

    jpeg: bytes
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Cut:
    """What is cut off each side of a picture, in per cent of its width or height."""

    left: int = 0
    top: int = 0
    right: int = 0
    bottom: int = 0

    def kept(self, width: int, height: int) -> tuple[int, int, int, int]:
        """Return what stays, as left, top, right and bottom edge in dots. At least what was asked for goes."""
        return (
            -(-width * self.left // 100),
            -(-height * self.top // 100),
            width - -(-width * self.right // 100),
            height - -(-height * self.bottom // 100),
        )

    def leaves_enough(self, width: int, height: int) -> bool:
        """Say whether something worth looking at stays."""
        left, top, right, bottom = self.kept(width, height)
        return min(right - left, bottom - top) >= SHORTEST_SIDE
