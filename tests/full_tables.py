"""The small world of every address with years of other people's work around it: tables too long to be read whole.

Rows are copies of one that the world holds, made by the database itself; triggers and foreign keys are off meanwhile.
Then PostgreSQL looks at what is there (ANALYZE) and is told that there is a hundred times as much, so that it plans as
it would for a million returns although a few thousand are there to be read.
"""

from __future__ import annotations

from datetime import timedelta

from django.db import connection
from django.utils import timezone

from surveys.models import (
    Account,
    Correction,
    FindingRow,
    IndexValue,
    Lease,
    News,
    PackedCatch,
    ReleasedSite,
    Run,
    SafetyPage,
    Undo,
    Verdict,
)
from surveys.vocabulary import RunState
from tests.counts_in_parts import ROOM, parts
from tests.factories import make_trap, send_return
from tests.pages import World

#: Gardens of other people, each with two traps, and what was sent about them; of a hundred returns one waits.
GARDENS, RETURNS, OWN = 2_000, 8_000, 1
#: A table from so many rows on is long. PostgreSQL is told that each long one has so many times its rows.
LONG, TIMES = 700, 125
#: Regions of the survey: one garden in twenty lies in that of the world's own.
REGIONS = 20
#: Keys of what is copied begin here: half of the returns have their counts in one part of their table, half in the
#: next, which is there since the world opens two seasons.
BASE = 2 * ROOM - RETURNS // 2

_STATE = """CASE WHEN n % 100 = 0 THEN 'queried' WHEN n % 500 = 1 THEN 'received' WHEN n % 50 = 2 THEN 'withdrawn'
    WHEN n % 100 = 3 THEN 'discounted' WHEN n % 50 = 4 THEN 'upheld' ELSE 'standing' END"""
_EARLIER = "now() - (n % 1000) * interval '1 day'"
#: Somebody else, their garden, one of its traps, one of twenty coordinators, a return, one return in ten.
_PERSON, _GARDEN, _TRAP = f"{BASE} + 1 + n % {GARDENS}", f"(1 + n % {GARDENS})", f"{BASE} + 1 + n % {2 * GARDENS}"
_COORDINATOR, _RETURN, _TENTH = f"{BASE} + 1 + n % 20", f"{BASE} + n", f"{BASE} + 10 * n"


def copies(table: str, how_many: int, /, *, like: str = "true", first: int = 1, **changes: str) -> None:
    """Add ``how_many`` copies of a row of ``surveys_<table>`` for which ``like`` holds.

    ``changes`` are columns with an expression over ``n``, which counts from ``first``; ``m`` is the row that is copied.
    """
    table = f"surveys_{table}"
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT column_name, pg_get_serial_sequence(%s, column_name) FROM information_schema.columns"
            " WHERE table_name = %s AND is_generated = 'NEVER' ORDER BY ordinal_position",
            [table, table],
        )
        columns = dict(cursor.fetchall())
        assert changes.keys() <= columns.keys(), (table, changes.keys() - columns.keys())
        values = {name: f"nextval('{serial}')" if serial else f'm."{name}"' for name, serial in columns.items()}
        cursor.execute(
            f"INSERT INTO {table} ({', '.join(map(_quoted, columns))}) SELECT {', '.join({**values, **changes}.values())}"
            f" FROM (SELECT * FROM {table} WHERE {like} LIMIT 1) m, generate_series({first}, {first + how_many - 1}) n"
        )
        assert cursor.rowcount == how_many, f"{table} has no row like this: {like}"


def _quoted(name: str) -> str:
    return f'"{name}"'


def _id_of(what: str) -> str:
    """Return an expression for an id that nothing else has."""
    return f"md5('{what}' || n)::uuid"


class FullWorld(World):
    """The world with all tables filled. Its owner has some returns like everybody, and its run is shown."""

    def __init__(self) -> None:
        with connection.cursor() as cursor:
            # New files: what other tests left in the old ones would tell PostgreSQL of longer tables. Keys from 1.
            ours = [
                f'"{table}"' for table in connection.introspection.table_names(cursor) if table.startswith("surveys")
            ]
            cursor.execute(f"TRUNCATE {', '.join(ours)} RESTART IDENTITY CASCADE")
            # As in a new database: earlier tests may have opened one season after the other.
            for part in parts()[2:]:
                cursor.execute(f"DROP TABLE {part}")
        super().__init__()
        self.owner = self.somebody("owner")
        self._put_what_is_missing()
        with connection.cursor() as cursor:
            cursor.execute("SET LOCAL session_replication_role = replica")
            self._fill_people_and_gardens()
            self._fill_returns()
            self._fill_beside_returns()
            self._fill_review()
            self._fill_work()
            self._fill_published()
            cursor.execute("SET LOCAL session_replication_role = origin")
            cursor.execute("ANALYZE")
            # What it thinks of the length of a table goes by the rows in a page as ANALYZE has met them.
            cursor.execute(
                "UPDATE pg_class SET reltuples = reltuples * %s WHERE reltuples >= %s AND oid IN ("
                " SELECT oid FROM pg_class WHERE relname LIKE 'surveys%%' AND relkind = 'r'"
                " UNION SELECT indexrelid FROM pg_index WHERE indrelid::regclass::text LIKE 'surveys%%')",
                [TIMES, LONG],
            )

    def somebody(self, role: str) -> Account:
        """Return who holds a role."""
        found = self.people[role]
        assert found is not None
        return found

    def _put_what_is_missing(self) -> None:
        """Add one row to each table that the world leaves empty, and show its run."""
        lead, now = self.somebody("lead coordinator"), timezone.now()
        decided = send_return(make_trap(), screened=True)
        group, window = decided.catches.order_by("group_id")[0].group, decided.season.windows.all()[0]
        verdict = Verdict.objects.create(
            report=decided, by=lead, decision="upheld", reason="plausible_night", report_version=decided.version
        )
        Undo.objects.create(verdict=verdict, by=lead)
        Correction.objects.create(verdict=verdict, report=decided, group=group, answer="number", low=1, high=1)
        Lease.objects.create(report=decided, by=lead, until=now + timedelta(minutes=10))
        PackedCatch.objects.create(report=decided, order_key=1, answers=bytes(48))
        FindingRow.objects.create(report=self.looked_at, check_id="rain", outcome="note", sentence="It rained.")
        News.objects.create(region=None, title="Frogs", text="Mind them.", by=lead)
        SafetyPage.objects.create(region=self.site.region, text="Wear gloves.", dated=now.date(), by=lead)
        ReleasedSite.objects.create(
            public_id=self.site.public_id, release=self.release, region=self.site.region, cell_code=""
        )
        Run.objects.filter(pk=self.run.pk).update(state=RunState.PUBLISHED)
        IndexValue.objects.create(
            run=self.run, region=self.site.region, group=group, window=window, label="too_few", sites=1, site_nights=1,
            returns=1, trap_nights=1.0,
        )  # fmt: skip

    def _fill_people_and_gardens(self) -> None:
        mine = f"keeper_id = {self.owner.pk}"
        copies("region", REGIONS, like="code = 'westmark'", id=_RETURN, code="'region-' || n", position="100 + n")
        copies(
            "account",
            GARDENS,
            like=f"id = {self.owner.pk}",
            id=_RETURN,
            email="n || '@other.example'",
            ledger_id=_id_of("ledger"),
        )
        copies("consent", GARDENS, account_id=_RETURN)
        copies(
            "household",
            GARDENS,
            like=mine,
            id=_RETURN,
            public_id=_id_of("household"),
            keeper_id=_RETURN,
            alias="'Lantern ' || n",
        )
        copies(
            "site",
            GARDENS,
            like=f"id = {self.site.pk}",
            id=_RETURN,
            public_id=_id_of("site"),
            household_id=_RETURN,
            number="1",
            region_id=self._region("n"),
            cell_code="'cell-' || n % 400",
        )
        copies("sitepoint", GARDENS, like=f"site_id = {self.site.pk}", site_id=_RETURN)
        copies(
            "trap",
            2 * GARDENS,
            like=f"id = {self.trap.pk}",
            id=_RETURN,
            public_id=_id_of("trap"),
            site_id=_PERSON,
            number=f"1 + n / {GARDENS}",
            code="lpad(to_hex(n), 8, '0')",
        )

    def _region(self, garden: str) -> str:
        return f"CASE WHEN {garden} % {REGIONS} = 0 THEN {self.site.region_id} ELSE {BASE} + {garden} % {REGIONS} END"

    def _fill_returns(self) -> None:
        like = f"id = {self.looked_at.pk}"
        each = {
            "id": _RETURN, "uuid": _id_of("return"), "night": "date '2026-01-01' + n % 200",
            "received_at": _EARLIER, "moved_at": _EARLIER,
        }  # fmt: skip
        others = {"trap_id": _TRAP, "sender_id": _PERSON, "region_id": self._region(_GARDEN)}
        waits = {
            "urgent": "n % 400 = 0",
            "rank": "(n % 997) / 1e5",
            "reason": "CASE WHEN n % 100 = 0 THEN 'ten_times' END",
        }
        copies("return", RETURNS, like=like, state=_STATE, **each, **others, **waits)
        own = {"trap_id": self.trap.pk, "sender_id": self.owner.pk, "region_id": self.site.region_id}
        copies("return", OWN, like=like, first=RETURNS + 1, **each, **{name: str(key) for name, key in own.items()})

    def _fill_beside_returns(self) -> None:
        like = f"report_id = {self.looked_at.pk}"
        first = f"{like} AND group_id = (SELECT min(id) FROM surveys_group)"
        copies(
            "catch",
            2 * RETURNS,
            like=first,
            report_id=f"{BASE} + 1 + (n - 1) % {RETURNS}",
            group_id=f"m.group_id + (n - 1) / {RETURNS}",
        )
        copies("finding", RETURNS, like=like, report_id=_RETURN)
        # Some came in since the last night, which packs them.
        copies("packedcatch", RETURNS - 100, report_id=_RETURN)
        copies(
            "opening",
            RETURNS,
            id=_RETURN,
            uuid=_id_of("opening"),
            trap_id=_TRAP,
            by_id=_PERSON,
            report_id=_RETURN,
            set_at=_EARLIER,
            ended_at=f"{_EARLIER} + interval '1 hour'",
            ending="'emptied'",
        )
        copies("trayphoto", RETURNS // 10, public_id=_id_of("photo"), report_id=_TENTH, picture="'x'")

    def _fill_review(self) -> None:
        tenth = RETURNS // 10
        copies("query", tenth, report_id=_TENTH)
        copies("verdict", tenth, id=_RETURN, report_id=_TENTH, by_id=_COORDINATOR, together="NULL")
        copies("undo", tenth, verdict_id=_RETURN, by_id=_COORDINATOR)
        copies("correction", tenth, report_id=_TENTH, verdict_id=_RETURN)
        copies("question", tenth, report_id=_TENTH, by_id=_COORDINATOR, answer="'No.'", answered_at=_EARLIER)
        copies(
            "secondlook",
            tenth,
            report_id=_TENTH,
            looked_at=_EARLIER,
            opinion="'upheld'",
            reason="'plausible_night'",
            by_id=_COORDINATOR,
        )
        copies("lease", RETURNS // 100, report_id=f"{BASE} + 100 * n", by_id=_COORDINATOR)

    def _fill_work(self) -> None:
        copies(
            "event",
            RETURNS,
            id=_RETURN,
            previous="md5('previous' || n)",
            digest="md5('digest' || n)",
            actor=_PERSON,
            subject_id=_RETURN,
            at=_EARLIER,
        )
        job = {
            "like": "kind = 'night'",
            "id": _RETURN,
            "public_id": _id_of("job"),
            "created_at": _EARLIER,
            "finished_at": _EARLIER,
        }
        copies("job", 1_000, kind="'sheet'", key="'sheet ' || n", **job)
        copies("job", 400, first=1_001, key="'test-2026/2026-05-' || n", **job)  # type: ignore[arg-type]
        copies(
            "letter",
            RETURNS,
            key="'letter ' || n",
            account_id=_PERSON,
            opening_id=_RETURN,
            due_at=_EARLIER,
            sent_at=_EARLIER,
            dropped_at="NULL",
        )
        copies("keptanswer", GARDENS, account_id=_PERSON, key="'key ' || n", kept_at=_EARLIER)
        copies("draft", GARDENS, uuid=_id_of("draft"), keeper_id=_PERSON, saved_at=_EARLIER)
        copies("sheet", GARDENS, public_id=_id_of("sheet"), household_id=_PERSON, received_at=_EARLIER, job_id="NULL")
        copies("schoolclass", GARDENS, id=_RETURN, public_id=_id_of("class"), household_id=_RETURN)
        exported = "SELECT id FROM surveys_season LIMIT 1"
        with connection.cursor() as cursor:
            cursor.execute(
                'INSERT INTO surveys_export (public_id, by_id, season_id, job_id, "table", kind, filters, asked_at,'
                f" expires_at, sha256) SELECT md5('export' || n)::uuid, {BASE} + n % 50, ({exported}), {BASE} + n,"
                " 'returns', 'csv', '{}', now(), now() + interval '7 days', '' FROM generate_series(1, 1000) n"
            )

    def _fill_published(self) -> None:
        west = "(SELECT id FROM surveys_region WHERE code = 'westmark')"
        own = {
            "region_id": f"CASE WHEN n % 2 = 0 THEN m.region_id ELSE {west} END",
            "group_id": "m.group_id + n % 36 / 6",
            "window_id": "m.window_id + n % 6 / 2",
        }
        copies(
            "run",
            400,
            id=_RETURN,
            job_id=f"{BASE} + 1000 + n",
            night="date '2025-01-01' + n::int",
            state="'superseded'",
        )
        copies("indexvalue", 36 * 400, run_id=f"{BASE} + 1 + n / 36", rim_exponent="1", **own)
        copies("indexvalue", 35, run_id=str(self.run.pk), rim_exponent="1", **own)
        copies("releasedcell", GARDENS, cell_code="'cell-' || n")
        copies("releasedsite", GARDENS, public_id=_id_of("site"), cell_code="'cell-' || n % 400")
