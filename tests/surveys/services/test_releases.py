"""Releases: numbered, whole or not at all, never changed, withdrawn with a reason."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command
from django.db import DatabaseError, transaction

from surveys.errors import Conflict, Faulty, NotAllowed, NotFound
from surveys.models import Event, Job, Release, ReleasedCell, ReleasedSite, Return, Season
from surveys.queries.releases import folder_of
from surveys.services import releases as services
from surveys.services.releases import (
    ask_for_release,
    check_release,
    make_release,
    remake_release,
    withdraw_release,
)
from tests.factories import make_account, make_coordinator, make_researcher, make_season
from tests.making import make_release_now
from tests.several_seasons import catch_of, send_year
from tests.surveys.services.test_frozen_tables import own_gardens, rows_of

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def season() -> Season:
    made = make_season()
    send_year(own_gardens(12), 2026, lambda n: catch_of(woodlice=n % 5 + 1, spiders=2))
    return made


def more_returns(count: int = 6) -> None:
    send_year(own_gardens(count), 2026, lambda n: catch_of(woodlice=3), days=(20,))


def test_the_first_release_is_one_nought_nought_and_holds_what_it_says(season: Season) -> None:
    release = make_release_now(season)
    assert release.version == "1.0.0"
    folder = folder_of(release)
    assert len(rows_of(folder / "returns.csv")) == release.summary["rows"]["returns"] == 24
    for entry in release.manifest["files"]:
        raw = (folder / entry["path"]).read_bytes()
        assert (len(raw), hashlib.sha256(raw).hexdigest()) == (entry["bytes"], entry["sha256"]), entry["path"]
    assert hashlib.sha256((folder / "manifest.json").read_bytes()).hexdigest() == release.sha256
    assert {path.name for path in folder.iterdir()} == {e["path"] for e in release.manifest["files"]} | {
        "manifest.json"
    }
    assert check_release(version="1.0.0") == []
    assert not list(settings.RELEASES_FOLDER.glob(".making-*"))


def test_what_was_told_of_gardens_and_cells_is_written_down(season: Season) -> None:
    release = make_release_now(season)
    rows = rows_of(folder_of(release) / "returns.csv")
    assert {str(one.public_id) for one in ReleasedSite.objects.all()} == {row["site_id"] for row in rows}
    cells = {row["cell"] for row in rows if row["cell"]}
    assert len(cells) == 1  # the twelve gardens of a test stand in one place
    assert {one.cell_code for one in ReleasedCell.objects.all()} == cells
    assert sum(one.returns for one in ReleasedCell.objects.all()) == sum(1 for row in rows if row["cell"])


def test_numbers_rise_with_what_changed(season: Season) -> None:
    first = make_release_now(season)
    more_returns()
    second = make_release_now(season, because="More gardens joined.")
    assert (second.version, second.replaces) == ("1.1.0", first)
    assert second.summary["changes"]["tables"]["returns"]["came_in"] == 6
    report = Return.objects.order_by("id").first()
    assert report is not None
    Return.objects.filter(pk=report.pk).update(state="discounted")
    third = make_release_now(season, because="One return was discounted.")
    assert third.version == "1.1.1"
    assert third.summary["changes"]["tables"]["returns"]["went_out"] == 1


def test_nothing_changed_is_nothing_to_release(season: Season) -> None:
    make_release_now(season)
    job = ask_for_release(by=make_coordinator(), season_code=season.code, because="Once more, please.")
    assert make_release(job_id=job.pk) is None
    job.refresh_from_db()
    assert (job.state, job.attempts) == ("failed", 1)
    assert job.problem == "Nothing has changed since release 1.0.0, so there is nothing to release."
    assert Release.objects.count() == 1


def test_a_season_without_anything_to_show_says_so() -> None:
    season = make_season()
    send_year(own_gardens(3), 2026, lambda n: catch_of(woodlice=1))
    job = ask_for_release(by=make_coordinator(), season_code=season.code, because="Is it enough already?")
    assert make_release(job_id=job.pk) is None
    job.refresh_from_db()
    assert "No return of test-2026 may be released yet." in job.problem


def test_the_same_database_gives_the_same_bytes_twice(season: Season) -> None:
    release = make_release_now(season)
    assert remake_release(version=release.version) == []
    before = {e["path"]: e["sha256"] for e in release.manifest["files"]}
    folder = settings.RELEASES_FOLDER.parent / "frozen-again"
    folder.mkdir(exist_ok=True)
    services.freeze_tables(season=season, folder=folder, still_ours=lambda: None)
    for path in folder.glob("*.csv"):
        assert hashlib.sha256(path.read_bytes()).hexdigest() == before[path.name], path.name


def test_the_index_of_a_release_is_computed_again_without_the_service(season: Season) -> None:
    release = make_release_now(season)
    done = subprocess.run(
        [sys.executable, "-m", "surveys.release_files.recompute", str(folder_of(release))],
        capture_output=True, text=True, check=False, cwd=Path(__file__).resolve().parents[3],
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_release_cannot_be_changed_or_deleted(season: Season) -> None:
    release = make_release_now(season)
    for change in ({"sha256": "0" * 64}, {"manifest": {}}, {"version": "2.0.0"}, {"because": "Another one."}):
        with pytest.raises(DatabaseError), transaction.atomic():
            Release.objects.filter(pk=release.pk).update(**change)
    with pytest.raises(DatabaseError), transaction.atomic():
        Release.objects.filter(pk=release.pk)._raw_delete("default")
    with pytest.raises(DatabaseError), transaction.atomic():
        ReleasedSite.objects.update(cell_code="n00.00e00.00")


def test_a_withdrawn_release_stays_withdrawn_and_says_why(season: Season) -> None:
    release = make_release_now(season)
    lead = make_coordinator()
    withdraw_release(by=lead, version="1.0.0", because="A column told too much of a place.")
    release.refresh_from_db()
    assert (release.state, release.withdrawn_because) == ("withdrawn", "A column told too much of a place.")
    with pytest.raises(Conflict):
        withdraw_release(by=lead, version="1.0.0", because="And another reason for it.")
    with pytest.raises(DatabaseError), transaction.atomic():
        Release.objects.filter(pk=release.pk).update(state="published", withdrawn_at=None, withdrawn_because="")
    assert Event.objects.filter(verb="release withdrawn").count() == 1


def test_the_number_after_a_withdrawn_release_is_another_one(season: Season) -> None:
    make_release_now(season)
    withdraw_release(by=make_coordinator(), version="1.0.0", because="A column told too much of a place.")
    more_returns()
    assert make_release_now(season).version == "1.1.0"


@pytest.mark.parametrize("who", [make_account, make_researcher, lambda: make_coordinator("eastmark")])
def test_only_coordinators_of_all_regions_make_and_withdraw(season: Season, who: Any) -> None:
    make_release_now(season)
    with pytest.raises(NotAllowed):
        ask_for_release(by=who(), season_code=season.code, because="I would like to have one.")
    with pytest.raises(NotAllowed):
        withdraw_release(by=who(), version="1.0.0", because="I do not like it very much.")


def test_a_reason_is_needed_and_one_release_is_made_at_a_time(season: Season) -> None:
    lead = make_coordinator()
    for because in ("", "  short  ", "x" * 301):
        with pytest.raises(Faulty):
            ask_for_release(by=lead, season_code=season.code, because=because)
    ask_for_release(by=lead, season_code=season.code, because="The spring is complete.")
    with pytest.raises(Conflict):
        ask_for_release(by=lead, season_code=season.code, because="The spring is complete.")
    with pytest.raises(NotFound):
        withdraw_release(by=lead, version="9.9.9", because="There is no such release.")


def test_a_worker_that_dies_leaves_nothing_and_the_next_one_makes_it(
    season: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = ask_for_release(by=make_coordinator(), season_code=season.code, because="The spring is complete.")

    def dies(*_: Any, **__: Any) -> None:
        raise MemoryError("killed in the middle")

    with monkeypatch.context() as broken:
        broken.setattr(services, "make_files_apart", dies)
        with pytest.raises(MemoryError):
            make_release(job_id=job.pk)
    assert not Release.objects.exists()
    assert not list(settings.RELEASES_FOLDER.glob(".making-*"))
    job.refresh_from_db()
    assert job.state == "queued"
    release = make_release(job_id=job.pk)
    assert release is not None
    assert check_release(version=release.version) == []


def test_a_worker_that_lost_its_lease_publishes_nothing(season: Season, monkeypatch: pytest.MonkeyPatch) -> None:
    job = ask_for_release(by=make_coordinator(), season_code=season.code, because="The spring is complete.")
    whole = services.make_files_apart

    def taken_over(*given: Any, **more: Any) -> None:
        whole(*given, **more)
        Job.objects.filter(pk=job.pk).update(fence=99)

    monkeypatch.setattr(services, "make_files_apart", taken_over)
    assert make_release(job_id=job.pk) is None
    assert not Release.objects.exists()
    assert not ReleasedSite.objects.exists()


def test_a_byte_that_changed_on_the_disk_is_found(season: Season, capsys: pytest.CaptureFixture[str]) -> None:
    release = make_release_now(season)
    path = folder_of(release) / "counts.csv"
    path.chmod(0o644)
    path.write_bytes(path.read_bytes().replace(b",number,", b",numbeR,", 1))
    assert len(check_release(version=release.version)) == 1
    with pytest.raises(CommandError, match="1 releases are not as they were published"):
        call_command("check_release")


def test_a_manifest_that_is_gone_is_told_in_words(season: Season) -> None:
    release = make_release_now(season)
    (folder_of(release) / "manifest.json").unlink()
    (fault,) = check_release(version=release.version)
    assert fault.startswith("There is no manifest.json in ")


def test_the_facts_tell_what_the_page_needs(season: Season) -> None:
    release = make_release_now(season, because="The spring is complete.")
    told = json.loads((folder_of(release) / "release.json").read_text())
    assert told["because"] == "The spring is complete."
    assert set(told["boundaries"]) == {"eastmark", "westmark"}
    assert told["frozen_at"] == release.frozen_at.strftime("%Y-%m-%dT%H:%M:%SZ")
    assert told["review"]["wrong"]["code"] == "not_looked"
