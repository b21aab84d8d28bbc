"""A season of a million invented returns in a database of its own, filled by COPY.

``python -m tests.benchmarks.large_season --returns 1000000`` builds it (some minutes); the other benchmarks of
size use what is there. Triggers and foreign keys are off while it is filled, so it is for measuring only.
"""

from __future__ import annotations

import argparse
import io
import os
import re
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

SEED = 20_261
NAME = os.environ.get("TRAPNIGHT_LARGE_NAME", "trapnight_large")
FIRST_DAYS = 30  # days of each window in which nights fall
ANSWERS = {"none_seen": b"none_seen", "number": b"number", "class": b"class"}
#: Classes above twenty, as the form offers them (the last is open). Source: common practice, octaves.
CLASSES = ((16, 31), (32, 63), (64, 127), (128, None))


def use_large_database(*, afresh: bool = False) -> None:
    """Point ``DATABASE_URL`` at the database of the large season; make it when it is missing, or ``afresh``."""
    import psycopg

    from project import embedded

    embedded.provide_services(broker=False)
    address = os.environ["DATABASE_URL"]
    with psycopg.connect(address, autocommit=True) as connection:
        if afresh:
            connection.execute(f"DROP DATABASE IF EXISTS {NAME} WITH (FORCE)")
        if not connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [NAME]).fetchone():
            connection.execute(f"CREATE DATABASE {NAME}")
    os.environ["DATABASE_URL"] = re.sub(r"^(\w+://[^/?]*)(/[^?]*)?", rf"\1/{NAME}", address)
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "project.settings.development")
    import django

    django.setup()


def build(returns: int, gardens: int, groups_asked: int = 30) -> Any:
    """Fill an empty database with ``returns`` returns of ``gardens`` gardens, each answering every group."""
    from django.core.management import call_command
    from django.db import connection

    from project.demonstration.world import read
    from surveys.models import Season
    from surveys.services.seasons import install_reference, install_season

    call_command("migrate", verbosity=0)
    found = Season.objects.filter(code="merrow-large").first()
    if found is not None:
        return found
    groups, habitats = read("reference/groups.json"), read("reference/habitats.json")
    plan = read("demo/season.json")
    plan["code"], plan["groups"] = "merrow-large", [group["code"] for group in groups][:groups_asked]
    install_reference(by=None, groups=groups, habitats=habitats, protocol=read("reference/protocol-1.json"))
    season = install_season(by=None, plan=plan, boundaries=read("demo/merrow.geojson"))
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        cursor.execute("SET synchronous_commit = off")
        fill(cursor.connection, season, returns, gardens)
        cursor.execute("SET session_replication_role = origin")
        cursor.execute("ANALYZE")
    return season


def fill(connection: Any, season: Any, returns: int, gardens: int) -> None:
    """Write gardens, traps, returns and catches with numbers of their own, so that nothing need be read back."""
    from surveys.services.people import open_account

    rng = np.random.default_rng(SEED)
    regions = list(season.regions.order_by("position").values_list("id", flat=True))
    habitats = list(season.seasonhabitat_set.order_by("habitat__position").values_list("habitat_id", flat=True))
    windows = list(season.windows.order_by("first_day"))
    groups = list(season.seasongroup_set.select_related("group").order_by("position"))
    keeper = open_account(email="large@merrow.example", password="a long enough phrase", adult=True)
    copy_gardens(connection, keeper.pk, list(season.regions.order_by("position")), habitats, gardens)
    site = np.sort(rng.integers(0, gardens, returns))
    trap = rng.integers(0, 4, returns)
    habitat = (site * 7 + trap * 3) % len(habitats)
    window, day = rng.integers(0, len(windows), returns), rng.integers(0, FIRST_DAYS, returns)
    hours = rng.integers(80, 113, returns) / 4.0
    rim = rng.choice([65.0, 75.0, 75.0, 75.0, 90.0], returns)
    fresh = rng.random(returns) < 0.4
    drawn = Drawn(site, trap, [habitats[h] for h in habitat], window, day, hours, rim, fresh, untold(season))
    copy_returns(connection, season, windows, regions, drawn)
    log_rate = rng.normal(0, 0.4, len(habitats))[habitat] + 0.3 * fresh + np.log(hours / 24 * rim / 75)
    for row in groups:
        typical = max(row.group.planning_typical, 0.15) * 1.5
        sites = rng.gamma(1.0, 1.0, gardens * len(windows))[site * len(windows) + window]
        counts = rng.poisson(typical * np.exp(log_rate) * sites * rng.gamma(1.0, 1.0, returns))
        copy_catches(connection, row.group_id, counts)


def untold(season: Any) -> str:
    """Return the keys of what the checks find in a return that says the least, as PostgreSQL writes an array.

    What a person must look at is left out: these returns say their habitat.
    """
    from surveys.queries.seasons import limits_of
    from surveys.queries.standing_statements import array_text
    from surveys.services.known_findings import as_stored, keys_of
    from surveys.vocabulary import Outcome

    rules = limits_of(season.protocol).rules
    found = [one for rule in rules if "unknown" in dict(rule.cases) for one in rule.ready("unknown") or ()]
    keys = keys_of(as_stored(one) for one in found if one.outcome not in (Outcome.FINE, Outcome.HOLD))
    return array_text(sorted(keys.values()))


def copy_gardens(connection: Any, keeper: int, regions: list[Any], habitats: list[int], gardens: int) -> None:
    """Write households 1 to n with one site each, its point somewhere inside its region, and four traps."""
    from shapely.geometry import shape

    lines = {name: io.StringIO() for name in ("household", "site", "point", "trap")}
    points = [shape(region.boundary).representative_point() for region in regions]
    for n in range(1, gardens + 1):
        region, point = regions[n % len(regions)].pk, points[n % len(regions)]
        lines["household"].write(f"{n}\t{n:032x}\t{keeper}\tlarge-{n}\thousehold\t2026-01-01\n")
        lines["site"].write(f"{n}\t{n:032x}\t{n}\t1\t{region}\tL{n % 997}\t51.5\t-18\t707\t2026-01-01\n")
        lines["point"].write(f"{n}\t{point.y:.4f}\t{point.x:.4f}\t11\n")
        for t in range(4):
            number = 4 * (n - 1) + t + 1
            lines["trap"].write(
                f"{number}\t{number:032x}\t{n}\t{t + 1}\t{habitats[t % len(habitats)]}\t{number:08x}\t\t2026-01-01\n"
            )
    columns = {
        "household": ("surveys_household", "id, public_id, keeper_id, alias, kind, created_at"),
        "site": (
            "surveys_site",
            "id, public_id, household_id, number, region_id, cell_code, cell_latitude, cell_longitude,"
            " cell_uncertainty_m, created_at",
        ),
        "point": ("surveys_sitepoint", "site_id, latitude, longitude, kept_to_m"),
        "trap": ("surveys_trap", "id, public_id, site_id, number, habitat_id, code, plan_square, created_at"),
    }
    with connection.cursor() as cursor:
        for name, (table, listed) in columns.items():
            with cursor.copy(f"COPY {table} ({listed}) FROM STDIN") as copy:
                copy.write(lines[name].getvalue())


@dataclass(frozen=True)
class Drawn:
    """What was drawn for each return: n entries each; ``habitat`` are keys, all else positions and measures.

    ``findings`` are those of every return, as PostgreSQL writes an array of their keys.
    """

    site: Any
    trap: Any
    habitat: list[int]
    window: Any
    day: Any
    hours: Any
    rim: Any
    fresh: Any
    findings: str


def copy_returns(connection: Any, season: Any, windows: list[Any], regions: list[int], drawn: Drawn) -> None:
    """Write returns 1 to n, all standing and to protocol."""
    listed = (
        "id, uuid, season_id, trap_id, received_at, fingerprint, set_at, emptied_at, night, habitat_id, traps_pooled,"
        " note, state, version, moved_at, standing, exposure_h, whole_nights, trap_nights, rim_ratio, fresh,"
        " probability, damage, rank, urgent, certain, screened_with, region_id, known_findings"
    )
    firsts = [row.first_day for row in windows]
    nights = [[(first + timedelta(days=d)).isoformat() for d in range(FIRST_DAYS + 2)] for first in firsts]
    with connection.cursor() as cursor, cursor.copy(f"COPY surveys_return ({listed}) FROM STDIN") as copy:
        for n in range(len(drawn.habitat)):
            of_window, day, hours = nights[drawn.window[n]], drawn.day[n], drawn.hours[n]
            night, after = of_window[day], of_window[day + 1]
            trap = 4 * drawn.site[n] + drawn.trap[n] + 1
            copy.write(
                f"{n + 1}\t{n + 1:032x}\t{season.pk}\t{trap}\t{after} 18:00+00\tlarge\t"
                f"{night} 16:00+00\t{after} 16:00+00\t{night}\t{drawn.habitat[n]}\t1\t\tstanding\t2\t"
                f"{after} 18:00+00\tto_protocol\t{hours}\t1\t{hours / 24}\t{drawn.rim[n] / 75}\t"
                f"{'t' if drawn.fresh[n] else 'f'}\t0\t0\t0\tf\tf\t0\t"
                f"{regions[(drawn.site[n] + 1) % len(regions)]}\t{drawn.findings}\n"
            )


def copy_catches(connection: Any, group: int, counts: Any) -> None:
    """Write one group's answer of every return in PostgreSQL's binary COPY format, exact to 20, classes above."""
    number = np.arange(1, len(counts) + 1)
    parts: list[tuple[str, Any, tuple[int, int] | None]] = [
        ("none_seen", counts == 0, (0, 0)),
        ("number", (counts > 0) & (counts <= 20), None),
    ]
    for low, high in CLASSES:
        inside = (counts > 20) & (counts >= low) & (counts <= (high or counts.max()))
        parts.append(("class", inside, (low, -1 if high is None else high)))
    statement = "COPY surveys_catch (report_id, group_id, answer, low, high) FROM STDIN (FORMAT BINARY)"
    with connection.cursor() as cursor, cursor.copy(statement) as copy:
        copy.write(b"PGCOPY\n\xff\r\n\x00" + bytes(8))
        for answer, chosen, bounds in parts:
            rows = empty_rows(int(chosen.sum()), ANSWERS[answer], opened=bounds is not None and bounds[1] < 0)
            rows["report"], rows["group"] = number[chosen], group
            rows["low"] = counts[chosen] if bounds is None else bounds[0]
            if "high" in (rows.dtype.names or ()):
                rows["high"] = counts[chosen] if bounds is None else bounds[1]
            copy.write(rows.tobytes())
        copy.write(b"\xff\xff")


def empty_rows(number: int, answer: bytes, *, opened: bool) -> Any:
    """Lay rows out as the binary format has them: a field count, then length and bytes of each field."""
    kind = [("n", ">i2"), ("l1", ">i4"), ("report", ">i8"), ("l2", ">i4"), ("group", ">i8"), ("l3", ">i4")]
    kind += [("answer", f"S{len(answer)}"), ("l4", ">i4"), ("low", ">i4"), ("l5", ">i4")]
    rows = np.zeros(number, dtype=kind if opened else [*kind, ("high", ">i4")])
    rows["n"], rows["l1"], rows["l2"], rows["l3"], rows["l4"] = 5, 8, 8, len(answer), 4
    rows["answer"], rows["l5"] = answer, -1 if opened else 4
    return rows


def main() -> None:
    """Build the large season and say what is in it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--returns", type=int, default=1_000_000)
    parser.add_argument("--gardens", type=int, default=40_000)
    asked = parser.parse_args()
    use_large_database()
    season = build(asked.returns, asked.gardens)
    from surveys.models import Return

    print(f"{season}: {Return.objects.filter(season=season).count():,} returns, as of {date.today()}")


if __name__ == "__main__":
    main()
