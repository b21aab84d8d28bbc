"""Every address of the API x every way to refuse: each refusal is a problem of RFC 9457, and changes nothing."""

from __future__ import annotations

import json
import re
import uuid
from collections.abc import Iterator
from functools import cache
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.db import InterfaceError, OperationalError
from django.utils import timezone

from surveys.models import Event, Return, Trap, Verdict
from surveys.permissions import Rule
from surveys.queries.openings import due_times
from tests.architecture.test_addresses import ADDRESSES, COMPUTED
from tests.factories import ApiClient, return_payload
from tests.golden.refresh_openapi import GOLDEN
from tests.pages import World, walk
from tests.pictures import plain_jpeg

pytestmark = pytest.mark.django_db

#: RFC 9457, sections 3.1 and 3.2: the five members, and our list of faults beside them.
MEMBERS = {"type", "title", "status", "detail", "instance", "errors"}
PATTERNS = {name: pattern for name, pattern, _ in walk() if name.startswith("api-")}
CALLS = [(name, method) for name in PATTERNS for method in ADDRESSES[name][1]]
WRITING = [(name, method) for name, method in CALLS if method == "POST"]
#: Addresses that are written to under a version.
VERSIONED = ("api-withdrawal", "api-verdicts", "api-undo")

#: What an address cannot be read without.
QUERIES = {"api-data-returns": "?season=test-2026"}

#: What each call cannot do without: it is made to fail, and the address has to say so.
LEANS_ON = {
    ("api-openapi", "GET"): "drf_spectacular.generators.SchemaGenerator.get_schema",
    ("api-tokens", "POST"): "api.v1.tokens.authenticate",
    ("api-tokens", "GET"): "api.v1.tokens.tokens_of",
    ("api-token", "DELETE"): "api.v1.tokens.end_token",
    ("api-current-token", "DELETE"): "api.v1.tokens.end_token",
    ("api-seasons", "GET"): "api.v1.seasons.seasons",
    ("api-season", "GET"): "api.v1.seasons.lists_of",
    ("api-indices", "GET"): "surveys.queries.indices.published_run",
    ("api-changes", "GET"): "api.v1.changes.published_run",
    ("api-groups-seen", "GET"): "api.v1.groups_seen.published_run",
    ("api-data-returns", "GET"): "api.v1.data.live_page",
    ("api-exports", "GET"): "api.v1.exports.exports_of",
    ("api-exports", "POST"): "api.v1.exports.ask_for_export",
    ("api-export", "GET"): "api.v1.exports.own_export",
    ("api-export", "DELETE"): "api.v1.exports.throw_export_away",
    ("api-export-file", "GET"): "api.v1.exports.own_export",
    ("api-sites", "GET"): "api.v1.sites.own_sites",
    ("api-sites", "POST"): "api.v1.sites.add_site",
    ("api-traps", "POST"): "api.v1.sites.add_trap",
    ("api-openings", "GET"): "api.v1.openings.open_settings",
    ("api-openings", "POST"): "api.v1.openings.set_trap",
    ("api-opening", "GET"): "api.v1.openings.own_opening",
    ("api-looks", "POST"): "api.v1.openings.note_look",
    ("api-ending", "POST"): "api.v1.openings.call_off",
    ("api-answer", "POST"): "api.v1.questions.answer_question",
    ("api-questions", "POST"): "api.v1.questions.ask_household",
    ("api-returns", "GET"): "surveys.queries.returns.own_returns",
    ("api-returns", "POST"): "api.v1.returns.receive_return",
    ("api-returns-batch", "POST"): "api.v1.batch.receive_returns",
    ("api-return", "GET"): "surveys.queries.returns.own_return",
    ("api-withdrawal", "POST"): "api.v1.returns.withdraw_return",
    ("api-photo", "GET"): "api.v1.photos.own_photo",
    ("api-photo", "PUT"): "api.v1.photos.add_tray_photo",
    ("api-photo", "DELETE"): "api.v1.photos.delete_tray_photo",
    ("api-queue-photo", "GET"): "api.v1.photos.photo_in_care",
    ("api-queue-photo", "DELETE"): "api.v1.photos.delete_tray_photo",
    ("api-queue", "GET"): "surveys.queries.review.queue",
    ("api-record", "GET"): "surveys.queries.returns.return_in_care",
    ("api-verdicts", "POST"): "api.v1.verdicts.give_verdict",
    ("api-lease", "PUT"): "api.v1.leases.take_record",
    ("api-lease", "DELETE"): "api.v1.leases.give_back_record",
    ("api-undo", "POST"): "api.v1.verdicts.undo_verdict",
    ("api-verdicts-together", "POST"): "api.v1.verdicts.give_verdicts_together",
}


class Caller:
    """Knows a request to every address that would be answered well, and sends it with one thing changed."""

    def __init__(self) -> None:
        self.world = World()
        self.owner = ApiClient(self.world.people["owner"])
        self.desk = ApiClient(self.world.people["coordinator"])
        self.researcher = ApiClient(self.world.people["researcher"])
        self.trap = self.world.trap
        self.other_trap = Trap.objects.exclude(pk=self.trap.pk).filter(site=self.trap.site).get()

    def _look(self) -> dict[str, str]:
        """Return a look whose time has come."""
        dusk, now = due_times(self.world.opening).dusk, timezone.now()
        return {"look": "dusk" if dusk and dusk <= now else "dawn", "at": now.isoformat()}

    def path(self, name: str) -> str:
        return self.world.path_of(name, PATTERNS[name]) + QUERIES.get(name, "")

    @staticmethod
    def template(name: str) -> str:
        """Return an address as the description writes it."""
        return "/" + re.sub(r"<(\w+:)?(\w+)>", r"{\2}", PATTERNS[name])

    def account(self, name: str) -> Any:
        """Return who may come to an address."""
        roles = {Rule.COORDINATOR: "coordinator", Rule.RESEARCHER: "researcher"}
        return self.world.people[roles.get(ADDRESSES[name][0], "owner")]

    def client(self, name: str) -> ApiClient:
        by_rule = {Rule.COORDINATOR: self.desk, Rule.RESEARCHER: self.researcher}
        return by_rule.get(ADDRESSES[name][0], self.owner)

    def body(self, name: str) -> Any:
        household = str(self.world.site.household.public_id)
        bodies: dict[str, Any] = {
            "api-tokens": {"email": "nobody@test.example", "password": "not a password"},
            "api-sites": {"household": household, "latitude": 51.5, "longitude": -17.5},
            "api-traps": {"habitat": "short_lawn"},
            "api-openings": {
                "id": str(uuid.uuid4()),
                "trap": str(self.other_trap.public_id),
                "set_at": "2026-05-02T18:00:00Z",
            },
            "api-looks": self._look(),
            "api-ending": {"ending": "called_off", "at": self.world.opening.set_at.isoformat()},
            "api-answer": {"text": "Nothing was in it."},
            "api-exports": {"season": "test-2026", "table": "counts", "kind": "csv"},
            "api-questions": {"text": "Was there soap in the cup?"},
            "api-returns": return_payload(self.trap),
            "api-returns-batch": {"returns": [return_payload(self.trap)]},
            "api-verdicts": {"decision": "discounted", "reason": "liquid_used"},
            "api-verdicts-together": {
                "returns": [{"id": str(self.world.report.uuid), "version": self.version()}],
                "decision": "discounted",
                "reason": "liquid_used",
            },
        }
        return bodies.get(name, {})

    def version(self) -> int:
        return Return.objects.get(pk=self.world.report.pk).version

    def tag(self, name: str) -> str:
        if name == "api-withdrawal":
            return str(self.owner.read(f"returns/{self.world.report.uuid}")["ETag"])
        return str(self.desk.read(f"queue/{self.world.report.uuid}")["ETag"])

    def headers(self, name: str, method: str) -> dict[str, Any]:
        key = {"Idempotency-Key": f'"{uuid.uuid4()}"'} if method == "POST" else {}
        return key | ({"If-Match": self.tag(name)} if name in VERSIONED else {})

    def call(self, name: str, method: str, **changed: Any) -> Any:
        """Send the good request with ``client``, ``path``, ``body``, ``content_type`` or ``headers`` changed."""
        given = changed.get("headers", {})
        headers = given if "If-Match" in given else self.headers(name, method) | given
        good = {"POST": json.dumps(self.body(name)).encode(), "PUT": plain_jpeg()}.get(method, b"")
        kind = "image/jpeg" if method == "PUT" else "application/json"
        answer = (changed.get("client") or self.client(name)).generic(
            method,
            changed.get("path", self.path(name)),
            changed.get("body", good),
            content_type=changed.get("content_type", kind),
            headers={key: value for key, value in headers.items() if value is not None},
        )
        assert str(answer.status_code) in described_statuses(name, method), (name, method, answer.status_code)
        return answer


@cache
def described_statuses(name: str, method: str) -> frozenset[str]:
    """Return the statuses that the description of the API names for a call: no other is ever answered."""
    if name == "api-openapi":  # it describes all but itself
        return frozenset({"200", "400", "401", "406", "429", "500", "503"})
    path = "/" + re.sub(r"<(\w+:)?(\w+)>", r"{\2}", PATTERNS[name])
    operation = json.loads(GOLDEN.read_text())["paths"][path].get(method.lower(), {"responses": {}})
    return frozenset(operation["responses"]) or frozenset({"405"})


def stored_rows() -> tuple[int, ...]:
    states = hash(tuple(Return.objects.order_by("id").values_list("id", "state", "version")))
    return Return.objects.count(), Trap.objects.count(), Verdict.objects.count(), Event.objects.count(), states


@pytest.fixture
def caller() -> Iterator[Caller]:
    """Yield a caller; afterwards, nothing may have been written by what was refused."""
    caller = Caller()
    before = stored_rows()
    yield caller
    assert stored_rows() == before


def assert_problem(answer: Any, status: int, where: Any) -> dict[str, Any]:
    assert answer.status_code == status, (where, answer.status_code, answer.content[:300])
    assert answer["Content-Type"] == "application/problem+json", where
    problem: dict[str, Any] = json.loads(answer.content)
    assert set(problem) == MEMBERS, where
    assert problem["status"] == status, where
    assert urlsplit(problem["type"]).path.startswith("/problems/"), where
    assert problem["instance"] == f"urn:trapnight:request:{answer['X-Request-Id']}", where
    assert problem["title"], where
    assert problem["detail"].endswith("."), where
    for row in problem["errors"]:
        assert set(row) == {"pointer", "code", "detail"}, where
        assert row["pointer"] == "" or row["pointer"].startswith("/"), where  # RFC 6901, section 3
    return problem


def test_there_is_something_to_break_for_every_call() -> None:
    assert set(LEANS_ON) == set(CALLS)


def test_a_good_request_is_taken_at_every_address() -> None:
    """Otherwise the refusals below would prove nothing. Only there is no index yet, and nobody by that name."""
    caller = Caller()
    last = ["api-ending", "api-undo", "api-verdicts-together", "api-withdrawal", "api-current-token"]
    expected = {("api-tokens", "POST"): 401, ("api-token", "DELETE"): 404} | {(name, "GET"): 404 for name in COMPUTED}
    for name, method in sorted(CALLS, key=lambda call: (call[0] in last, call[0] == last[-1], call[0])):
        answer = caller.call(name, method)
        assert answer.status_code == expected.get((name, method), answer.status_code)
        assert (name, method) in expected or answer.status_code < 300, (name, method, answer.content[:300])


def test_401_for_a_token_that_is_not_known(caller: Caller) -> None:
    """RFC 9110, section 15.5.2: 401 carries WWW-Authenticate; RFC 6750, section 3: its scheme is Bearer."""
    for name, method in CALLS:
        answer = caller.call(name, method, client=ApiClient(), headers={"Authorization": "Bearer tn_0123456789abcdef"})
        assert_problem(answer, 401, name)
        assert answer["WWW-Authenticate"].split()[0] == "Bearer", name


def test_401_without_a_token_wherever_there_is_a_rule(caller: Caller) -> None:
    for name, method in CALLS:
        if ADDRESSES[name][0] != Rule.ANYONE:
            assert_problem(caller.call(name, method, client=ApiClient()), 401, name)


def test_403_for_a_sender_at_a_coordinators_address(caller: Caller) -> None:
    for name, method in CALLS:
        if ADDRESSES[name][0] == Rule.COORDINATOR:
            assert_problem(caller.call(name, method, client=caller.owner), 403, name)


def test_404_for_what_is_not_there(caller: Caller) -> None:
    world = caller.world
    nowhere = (str(world.report.uuid), str(world.site.public_id), "test-2026")
    for name, method in CALLS:
        path = caller.path(name)
        for found in nowhere:
            if found in path.removesuffix(QUERIES.get(name, "")):
                other = "nowhere-2026" if found == "test-2026" else str(uuid.uuid4())
                assert_problem(caller.call(name, method, path=path.replace(found, other)), 404, name)


@pytest.mark.parametrize(
    "path",
    [
        "/api/v1/", "/api/v2/returns", "/api/v1/returns/", "/api/v1/returns/not-a-uuid", "/api/v1/returns/%00",
        "/api/v1/seasons/%2e%2e", "/api/v1/seasons/%ff", "/api/v1/seasons/" + "a" * 5000, "/api/v1//returns",
    ],
)  # fmt: skip
def test_404_for_addresses_that_are_none(db: None, path: str) -> None:
    assert_problem(ApiClient().get(path), 404, path)


def test_405_names_the_methods_that_there_are(caller: Caller) -> None:
    """RFC 9110, section 15.5.6: 405 carries Allow."""
    for name, pattern in PATTERNS.items():
        for method in {"GET", "POST", "PUT", "PATCH", "DELETE", "TRACE", "PURGE"} - set(ADDRESSES[name][1]):
            answer = caller.client(name).generic(method, caller.path(name), b"{}", content_type="application/json")
            assert_problem(answer, 405, (method, pattern))
            assert set(answer["Allow"].split(", ")) >= set(ADDRESSES[name][1]), name


def test_406_where_no_form_of_answer_fits(caller: Caller) -> None:
    for name, method in CALLS:
        assert_problem(caller.call(name, method, headers={"Accept": "application/xml"}), 406, name)


def test_every_usual_way_to_accept_is_answered(caller: Caller) -> None:
    """RFC 9110, section 12.5.1. A table is asked for as text/csv, too."""
    for accept in ("*/*", "application/*", "application/json", "application/json;q=0.5, */*;q=0.1", None):
        for name, method in CALLS:
            if method == "GET":
                answer = caller.call(name, method, headers={"Accept": accept})
                assert answer.status_code in (200, 404), (name, accept)
                assert (answer.status_code == 404) == (name in COMPUTED), (name, accept)
    table = caller.call("api-export-file", "GET", headers={"Accept": "text/csv"})
    assert table.status_code == 200
    assert table["Content-Type"].startswith("text/csv")


def test_413_for_more_than_a_mebibyte(caller: Caller) -> None:
    body = b'{"note": "' + b"a" * (1024 * 1024) + b'"}'
    for name, method in WRITING:
        if name != "api-withdrawal":  # it reads no body
            assert_problem(caller.call(name, method, body=body), 413, name)


@pytest.mark.parametrize(
    "content_type",
    [
        "text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "text/json",
        "application/xml", "application/octet-stream", "nonsense", "application/merge-patch+json",
    ],
)  # fmt: skip
def test_415_for_a_body_that_is_not_json(caller: Caller, content_type: str) -> None:
    for name, method in WRITING:
        if name != "api-withdrawal":  # it reads no body
            assert_problem(caller.call(name, method, content_type=content_type), 415, (name, content_type))


def test_422_for_what_can_be_read_and_not_taken(caller: Caller) -> None:
    faulty: dict[str, Any] = {
        "api-sites": caller.body("api-sites") | {"latitude": -51.5},
        "api-traps": {"habitat": "the moon"},
        "api-returns": return_payload(caller.trap, habitat="moon"),
        "api-verdicts": {"decision": "corrected", "reason": "count_slip"},
    }
    for name, body in faulty.items():
        assert_problem(caller.call(name, "POST", body=json.dumps(body).encode()), 422, name)


def test_428_and_412_wherever_a_version_must_be_named(caller: Caller) -> None:
    """RFC 6585, section 3, and RFC 9110, section 13.1.1: ``*``, a weak tag and a list without ours do not match."""
    for name in VERSIONED:
        tag = caller.tag(name)
        for missing in (None, "", "*", " "):
            assert_problem(caller.call(name, "POST", headers={"If-Match": missing}), 428, (name, missing))
        for stale in ('"old"', f"W/{tag}", f'"a", W/{tag}, "b"', tag.strip('"'), tag.upper()):
            assert_problem(caller.call(name, "POST", headers={"If-Match": stale}), 412, (name, stale))


def test_429_says_when_to_come_back(caller: Caller, settings: Any) -> None:
    headers = {call: caller.headers(*call) for call in CALLS}
    settings.API_REQUESTS_PER_MINUTE = 0
    for name, method in CALLS:
        answer = caller.call(name, method, headers=headers[name, method])
        problem = assert_problem(answer, 429, name)
        assert problem["type"].endswith("/quota-exceeded/")
        assert 1 <= int(answer["Retry-After"]) <= 60


def test_500_tells_nothing_of_the_inside(
    caller: Caller, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    for name, method in CALLS:
        caplog.clear()
        problem = assert_problem(broken(monkeypatch, caller, name, method, ZeroDivisionError("secret")), 500, name)
        assert "secret" not in json.dumps(problem)
        assert "ZeroDivisionError: secret" in caplog.text, name


@pytest.mark.parametrize("fault", [OperationalError, InterfaceError])
def test_503_when_the_database_is_away(caller: Caller, monkeypatch: pytest.MonkeyPatch, fault: type[Exception]) -> None:
    for name, method in CALLS:
        answer = broken(monkeypatch, caller, name, method, fault("server closed the connection"))
        problem = assert_problem(answer, 503, name)
        assert int(answer["Retry-After"]) >= 1
        assert "closed" not in json.dumps(problem)


def broken(monkeypatch: pytest.MonkeyPatch, caller: Caller, name: str, method: str, fault: Exception) -> Any:
    """Return the answer to a good request while what the address leans on fails."""

    def fail(*args: Any, **options: Any) -> None:
        raise fault

    headers = caller.headers(name, method)
    with monkeypatch.context() as breaking:
        breaking.setattr(LEANS_ON[name, method], fail)
        return caller.call(name, method, headers=headers)


def test_a_failure_outside_every_view_is_a_problem_too(caller: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*args: Any, **options: Any) -> bytes:
        raise ZeroDivisionError("secret of the inside")

    monkeypatch.setattr("rest_framework.renderers.JSONRenderer.render", fail)
    assert_problem(caller.owner.read("returns"), 500, "a renderer that fails")


def test_a_query_parameter_that_is_not_known_is_refused_by_name(caller: Caller) -> None:
    for name, method in CALLS:
        for parameter in ("colour", "format", "a/b", "LIMIT"):
            path = f"{caller.path(name)}{'&' if name in QUERIES else '?'}{parameter}=json"
            problem = assert_problem(caller.call(name, method, path=path), 400, (name, parameter))
            pointers = [row["pointer"] for row in problem["errors"]]
            assert pointers == ["/" + parameter.replace("/", "~1")], (name, parameter)
            assert repr(parameter) in problem["errors"][0]["detail"]


def test_head_and_options_are_no_way_around(caller: Caller) -> None:
    for name, _ in CALLS:
        for method in ("HEAD", "OPTIONS"):
            answer = caller.client(name).generic(method, caller.path(name))
            assert answer.status_code in (200, 404, 405), (method, name)
            if ADDRESSES[name][0] != Rule.ANYONE:
                assert ApiClient().generic(method, caller.path(name)).status_code == 401, (method, name)


def test_personal_answers_stay_out_of_caches(caller: Caller) -> None:
    """RFC 9111, section 5.2.2.5: no-store."""
    for name, method in CALLS:
        if method == "GET" and ADDRESSES[name][0] != Rule.ANYONE:
            assert "no-store" in caller.call(name, method)["Cache-Control"], name


def test_a_foreign_host_is_refused_as_a_problem(caller: Caller) -> None:
    answer = caller.owner.get("/api/v1/seasons", headers={"Host": "evil.example"})
    problem = assert_problem(answer, 400, "host")
    assert "evil" not in problem["type"]
