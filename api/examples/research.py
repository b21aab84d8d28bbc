"""Examples of live data and exports. All invented."""

from __future__ import annotations

from typing import Any

from api.examples.problems import problem_example
from api.examples.sending import page

_HOME = "https://trapnight.example"
_EXPORT_ID = "cf3785c9-2603-422f-b560-95674ec436e4"
_FILTERS = {"region": "alder-quay", "left_out": "no"}

_COUNT: dict[str, Any] = {
    "group": "woodlice",
    "answer": "number",
    "count_min": 3,
    "count_max": 3,
    "detected": True,
    "corrected": True,
    "sent_answer": "number",
    "sent_count_min": 30,
    "sent_count_max": 30,
}
_NOTHING_SENT = {"corrected": False, "sent_answer": None, "sent_count_min": None, "sent_count_max": None}
_RETURN: dict[str, Any] = {
    "return_id": "0c7a3c2b-8e11-4f5e-9d0b-5f0c1c526a34",
    "season": "merrow-2026",
    "region": "alder-quay",
    "cell": "n51.40w18.10",
    "cell_latitude": 51.45,
    "cell_longitude": -18.05,
    "cell_uncertainty_m": 6572,
    "site_id": "55d0a29c-61a6-48cc-adae-9cf5e788e20b",
    "trap_number": 1,
    "habitat": "short_lawn",
    "window": "spring",
    "night": "2026-05-02",
    "set_at": "2026-05-02T17:00:00Z",
    "emptied_at": "2026-05-03T17:15:00Z",
    "exposure_hours": 24.25,
    "traps_pooled": 1,
    "trap_nights": 24.25 / 24,
    "mouth_mm": 75.0,
    "rim_ratio": 1.0,
    "fresh": False,
    "school": False,
    "first_return": True,
    "temp_min_c": 9.0,
    "temp_max_c": 17.0,
    "time_precision": "quarter_hour",
    "material": "plastic",
    "wall": "clean",
    "colour": "brown",
    "nesting": "double",
    "rim": "flush",
    "rim_gap": "closed",
    "cover": "present",
    "cover_kind": "opaque",
    "guard": "mesh",
    "refuge": "moss_or_grass",
    "liquid": "nothing",
    "drain_holes": "small",
    "hole_reuse": "same_hole",
    "disturbance": "undisturbed",
    "pesticide": "no",
    "looks": "dusk_and_dawn",
    "ground_cover": "half",
    "vegetation": "under_5cm",
    "temp_source": "own",
    "rain": "dry",
    "wind": "calm",
    "ground": "damp",
    "trap_state": "intact",
    "counted_in": "white_tray",
    "looked_for_all": "yes",
    "remains_seen": "no",
    "release": "within_the_hour",
    "closing": "lidded",
    "depth_mm": 100.0,
    "cover_gap_mm": 20.0,
    "cover_width_mm": 140.0,
    "guard_hole_mm": 10.0,
    "water_mm": 0.0,
    "traps_open": 4,
    "standing": "to_protocol",
    "state": "corrected",
    "query_reason": "ten_times",
    "verdict_reason": "count_slip",
    "left_out": None,
    "counts": [
        {"group": "spiders", "answer": "none_seen", "count_min": 0, "count_max": 0, "detected": False, **_NOTHING_SENT},
        _COUNT,
    ],
    "findings": ["settling"],
}

_ASKED: dict[str, Any] = {
    "id": _EXPORT_ID,
    "season": "merrow-2026",
    "table": "counts",
    "kind": "csv",
    "filters": _FILTERS,
    "state": "queued",
    "progress": {"done": 0, "total": 0},
    "asked_at": "2026-05-05T09:00:00+00:00",
    "expires_at": "2026-05-12T09:00:00+00:00",
    "written_at": None,
    "rows": None,
    "size_bytes": None,
    "sha256": None,
    "file": None,
    "problem": None,
}
_DONE = {
    **_ASKED,
    "state": "done",
    "progress": {"done": 812, "total": 812},
    "written_at": "2026-05-05T09:00:04+00:00",
    "rows": 14616,
    "size_bytes": 1187233,
    "sha256": "5f70bf18a086007016e948b04aed3b82103a36bea41755b6cddfaf10ace3c6ef",
    "file": f"{_HOME}/api/v1/exports/{_EXPORT_ID}/data.csv",
}
_FAILED = {
    **_ASKED,
    "id": "cee1937b-96b8-44cc-a498-b2806fdcc2e5",
    "state": "failed",
    "problem": problem_example("server-error"),
}
_NEXT = f"{_HOME}/api/v1/data/returns?season=merrow-2026&cursor=WyIwYzdhM2MyYiJd%3Ainvented"
_CSV = (
    "return_id,group,answer,count_min,count_max,detected,corrected,sent_answer,sent_count_min,sent_count_max\n"
    "0c7a3c2b-8e11-4f5e-9d0b-5f0c1c526a34,woodlice,number,3,3,true,true,number,30,30\n"
)

EXAMPLES: dict[str, dict[str, Any]] = {
    "read_live_returns": {"200": {"items": [_RETURN], "next": _NEXT}},
    "list_exports": {"200": page(_FAILED, _DONE)},
    "ask_for_export": {
        "request": {"season": "merrow-2026", "table": "counts", "kind": "csv", "filters": _FILTERS},
        "202": _ASKED,
    },
    "read_export": {"200": _DONE},
    "download_export": {"200": _CSV},
}
