"""Every column: what it means, and how far it may travel.

Two lists. :data:`RELEASED` describes each column of the published table, in order; the table is
built from it and from nothing else. :data:`STORED` classes every stored column as *open*,
*coarsened* or *never*; a test walks the models and fails on a column that is missing here.
"""

from __future__ import annotations

from dataclasses import dataclass

from surveys import vocabulary as words
from surveys.vocabulary import Exposure, Word


@dataclass(frozen=True, slots=True)
class Column:
    """One released column: name, type, unit, meaning, and the closed list behind it if any."""

    name: str
    kind: str
    meaning: str
    unit: str = ""
    words: type[Word] | None = None


#: The clean table: one row per return and group, sorted by its first two columns.
RELEASED: tuple[Column, ...] = (
    Column("return_id", "string", "Random identifier of the return; the same in every release."),
    Column("group", "string", "Code of the animal group on the season's list."),
    Column("season", "string", "Code of the season."),
    Column("region", "string", "Code of the region."),
    Column(
        "cell", "string", "Code of the 0.1 degree grid cell; empty where fewer than five sites of the season share it."
    ),
    Column("cell_latitude", "number", "Latitude of the centre of the cell, WGS84.", "degree"),
    Column("cell_longitude", "number", "Longitude of the centre of the cell, WGS84.", "degree"),
    Column("cell_uncertainty_m", "integer", "Half the diagonal of the cell, rounded up.", "metre"),
    Column("site_id", "string", "Random identifier of the site; unrelated to any account."),
    Column("trap_number", "integer", "Number of the trap at its site."),
    Column("habitat", "string", "Microhabitat of the trap."),
    Column("window", "string", "Code of the survey window; empty between windows."),
    Column("night", "date", "Local date of the evening on which the trap was open."),
    Column("exposure_hours", "number", "Hours from setting to emptying, rounded to a quarter.", "hour"),
    Column("trap_nights", "number", "Effort: hours / 24, times the traps added up in the return.", "trap-night"),
    Column("mouth_mm", "number", "Inside width of the cup's mouth; empty when not measured.", "millimetre"),
    Column("fresh", "boolean", "True when the trap was dug in less than 48 h before it was opened."),
    Column("standing", "string", "How the return stands to its protocol.", words=words.Standing),
    Column("state", "string", "How the return came to be usable.", words=words.ReturnState),
    Column("answer", "string", "Which of the five answers was given.", words=words.AnswerKind),
    Column("count_min", "integer", "Lowest count that the answer allows; empty when it allows any.", "animals"),
    Column("count_max", "integer", "Highest count that the answer allows; empty when open above.", "animals"),
    Column(
        "corrected", "boolean", "True when a coordinator corrected this answer; what was sent stands in the next two."
    ),
    Column("sent_count_min", "integer", "Lowest count of the answer as it was sent.", "animals"),
    Column("sent_count_max", "integer", "Highest count of the answer as it was sent.", "animals"),
)

_OPEN = Exposure.OPEN
_COARSE = Exposure.COARSENED
_NEVER = Exposure.NEVER

#: Exposure of every stored column, by table. ``*`` stands for all columns that are not named.
STORED: dict[str, dict[str, Exposure]] = {
    "account": {"*": _NEVER},
    "household": {"*": _NEVER, "kind": _OPEN},
    "appointment": {"*": _NEVER},
    "consent": {"*": _NEVER},
    "erasure": {"*": _NEVER},
    "schoolclass": {"*": _NEVER},
    "classcode": {"*": _NEVER},
    "draft": {"*": _NEVER},
    "opening": {"*": _NEVER},
    "letter": {"*": _NEVER},
    "question": {"*": _NEVER},
    "sheet": {"*": _NEVER},
    "safetypage": {"*": _NEVER, "region": _OPEN, "text": _OPEN, "dated": _OPEN},
    "news": {"*": _NEVER, "region": _OPEN, "title": _OPEN, "text": _OPEN, "written_at": _OPEN},
    "keptanswer": {"*": _NEVER},
    "sitepoint": {"*": _NEVER},
    "site": {
        "id": _NEVER,
        "public_id": _OPEN,
        "household": _NEVER,
        "number": _NEVER,
        "region": _OPEN,
        "cell_code": _COARSE,
        "cell_latitude": _COARSE,
        "cell_longitude": _COARSE,
        "cell_uncertainty_m": _OPEN,
        "created_at": _NEVER,
    },
    "trap": {
        "id": _NEVER,
        "public_id": _NEVER,
        "site": _OPEN,
        "number": _OPEN,
        "habitat": _OPEN,
        "code": _NEVER,
        "plan_square": _NEVER,
        "created_at": _NEVER,
    },
    "protocol": {"*": _OPEN},
    "group": {"*": _OPEN},
    "habitat": {"*": _OPEN},
    "region": {"*": _OPEN},
    "season": {"*": _OPEN},
    "seasongroup": {"*": _OPEN},
    "seasonhabitat": {"*": _OPEN},
    "window": {"*": _OPEN},
    "catch": {"*": _OPEN},
    "packedcatch": {"*": _OPEN},
    "finding": {"*": _OPEN},
    "findingrow": {"*": _OPEN},
    "knownfinding": {"*": _OPEN},
    "correction": {"*": _OPEN, "column": _NEVER, "value": _NEVER, "made_at": _NEVER, "verdict": _NEVER},
    "query": {"*": _NEVER, "reason": _OPEN, "kind": _OPEN},
    "verdict": {"*": _NEVER, "decision": _OPEN, "reason": _OPEN},
    "undo": {"*": _NEVER},
    "lease": {"*": _NEVER},
    "secondlook": {"*": _NEVER},
    "trayphoto": {"*": _NEVER},
    "invitation": {"*": _NEVER},
    "seasonplan": {"*": _NEVER},
    "event": {"*": _NEVER},
    "job": {"*": _NEVER},
    "jobpart": {"*": _NEVER},
    "jobcolumn": {"*": _NEVER},
    "run": {"*": _OPEN, "job": _NEVER},
    "indexvalue": {"*": _OPEN},
    "changevalue": {"*": _OPEN},
    "groupsseenvalue": {"*": _OPEN},
    "usualcatch": {"*": _NEVER},
    "release": {"*": _OPEN, "job": _NEVER, "by": _NEVER},
    "releasedsite": {"*": _COARSE},
    "releasedcell": {"*": _COARSE},
    "export": {"*": _NEVER},
    "token": {"*": _NEVER},
    "return": {
        "id": _NEVER,
        "uuid": _OPEN,
        "known_findings": _OPEN,
        "season": _OPEN,
        "trap": _OPEN,
        "sender": _NEVER,
        "received_at": _NEVER,
        "fingerprint": _NEVER,
        "amends": _OPEN,
        "set_at": _COARSE,
        "emptied_at": _COARSE,
        "night": _OPEN,
        "time_precision": _OPEN,
        "habitat": _OPEN,
        "mouth_mm": _OPEN,
        "depth_mm": _OPEN,
        "material": _OPEN,
        "wall": _OPEN,
        "colour": _OPEN,
        "nesting": _OPEN,
        "rim": _OPEN,
        "rim_gap": _OPEN,
        "cover": _OPEN,
        "cover_kind": _OPEN,
        "cover_gap_mm": _OPEN,
        "cover_width_mm": _OPEN,
        "guard": _OPEN,
        "guard_hole_mm": _OPEN,
        "refuge": _OPEN,
        "liquid": _OPEN,
        "water_mm": _OPEN,
        "drain_holes": _OPEN,
        "settled_h": _COARSE,
        "hole_reuse": _OPEN,
        "disturbance": _OPEN,
        "pesticide": _OPEN,
        "looks": _OPEN,
        "traps_open": _OPEN,
        "spacing_m": _COARSE,
        "traps_pooled": _OPEN,
        "ground_cover": _OPEN,
        "vegetation": _OPEN,
        "temp_min_c": _OPEN,
        "temp_max_c": _OPEN,
        "temp_source": _OPEN,
        "rain": _OPEN,
        "wind": _OPEN,
        "ground": _OPEN,
        "trap_state": _OPEN,
        "counted_in": _OPEN,
        "looked_for_all": _OPEN,
        "remains_seen": _OPEN,
        # A vertebrate in a trap is one class coarser than the site, or withheld.
        "vertebrate_seen": _NEVER,
        "release": _OPEN,
        "closing": _OPEN,
        "note": _NEVER,
        "state": _OPEN,
        "version": _NEVER,
        "moved_at": _NEVER,
        "standing": _OPEN,
        "exposure_h": _COARSE,
        "whole_nights": _OPEN,
        "trap_nights": _OPEN,
        "rim_ratio": _OPEN,
        "fresh": _OPEN,
        "probability": _NEVER,
        "damage": _NEVER,
        "rank": _NEVER,
        "urgent": _NEVER,
        "certain": _NEVER,
        "screened_at": _NEVER,
        "screened_with": _NEVER,
        "region": _OPEN,
        "reason": _OPEN,
        "pressing": _NEVER,
    },
}


def exposure_of(table: str, column: str) -> Exposure | None:
    """Return how far a stored column may travel, or None when the codebook does not say."""
    listed = STORED.get(table, {})
    return listed.get(column, listed.get("*"))
