"""Everything that a stranger, a household and a researcher can read is searched for what nobody may learn."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from django.conf import settings
from django.test import Client

from tests.attacker.conftest import Planted
from tests.attacker.looking import Found
from tests.attacker.walking import addresses, crawl, read, values_of
from tests.factories import ApiClient, client_of

pytestmark = pytest.mark.django_db

ROLES = ("anonymous", "stranger", "researcher", "program")


def client_for(role: str, planted: Planted) -> Client:
    if role == "program":  # with a token of the researcher
        return ApiClient(planted.researcher)
    account = {"stranger": planted.stranger, "researcher": planted.researcher}.get(role)
    return client_of(account) if account else Client()


def complaint(found: Iterable[Found]) -> str:
    """Return what was found, each mark once, for somebody to read."""
    return "\n".join({one.what: str(one) for one in found}.values())


def starting_points(planted: Planted) -> list[str]:
    files = [entry["path"] for entry in planted.release.manifest["files"]] + ["manifest.json", "nothing.csv"]
    version = [planted.release.version, "latest", "0.0.0"]
    found = addresses(values_of(planted.gardens, version=version, file=files))
    return [path for name, path in found if name not in {"sign-out"}]


@pytest.mark.parametrize("role", ROLES)
def test_no_answer_at_any_address_holds_what_nobody_may_learn(planted: Planted, role: str) -> None:
    found, statuses = [], []
    for path, status, content in crawl(client_for(role, planted), starting_points(planted)):
        statuses.append(status)
        assert status < 500 or path == "/health/ready", path
        # What was sent in the address itself may come back: it is no news to whoever sent it.
        found += [one for one in planted.marks.look(f"{role} {path}", content) if not _was_sent(one, path)]
    assert complaint(found) == ""
    assert statuses.count(200) > 40
    assert statuses.count(404) > 20


def _was_sent(one: Found, path: str) -> bool:
    mark = one.what.rsplit("(", 1)[1].removesuffix(")")
    return mark.lower() in path.lower()


def test_no_file_of_a_release_holds_what_nobody_may_learn(planted: Planted) -> None:
    folder = settings.RELEASES_FOLDER / planted.release.version
    files = [path for path in folder.rglob("*") if path.is_file()]
    assert len(files) > 30
    found = [one for path in files for one in planted.marks.look(path.name, path.read_bytes())]
    assert complaint(found) == ""


def test_no_export_of_live_data_holds_what_nobody_may_learn(planted: Planted) -> None:
    client = ApiClient(planted.researcher)
    for export in planted.exports:
        status, content = read(client, f"/api/v1/exports/{export.public_id}/data.{export.kind}")
        assert status == 200
        assert len(content) > 2000
        assert complaint(planted.marks.look(f"{export.table}.{export.kind}", content)) == ""


def test_wrong_questions_are_answered_without_what_nobody_may_learn(planted: Planted) -> None:
    garden = planted.gardens[0]
    wrong = [
        "/api/v1/seasons?cursor=x", "/api/v1/seasons/test-2026/indices?region=1'", "/api/v1/sites", "/api/v1/returns",
        f"/api/v1/returns/{garden.returns[0].uuid}", f"/api/v1/queue/{garden.returns[0].uuid}",
        f"/api/v1/returns/{garden.returns[0].uuid}/photo", f"/queue/{garden.returns[0].uuid}/",
        f"/traps/{garden.trap.code}/", f"/sites/{garden.site.public_id}/", "/ogc/collections/cells/items?bbox=a",
        "/ogc/collections/cells/items?bbox=-17.5,51.5,-17.4,51.6&limit=0", "/ogc/collections/cells/items?household=1",
        "/releases/1.0.0/..%2f..%2fmanage.py", "/releases/1.0.0/returns.csv%00", "/seasons/test-2026/?group=%00",
    ]  # fmt: skip
    found = []
    for role in ROLES:
        client = client_for(role, planted)
        for path in wrong:
            for headers in ({}, {"Accept": "application/json"}, {"Range": "bytes=0-1"}, {"If-None-Match": '"1"'}):
                status, content = read(client, path, **headers)
                assert status < 500, path
                found += [one for one in planted.marks.look(f"{role} {path}", content) if not _was_sent(one, path)]
    assert complaint(found) == ""


def test_no_photo_is_served_to_anybody_but_its_sender_and_its_coordinator(planted: Planted) -> None:
    report = planted.gardens[0].returns[0]
    picture = bytes(report.tray_photo.picture)
    for role in ROLES:
        client = client_for(role, planted)
        for path in (
            f"/api/v1/returns/{report.uuid}/photo",
            f"/api/v1/queue/{report.uuid}/photo",
            f"/returns/{report.uuid}/photo",
        ):
            status, content = read(client, path)
            assert status in {302, 401, 403, 404}, (role, path, status)
            assert picture[:200] not in content
