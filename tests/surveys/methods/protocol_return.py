"""A return that is to protocol in every answer, and protocol 1: the ground on which the protocol tests stand."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from surveys.methods.protocol import Limits
from surveys.methods.records import Answer, Report
from surveys.vocabulary import AnswerKind

_PROTOCOL = Path(__file__).parents[3] / "fixtures" / "reference" / "protocol-1.json"
MAPPING: dict[str, Any] = json.loads(_PROTOCOL.read_text(encoding="utf-8"))
LIMITS = Limits.from_mapping(MAPPING)

SET_AT = datetime(2026, 6, 6, 16, 0, tzinfo=UTC)  # 52 N on the meridian: sunset about 20:15, sunrise about 03:42

GOOD = Report(
    set_at=SET_AT,
    emptied_at=SET_AT + timedelta(hours=24),
    latitude=52.0,
    longitude=0.0,
    sent_at=SET_AT + timedelta(hours=26),
    season_opens=datetime(2026, 6, 1, tzinfo=UTC),
    season_closes=datetime(2026, 7, 1, tzinfo=UTC),
    time_precision="quarter_hour",
    habitat="flower_border",
    mouth_mm=75.0,
    depth_mm=100.0,
    material="plastic",
    wall="clean",
    colour="clear",
    nesting="double",
    rim="flush",
    rim_gap="closed",
    cover="present",
    cover_kind="opaque",
    cover_gap_mm=20.0,
    cover_width_mm=140.0,
    guard="mesh",
    guard_hole_mm=10.0,
    refuge="moss_or_grass",
    liquid="nothing",
    water_mm=0.0,
    drain_holes="small",
    settled_h=48.0,
    hole_reuse="same_hole",
    disturbance="undisturbed",
    pesticide="no",
    looks="dusk_and_dawn",
    traps_open=4,
    spacing_m=2.0,
    ground_cover="half",
    vegetation="from_5_to_15cm",
    temp_min_c=9.0,
    temp_max_c=21.0,
    temp_source="own",
    rain="dry",
    wind="calm",
    ground="damp",
    trap_state="intact",
    counted_in="white_tray",
    looked_for_all="yes",
    remains_seen="no",
    vertebrate_seen="no",
    release="within_the_hour",
    closing="lidded",
    answers=(
        Answer("woodlice", AnswerKind.NUMBER, 3, 3),
        Answer("spiders", AnswerKind.NONE_SEEN, 0, 0),
        Answer("ants", AnswerKind.CLASS, 32, 63),
    ),
)


def change(**answers: Any) -> Report:
    """Return the good return with some answers changed."""
    return replace(GOOD, **answers)


def open_for(start: datetime, hours: float, **answers: Any) -> Report:
    """Return the good return, set at ``start`` and open for so many hours."""
    return replace(GOOD, set_at=start, emptied_at=start + timedelta(hours=hours), **answers)
