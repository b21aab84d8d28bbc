"""The colours of charts: our own, told apart by people who see fewer colours, on light paper and on dark.

Tests hold each against both papers (WCAG 2.2, 1.4.11: 3 to 1) and every pair under simulated deuteranopia, protanopia
and tritanopia. A colour never says anything alone: marks differ in shape or carry their words.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Ink:
    """One colour of a chart, by its use: on light paper and on dark, each as #rrggbb.

    A chart is drawn in ``light``; the drawing names the ink instead, and the style sheet gives either colour.
    """

    name: str
    light: str
    dark: str


#: What there usually is: bars and dots of the many.
USUAL = Ink("usual", "#3f5123", "#83975a")
#: What the eye is led to: the one count, the latest night.
MARKED = Ink("marked", "#b4690e", "#f7c06a")
#: What stands beside them: the night before, a third part.
BESIDE = Ink("beside", "#5b7fb8", "#7fa3de")
#: Letters, and the edges of marks: the page's own ink.
WORDS = Ink("words", "#241a11", "#f0e5d0")
#: Words of the scale: the page's soft ink.
SOFT = Ink("soft", "#5d4d3c", "#c5b497")
#: Lines of the scale, which say nothing by themselves.
GROUND = Ink("ground", "#c9b899", "#4a3b2a")
#: The inside of a mark that is drawn as a ring: the page's card.
CARD = Ink("card", "#fbf7ed", "#211911")

#: Inks that carry meaning; they must be told apart.
MARKS = (USUAL, MARKED, BESIDE)
INKS = (*MARKS, WORDS, SOFT, GROUND, CARD)


def ink_drawn_as(colour: str) -> Ink:
    """Return the ink that a drawing shows in a colour; raise ``KeyError`` for a colour that is not ours."""
    return _BY_LIGHT[colour.lower()]


_BY_LIGHT = {ink.light: ink for ink in INKS}
