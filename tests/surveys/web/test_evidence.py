"""Drawings of evidence. Places on the root scale are worked out by hand beside each."""

from __future__ import annotations

import pytest

from surveys.web.evidence import MOST_BARS, drawn

QUANTILES = {"0.5": 1, "0.9": 4, "0.99": 9, "0.999": 16}


def row(group: str = "ground_beetles", low: int = 100, high: int | None = 100, **more: object) -> dict[str, object]:
    return {"group": group, "low": low, "high": high, "quantiles": QUANTILES, **more}


def test_a_count_stands_beside_what_is_usual_and_what_would_fit() -> None:
    drawing = drawn({"numbers": [row()], "alternative": {"group": "ground_beetles", "count": 25}})
    assert drawing is not None
    (bar,) = drawing.bars
    # x = 2 + 94 sqrt(count / 100): sent 100 -> 96, usual 4 -> 20.8, rare 16 -> 39.6, would fit 25 -> 49.
    assert (bar.sent_x, bar.sent_end, bar.usual_end, bar.rare_end, bar.fits_x) == (96, 96, 20.8, 39.6, 49)
    assert bar.words == "Ground beetles: 100 sent, most such traps have up to 4, 25 would fit"
    assert drawing.shows_fit


def test_a_class_is_drawn_from_its_lowest_to_its_highest_count() -> None:
    drawing = drawn({"numbers": [row(low=16, high=25)]})
    assert drawing is not None
    # The scale ends at 25: 2 + 94 sqrt(16 / 25) = 77.2.
    assert (drawing.bars[0].sent_x, drawing.bars[0].sent_end) == (77.2, 96)
    assert "16 to 25 sent" in drawing.bars[0].words


def test_an_open_class_says_or_more() -> None:
    drawing = drawn({"numbers": [row(low=128, high=None)]})
    assert drawing is not None
    assert "128 or more sent" in drawing.bars[0].words


def test_swapped_groups_are_each_given_the_other_count() -> None:
    evidence = {
        "numbers": [row("spiders", 1, 1), row("harvestmen", 9, 9)],
        "alternative": {"swapped": ["spiders", "harvestmen"], "log_ratio": 5.1},
    }
    drawing = drawn(evidence)
    assert drawing is not None
    # The scale ends at 16, the rarest of the quantiles: 9 -> 2 + 94 * 3/4 = 72.5, 1 -> 2 + 94 / 4 = 25.5.
    assert [bar.fits_x for bar in drawing.bars] == [72.5, 25.5]
    assert [bar.sent_x for bar in drawing.bars] == [25.5, 72.5]


def test_a_count_beyond_a_cup_stands_beside_what_a_cup_holds() -> None:
    drawing = drawn({"numbers": [{"group": "woodlice", "low": 400, "ceiling": 100}], "macro_total": 400})
    assert drawing is not None
    # 2 + 94 sqrt(100 / 400) = 49.
    assert (drawing.bars[0].usual_end, drawing.bars[0].sent_x) == (49, 96)
    assert drawing.bars[0].words == "Woodlice: 400 sent, a cup holds up to 100"


def test_nothing_usual_is_still_a_line_that_can_be_seen() -> None:
    drawing = drawn({"numbers": [row(quantiles={"0.5": 0, "0.9": 0})]})
    assert drawing is not None
    assert drawing.bars[0].usual_end > 2


@pytest.mark.parametrize(
    "evidence",
    [
        {},
        {"numbers": []},
        {"numbers": [{"name": "share_equal", "value": 0.9}]},
        {"numbers": [{"name": "sent", "value": 40}], "alternative": {"traps": 4}},
        {"sent": [51.5, -18.0], "alternative": [51.5, 18.0]},
    ],
)
def test_evidence_without_counts_has_no_drawing(evidence: dict[str, object]) -> None:
    assert drawn(evidence) is None


def test_a_long_list_is_cut() -> None:
    drawing = drawn({"numbers": [row(f"group_{place}") for place in range(20)]})
    assert drawing is not None
    assert len(drawing.bars) == MOST_BARS
