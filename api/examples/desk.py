"""Examples of the coordinator's desk: the queue, a record, verdicts, questions, leases. All invented."""

from __future__ import annotations

from typing import Any

from api.examples.sending import ALIAS, CATCH_OUT, FINDING_OUT, QUESTION_OUT, REPORTED_OUT, RETURN, page

_SENTENCE = "Springtails: 320 sent, where such a trap catches up to 60. 32 would fit."
_QUEUED: dict[str, Any] = {
    "id": RETURN,
    "version": 2,
    "season": "merrow-2026",
    "region": "alder-quay",
    "household": ALIAS,
    "night": "2026-05-02",
    "urgent": False,
    "probability": 0.83,
    "damage": 0.41,
    "rank": 0.34,
    "reason": "ten_times",
    "sentence": _SENTENCE,
}
_RECORD: dict[str, Any] = {
    **_QUEUED,
    "state": "queried",
    "standing": "to_protocol",
    "reported": REPORTED_OUT,
    "catch": [
        {"group": "springtails", "answer": "number", "count_min": 320, "count_max": 320, "corrected": None},
        *CATCH_OUT[:2],
    ],
    "findings": [FINDING_OUT],
    "queries": [
        {
            "kind": "statistical",
            "reason": "ten_times",
            "probability": 0.83,
            "sentence": _SENTENCE,
            "evidence": {"numbers": [{"group": "springtails", "low": 320, "high": 320}]},
        }
    ],
    "questions": [QUESTION_OUT],
    "verdicts": [],
}
_CORRECTED_ANSWER = {"answer": "number", "count_min": 32, "count_max": 32}
_VERDICT = {
    "decision": "corrected",
    "reason": "count_slip",
    "note": "The household confirmed 32.",
    "decided_at": "2026-05-05T09:12:00+00:00",
    "version": 2,
    "undone_at": None,
}
_DECIDED = {
    **_RECORD,
    "version": 3,
    "state": "corrected",
    "catch": [{**_RECORD["catch"][0], "corrected": _CORRECTED_ANSWER}, *CATCH_OUT[:2]],
    "verdicts": [_VERDICT],
}
_UNDONE = {**_RECORD, "version": 4, "verdicts": [{**_VERDICT, "undone_at": "2026-05-05T09:15:00+00:00"}]}

EXAMPLES: dict[str, dict[str, Any]] = {
    "list_queue": {"200": page(_QUEUED)},
    "read_record": {"200": _RECORD},
    "ask_household": {"request": {"text": "Was there soap in the cup?"}, "201": QUESTION_OUT},
    "give_verdict": {
        "request": {
            "decision": "corrected",
            "reason": "count_slip",
            "note": "The household confirmed 32.",
            "catch": [{"group": "springtails", "answer": "number", "count": 32}],
        },
        "201": _DECIDED,
    },
    "undo_verdict": {"request": {"note": "The wrong return."}, "201": _UNDONE},
    "give_verdicts_together": {
        "request": {
            "returns": [{"id": RETURN, "version": 2}, {"id": "331d6d2f-2103-4b30-8685-b475481fdb80", "version": 2}],
            "decision": "upheld",
            "reason": "plausible_night",
        },
        "201": {"together": "45f2236d-dc87-453f-ac35-63e10b3c1070", "returns": 2},
    },
    "take_record": {"200": {"id": RETURN, "until": "2026-05-05T09:27:00+00:00"}},
}
