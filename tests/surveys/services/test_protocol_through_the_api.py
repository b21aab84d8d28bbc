"""Each protocol answer wrong alone, sent for real: its own finding, its own sentence, and nothing is lost.

Rows and outcomes: domain notes, section 2 (the protocol table).
"""

from __future__ import annotations

from typing import Any

import pytest

from surveys.models import Return
from tests.factories import ApiClient, make_season, make_trap, return_payload, stored

pytestmark = pytest.mark.django_db

#: what is wrong, the check that must find it, and one of the outcomes it must have.
WRONG: list[tuple[dict[str, Any], str, str]] = [
    ({"mouth_mm": 40}, "mouth_width", "out"),
    ({"mouth_mm": 95}, "mouth_width", "offset"),
    ({"mouth_mm": 70}, "mouth_width", "offset"),
    ({"depth_mm": 40}, "cup_depth", "out"),
    ({"depth_mm": 200}, "cup_depth", "hold"),
    ({"material": "metal"}, "", "covariate"),
    ({"wall": "rough_or_dirty"}, "", "note"),
    ({"colour": "white"}, "", "covariate"),
    ({"nesting": "single"}, "", "covariate"),
    ({"rim": "slightly_above"}, "", "note"),
    ({"rim": "above"}, "", "out"),
    ({"rim_gap": "wider"}, "", "note"),
    ({"cover": "absent", "cover_kind": None, "cover_gap_mm": None, "cover_width_mm": None, "rain": "heavy"}, "", "out"),
    ({"cover_gap_mm": 5}, "", "out"),
    ({"cover_width_mm": 60}, "", "note"),
    ({"refuge": "reaches_rim"}, "", "out"),
    ({"refuge": "nothing"}, "", "note"),
    ({"liquid": "soap"}, "", "out"),
    ({"liquid": "preservative"}, "", "hold"),
    ({"liquid": "standing_water", "water_mm": 3}, "", "note"),
    ({"drain_holes": "large"}, "", "out"),
    ({"settled_h": 1}, "", "covariate"),
    ({"hole_reuse": None}, "", "covariate"),
    ({"disturbance": "mown"}, "", "covariate"),
    ({"pesticide": "yes"}, "", "note"),
    ({"emptied_at": "2026-05-05T17:00:00+00:00"}, "", "out"),
    ({"emptied_at": "2026-05-02T20:00:00+00:00"}, "", "out"),
    ({"emptied_at": "2026-05-01T17:00:00+00:00"}, "", "hold"),
    ({"emptied_at": "2026-05-03T22:00:00+00:00"}, "", "offset"),
    ({"time_precision": "date_only"}, "", "hold"),
    ({"looks": "no_look"}, "", "note"),
    ({"traps_open": 2}, "", "note"),
    ({"spacing_m": 1.5}, "", "note"),
    ({"habitat": None}, "", "hold"),
    ({"ground_cover": None}, "", "note"),
    ({"temp_max_c": 33}, "", "note"),
    ({"temp_min_c": 1}, "", "note"),
    ({"counted_in": "the_cup"}, "", "covariate"),
    ({"trap_state": "kicked"}, "", "out"),
    ({"trap_state": "water_in"}, "", "out"),
    ({"trap_state": "tilted"}, "", "note"),
    ({"release": "not_released"}, "", "note"),
    ({"closing": "left_open"}, "", "note"),
    ({"vertebrate_seen": "yes"}, "", "hold"),
    ({"traps_pooled": 3}, "", "covariate"),
    ({"set_at": "2025-05-02T17:00:00Z", "emptied_at": "2025-05-03T17:00:00Z"}, "", "note"),
]


@pytest.mark.parametrize(("changes", "check", "outcome"), WRONG, ids=lambda v: str(v)[:50])
def test_a_departure_is_stored_and_found_in_its_own_words(changes: dict[str, Any], check: str, outcome: str) -> None:
    make_season()
    trap = make_trap()
    plain, wrong = return_payload(trap), return_payload(trap, **changes)
    sender = ApiClient(trap.site.household.keeper)
    before = {row["sentence"] for row in sender.send("returns", plain).json()["findings"]}
    answer = sender.send("returns", wrong)
    assert answer.status_code == 201, answer.content
    news = [row for row in answer.json()["findings"] if row["sentence"] not in before]
    assert outcome in [row["outcome"] for row in news], news
    assert not check or check in [row["check_id"] for row in news], news
    assert all(len(row["sentence"]) > 20 for row in news)
    kept = stored(wrong)
    for name, value in changes.items():
        if value is not None and name not in ("habitat", "set_at", "emptied_at"):
            assert getattr(kept, name) == value
    assert len(answer.json()["catch"]) == len(wrong["catch"])


def test_each_departure_speaks_with_its_own_sentence() -> None:
    make_season()
    trap = make_trap()
    sender = ApiClient(trap.site.household.keeper)
    before = {row["sentence"] for row in sender.send("returns", return_payload(trap)).json()["findings"]}
    heard: dict[str, int] = {}
    for number, (changes, _, _) in enumerate(WRONG):
        for row in sender.send("returns", return_payload(trap, **changes)).json()["findings"]:
            if row["sentence"] not in before:
                other = heard.setdefault(row["sentence"], number)
                assert WRONG[other][0].keys() & changes.keys(), (WRONG[other], changes, row["sentence"])
    assert len(heard) >= len(WRONG) - 4
    assert Return.objects.count() == len(WRONG) + 1


def test_a_liquid_is_out_and_held_and_marked_for_safety() -> None:
    """Domain notes, section 2: any preservative, soap, beer, food bait: OUT + HOLD; section 6: a safety event."""
    make_season()
    trap = make_trap()
    answer = ApiClient(trap.site.household.keeper).send("returns", return_payload(trap, liquid="preservative")).json()
    assert answer["standing"] == "off_protocol"
    about = [row for row in answer["findings"] if "safety" in row["marks"]]
    assert {"out", "hold"} <= {row["outcome"] for row in about}
    assert any("antifreeze" in row["sentence"].lower() for row in about)


def test_a_lost_trap_has_no_effort_and_is_never_a_zero() -> None:
    make_season()
    trap = make_trap()
    payload = return_payload(trap, trap_state="moved")
    payload["catch"] = [{"group": row["group"], "answer": "none_seen"} for row in payload["catch"]]
    answer = ApiClient(trap.site.household.keeper).send("returns", payload).json()
    assert (answer["trap_nights"], answer["standing"]) == (None, "off_protocol")
