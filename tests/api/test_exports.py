"""Exports over HTTP: asked for once, watched, fetched in parts, thrown away.

References: RFC 9110 (202: section 15.3.3; ranges: section 14), the idempotency draft, standards notes A9 and A10.
"""

from __future__ import annotations

import hashlib
import random
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from surveys.models import Export, Job, Return, Season
from surveys.queries import live_data
from surveys.queries.exports import file_of
from surveys.services.night import resume_job
from surveys.vocabulary import JobState, ReturnState
from tests.factories import (
    ApiClient,
    make_account,
    make_household,
    make_researcher,
    make_season,
    make_site,
    make_trap,
    send_return,
)

pytestmark = pytest.mark.django_db(transaction=True)

#: Every name of an export, written by hand.
EXPORT = {
    "id", "season", "table", "kind", "filters", "state", "progress", "asked_at", "expires_at", "written_at", "rows",
    "size_bytes", "sha256", "file", "problem",
}  # fmt: skip
WANTED = {"season": "test-2026", "table": "returns", "kind": "csv"}


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, settings: Any) -> Iterator[None]:
    settings.EXPORTS_FOLDER = tmp_path / "exports"
    live_data._live_places.cache_clear()
    yield
    live_data._live_places.cache_clear()


@pytest.fixture
def season() -> Season:
    season = make_season()
    for _ in range(5):
        send_return(make_trap(site=make_site(household=make_household())))
    Return.objects.update(state=ReturnState.STANDING)
    return season


@pytest.fixture
def researcher(season: Season) -> ApiClient:
    return ApiClient(make_researcher())


def done(researcher: ApiClient, **changes: Any) -> dict[str, Any]:
    """Ask for an export, have it written, and return it as it is answered."""
    asked = researcher.send("exports", WANTED | changes)
    assert asked.status_code == 202, asked.content
    resume_job(job_id=Export.objects.get(public_id=asked.json()["id"]).job_id)
    found: dict[str, Any] = researcher.read(f"exports/{asked.json()['id']}").json()
    assert found["state"] == "done"
    return found


def body(answer: Any) -> bytes:
    return b"".join(answer.streaming_content) if answer.streaming else bytes(answer.content)


def test_asking_is_answered_at_once_and_says_where_to_look(researcher: ApiClient) -> None:
    answer = researcher.send("exports", WANTED | {"filters": {"region": "eastmark", "left_out": "no"}})
    assert answer.status_code == 202
    asked = answer.json()
    assert set(asked) == EXPORT
    assert answer["Location"] == f"/api/v1/exports/{asked['id']}"
    assert int(answer["Retry-After"]) >= 1
    assert (asked["state"], asked["progress"], asked["file"]) == ("queued", {"done": 0, "total": 0}, None)
    assert asked["filters"] == {"region": "eastmark", "left_out": "no"}
    assert researcher.get(answer["Location"]).json() == asked


def test_from_asking_to_the_file(researcher: ApiClient) -> None:
    found = done(researcher)
    assert set(found) == EXPORT
    assert (found["progress"], found["rows"]) == ({"done": 5, "total": 5}, 5)
    answer = researcher.get(found["file"])
    content = body(answer)
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/csv; charset=utf-8; header=present"
    assert int(answer["Content-Length"]) == len(content) == found["size_bytes"]
    assert hashlib.sha256(content).hexdigest() == found["sha256"]
    assert answer["ETag"] == f'"{found["sha256"]}"'
    assert answer["Accept-Ranges"] == "bytes"
    assert "no-store" in answer["Cache-Control"]
    assert 'filename="test-2026-returns-' in answer["Content-Disposition"]
    assert "Retry-After" not in researcher.read(f"exports/{found['id']}")


def test_a_download_that_was_cut_goes_on_and_is_the_same_in_the_end(researcher: ApiClient) -> None:
    """A10: cut at random bytes, resumed, same checksum."""
    found = done(researcher, table="counts")
    chance, content = random.Random(1), b""
    while len(content) < found["size_bytes"]:
        stop = min(len(content) + chance.randint(1, 700), found["size_bytes"])
        headers = {"Range": f"bytes={len(content)}-{stop - 1}", "If-Range": f'"{found["sha256"]}"'}
        answer = researcher.get(found["file"], headers=headers)
        assert answer.status_code == 206
        content += body(answer)
    assert hashlib.sha256(content).hexdigest() == found["sha256"]


def test_what_the_file_cannot_give_is_a_problem(researcher: ApiClient) -> None:
    found = done(researcher)
    behind = researcher.get(found["file"], headers={"Range": f"bytes={found['size_bytes']}-"})
    assert (behind.status_code, behind["Content-Type"]) == (416, "application/problem+json")
    assert behind["Content-Range"] == f"bytes */{found['size_bytes']}"  # RFC 9110, section 14.4
    other = researcher.get(found["file"], headers={"If-Match": '"another"'})
    assert (other.status_code, other["Content-Type"]) == (412, "application/problem+json")
    file_of(Export.objects.get()).unlink()
    away = researcher.get(found["file"])
    assert (away.status_code, away["Content-Type"]) == (503, "application/problem+json")
    assert int(away["Retry-After"]) > 0


def test_head_tells_all_but_the_file(researcher: ApiClient) -> None:
    found = done(researcher)
    answer = researcher.head(found["file"])
    assert (answer.status_code, body(answer)) == (200, b"")
    assert int(answer["Content-Length"]) == found["size_bytes"]


def test_parquet_comes_under_its_own_name(researcher: ApiClient) -> None:
    found = done(researcher, kind="parquet")
    answer = researcher.get(found["file"])
    assert found["file"].endswith("/data.parquet")
    assert answer["Content-Type"] == "application/vnd.apache.parquet"
    assert body(answer)[:4] == b"PAR1"  # Apache Parquet, file format: the magic number
    assert researcher.get(found["file"].replace(".parquet", ".csv")).status_code == 404


@pytest.mark.parametrize("accept", ["*/*", "text/csv", "application/json", None])
def test_the_file_is_fetched_with_any_usual_accept(researcher: ApiClient, accept: str | None) -> None:
    found = done(researcher)
    assert researcher.get(found["file"], headers={"Accept": accept} if accept else {}).status_code == 200


def test_before_it_is_written_there_is_no_file(researcher: ApiClient) -> None:
    asked = researcher.send("exports", WANTED).json()
    answer = researcher.read(f"exports/{asked['id']}/data.csv")
    assert answer.status_code == 409
    assert answer["Content-Type"] == "application/problem+json"
    assert "Retry-After" in researcher.read(f"exports/{asked['id']}")


def test_the_same_request_twice_asks_for_one_export(researcher: ApiClient) -> None:
    first, second = (researcher.send("exports", WANTED, key="k-1") for _ in range(2))
    assert (first.status_code, second.status_code) == (202, 202)
    assert first.json() == second.json()
    assert second["Idempotency-Replayed"] == "true"
    assert second["Location"] == first["Location"]
    assert Export.objects.count() == 1
    other = researcher.send("exports", WANTED | {"table": "counts"}, key="k-1")
    assert other.status_code == 422
    assert other.json()["type"].endswith("/problems/key-reused/")


def test_a_key_is_needed(researcher: ApiClient) -> None:
    answer = researcher.post("/api/v1/exports", WANTED, content_type="application/json")
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["code"] == "key_missing"


@pytest.mark.parametrize(
    ("change", "status", "pointer"),
    [
        ({"season": None}, 400, "/season"),
        ({"season": "nowhere-2026"}, 422, "/season"),
        ({"season": 7}, 400, "/season"),
        ({"table": "people"}, 400, "/table"),
        ({"kind": "xlsx"}, 400, "/kind"),
        ({"filters": {"colour": "red"}}, 400, "/filters/colour"),
        ({"filters": {"region": "moon"}}, 422, "/filters/region"),
        ({"filters": {"night_from": "2026-02-30"}}, 422, "/filters/night_from"),
        ({"filters": "all"}, 400, "/filters"),
        ({"colour": "red"}, 400, "/colour"),
    ],
    ids=str,
)
def test_each_wrong_request_is_refused_alone_and_asks_for_nothing(
    researcher: ApiClient, change: dict[str, Any], status: int, pointer: str
) -> None:
    answer = researcher.send("exports", WANTED | change)
    assert answer.status_code == status, answer.content
    assert [row["pointer"] for row in answer.json()["errors"]] == [pointer]
    assert (Export.objects.count(), Job.objects.filter(kind="export").count()) == (0, 0)


def test_more_than_an_accounts_share_is_told_when_to_come_back(researcher: ApiClient) -> None:
    for _ in range(3):
        assert researcher.send("exports", WANTED).status_code == 202
    answer = researcher.send("exports", WANTED)
    assert answer.status_code == 429
    assert int(answer["Retry-After"]) > 0


def test_an_export_that_failed_says_so_and_nothing_of_the_inside(researcher: ApiClient) -> None:
    asked = researcher.send("exports", WANTED).json()
    Job.objects.filter(kind="export").update(state=JobState.FAILED, problem='Traceback: SELECT "password"')
    answer = researcher.read(f"exports/{asked['id']}")
    found = answer.json()
    assert (found["state"], found["file"]) == ("failed", None)
    assert found["problem"]["type"].endswith("/problems/server-error/")
    assert "Traceback" not in answer.content.decode()
    assert "Retry-After" not in answer


def test_throwing_away_stops_or_deletes_and_stays_listed(researcher: ApiClient) -> None:
    waiting = researcher.send("exports", WANTED).json()
    written = done(researcher, table="counts")
    for one in (waiting, written):
        assert researcher.delete(f"/api/v1/exports/{one['id']}").status_code == 204
        assert researcher.delete(f"/api/v1/exports/{one['id']}").status_code == 204
        assert researcher.read(f"exports/{one['id']}").json()["state"] == "cancelled"
    assert researcher.get(written["file"]).status_code == 409
    listed = researcher.read("exports").json()["items"]
    assert [one["id"] for one in listed] == [written["id"], waiting["id"]]  # newest first


def test_an_export_is_its_owners_alone(researcher: ApiClient) -> None:
    found = done(researcher)
    other = ApiClient(make_researcher())
    assert other.read("exports").json()["items"] == []
    assert other.read(f"exports/{found['id']}").status_code == 404
    assert other.get(found["file"]).status_code == 404
    assert other.delete(f"/api/v1/exports/{found['id']}").status_code == 404
    assert ApiClient(make_account()).get(found["file"]).status_code == 403
    assert ApiClient().get(found["file"]).status_code == 401
    assert researcher.get(found["file"]).status_code == 200


def test_an_id_that_is_none_is_not_there(researcher: ApiClient) -> None:
    for path in (
        f"exports/{uuid.uuid4()}",
        f"exports/{uuid.uuid4()}/data.csv",
        "exports/none",
        "exports/none/data.csv",
    ):
        assert researcher.read(path).status_code == 404


def test_the_list_costs_the_same_few_queries_however_long_it_is(
    researcher: ApiClient, django_assert_num_queries: Any
) -> None:
    researcher.send("exports", WANTED)
    researcher.read("exports")
    for _ in range(2):
        with django_assert_num_queries(3):  # token, roles, exports
            researcher.read("exports")
        researcher.send("exports", WANTED)
