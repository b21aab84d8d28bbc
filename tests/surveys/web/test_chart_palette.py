"""The colours of charts: seen on both papers, and told apart by those who see fewer colours.

Outside judges: the contrast formula of WCAG 2.2 (relative luminance), and colorspacious for the simulation of colour
blindness (Machado et al. 2009) and for CAM02-UCS, the space in which it measures how far colours lie apart.
"""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from colorspacious import cspace_convert, deltaE
from numpy.typing import NDArray

import surveys
from surveys.web.chart_palette import CARD, INKS, MARKS, SOFT, WORDS, ink_drawn_as

CSS = (Path(surveys.__file__).parent / "static/surveys/css/charts.css").read_text()
BASE = (Path(surveys.__file__).parent / "static/surveys/css/base.css").read_text()
SHADES = ("light", "dark")
#: Papers on which a chart may stand: the page's and a panel's.
PAPERS = {"light": ("#f3ebdb", "#fbf7ed"), "dark": ("#17110b", "#211911")}


def rgb(colour: str) -> NDArray[np.float64]:
    return np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])


def luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    parts = rgb(colour)
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def seen(colour: str, kind: str | None) -> NDArray[np.float64]:
    """Return a colour as somebody without one sort of cone sees it."""
    if kind is None:
        return rgb(colour)
    space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
    return np.clip(cspace_convert(rgb(colour), space, "sRGB1"), 0.0, 1.0)


def test_the_formula_gives_the_ratios_that_are_known() -> None:
    # WCAG 2.2: black on white is 21 to 1; #767676 is the lightest grey that passes 4.5 on white (common knowledge).
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("shade", SHADES)
def test_each_mark_stands_out_from_every_paper(shade: str) -> None:
    """WCAG 2.2, 1.4.11: 3 to 1 for what carries meaning; 1.4.3: 4.5 to 1 for words."""
    for paper in PAPERS[shade]:
        for ink in MARKS:
            assert contrast(getattr(ink, shade), paper) >= 3.0, ink.name
        for ink in (WORDS, SOFT):
            assert contrast(getattr(ink, shade), paper) >= 4.5, ink.name


@pytest.mark.parametrize("shade", SHADES)
@pytest.mark.parametrize("kind", [None, "deuteranomaly", "protanomaly", "tritanomaly"])
def test_marks_are_told_apart_by_whoever_sees_fewer_colours(shade: str, kind: str | None) -> None:
    # About 1 is the smallest difference that is seen side by side; 15 is plain at a glance (own choice, wide of it).
    for one, other in combinations(MARKS, 2):
        apart = deltaE(
            seen(getattr(one, shade), kind), seen(getattr(other, shade), kind), input_space="sRGB1"
        )  # fmt: skip
        assert apart >= 15, (one.name, other.name, round(float(apart), 1))


def test_the_judge_finds_red_and_green_hard_to_tell_for_those_who_cannot() -> None:
    # A check that cannot fail would be none: this pair is told apart by most, and hardly by deuteranopes.
    red, green = "#b05a2c", "#6f7a1e"
    apart = [float(deltaE(seen(red, kind), seen(green, kind), input_space="sRGB1")) for kind in (None, "deuteranomaly")]
    assert apart[0] > 25
    assert apart[1] < 15


@pytest.mark.parametrize("shade", SHADES)
def test_the_style_sheet_has_the_same_colours(shade: str) -> None:
    light, dark = CSS.split("@media (prefers-color-scheme: dark)", 1)
    found = dict(re.findall(r"--ink-(\w+): (#[0-9a-f]{6});", light if shade == "light" else dark))
    assert found == {ink.name: getattr(ink, shade) for ink in INKS}
    for ink in INKS:
        for paint in ("fill", "stroke"):
            assert f".{paint}-{ink.name} {{ {paint}: var(--ink-{ink.name}); }}" in CSS


def test_words_soft_and_card_are_the_inks_of_the_page() -> None:
    light, dark = BASE.split("@media (prefers-color-scheme: dark)", 1)
    for name, ink in (("ink", WORDS), ("soft", SOFT), ("card", CARD)):
        assert f"--{name}: {ink.light};" in light
        assert f"--{name}: {ink.dark};" in dark


def test_a_colour_that_is_not_ours_is_refused() -> None:
    assert ink_drawn_as("#3F5123").name == "usual"
    with pytest.raises(KeyError):
        ink_drawn_as("#4c78a8")
