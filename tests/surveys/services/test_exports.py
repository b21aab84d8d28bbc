"""Exports: asked for, written whole or not at all, stopped, thrown away, dropped after a week.

Outside readers: Python's csv and hashlib, and pandas for Parquet.
"""

from __future__ import annotations

import csv
import hashlib
import threading
import uuid
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from django.db import connection
from django.utils import timezone

from surveys.errors import Faulty, NotAllowed, NotFound, TooSoon
from surveys.models import Account, Consent, Event, Export, Job, Return, Season
from surveys.queries import live_data
from surveys.queries.exports import exports_of, file_of, own_export
from surveys.queries.live_data import live_page
from surveys.queries.live_filters import LiveFilter
from surveys.release_files.tables import COUNTS, RETURNS
from surveys.services import exports
from surveys.services.erasure import erase_account
from surveys.services.exports import ask_for_export, drop_old_exports, throw_export_away, write_export
from surveys.services.night import resume_job
from surveys.vocabulary import ExportTable, FileKind, JobState, ReturnState
from tests.factories import (
    make_account,
    make_household,
    make_researcher,
    make_season,
    make_site,
    make_trap,
    send_return,
)

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, settings: Any) -> Iterator[Path]:
    """Write exports into a folder of the test, and read the places anew."""
    settings.EXPORTS_FOLDER = tmp_path / "exports"
    live_data._live_places.cache_clear()
    yield settings.EXPORTS_FOLDER
    live_data._live_places.cache_clear()


@pytest.fixture
def season() -> Season:
    season = make_season()
    for _ in range(6):
        send_return(make_trap(site=make_site(household=make_household())))
    Return.objects.update(state=ReturnState.STANDING)
    return season


@pytest.fixture
def researcher() -> Account:
    return make_researcher()


def asked(by: Account, table: str = "returns", kind: str = "csv", **filters: str) -> Export:
    found = ask_for_export(
        by=by, season_code="test-2026", table=ExportTable(table), kind=FileKind(kind), filters=filters
    )
    assert isinstance(found, Export)
    return found


def written(by: Account, *args: str, **filters: str) -> Export:
    export = asked(by, *args, **filters)
    resume_job(job_id=export.job_id)
    found = own_export(by, export.public_id)
    assert found.job.state == JobState.DONE
    return found


def rows_of(export: Export) -> list[dict[str, str]]:
    with file_of(export).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_an_export_of_returns_holds_what_the_pages_tell(season: Season, researcher: Account) -> None:
    export = written(researcher)
    items, _ = live_page(season, LiveFilter(), None, 500)
    rows = rows_of(export)
    assert list(rows[0]) == list(RETURNS.names)
    assert [row["return_id"] for row in rows] == [item["return_id"] for item in items]
    for row, item in zip(rows, items, strict=True):
        assert (row["set_at"], row["site_id"], row["cell"]) == (item["set_at"], item["site_id"], item["cell"] or "")
        assert row["first_return"] == ("true" if item["first_return"] else "false")
        assert float(row["trap_nights"]) == item["trap_nights"]
    assert (export.rows, len(rows)) == (6, 6)


@pytest.mark.parametrize("table", ["returns", "counts"])
def test_who_takes_the_agreement_back_is_in_no_export(season: Season, researcher: Account, table: str) -> None:
    gone = Return.objects.select_related("trap__site__household").order_by("uuid")[0]
    Consent.objects.filter(account=gone.trap.site.household.keeper).update(withdrawn_at=timezone.now())
    told = {row["return_id"] for row in rows_of(written(researcher, table))}
    assert told == {str(one) for one in Return.objects.exclude(pk=gone.pk).values_list("uuid", flat=True)}


def test_an_export_of_counts_holds_each_answer(season: Season, researcher: Account) -> None:
    rows = rows_of(written(researcher, "counts"))
    assert list(rows[0]) == list(COUNTS.names)
    assert len(rows) == 6 * 6  # six returns, six groups
    keys = [(row["return_id"], row["group"]) for row in rows]
    assert keys == sorted(keys)
    woodlice = {row["count_min"] for row in rows if row["group"] == "woodlice"}
    assert woodlice == {"3"}  # of the factories' payload


def test_an_export_of_a_group_holds_that_group_alone(season: Season, researcher: Account) -> None:
    rows = rows_of(written(researcher, "counts", "csv", group="spiders"))
    assert {row["group"] for row in rows} == {"spiders"}
    assert len(rows) == 6


def test_parquet_holds_the_same_rows(season: Season, researcher: Account) -> None:
    """Read with pandas, as a researcher would."""
    table = pd.read_parquet(file_of(written(researcher, "returns", "parquet")))
    rows = rows_of(written(researcher, "returns", "csv"))
    assert list(table.columns) == list(RETURNS.names)
    assert list(table["return_id"]) == [row["return_id"] for row in rows]
    assert list(table["trap_nights"]) == [float(row["trap_nights"]) for row in rows]
    assert list(table["night"].astype(str)) == [row["night"] for row in rows]


@pytest.mark.parametrize("kind", ["csv", "parquet"])
@pytest.mark.parametrize("table", ["returns", "counts"])
def test_nothing_that_fits_is_a_table_without_rows(season: Season, researcher: Account, table: str, kind: str) -> None:
    export = written(researcher, table, kind, standing="off_protocol")
    assert export.rows == 0
    frame = pd.read_parquet(file_of(export)) if kind == "parquet" else pd.read_csv(file_of(export))
    assert list(frame.columns) == list(RETURNS.names if table == "returns" else COUNTS.names)
    assert len(frame) == 0


def test_checksum_size_and_moment_are_those_of_the_file(season: Season, researcher: Account) -> None:
    export = written(researcher)
    content = file_of(export).read_bytes()
    assert export.sha256 == hashlib.sha256(content).hexdigest()
    assert export.size_bytes == len(content)
    assert export.written_at is not None
    assert export.expires_at - export.asked_at == timedelta(days=7)
    assert content.endswith(b"\n")
    assert b"\r" not in content


def test_each_service_writes_one_event(season: Season, researcher: Account) -> None:
    export = written(researcher)
    throw_export_away(by=researcher, public_id=export.public_id)
    verbs = Event.objects.filter(subject="export").order_by("id").values_list("verb", flat=True)
    assert list(verbs) == ["export asked for", "export written", "export thrown away"]


# --- who, how many, what -----------------------------------------------------------------------------


def test_only_researchers_coordinators_and_operators_may_ask(season: Season) -> None:
    with pytest.raises(NotAllowed):
        asked(make_account())
    assert Job.objects.filter(kind="export").count() == 0


@pytest.mark.parametrize(
    ("season_code", "filters", "pointer"),
    [
        ("nowhere-2026", {}, "/season"),
        ("test-2026", {"region": "moon"}, "/filters/region"),
        ("test-2026", {"night_from": "soon"}, "/filters/night_from"),
        ("test-2026", {"state": "withdrawn"}, "/filters/state"),
    ],
)
def test_each_wrong_request_is_refused_and_leaves_nothing(
    season: Season, researcher: Account, season_code: str, filters: dict[str, str], pointer: str
) -> None:
    with pytest.raises(Faulty) as refused:
        ask_for_export(
            by=researcher, season_code=season_code, table=ExportTable.RETURNS, kind=FileKind.CSV, filters=filters
        )
    assert [one.pointer for one in refused.value.faults] == [pointer]
    assert (Export.objects.count(), Job.objects.count()) == (0, 0)


def test_a_season_that_is_planned_is_not_there(season: Season, researcher: Account) -> None:
    from tests.frozen import thawed

    with thawed():
        Season.objects.filter(pk=season.pk).update(state="draft")
    with pytest.raises(Faulty):
        asked(researcher)


def test_three_may_wait_and_a_fourth_is_told_when_to_come_back(season: Season, researcher: Account) -> None:
    for _ in range(3):
        asked(researcher)
    with pytest.raises(TooSoon) as refused:
        asked(researcher)
    assert refused.value.wait_s == exports.WAIT_S
    asked(make_researcher())  # another account has its own share
    throw_export_away(by=researcher, public_id=Export.objects.filter(by=researcher)[0].public_id)
    asked(researcher)


def test_twenty_a_day_and_throwing_them_away_gives_none_back(season: Season, researcher: Account) -> None:
    for _ in range(20):
        throw_export_away(by=researcher, public_id=asked(researcher).public_id)
    Export.objects.filter(by=researcher).update(asked_at=timezone.now() - timedelta(hours=23))
    with pytest.raises(TooSoon) as refused:
        asked(researcher)
    assert 3500 < refused.value.wait_s <= 3601
    Export.objects.filter(by=researcher).update(asked_at=timezone.now() - timedelta(hours=24, seconds=1))
    asked(researcher)


def test_asking_at_the_same_moment_passes_no_share(season: Season, researcher: Account) -> None:
    outcomes: list[str] = []

    def ask() -> None:
        try:
            asked(researcher)
            outcomes.append("taken")
        except TooSoon:
            outcomes.append("too soon")
        finally:
            connection.close()

    threads = [threading.Thread(target=ask) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["taken"] * 3 + ["too soon"] * 5


def test_somebody_elses_export_is_not_there(season: Season, researcher: Account) -> None:
    export, other = written(researcher), make_researcher()
    with pytest.raises(NotFound):
        own_export(other, export.public_id)
    with pytest.raises(NotFound):
        throw_export_away(by=other, public_id=export.public_id)
    assert list(exports_of(other)) == []
    assert file_of(export).exists()


# --- while it is written ------------------------------------------------------------------------------


def test_progress_is_told_in_returns(season: Season, researcher: Account, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[tuple[int, int]] = []
    real = exports.report_progress
    monkeypatch.setattr(exports, "STEP_S", 0.0)
    monkeypatch.setattr(
        exports,
        "report_progress",
        lambda *, job, done, total: (told.append((done, total)), real(job=job, done=done, total=total)),
    )
    export = written(researcher, "counts")
    assert told[0] == (0, 6)
    assert told[-1] == (6, 6)
    assert told == sorted(told)
    assert (export.job.done, export.job.total) == (6, 6)


def test_all_rows_are_of_one_moment(season: Season, researcher: Account, monkeypatch: pytest.MonkeyPatch) -> None:
    """Returns that come or go after the first look are neither in the total nor in the file."""
    monkeypatch.setattr(exports, "STEP_S", 0.0)
    there = {str(one) for one in Return.objects.values_list("uuid", flat=True)}

    def disturb(*, job: Job, done: int, total: int) -> None:
        if done == 0:
            Return.objects.update(state=ReturnState.WITHDRAWN)

    monkeypatch.setattr(exports, "report_progress", disturb)
    export = written(researcher)
    assert {row["return_id"] for row in rows_of(export)} == there


def test_an_export_that_is_thrown_away_while_it_is_written_leaves_nothing(
    season: Season, researcher: Account, monkeypatch: pytest.MonkeyPatch, own_folder: Path
) -> None:
    monkeypatch.setattr(exports, "STEP_S", 0.0)
    export = asked(researcher)
    real = exports.report_progress

    def stop(*, job: Job, done: int, total: int) -> None:
        if done == 3:
            throw_export_away(by=researcher, public_id=export.public_id)
        real(job=job, done=done, total=total)

    monkeypatch.setattr(exports, "report_progress", stop)
    assert write_export(job_id=export.job_id) is None
    found = own_export(researcher, export.public_id)
    assert (found.job.state, found.written_at) == (JobState.CANCELLED, None)
    assert list(own_folder.iterdir()) == []
    assert write_export(job_id=export.job_id) is None  # asked for once more, it stays cancelled


def test_a_job_that_falls_over_is_begun_anew_and_leaves_nothing_half_written(
    season: Season, researcher: Account, monkeypatch: pytest.MonkeyPatch, own_folder: Path
) -> None:
    export = asked(researcher)
    with monkeypatch.context() as breaking:
        breaking.setattr(exports, "write_table_file", lambda **options: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            resume_job(job_id=export.job_id)
    assert list(own_folder.iterdir()) == []
    assert own_export(researcher, export.public_id).job.state == JobState.QUEUED
    resume_job(job_id=export.job_id)
    assert own_export(researcher, export.public_id).rows == 6


def test_a_worker_that_was_thought_dead_overwrites_nothing(
    season: Season, researcher: Account, monkeypatch: pytest.MonkeyPatch, own_folder: Path
) -> None:
    """The second worker finishes first; the first one finds its lease gone and lets go."""
    export = asked(researcher)
    real = exports.write_table_file

    def slow(**options: Any) -> Any:
        found = real(**options)
        monkeypatch.setattr(exports, "write_table_file", real)
        Job.objects.filter(pk=export.job_id).update(lease_until=timezone.now() - timedelta(seconds=1))
        assert write_export(job_id=export.job_id) is not None
        return found

    monkeypatch.setattr(exports, "write_table_file", slow)
    assert write_export(job_id=export.job_id) is None
    found = own_export(researcher, export.public_id)
    assert found.sha256 == hashlib.sha256(file_of(found).read_bytes()).hexdigest()
    assert [path.name for path in own_folder.iterdir()] == [file_of(found).name]
    assert Event.objects.filter(verb="export written").count() == 1


# --- the end ------------------------------------------------------------------------------------------


def test_throwing_away_deletes_the_file_and_twice_changes_nothing(season: Season, researcher: Account) -> None:
    export = written(researcher)
    throw_export_away(by=researcher, public_id=export.public_id)
    assert not file_of(export).exists()
    assert own_export(researcher, export.public_id).job.state == JobState.CANCELLED
    throw_export_away(by=researcher, public_id=export.public_id)
    assert Event.objects.filter(verb="export thrown away").count() == 1


def test_after_a_week_an_export_is_gone_with_its_file_and_its_job(season: Season, researcher: Account) -> None:
    old, young = written(researcher), written(researcher)
    Export.objects.filter(pk=old.pk).update(asked_at=old.asked_at - timedelta(days=7), expires_at=timezone.now())
    assert drop_old_exports(now=timezone.now()) == 1
    assert not file_of(old).exists()
    assert file_of(young).exists()
    assert list(Export.objects.values_list("pk", flat=True)) == [young.pk]
    assert Job.objects.filter(kind="export").count() == 1
    assert drop_old_exports(now=timezone.now()) == 0


def test_an_export_whose_week_is_over_is_not_there_even_before_it_is_dropped(
    season: Season, researcher: Account
) -> None:
    export = written(researcher)
    Export.objects.update(asked_at=timezone.now() - timedelta(days=7), expires_at=timezone.now())
    with pytest.raises(NotFound):
        own_export(researcher, export.public_id)


def test_what_nobody_owns_is_swept_up_after_a_day(season: Season, researcher: Account, own_folder: Path) -> None:
    kept = written(researcher)
    (own_folder / f"{uuid.uuid4()}.csv").write_text("left by an account that was erased")
    (own_folder / ".writing-of-a-worker-that-died").mkdir()
    drop_old_exports(now=timezone.now())
    assert len(list(own_folder.iterdir())) == 3  # they may be in the making
    drop_old_exports(now=timezone.now() + timedelta(days=1, seconds=5))
    assert [path.name for path in own_folder.iterdir()] == [file_of(kept).name]


def test_without_a_folder_there_is_nothing_to_drop() -> None:
    assert drop_old_exports(now=timezone.now()) == 0


def test_an_erased_account_leaves_no_export_and_no_job(season: Season, researcher: Account) -> None:
    written(researcher)
    erase_account(account=researcher, by=researcher)
    assert (Export.objects.count(), Job.objects.filter(kind="export").count()) == (0, 0)
