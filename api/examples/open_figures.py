"""Examples of what anybody reads: seasons, indices, changes, groups seen. All invented."""

from __future__ import annotations

from typing import Any

from api.examples.sending import page
from surveys.methods.change_words import STATEMENT as CHANGE_STATEMENT
from surveys.methods.change_words import change_sentence

_RUN: dict[str, Any] = {
    "night": "2026-06-01",
    "published_at": "2026-06-02T02:11:00Z",
    "method_version": "1",
    "protocol_version": "1",
    "code_version": "0123456789abcdef",
    "seed": 20260601,
    "snapshot_event": 4711,
    "snapshot_hash": "0123456789abcdef",
    "counts": {"returns": 812, "in_indices": 790},
}
_SEASON: dict[str, Any] = {
    "code": "merrow-2026",
    "title": "Merrow Night Count 2026",
    "organiser": "Merrow Field Office",
    "state": "open",
    "protocol": "1",
    "opens_on": "2026-04-01",
    "closes_on": "2026-12-15",
    "time_zone": "Atlantic/Reykjavik",
    "licence": "CC-BY-4.0",
    "licence_url": "https://creativecommons.org/licenses/by/4.0/",
}
_WHOLE_SEASON = {
    **_SEASON,
    "groups": [
        {
            "code": "woodlice",
            "name": "Woodlice",
            "latin": "Oniscidea",
            "taxon_rank": "suborder",
            "how_to_tell": "Seven pairs of legs, and armour in bands.",
        }
    ],
    "habitats": [
        {"code": "short_lawn", "label": "Short lawn", "weight": 0.6},
        {"code": "hedge_base", "label": "Hedge base", "weight": 0.4},
    ],
    "regions": [
        {
            "code": "alder-quay",
            "name": "Alder Quay",
            "boundary": {
                "type": "Polygon",
                "coordinates": [[[-18.2, 51.3], [-17.9, 51.3], [-17.9, 51.7], [-18.2, 51.7], [-18.2, 51.3]]],
            },
        }
    ],
    "windows": [{"code": "spring", "name": "Spring", "first_day": "2026-04-18", "last_day": "2026-05-31"}],
}
_INDICES = {
    "season": "merrow-2026",
    "statement": "Activity-density: what a standard trap catches in one day and night.",
    "unit": "animals per trap-night",
    "confidence": 0.95,
    "rim_exponent": 1,
    "run": _RUN,
    "values": [
        {
            "region": "alder-quay",
            "group": "woodlice",
            "window": "spring",
            "label": "shown",
            "estimate": 2.4,
            "low": 1.9,
            "high": 3.1,
            "sites": 31,
            "site_nights": 64,
            "returns": 118,
            "trap_nights": 117.25,
            "more_sites_needed": 0,
        },
        {
            "region": "cawder",
            "group": "woodlice",
            "window": "spring",
            "label": "too_few",
            "estimate": None,
            "low": None,
            "high": None,
            "sites": 7,
            "site_nights": 9,
            "returns": 12,
            "trap_nights": 12.0,
            "more_sites_needed": 3,
        },
    ],
}
_CHANGES = {
    "season": "merrow-2026",
    "statement": CHANGE_STATEMENT,
    "unit": "ratio to the mean of the base seasons",
    "confidence": 0.95,
    "run": _RUN,
    "earlier": [{"season": "merrow-2025", "returns": 640, "snapshot_hash": "fedcba9876543210"}],
    "groups": [
        {
            "group": "woodlice",
            "base": ["merrow-2025"],
            "temperature_sentence": "700 of 790 returns came with a temperature; 90 took the mean of their region and "
            "season, 0 had none and count unadjusted.",
        }
    ],
    "values": [
        {
            "region": "alder-quay",
            "group": "woodlice",
            "window": "spring",
            "adjusted": False,
            "code": "shown",
            "sentence": change_sentence("shown", 0),
            "ratio": 1.38,
            "low": 1.09,
            "high": 1.75,
            "p_value": 0.008,
            "p_adjusted": 0.04,
            "revisited_sites": 31,
            "effective_sites": 19.4,
            "more_sites_needed": 0,
        }
    ],
}
#: A region that may not be shown, which keeps the example short.
_GROUPS_SEEN = {
    "season": "merrow-2026",
    "statement": "Groups seen counts which groups of a list of 3 were found in traps.",
    "unit": "groups of the list",
    "confidence": 0.95,
    "run": _RUN,
    "groups": ["woodlice", "spiders", "springtails"],
    "groups_left_out": [],
    "base_effort": None,
    "base_coverage": None,
    "values": [
        {
            "region": "cawder",
            "label": "too_few",
            "groups_seen": 3,
            "sites": 4,
            "site_nights": 9,
            "left_out": 0,
            "codes": ["few_sites"],
            "sentences": ["Too few sites answered the whole list: 4 of the 10 needed."],
            "figures": None,
        }
    ],
}

EXAMPLES: dict[str, dict[str, Any]] = {
    "list_seasons": {"200": page(_SEASON)},
    "read_season": {"200": _WHOLE_SEASON},
    "read_indices": {"200": _INDICES},
    "read_changes": {"200": _CHANGES},
    "read_groups_seen": {"200": _GROUPS_SEEN},
}
