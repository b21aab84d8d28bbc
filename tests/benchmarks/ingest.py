"""Taking returns in: single ones beside a bare view with one INSERT, and many at once beside COPY.

``python -m tests.benchmarks.ingest`` makes a database of its own and sends returns through the whole application, in
this process: middleware, token, rate limit, key, protocol check, log. In turns with it, in the same run, its peers:
a bare view of Django REST framework that reads the same body by one serializer and does one INSERT, without a token,
a key, a check or a log; and for many returns at once PostgreSQL's COPY of the very rows that were stored. Prints
returns a second of each, and their ratio.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import uuid
from datetime import UTC, datetime, timedelta
from statistics import median
from time import perf_counter, process_time
from typing import Any

from tests.benchmarks import large_season

NAME = "trapnight_ingest"
#: Tables into which a return is stored, in the order of their keys.
STORED = ("surveys_return", "surveys_catch", "surveys_finding")


def body_of(trap: Any, number: int, groups: tuple[str, ...]) -> dict[str, Any]:
    """Return a return as a phone sends it, each of a night of its own."""
    set_at = datetime(2026, 4, 1, 17, 30, tzinfo=UTC) + timedelta(days=number % 60)
    return {
        "id": str(uuid.uuid4()),
        "trap": str(trap.public_id),
        "set_at": set_at.isoformat(),
        "emptied_at": (set_at + timedelta(hours=23.5)).isoformat(),
        "habitat": "short_lawn",
        "mouth_mm": 75,
        "material": "plastic",
        "rim": "flush",
        "cover": "present",
        "refuge": "moss_or_grass",
        "trap_state": "intact",
        "looked_for_all": "yes",
        "catch": [
            {"group": group, "answer": "number", "count": 1 + (number + place) % 9}
            if place % 2
            else {"group": group, "answer": "none_seen"}
            for place, group in enumerate(groups)
        ],
    }


def bare_application() -> Any:
    """Return a view that reads the same body and does one INSERT into a table of the same size."""
    from django.db import connection
    from rest_framework import serializers
    from rest_framework.response import Response
    from rest_framework.views import APIView

    with connection.cursor() as cursor:
        cursor.execute("DROP TABLE IF EXISTS bare_return")
        cursor.execute(
            "CREATE TABLE bare_return (id uuid PRIMARY KEY, trap uuid, set_at timestamptz, emptied_at timestamptz,"
            " habitat text, mouth_mm float8, material text, rim text, cover text, refuge text, trap_state text,"
            " looked_for_all text, catch jsonb, received_at timestamptz DEFAULT now())"
        )

    class AnswerIn(serializers.Serializer[Any]):
        group = serializers.CharField()
        answer = serializers.CharField()
        count = serializers.IntegerField(required=False)

    class BareIn(serializers.Serializer[Any]):
        id = serializers.UUIDField()
        trap = serializers.UUIDField()
        set_at = serializers.DateTimeField()
        emptied_at = serializers.DateTimeField()
        habitat = serializers.CharField()
        mouth_mm = serializers.FloatField()
        material = serializers.CharField()
        rim = serializers.CharField()
        cover = serializers.CharField()
        refuge = serializers.CharField()
        trap_state = serializers.CharField()
        looked_for_all = serializers.CharField()
        catch = AnswerIn(many=True)

    class Bare(APIView):
        authentication_classes: Any = ()
        permission_classes: Any = ()
        throttle_classes: Any = ()

        def post(self, request: Any) -> Response:
            given = BareIn(data=request.data)
            given.is_valid(raise_exception=True)
            row = {**given.validated_data, "catch": json.dumps(given.validated_data["catch"])}
            names = ", ".join(row)
            with connection.cursor() as cursor:
                places = ", ".join(["%s"] * len(row))
                cursor.execute(f"INSERT INTO bare_return ({names}) VALUES ({places})", list(row.values()))
            return Response(given.data, 201)

    return Bare.as_view()


class Sender:
    """A household with its traps and a token; posts bodies through the whole application."""

    def __init__(self, *, keeper: Any, traps: list[Any], groups: tuple[str, ...]) -> None:
        from django.test import Client
        from rest_framework.test import APIRequestFactory

        from tests.factories import token_of

        self.traps, self.groups = traps, groups
        self.client = Client(headers={"Authorization": f"Bearer {token_of(keeper)}"})
        self.requests = APIRequestFactory()
        self.bare = bare_application()
        self.sent = 0

    def bodies(self, many: int) -> list[dict[str, Any]]:
        """Return bodies that were not sent yet."""
        found = [
            body_of(self.traps[(self.sent + n) // 60 % len(self.traps)], self.sent + n, self.groups)
            for n in range(many)
        ]
        self.sent += many
        return found

    def ours(self, body: Any, where: str = "/api/v1/returns") -> Any:
        """Post to the service."""
        answer = self.client.post(
            where, json.dumps(body), "application/json", headers={"Idempotency-Key": f'"{uuid.uuid4()}"'}
        )
        assert answer.status_code in (200, 201), answer.content
        return answer

    def peer(self, body: Any) -> None:
        """Post to the bare view."""
        answer = self.bare(self.requests.post("/bare", json.dumps(body), content_type="application/json")).render()
        assert answer.status_code == 201, answer.data


def rate(work: Any, bodies: list[Any]) -> tuple[float, float]:
    """Return how many a second, and milliseconds of this process's own work for each."""
    begun, busy = perf_counter(), process_time()
    for body in bodies:
        work(body)
    return len(bodies) / (perf_counter() - begun), 1000 * (process_time() - busy) / len(bodies)


def singles(sender: Sender, rounds: int, each: int) -> None:
    """Measure single returns beside the bare view, in turns."""
    ours, peer = [], []
    for _ in range(rounds):
        peer.append(rate(sender.peer, sender.bodies(each)))
        ours.append(rate(sender.ours, sender.bodies(each)))
    ratio = median(one[0] / other[0] for one, other in zip(ours, peer, strict=True))
    print(
        f"single returns: {median(r for r, _ in ours):7.0f} a second ({median(m for _, m in ours):.1f} ms of Python)"
        f"   bare view: {median(r for r, _ in peer):7.0f} ({median(m for _, m in peer):.1f} ms)   ratio {ratio:.2f}",
        flush=True,
    )


def many_at_once(sender: Sender, rounds: int, each: int) -> None:
    """Measure sendings of many returns beside COPY of what they stored."""
    from django.db import connection

    ours, peer = [], []
    for _ in range(rounds):
        with connection.cursor() as cursor:
            cursor.execute("SELECT coalesce(max(id), 0) FROM surveys_return")
            last = cursor.fetchone()[0]
        body = {"returns": sender.bodies(each)}
        begun = perf_counter()
        answer = sender.ours(body, "/api/v1/returns/batch").json()
        ours.append(each / (perf_counter() - begun))
        assert answer["stored"] == each, answer
        peer.append(each / copy_again(last))
    ratio = median(one / other for one, other in zip(ours, peer, strict=True))
    print(
        f"{each} at once: {median(ours):7.0f} a second   COPY of the same rows: {median(peer):7.0f}   ratio {ratio:.3f}",
        flush=True,
    )


def copy_again(last: int) -> float:
    """Copy the rows of all returns after ``last`` into tables of the same columns, and return the seconds."""
    from django.db import connection

    with connection.cursor() as cursor:
        texts = {}
        for table in STORED:
            key = "id" if table == "surveys_return" else "report_id"
            cursor.execute(f"CREATE TABLE IF NOT EXISTS peer_{table} (LIKE {table} INCLUDING ALL)")
            cursor.execute(
                "SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum) FROM pg_attribute"
                " WHERE attrelid = %s::regclass AND attnum > 0 AND NOT attisdropped AND attgenerated = ''", [table]
            )  # fmt: skip
            columns = cursor.fetchone()[0]
            out = io.BytesIO()
            asked = f"COPY (SELECT {columns} FROM {table} WHERE {key} > {last}) TO STDOUT"
            with cursor.copy(asked) as copy:
                for block in copy:
                    out.write(block)
            texts[f"peer_{table} ({columns})"] = out.getvalue()
        begun = perf_counter()
        for table, text in texts.items():
            with cursor.copy(f"COPY {table} FROM STDIN") as copy:
                copy.write(text)
        return perf_counter() - begun


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--each", type=int, default=100)
    parser.add_argument("--at-once", type=int, default=500)
    asked = parser.parse_args()
    large_season.NAME = NAME
    os.environ.setdefault("API_REQUESTS_PER_MINUTE", "1000000000")
    from project import embedded

    embedded.provide_services(broker=True)
    large_season.use_large_database(afresh=True)
    from django.core.management import call_command
    from django.test.utils import setup_test_environment

    setup_test_environment()
    call_command("migrate", verbosity=0)
    from tests.factories import GROUPS, make_season, make_site, make_trap

    make_season()
    site = make_site()
    traps = [make_trap(site=site) for _ in range(40)]
    sender = Sender(keeper=site.household.keeper, traps=traps, groups=tuple(code for code, *_ in GROUPS))
    singles(sender, 1, 20)
    singles(sender, asked.rounds, asked.each)
    many_at_once(sender, asked.rounds, asked.at_once)


if __name__ == "__main__":
    main()
