"""The reading that fits better, as it would be typed into the boxes."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from surveys.web.another_reading import another_reading, cell_of_answer

#: What was sent, in the order of the form.
SENT = [
    ("woodlice", "Woodlice", "number", 12, 12),
    ("millipedes", "Millipedes", "none_seen", 0, 0),
    ("centipedes", "Centipedes", "class", 16, 31),
    ("spiders", "Spiders", "did_not_look", None, None),
]


@pytest.fixture
def catches() -> list[Any]:
    return [
        SimpleNamespace(group=SimpleNamespace(code=code, name=name), answer=answer, low=low, high=high)
        for code, name, answer, low, high in SENT
    ]


def test_answers_are_written_as_they_are_typed(catches: list[Any]) -> None:
    assert [cell_of_answer(one) for one in catches] == ["12", "0", "16-31", "-"]
    assert cell_of_answer(SimpleNamespace(answer="class", low=128, high=None)) == "128+"
    assert cell_of_answer(SimpleNamespace(answer="could_not_tell", low=None, high=None)) == "?"


CASES = {
    "a number": (
        {"group": "woodlice", "count": 1},
        {"woodlice": "1"},
        "It fits if Woodlice reads 1 and not 12.",
    ),
    "two groups that change places": (
        {"swapped": ["woodlice", "centipedes"]},
        {"woodlice": "16-31", "centipedes": "12"},
        "It fits if Woodlice and Centipedes change places.",
    ),
    "one row up": (
        {"slipped": "down", "from_group": "millipedes"},
        {"millipedes": "16-31", "centipedes": "-", "spiders": "?"},
        "It fits if all from Millipedes on move up one row. The last one is then “could not tell”.",
    ),
    "one row down": (
        {"slipped": "up", "from_group": "woodlice"},
        {"woodlice": "?", "millipedes": "12", "centipedes": "0", "spiders": "16-31"},
        "It fits if all from Woodlice on move down one row. The first one is then “could not tell”.",
    ),
}


@pytest.mark.parametrize(("offered", "cells", "words"), CASES.values(), ids=CASES.keys())
def test_counts_are_offered_as_cells(
    catches: list[Any], offered: dict[str, Any], cells: dict[str, str], words: str
) -> None:
    found = another_reading({"alternative": offered}, catches, "UTC")
    assert found is not None
    assert (dict(found.cells), dict(found.boxes), found.words) == (cells, {}, words)


def test_traps_and_times_are_offered_as_boxes(catches: list[Any]) -> None:
    traps = another_reading({"alternative": {"traps": 3}}, catches, "UTC")
    assert traps is not None
    assert dict(traps.boxes) == {"traps_pooled": "3"}
    times = {"set_at": "2026-07-01T17:00:00+00:00", "emptied_at": "2026-07-02T17:30:00+00:00"}
    moved = another_reading({"alternative": times}, catches, "Europe/Lisbon")
    # Lisbon is an hour ahead in July (tz database, rule EU).
    assert moved is not None
    assert dict(moved.boxes) == {"set_at": "2026-07-01 18:00", "emptied_at": "2026-07-02 18:30"}


@pytest.mark.parametrize(
    "evidence",
    [{}, {"alternative": {}}, {"alternative": {"habitat": "hedge_base"}}, {"alternative": {"group": "bats", "count": 3}},
     {"alternative": {"swapped": ["woodlice", "bats"]}}, {"alternative": {"slipped": "up", "from_group": "bats"}}],
)  # fmt: skip
def test_what_cannot_be_corrected_here_is_not_offered(catches: list[Any], evidence: dict[str, Any]) -> None:
    assert another_reading(evidence, catches, "UTC") is None
