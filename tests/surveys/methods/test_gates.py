"""The gate reads the design and predicted counts."""

from __future__ import annotations

import math

import pytest

from surveys.methods.gates import CellDesign, pass_gate, planning_error, sites_missing
from surveys.methods.level_records import LevelSettings
from surveys.vocabulary import IndexLabel

ENOUGH = CellDesign(sites=10, site_nights=20, expected_count=10.0)  # method study 7.2


def test_a_cell_at_the_gate_is_shown() -> None:
    passage = pass_gate(ENOUGH, ENOUGH, 0.3, LevelSettings())
    assert (passage.label, passage.code, passage.more_sites_needed) == (IndexLabel.SHOWN, "shown", 0)


def test_a_wide_cell_is_shown_and_said_to_be_wide() -> None:
    assert pass_gate(ENOUGH, ENOUGH, 0.5, LevelSettings()).label == IndexLabel.SHOWN  # wide only above 0.5
    assert pass_gate(ENOUGH, ENOUGH, 0.51, LevelSettings()).label == IndexLabel.WIDE


@pytest.mark.parametrize(
    ("design", "code", "more"),
    [
        (CellDesign(9, 40, 90.0), "few_sites", 1),
        (CellDesign(10, 19, 90.0), "few_site_nights", 1),
        (CellDesign(10, 20, 9.9), "few_expected", 1),
        (CellDesign(4, 8, 2.0), "few_sites", 16),  # half an animal a garden: 8 more animals need 16 gardens
        (CellDesign(12, 14, 90.0), "few_site_nights", 6),  # 6 nights at 14/12 a garden
        (CellDesign(0, 0, 0.0), "no_returns", 10),
    ],
)
def test_a_thin_cell_says_what_is_missing(design: CellDesign, code: str, more: int) -> None:
    passage = pass_gate(design, design, 0.1, LevelSettings())  # gardens asked for: arithmetic by hand
    assert (passage.label, passage.code, passage.more_sites_needed) == (IndexLabel.TOO_FEW, code, more)


def test_an_empty_cell_asks_for_what_gardens_elsewhere_send() -> None:
    elsewhere = CellDesign(sites=20, site_nights=80, expected_count=10.0)
    # 10 animals at half an animal a garden: 20 gardens, by hand
    assert sites_missing(CellDesign(0, 0, 0.0), elsewhere, LevelSettings()) == 20


def test_the_planning_error_adds_counting_and_clumping() -> None:
    # sqrt(1 / 16 + 1 / 4 ) with kappa = 4^2 / 4 : by hand
    assert planning_error(4.0, 4.0, 1.0, 4.0) == pytest.approx(math.sqrt(1 / 16 + 1 / 4))
    assert planning_error(0.0, 4.0, 1.0, 4.0) == math.inf
