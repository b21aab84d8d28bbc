"""No list of pages and API reads a long table whole or sorts one: each enters it through an index.

Every address is asked on tables that are long (:mod:`tests.full_tables`), with each filter and the page that follows;
every query that came of it is carried out again under EXPLAIN ANALYZE, which tells what was gone through.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection, transaction
from django.db.models import QuerySet
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from surveys.permissions import Rule, traps_of
from surveys.queries import cases, feedback, live_data, season_plans
from surveys.queries.jobs import jobs_to_do, nights_to_help
from surveys.queries.letters import letters_to_send
from surveys.queries.morning import morning_of
from surveys.queries.own_rows import everything_about
from surveys.queries.returns import own_returns
from tests.architecture.test_addresses import ADDRESSES, expected
from tests.factories import ApiClient, sign_in_fully
from tests.full_tables import BASE, FullWorld
from tests.pages import walk
from tests.plans import faults_in, shape_of

#: What is read up to a limit, whatever is there: here the limits are as small as the tables.
LIMITS = ((cases, "LATEST", 400), (live_data, "MOST_LOOKED_AT", 200), (feedback, "ENOUGH_RETURNS", 200), (season_plans, "MOST_TRIED", 200))  # fmt: skip

#: Who asks: the first of them for whom an address is there; at the desk of regions two.
ROLES = ("owner", "teacher", "anonymous", "coordinator", "lead coordinator", "researcher", "operator")

#: Lists with what may be asked of them: name of an address, role, what is added to it.
FILTERED = [
    *[
        ("api-data-returns", "researcher", f"?season=test-2026&limit=5{more}")
        for more in (
            "", "&region=eastmark", "&habitat=short_lawn", "&group=spiders", "&night_from=2026-05-01", "&night_to=2026-05-01",
            "&finding=pesticide_used", "&standing=adjusted", "&left_out=no", "&left_out=off_protocol", "&state=upheld",
        )
    ],
    *[
        (name, role, f"?{more}")
        for name in ("api-queue", "queue")
        for role in ("coordinator", "lead coordinator")
        for more in ("region=eastmark", "reason=ten_times", "household=lantern%2012", "days=3", "region=eastmark&reason=ten_times&days=3")
    ],
    ("api-queue", "lead coordinator", "?limit=5"),
    ("api-exports", "researcher", "?limit=5"),
    ("my-returns", "owner", f"?after={2 * BASE}"),
    ("overdue", "lead coordinator", ""),
]  # fmt: skip
COLLECTIONS = [
    f"/ogc/collections/{name}/items?limit=5{more}"
    for name in ("regions", "cells", "index-values")
    for more in ("", "&bbox=-18,51,-17,52", "&datetime=2026-05-01T00:00:00Z/..", "&region=eastmark")
]

#: Where more is read on purpose: (address, how the query begins) -> why.
ACCEPTED: dict[tuple[str, str], str] = {
    ("api-data-returns", "SELECT s.id::text, s.region_id"): "once a minute all gardens settle which places are told of",
    ("make-release", "SELECT s.id, s.public_id::text"): "which gardens a release would hold if it were made now",
    (
        "make-release",
        'SELECT "surveys_releasedsite"."public_id"',
    ): "every place that was ever told bears on the next one",
    ("make-release", 'SELECT "surveys_site"."public_id"'): "every place that was ever told bears on the next one",
    (
        "queue-beside",
        "SELECT night, count(*)",
    ): "the returns of the weeks are counted night by night, from the index alone",
    (
        "metrics",
        "SELECT kind, state, count(*)",
    ): "jobs are counted by kind and state; those of each minute go after a day",
}

#: An index, and a list that reads a long table whole without it.
NEEDED = {
    "returns_by_arrival": "morning-letter",
    "answers_by_moment": "morning-letter",
    "events_by_actor": "own-download",
    "households_by_alias": "queue",
    "jobs_of_a_kind": "desk-releases",
    "urgent_returns_of_a_region": "cases",
}

pytestmark = pytest.mark.django_db

Asked = dict[str, tuple[str, str]]
#: A query, or one whose rows are fetched bit by bit.
_SOMETHING_READ = re.compile(r"(?:DECLARE .*? FOR)?\s*((?:SELECT|WITH)\b.*)", re.DOTALL)


def test_no_list_reads_a_long_table_or_sorts_one_and_without_its_index_it_would(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for module, name, limit in LIMITS:
        monkeypatch.setattr(module, name, limit)
    world = FullWorld()
    asked = queries_of(world)
    faults = faults_of(asked)
    told = "\n".join(str(one) for one in faults if not accepted(one))
    assert told == "", f"an index is missing, or the query cannot use it:\n{told}"
    needed = {line for one in faults for line in accepted(one)}
    assert set(ACCEPTED) - needed == set(), "an exception that is not needed any more"
    for index, address in NEEDED.items():
        assert set(faults_of(asked, only=address, without=index)) - set(faults), index
    assert_whose_they_are_is_looked_at_first(world)


def assert_whose_they_are_is_looked_at_first(world: FullWorld) -> None:
    """More than eight tables side by side are not put into the best order: by a subquery the whole table is read."""
    own = own_returns(world.owner)
    by_subquery = own.model._default_manager.filter(trap__in=traps_of(world.owner))
    by_subquery.query.select_related = own.query.select_related
    assert {one.table for one in faults_in(_sql(by_subquery))} >= {"return"}
    assert faults_in(_sql(own)) == []


def _sql(rows: QuerySet[Any]) -> str:
    with CaptureQueriesContext(connection) as captured:
        list(rows.order_by("-id").prefetch_related(None)[:51])
    return str(captured.captured_queries[-1]["sql"])


#: Address, shape of the query, table, way, rows.
Fault = tuple[str, str, str, str, int]


def accepted(fault: Fault) -> set[tuple[str, str]]:
    """Return the lines of the table of exceptions that speak of a fault."""
    return {(address, begins) for address, begins in ACCEPTED if fault[0] == address and fault[1].startswith(begins)}


def faults_of(asked: Asked, *, only: str = "", without: str = "") -> list[Fault]:
    """Carry queries out; return each step of a plan that reads or sorts what is long.

    ``only`` those of one address; ``without`` an index.
    """
    named = [(re.split("[ ?]", who)[0], who, sql) for who, sql in asked.values()]
    with transaction.atomic():
        if without:
            connection.cursor().execute(f"DROP INDEX {without}")
        found = sorted(
            (name, shape_of(sql), one.table, f"{one.way} ({who})", one.rows)
            for name, who, sql in named
            if not only or only == name
            for one in faults_in(sql)
        )
        transaction.set_rollback(True)
    return found


def queries_of(world: FullWorld) -> Asked:
    """Ask for everything; return each query by its shape, with who met it first and the query itself."""
    asked: Asked = {}
    for who, ask in _questions(world):
        with CaptureQueriesContext(connection) as captured:
            ask()
        for one in captured.captured_queries:
            if (sql := _SOMETHING_READ.match(one["sql"])) is not None:
                asked.setdefault(shape_of(sql[1]), (who, sql[1]))
    return asked


def _questions(world: FullWorld) -> Iterator[tuple[str, Callable[[], Any]]]:
    patterns = {name: pattern for name, pattern, _ in walk()}
    clients = {(role, api): _client(world, role, api=api) for role in ROLES for api in (True, False)}

    def question(name: str, role: str, more: str = "", path: str = "") -> tuple[str, Callable[[], Any]]:
        client = clients[role, name.startswith("api-")]
        address = path or world.path_of(name, patterns[name]) + more
        return f"{name}{more} as {role}", lambda: _read_on(client, address)

    for name, (rule, methods, _) in ADDRESSES.items():
        there = [role for role in ROLES if expected(role, name, "GET") == "in"] if "GET" in methods else []
        for role in there if rule == Rule.COORDINATOR else there[:1]:
            yield question(name, role)
    for name, role, more in FILTERED:
        yield question(name, role, more)
    for path in COLLECTIONS:
        yield question(path, "anonymous", path=path)
    owner, coordinator = world.owner, world.somebody("coordinator")
    yield "own-download", lambda: [list(rows.read()) for rows in everything_about(owner)]
    yield "jobs-to-do", jobs_to_do
    yield "nights-to-help", lambda: nights_to_help(4)
    yield "letters-to-send", lambda: list(letters_to_send()[:50])
    now = timezone.now()
    yield "morning-letter", lambda: morning_of(coordinator, since=now - timedelta(days=1), now=now)


def _client(world: FullWorld, role: str, *, api: bool) -> ApiClient:
    account = world.people[role]
    client = ApiClient(account) if api else ApiClient()
    if account is not None and not api:
        sign_in_fully(client, account)
    return client


def _read_on(client: ApiClient, address: str) -> None:
    """Read a page and the one that follows it."""
    answer = client.get(address)
    assert answer.status_code < 500, (address, answer.content[:300])
    if answer.streaming:
        list(answer.streaming_content)  # type: ignore[arg-type]
    elif (following := _following(answer)) and following != address:
        assert client.get(following).status_code == 200


def _following(answer: Any) -> str:
    found = re.search(r'<([^>]+)>; rel="next"', answer.headers.get("Link", ""))
    return found[1] if found else ""
