"""Examples of what senders send and hear: sites, traps, settings, returns, photos, questions. All invented."""

from __future__ import annotations

from typing import Any

HOUSEHOLD = "5f0c1c52-6a34-4f5e-9d0b-0c7a3c2b8e11"
TRAP = "72c72533-0d59-4fbe-b3a8-4616ef2bf90e"
OPENING = "e27e3b3e-e08c-46ac-a8e5-8675bbde54a5"
RETURN = "8e03978e-40d5-43dd-bc93-6894a57f9324"
ALIAS = "Mossy Lantern 12"
SET_AT, EMPTIED_AT = "2026-05-02T17:00:00+00:00", "2026-05-03T17:00:00+00:00"

_ABOUT_THE_TRAP: dict[str, Any] = {
    "time_precision": "quarter_hour",
    "mouth_mm": 75,
    "depth_mm": 100,
    "material": "plastic",
    "rim": "flush",
    "rim_gap": "closed",
    "cover": "present",
    "cover_kind": "opaque",
    "liquid": "nothing",
    "settled_h": 72,
    "looks": "dusk_and_dawn",
    "traps_open": 4,
    "traps_pooled": 1,
    "temp_min_c": 9,
    "temp_max_c": 17,
    "temp_source": "own",
    "rain": "dry",
    "trap_state": "intact",
    "counted_in": "white_tray",
    "looked_for_all": "yes",
    "release": "within_the_hour",
    "closing": "lidded",
}

RETURN_IN: dict[str, Any] = {
    "id": RETURN,
    "trap": TRAP,
    "set_at": SET_AT,
    "emptied_at": EMPTIED_AT,
    "habitat": "short_lawn",
    **_ABOUT_THE_TRAP,
    "catch": [
        {"group": "woodlice", "answer": "number", "count": 3},
        {"group": "spiders", "answer": "none_seen"},
        {"group": "springtails", "answer": "class", "class": "c32to63"},
        {"group": "millipedes", "answer": "could_not_tell"},
    ],
}

CATCH_OUT: list[dict[str, Any]] = [
    {"group": "woodlice", "answer": "number", "count_min": 3, "count_max": 3, "corrected": None},
    {"group": "spiders", "answer": "none_seen", "count_min": 0, "count_max": 0, "corrected": None},
    {"group": "springtails", "answer": "class", "count_min": 32, "count_max": 63, "corrected": None},
    {"group": "millipedes", "answer": "could_not_tell", "count_min": None, "count_max": None, "corrected": None},
]
REPORTED_OUT = {"set_at": SET_AT, "emptied_at": EMPTIED_AT, **_ABOUT_THE_TRAP, "habitat": "short_lawn"}
QUESTION_OUT = {
    "number": 17,
    "text": "Was there soap in the cup?",
    "asked_at": "2026-05-04T08:20:00+00:00",
    "answer": "",
    "answered_at": None,
}
ANSWERED_OUT = {**QUESTION_OUT, "answer": "No, only rain.", "answered_at": "2026-05-04T18:05:00+00:00"}
FINDING_OUT: dict[str, Any] = {
    "check_id": "settling",
    "outcome": "covariate",
    "marks": [],
    "sentence": "The trap was dug in less than two days before. The model allows for that.",
}

RETURN_NEW: dict[str, Any] = {
    "id": RETURN,
    "state": "received",
    "standing": "to_protocol",
    "version": 1,
    "season": "merrow-2026",
    "region": "alder-quay",
    "trap": TRAP,
    "night": "2026-05-02",
    "received_at": "2026-05-03T17:31:12+00:00",
    "exposure_hours": 24.0,
    "trap_nights": 1.0,
    "reported": REPORTED_OUT,
    "catch": CATCH_OUT,
    "findings": [FINDING_OUT],
    "why_it_waits": [],
    "questions": [],
    "amends": None,
    "amended_by": None,
}
RETURN_OUT: dict[str, Any] = {
    **RETURN_NEW,
    "state": "queried",
    "version": 2,
    "why_it_waits": [{"reason": "ten_times", "sentence": "Look at your springtails again: were there so many?"}],
    "questions": [QUESTION_OUT],
}

_SITE: dict[str, Any] = {
    "id": "55d0a29c-61a6-48cc-adae-9cf5e788e20b",
    "household": HOUSEHOLD,
    "alias": ALIAS,
    "number": 1,
    "region": "alder-quay",
    "latitude": 51.505,
    "longitude": -17.491667,
    "cell": "n51.50w17.50",
    "traps": [{"id": TRAP, "number": 1, "habitat": "short_lawn"}],
}
_OPENING: dict[str, Any] = {
    "id": OPENING,
    "trap": TRAP,
    "set_at": SET_AT,
    "reported": {"mouth_mm": 75, "rim": "flush"},
    "looked_at_dusk": None,
    "looked_at_dawn": None,
    "ended_at": None,
    "ending": None,
    "return_id": None,
}
_LOOKED = {**_OPENING, "looked_at_dusk": "2026-05-02T20:30:00+00:00"}
_PHOTO = {"width": 1600, "height": 1200, "received_at": "2026-05-03T17:40:00Z"}


def page(*items: Any) -> dict[str, Any]:
    """Return a last page of a list."""
    return {"items": list(items), "next": None}


def _row(index: int, status: str, **more: Any) -> dict[str, Any]:
    return {"index": index, "status": status, "id": None, "state": None, "detail": "", "errors": [], **more}


_NO_WORD = "'wobbly' is not one of: flush, slightly_below, deep, slightly_above, above."
_SENT = {
    "stored": 1,
    "already_here": 1,
    "refused": 0,
    "rows": [
        _row(0, "stored", id=RETURN, state="received"),
        _row(1, "already_here", id="331d6d2f-2103-4b30-8685-b475481fdb80", state="standing"),
    ],
}
_PARTLY_SENT = {
    "stored": 1,
    "already_here": 0,
    "refused": 1,
    "rows": [
        _row(0, "stored", id=RETURN, state="received"),
        _row(
            1,
            "refused",
            detail="Some of this return could not be read. Mend what is listed and send it again.",
            errors=[{"pointer": "/rim", "code": "unknown_word", "detail": _NO_WORD}],
        ),
    ],
}

EXAMPLES: dict[str, dict[str, Any]] = {
    "list_own_sites": {"200": page(_SITE)},
    "add_site": {
        "request": {"household": HOUSEHOLD, "latitude": 51.5048, "longitude": -17.4913},
        "201": {**_SITE, "traps": []},
    },
    "add_trap": {"request": {"habitat": "hedge_base"}, "201": {"id": TRAP, "number": 2, "habitat": "hedge_base"}},
    "list_open_traps": {"200": page(_LOOKED)},
    "set_trap": {
        "request": {"id": OPENING, "trap": TRAP, "set_at": SET_AT, "mouth_mm": 75, "rim": "flush"},
        "200": _OPENING,
        "201": _OPENING,
    },
    "read_opening": {"200": _LOOKED},
    "note_look": {"request": {"look": "dusk", "at": "2026-05-02T20:30:00+00:00"}, "200": _LOOKED},
    "call_off_trap": {
        "request": {"ending": "lost", "at": "2026-05-03T06:10:00+00:00"},
        "200": {**_LOOKED, "ended_at": "2026-05-03T06:10:00+00:00", "ending": "lost"},
    },
    "list_own_returns": {"200": page(RETURN_OUT)},
    "send_return": {"request": {**RETURN_IN, "opening": OPENING}, "200": RETURN_OUT, "201": RETURN_NEW},
    "send_many_returns": {"request": {"together": False, "returns": [RETURN_IN]}, "200": _SENT, "422": _PARTLY_SENT},
    "read_own_return": {"200": RETURN_OUT},
    "withdraw_return": {"200": {**RETURN_OUT, "state": "withdrawn", "version": 3}},
    "send_photo": {"200": _PHOTO, "201": _PHOTO},
    "answer_question": {"request": {"text": "No, only rain."}, "200": ANSWERED_OUT},
}
