"""What happens in a large season between two nights: returns arrive, a coordinator decides on some."""

from __future__ import annotations

from typing import Any

#: Returns that arrive in a day, as a share of all returns.
ARRIVING_SHARE = 0.01
#: Nights of arrivals lie so many days later than those of the returns they are drawn from, in the same window.
LATER_DAYS = 12

_LIKE_OTHERS = """
INSERT INTO surveys_return ({columns})
SELECT {values} FROM surveys_return r WHERE r.season_id = %(season)s AND r.id %% %(keep)s = %(lot)s
"""
_COUNTS = """
INSERT INTO surveys_catch (report_id, group_id, answer, low, high)
SELECT %(most)s + r.id, c.group_id, c.answer, c.low, c.high
FROM surveys_return r JOIN surveys_catch c ON c.report_id = 1 + (r.id + %(apart)s) %% %(many)s
WHERE r.season_id = %(season)s AND r.id %% %(keep)s = %(lot)s AND r.id <= %(many)s
"""
#: Columns that differ from those of the return that an arrival is drawn from; the others are taken over.
_NEW = {
    "id": "%(most)s + r.id",
    "uuid": "gen_random_uuid()",
    "set_at": "r.set_at + %(later)s",
    "emptied_at": "r.emptied_at + %(later)s",
    "night": "(r.night + %(later)s)::date",
    "received_at": "now()",
    "moved_at": "now()",
    "state": "'received'",
    "version": "1",
    "probability": "0",
    "damage": "0",
    "rank": "0",
    "urgent": "false",
    "certain": "false",
    "reason": "NULL",
    "screened_with": "0",
    "compared_with": "0",
}


def arrive(season: Any, many: int, lot: int) -> int:
    """Let a hundredth of the first ``many`` returns come again, later, each with the counts of another garden."""
    from datetime import timedelta

    from django.db import connection
    from django.db.models import Max

    from surveys.models import Return

    keep = int(1 / ARRIVING_SHARE)
    told = {
        "season": season.pk,
        "most": Return.objects.aggregate(most=Max("id"))["most"],
        "keep": keep,
        "lot": lot % keep,
        "later": timedelta(days=LATER_DAYS),
        "apart": many // 3,
        "many": many,
    }
    fields = [field.column for field in Return._meta.concrete_fields if not field.generated]
    values = [_NEW.get(name, f"r.{name}") for name in fields]
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        cursor.execute(
            _LIKE_OTHERS.format(columns=", ".join(fields), values=", ".join(values)) + " AND r.id <= %(many)s", told
        )
        came = int(cursor.rowcount)
        cursor.execute(_COUNTS, told)
        cursor.execute("SELECT setval('surveys_return_id_seq', (SELECT max(id) FROM surveys_return))")
        cursor.execute("SET session_replication_role = origin")
    return came


def decide(season: Any, most: int | None = None) -> int:
    """Let coordinators let waiting returns stand, the most pressing first, all of them or ``most``."""
    from surveys.models import Return
    from surveys.services.worked import MOVED, move_return, save_together

    waiting = Return.objects.filter(season=season, state="queried").order_by("-pressing")
    rows = list(waiting[:most])
    for row in rows:
        move_return(row, "upheld")  # type: ignore[arg-type]
    save_together(rows, MOVED)
    return len(rows)
