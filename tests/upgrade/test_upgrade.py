"""The way up: a database as it was at migration 0009 is brought to the newest, and all that is proven of one holds."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from tests.operation.cluster import ROOT, Cluster
from tests.upgrade.make_dump import DUMP


@pytest.fixture(scope="module")
def old() -> Iterator[Cluster]:
    cluster = Cluster()
    try:
        cluster.fill()
        yield cluster
    finally:
        cluster.remove()


#: All in one process, as each start of Python takes its time: a command in each line, its words separated by tabs.
_COMMANDS = """
import sys, django
django.setup()
from django.core.management import call_command
for line in sys.stdin.read().splitlines():
    call_command(*line.split("\t"))
"""


def manage(cluster: Cluster, *commands: tuple[str, ...]) -> str:
    """Run commands on the database one after the other; return what they printed. One that fails ends it."""
    environment = {
        **os.environ, "DATABASE_URL": cluster.url(), "DJANGO_SETTINGS_MODULE": "project.settings.test",
        "RELEASES_FOLDER": str(cluster.folder / "releases"),
    }  # fmt: skip
    answer = subprocess.run(
        [sys.executable, "-c", _COMMANDS], input="\n".join("\t".join(words) for words in commands),
        cwd=ROOT, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert answer.returncode == 0, answer.stdout + answer.stderr
    return answer.stdout


def test_the_dump_is_small() -> None:
    assert DUMP.stat().st_size < 300_000
    assert Path(DUMP).suffix == ".gz"


def caught(cluster: Cluster) -> list[tuple[object, ...]]:
    """Return every count as it was sent, with the place of its row in its file, which writing it again would change."""
    with psycopg.connect(cluster.address()) as line:
        row = "id, report_id, group_id, answer, low, high, ctid::text, pg_relation_filenode(tableoid)"
        return line.execute(f"SELECT {row} FROM surveys_catch ORDER BY id").fetchall()


def indexes(cluster: Cluster, table: str) -> set[int]:
    """Return the files of the indexes of a table that hold a return or a group."""
    with psycopg.connect(cluster.address()) as line:
        found = line.execute(
            "SELECT pg_relation_filenode(indexrelid) FROM pg_index WHERE indrelid = %s::regclass AND NOT indisprimary",
            [table],
        )
        return {row[0] for row in found}


def counts(cluster: Cluster) -> dict[str, int]:
    from project.operation.proofs import counted_rows

    with psycopg.connect(cluster.address()) as line, line.cursor() as cursor:
        return counted_rows(cursor)


def test_an_old_database_comes_up_whole_and_works(old: Cluster) -> None:
    from project.operation.proofs import GROWING

    with psycopg.connect(old.address()) as line:
        row = line.execute("SELECT max(name) FROM django_migrations WHERE app = 'surveys'").fetchone()
        assert row == ("0009_releases",)
        line.execute("CREATE ROLE service LOGIN")
        line.execute("GRANT SELECT, INSERT ON surveys_catch TO service")
    before, sent, indexed = counts(old), caught(old), indexes(old, "surveys_catch")
    assert before["surveys_return"] == 15
    assert len(sent) == before["surveys_catch"] == 15 * 6
    assert before["surveys_erasure"] == before["surveys_run"] == 1
    told = manage(
        old,
        ("migrate", "--no-input", "-v", "0"),
        ("check_log",),
        ("run_night", "--season", "upgrade-2026", "--night", "2026-05-05"),
        ("make_release", "upgrade-2026", "--because", "What the newest code makes of it.", "--by", judge(old)),
        ("check_release", "--again"),
        ("check_log",),
    )
    assert told.count("The event log is whole.") == 2
    assert "is shown" in told
    assert "release 1.0.0 is published" in told
    assert "1.0.0: as it was published" in told
    after = counts(old)
    for table in GROWING:
        assert after[table] >= before[table], table
    # The table of counts has become the first part of one: no row and no index was written anew.
    assert caught(old) == sent
    assert indexes(old, "surveys_catch_0") == indexed
    assert len(indexed) == 3
    # The service that still runs goes on with its rights, before anybody grants them anew.
    with psycopg.connect(old.address()) as line:
        asked = " ".join(
            f"has_table_privilege('service', '{table}', '{right}'),"
            for table in ("surveys_catch", "surveys_catch_0")
            for right in ("SELECT", "INSERT", "UPDATE, DELETE, TRUNCATE")
        )
        held = line.execute(
            f"SELECT {asked} has_function_privilege('service', 'begin_counts_of_a_season()', 'EXECUTE')"
        ).fetchone()
    assert held == (True, True, False, False, False, False, True)
    unchanged = (
        "surveys_return",
        "surveys_catch",
        "surveys_verdict",
        "surveys_site",
        "surveys_trap",
        "surveys_erasure",
    )
    assert {table: after[table] for table in unchanged} == {table: before[table] for table in unchanged}


def judge(cluster: Cluster) -> str:
    with psycopg.connect(cluster.address()) as line:
        row = line.execute(
            "SELECT email FROM surveys_account a JOIN surveys_appointment p ON p.account_id = a.id"
            " WHERE p.role = 'coordinator' AND p.region_id IS NULL"
        ).fetchone()
    assert row is not None
    return str(row[0])
