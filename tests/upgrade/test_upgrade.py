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


def manage(cluster: Cluster, *words: str) -> str:
    environment = {
        **os.environ, "DATABASE_URL": cluster.url(), "DJANGO_SETTINGS_MODULE": "project.settings.test",
        "RELEASES_FOLDER": str(cluster.folder / "releases"),
    }  # fmt: skip
    answer = subprocess.run(
        [sys.executable, "manage.py", *words], cwd=ROOT, env=environment, capture_output=True, text=True, check=False
    )
    assert answer.returncode == 0, answer.stdout + answer.stderr
    return answer.stdout


def test_the_dump_is_small() -> None:
    assert DUMP.stat().st_size < 300_000
    assert Path(DUMP).suffix == ".gz"


def counts(cluster: Cluster) -> dict[str, int]:
    from project.operation.proofs import counted_rows

    with psycopg.connect(cluster.address()) as line, line.cursor() as cursor:
        return counted_rows(cursor)


def test_an_old_database_comes_up_whole_and_works(old: Cluster) -> None:
    from project.operation.proofs import GROWING

    with psycopg.connect(old.address()) as line:
        row = line.execute("SELECT max(name) FROM django_migrations WHERE app = 'surveys'").fetchone()
        assert row == ("0009_releases",)
    before = counts(old)
    assert before["surveys_return"] == 15
    assert before["surveys_erasure"] == before["surveys_run"] == 1
    manage(old, "migrate", "--no-input", "-v", "0")
    after = counts(old)
    assert {table: after[table] for table in GROWING if table != "django_migrations"} == {
        table: before[table] for table in GROWING if table != "django_migrations"
    }
    assert "The event log is whole." in manage(old, "check_log")
    told = manage(old, "run_night", "--season", "upgrade-2026", "--night", "2026-05-05")
    assert "is shown" in told
    told = manage(
        old, "make_release", "upgrade-2026", "--because", "What the newest code makes of it.", "--by", judge(old)
    )
    assert "is published" in told
    assert "1.0.0: as it was published" in manage(old, "check_release", "--again")
    assert "The event log is whole." in manage(old, "check_log")


def judge(cluster: Cluster) -> str:
    with psycopg.connect(cluster.address()) as line:
        row = line.execute(
            "SELECT email FROM surveys_account a JOIN surveys_appointment p ON p.account_id = a.id"
            " WHERE p.role = 'coordinator' AND p.region_id IS NULL"
        ).fetchone()
    assert row is not None
    return str(row[0])
