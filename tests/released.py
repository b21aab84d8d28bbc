"""A small release written by hand, so that its files can be made and read without a database."""

from __future__ import annotations

import csv
import random
import uuid
from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from surveys.release_files.facts import Facts, write_facts
from surveys.release_files.tables import (
    COUNTS,
    EXCLUSIONS,
    FINDINGS,
    GROUPS,
    HABITATS,
    REGIONS,
    RETURNS,
    SEASONS,
    WINDOWS,
    Table,
)

GROUPS_ASKED = [
    ("woodlice", "Woodlice", "Oniscidea", "suborder"),
    ("spiders", "Spiders", "Araneae", "order"),
    ("ground_beetles", "Ground beetles", "Carabidae", "family"),
    ("springtails", "Springtails", "Collembola", "class"),
]
HABITAT_WEIGHTS = [("short_lawn", "Short lawn", 0.5), ("hedge_base", "Hedge base", 0.3), ("other", "Other", 0.2)]
REGION_NAMES = [("alder-quay", "Alder Quay"), ("cawder", "Cawder")]
CELLS = {
    "alder-quay": [("n51.40w18.10", 51.45, -18.05), ("n51.50w18.10", 51.55, -18.05)],
    "cawder": [("n51.40w17.90", 51.45, -17.85)],
}


def write_table(folder: Path, table: Table, rows: Iterable[Mapping[str, Any]]) -> None:
    """Write rows as a release writes them: by key, LF, an empty cell for None, true and false."""
    ordered = sorted(rows, key=lambda row: [row[name] for name in table.key])
    with (folder / f"{table.name}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(table.names)
        for row in ordered:
            writer.writerow([_cell(row.get(name)) for name in table.names])


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%dT%H:%M:%SZ")
    return value.isoformat() if isinstance(value, date) else value


def facts(**changes: Any) -> Facts:
    """Return the facts of the small release."""
    given: dict[str, Any] = {
        "version": "1.0.0",
        "season": "merrow-2026",
        "title": "Merrow Night Count 2026",
        "organiser": "Merrow Field Office",
        "contact": "field-office@merrow.example",
        "home": "https://trapnight.example",
        "frozen_at": "2026-07-01T02:00:00Z",
        "licence": "CC-BY-4.0",
        "licence_url": "https://creativecommons.org/licenses/by/4.0/",
        "seed": 20260701,
        "method_version": "1",
        "code_version": "0123456789abcdef",
        "schema_version": "1",
        "snapshot_event": 4711,
        "because": "The first release of the season.",
        "invented": True,
        "boundaries": {
            code: {
                "type": "Polygon",
                "coordinates": [[[west, 51.3], [west + 0.3, 51.3], [west + 0.3, 51.7], [west, 51.7], [west, 51.3]]],
            }
            for code, west in (("alder-quay", -18.2), ("cawder", -17.9))
        },
    }
    return Facts(**{**given, **changes})


def write_small_release(
    folder: Path, *, seed: int = 1, sites: int = 12, seasons: tuple[int, ...] = (2025, 2026), **changes: Any
) -> Facts:
    """Write the frozen tables and facts of a random release: two regions, ``sites`` gardens in each, some years."""
    chance = random.Random(seed)
    codes = [f"merrow-{year}" for year in seasons]
    _write_lists(folder, seasons)
    returns: list[dict[str, Any]] = []
    counts: list[dict[str, Any]] = []
    findings: list[dict[str, Any]] = []
    gardens = [
        (
            region,
            str(uuid.UUID(int=chance.getrandbits(128), version=4)),
            chance.choice(CELLS[region]),
            chance.gammavariate(2, 0.5),
        )
        for region, _ in REGION_NAMES
        for _ in range(sites)
    ]
    for year, code in zip(seasons, codes, strict=True):
        for region, site, cell, level in gardens:
            for visit in range(chance.randint(1, 3)):
                one = _return(chance, code, year, region, site, cell, first=visit == 0)
                returns.append(one)
                counts.extend(_counts(chance, one, level))
                if one["standing"] != "to_protocol":
                    findings.append({"return_id": one["return_id"], "check": "exposure", "outcome": "offset"})
    write_table(folder, RETURNS, returns)
    write_table(folder, COUNTS, counts)
    write_table(folder, FINDINGS, findings)
    write_table(
        folder, EXCLUSIONS,
        [{"season": codes[-1], "reason": "queried", "returns": 7}, {"season": codes[-1], "reason": "few_sites", "returns": None}],
    )  # fmt: skip
    found = facts(**{"season": codes[-1], **changes})
    write_facts(found, folder)
    return found


def _write_lists(folder: Path, seasons: tuple[int, ...]) -> None:
    codes = [(f"merrow-{year}", year) for year in seasons]
    write_table(folder, SEASONS, [
        {
            "season": code, "title": f"Merrow Night Count {year}", "organiser": "Merrow Field Office", "protocol": "1",
            "opens_on": date(year, 4, 1), "closes_on": date(year, 9, 30), "time_zone": "Atlantic/Reykjavik",
            "licence": "CC-BY-4.0", "invented": True,
        } for code, year in codes
    ])  # fmt: skip
    write_table(folder, REGIONS, [
        {"season": code, "position": at, "region": region, "name": name}
        for code, _ in codes for at, (region, name) in enumerate(REGION_NAMES, start=1)
    ])  # fmt: skip
    write_table(folder, GROUPS, [
        {"season": code, "position": at, "group": group, "name": name, "scientific_name": latin, "taxon_rank": rank}
        for code, _ in codes for at, (group, name, latin, rank) in enumerate(GROUPS_ASKED, start=1)
    ])  # fmt: skip
    write_table(folder, HABITATS, [
        {"season": code, "position": at, "habitat": habitat, "label": label, "weight": weight}
        for code, _ in codes for at, (habitat, label, weight) in enumerate(HABITAT_WEIGHTS, start=1)
    ])  # fmt: skip
    write_table(folder, WINDOWS, [
        {"season": code, "position": 1, "window": "spring", "name": "Spring", "first_day": date(year, 4, 20),
         "last_day": date(year, 6, 20)} for code, year in codes
    ])  # fmt: skip


def _return(  # noqa: PLR0917
    chance: random.Random,
    season: str,
    year: int,
    region: str,
    site: str,
    cell: tuple[str, float, float],
    *,
    first: bool,
) -> dict[str, Any]:
    set_at = datetime(year, 4, 20, 17) + timedelta(days=chance.randint(0, 60), minutes=15 * chance.randint(0, 12))
    hours = 24 + chance.choice([-0.5, -0.25, 0, 0, 0, 0.25, 0.5])
    lost, off = chance.random() < 0.04, chance.random() < 0.04
    habitat = chance.choice(["short_lawn", "hedge_base", "other"])
    mouth = chance.choice([75.0, 75.0, 70.0, 80.0, None])
    left_out = "off_protocol" if off else "no_effort" if lost else None
    shown = chance.random() < 0.9
    return {
        "return_id": str(uuid.UUID(int=chance.getrandbits(128), version=4)), "season": season, "region": region,
        "cell": cell[0] if shown else None, "cell_latitude": cell[1] if shown else None,
        "cell_longitude": cell[2] if shown else None, "cell_uncertainty_m": 6572 if shown else None, "site_id": site,
        "trap_number": 1, "habitat": habitat, "window": "spring", "night": set_at.date(), "set_at": set_at,
        "emptied_at": set_at + timedelta(hours=hours), "exposure_hours": hours, "traps_pooled": 1,
        "trap_nights": None if lost else hours / 24 * 1, "mouth_mm": mouth, "rim_ratio": mouth / 75 if mouth else None,
        "fresh": chance.choice([True, False, None]), "school": False, "first_return": first and not left_out,
        "temp_min_c": chance.choice([7.5, 9.0, None]), "temp_max_c": chance.choice([15.0, 18.5, None]),
        "material": "plastic", "rim": "flush", "cover": "yes" if chance.random() < 0 else None,
        "looked_for_all": chance.choice(["yes", "yes", "no"]), "trap_state": None,
        "standing": "off_protocol" if off else chance.choice(["to_protocol", "adjusted"]),
        "state": chance.choice(["standing", "standing", "upheld", "corrected"]), "left_out": left_out,
    }  # fmt: skip


def _counts(chance: random.Random, one: Mapping[str, Any], level: float) -> list[dict[str, Any]]:
    rows = []
    for group, *_ in GROUPS_ASKED:
        number = min(int(chance.expovariate(1 / (3 * level))), 140)
        row: dict[str, Any] = {"return_id": one["return_id"], "group": group, "corrected": False}
        if chance.random() < 0.05:
            row |= {"answer": chance.choice(["did_not_look", "could_not_tell"])}
        elif number == 0:
            row |= {"answer": "none_seen", "count_min": 0, "count_max": 0, "detected": False}
        elif number >= 16:
            low, high = next(b for b in ((16, 31), (32, 63), (64, 127), (128, None)) if b[1] is None or number <= b[1])
            row |= {"answer": "class", "count_min": low, "count_max": high, "detected": True}
        else:
            row |= {"answer": "number", "count_min": number, "count_max": number, "detected": True}
        if one["state"] == "corrected" and group == "woodlice":
            row |= {"corrected": True, "sent_answer": "number", "sent_count_min": 90, "sent_count_max": 90}
        if chance.random() > 0.03:
            rows.append(row)
    return rows
