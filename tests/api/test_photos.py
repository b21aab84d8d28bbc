"""Tray photos through the API: sent as they are, served with nothing but dots, for their own people only."""

from __future__ import annotations

import json
import uuid
from typing import Any

import pytest

from surveys.models import Account, Return, TrayPhoto
from surveys.web import tries
from tests.factories import (
    ApiClient,
    make_coordinator,
    make_household,
    make_operator,
    make_researcher,
    make_season,
    make_trap,
    send_return,
)
from tests.pictures import (
    assert_nothing_but_dots,
    flat_png,
    laden_jpeg,
    laden_png,
    laden_webp,
    plain_jpeg,
)

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def report() -> Return:
    make_season(tray_photos=True)
    return send_return(make_trap())


def sender_of(report: Return) -> Account:
    keeper = report.trap.site.household.keeper
    assert keeper is not None
    return keeper


def put(client: ApiClient, report: Return | uuid.UUID, content: bytes, kind: str = "image/jpeg") -> Any:
    number = report.uuid if isinstance(report, Return) else report
    # The test client leaves the type of an empty body out, and a program does not.
    return client.put(f"/api/v1/returns/{number}/photo", content, content_type=kind, CONTENT_TYPE=kind)


def assert_problem(answer: Any, status: int, code: str) -> dict[str, Any]:
    assert answer.status_code == status, answer.content[:300]
    assert answer["Content-Type"] == "application/problem+json"
    problem: dict[str, Any] = json.loads(answer.content)
    assert problem["type"].endswith(f"/{code}/")
    return problem


@pytest.mark.parametrize(
    ("content", "kind"),
    [(laden_jpeg(), "image/jpeg"), (laden_png(), "image/png"), (laden_webp(), "image/webp; q=1")],
)
def test_a_photo_is_put_read_put_again_and_deleted(report: Return, content: bytes, kind: str) -> None:
    """RFC 9110, 9.3.4: 201 for what is new, 200 for what takes its place; 9.3.5: 204."""
    client = ApiClient(sender_of(report))
    first = put(client, report, content, kind)
    assert first.status_code == 201
    assert (first.json()["width"], first.json()["height"]) == (400, 300)
    assert set(first.json()) == {"width", "height", "received_at"}
    assert put(client, report, content, kind).status_code == 200
    answer = client.read(f"returns/{report.uuid}/photo")
    assert answer["Content-Type"] == "image/jpeg"
    assert_nothing_but_dots(answer.content)
    for _ in range(2):
        assert client.delete(f"/api/v1/returns/{report.uuid}/photo").status_code == 204
    assert_problem(client.read(f"returns/{report.uuid}/photo"), 404, "not-found")


def test_a_coordinator_reads_and_deletes_the_photo_of_a_return_in_her_care(report: Return) -> None:
    put(ApiClient(sender_of(report)), report, laden_jpeg())
    desk = ApiClient(make_coordinator("eastmark"))
    answer = desk.read(f"queue/{report.uuid}/photo", Accept="image/jpeg")
    assert answer.status_code == 200
    assert_nothing_but_dots(answer.content)
    assert answer["Content-Disposition"] == 'inline; filename="tray.jpg"'
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Cache-Control"] == "no-store"
    assert answer["Content-Security-Policy"] == "default-src 'none'; sandbox"
    assert desk.delete(f"/api/v1/queue/{report.uuid}/photo").status_code == 204
    assert TrayPhoto.objects.count() == 0


#: Written by hand: answers to sender, other household, coordinator of the region, of another, of all, researcher,
#: operator, nobody.
MATRIX = {
    ("GET", "returns"): [200, 404, 404, 404, 404, 404, 404, 401],
    ("PUT", "returns"): [200, 404, 404, 404, 404, 404, 404, 401],
    ("DELETE", "returns"): [204, 404, 404, 404, 404, 404, 404, 401],
    ("GET", "queue"): [403, 403, 200, 404, 200, 403, 403, 401],
    ("DELETE", "queue"): [403, 403, 204, 404, 204, 403, 403, 401],
}


@pytest.mark.parametrize("call", MATRIX, ids=" ".join)
def test_a_photo_is_there_for_its_sender_and_the_coordinators_of_its_region_only(
    report: Return, call: tuple[str, str]
) -> None:
    people = [
        sender_of(report), make_household().keeper, make_coordinator("eastmark"), make_coordinator("westmark"),
        make_coordinator(), make_researcher(), make_operator(), None,
    ]  # fmt: skip
    method, where = call
    got = []
    for account in people:
        picture = {"picture": plain_jpeg(), "width": 400, "height": 300}
        TrayPhoto.objects.update_or_create(report=report, defaults=picture)
        content = plain_jpeg() if method == "PUT" else b""
        answer = ApiClient(account).generic(
            method, f"/api/v1/{where}/{report.uuid}/photo", content, content_type="image/jpeg"
        )
        got.append(answer.status_code)
        assert TrayPhoto.objects.count() == (0 if answer.status_code == 204 else 1)
    assert got == MATRIX[call]


@pytest.mark.parametrize(
    "kind",
    [
        "image/gif",
        "image/svg+xml",
        "image/heic",
        "image/*",
        "application/json",
        "text/plain",
        "multipart/form-data; boundary=x",
        "nonsense",
    ],
)
def test_a_body_of_another_kind_is_415(report: Return, kind: str) -> None:
    problem = assert_problem(
        put(ApiClient(sender_of(report)), report, plain_jpeg(), kind), 415, "unsupported-media-type"
    )
    assert problem["detail"].endswith("Send it with Content-Type: image/jpeg, image/png, image/webp.")
    assert TrayPhoto.objects.count() == 0


def test_more_than_ten_megabytes_are_413(report: Return) -> None:
    problem = assert_problem(
        put(ApiClient(sender_of(report)), report, plain_jpeg() + bytes(10 << 20)), 413, "too-large"
    )
    assert "10 MB" in problem["detail"]
    assert TrayPhoto.objects.count() == 0


@pytest.mark.parametrize(
    ("content", "kind", "code"),
    [
        (b"", "image/jpeg", "empty"),
        (b"<svg/>", "image/png", "other_kind"),
        (plain_jpeg(), "image/png", "other_ending"),
        (plain_jpeg()[:1500], "image/jpeg", "damaged"),
        (flat_png(8000, 5001), "image/png", "too_many_dots"),
    ],
)
def test_what_is_no_picture_is_422_with_a_code_and_a_sentence(
    report: Return, content: bytes, kind: str, code: str
) -> None:
    problem = assert_problem(put(ApiClient(sender_of(report)), report, content, kind), 422, "faulty-content")
    assert [row["code"] for row in problem["errors"]] == [code]
    assert problem["errors"][0]["detail"].endswith(".")
    assert "file's name" not in problem["errors"][0]["detail"]
    assert TrayPhoto.objects.count() == 0


def test_a_season_that_takes_no_photos_says_so() -> None:
    make_season()
    report = send_return(make_trap())
    problem = assert_problem(put(ApiClient(sender_of(report)), report, plain_jpeg()), 409, "conflict")
    assert problem["detail"] == "This season takes no photos of the tray."


def test_so_many_photos_in_an_hour_and_no_more(report: Return, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tries, "PHOTOS_AN_HOUR", 1)
    client = ApiClient(sender_of(report))
    assert put(client, report, plain_jpeg()).status_code == 201
    answer = put(client, report, plain_jpeg())
    assert_problem(answer, 429, "quota-exceeded")
    assert int(answer["Retry-After"]) > 0


def test_a_return_that_is_not_there_takes_no_photo(report: Return) -> None:
    assert_problem(put(ApiClient(sender_of(report)), uuid.uuid4(), plain_jpeg()), 404, "not-found")
