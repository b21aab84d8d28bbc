"""Every exception becomes a problem of RFC 9457, in words, and tells nothing of the inside."""

from __future__ import annotations

import json
import re
from typing import Any

import psycopg
import pytest
from django.core.exceptions import PermissionDenied
from django.db import DatabaseError, InterfaceError, InternalError, OperationalError, ProgrammingError
from django.http import Http404
from django.test import RequestFactory
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.serializers import Serializer
from rest_framework.test import APIRequestFactory

from api.base import Resource
from api.errors import PROBLEMS, FaultyBody, NotSent, PreconditionRequired, TooLarge
from api.permissions import rule
from api.pointers import MOST_ROWS, fault_rows
from project import answers
from surveys import errors
from surveys.lifecycle import CannotMove
from surveys.permissions import Rule

#: RFC 9457, section 3.1: the members; section 3 shows ``errors`` with ``pointer`` and ``detail`` as an extension.
MEMBERS = {"type", "title", "status", "detail", "instance", "errors"}
SECRET = 'SELECT "password" FROM surveys_account; /srv/trapnight/api/errors.py line 7'


def answer_to(fault: Exception, number: str = "abcdef12") -> Response:
    """Return what a resource answers that raises this exception."""

    class Tried(Resource):
        permission_classes = [rule(Rule.ANYONE)]
        scope = None

        def get(self, request: Any) -> Response:
            raise fault

    request = APIRequestFactory().get("/api/v1/tried")
    request.META["TRAPNIGHT_REQUEST_ID"] = number
    answer: Response = Tried.as_view()(request)
    answer.render()
    return answer


FAULT = errors.Fault("/catch/0/count", "out_of_range", "A count of -1 is too small.")

#: exception, status, problem code. Statuses: RFC 9110, section 15.5; RFC 6585; the idempotency draft, section 2.7.
KNOWN: list[tuple[Exception, int, str]] = [
    (errors.Faulty("Some of it cannot be taken.", faults=(FAULT,)), 422, "faulty-content"),
    (errors.NotAllowed("This is not yours."), 403, "not-allowed"),
    (errors.SecondFactorNeeded("Set it up first."), 403, "second-factor-needed"),
    (errors.ScopeNeeded("This token is for other uses."), 403, "scope-needed"),
    (errors.CodeNeeded("Send the code as well."), 401, "code-needed"),
    (errors.WrongCode("This code is not right."), 401, "wrong-code"),
    (errors.TooSoon("Wait a moment.", wait_s=4), 429, "quota-exceeded"),
    (errors.NotFound("There is no such trap."), 404, "not-found"),
    (errors.Conflict("This is stored already."), 409, "conflict"),
    (errors.Stale("Somebody was here before."), 412, "stale"),
    (errors.StillRunning("Wait a moment."), 409, "still-running"),
    (errors.KeyReused("Use a new key."), 422, "key-reused"),
    (errors.Refusal("A rule says no."), 409, "conflict"),
    (CannotMove("This return stands already."), 409, "conflict"),
    (exceptions.ValidationError({"rim": ["This is no rim."]}), 400, "faulty-request"),
    (exceptions.ParseError("The body is not JSON."), 400, "faulty-request"),
    (FaultyBody("The body is empty.", code="empty_body"), 400, "faulty-request"),
    (exceptions.NotAuthenticated(), 401, "not-signed-in"),
    (exceptions.AuthenticationFailed("This token is not known."), 401, "not-signed-in"),
    (exceptions.PermissionDenied(), 403, "not-allowed"),
    (PermissionDenied(), 403, "not-allowed"),
    (Http404(), 404, "not-found"),
    (exceptions.MethodNotAllowed("PUT"), 405, "method-not-allowed"),
    (exceptions.NotAcceptable(), 406, "not-acceptable"),
    (TooLarge("The body is too large."), 413, "too-large"),
    (NotSent(416, "The file is shorter.", {"Content-Range": "bytes */7"}), 416, "no-such-bytes"),
    (NotSent(412, "The file is another one.", {}), 412, "stale"),
    (exceptions.UnsupportedMediaType("text/plain"), 415, "unsupported-media-type"),
    (PreconditionRequired("Say which version."), 428, "precondition-required"),
    (exceptions.Throttled(wait=7.2), 429, "quota-exceeded"),
    (OperationalError(SECRET), 503, "unavailable"),
    (InterfaceError(SECRET), 503, "unavailable"),
    (DatabaseError(SECRET), 500, "server-error"),
    (exceptions.APIException(SECRET), 500, "server-error"),
    (ZeroDivisionError(SECRET), 500, "server-error"),
]


@pytest.mark.parametrize(("fault", "status", "code"), KNOWN, ids=lambda value: type(value).__name__ + str(value)[:20])
def test_each_exception_has_its_status_and_its_page(fault: Exception, status: int, code: str) -> None:
    answer = answer_to(fault)
    problem = json.loads(answer.content)
    assert (answer.status_code, answer["Content-Type"]) == (status, "application/problem+json")
    assert set(problem) == MEMBERS
    assert (problem["status"], problem["title"]) == (status, PROBLEMS[code][1])
    assert problem["type"] == f"http://testserver/problems/{code}/"
    assert "abcdef12" in problem["instance"]
    assert problem["detail"].endswith(".")
    for row in problem["errors"]:
        assert set(row) == {"pointer", "code", "detail"}


@pytest.mark.parametrize(("fault", "status", "code"), KNOWN, ids=lambda value: type(value).__name__ + str(value)[:20])
def test_no_answer_tells_of_the_inside_or_scolds(fault: Exception, status: int, code: str) -> None:
    told = answer_to(fault).content.decode()
    assert not re.search(r"SELECT|password|/srv|Traceback|Error\b|\.py", told)
    assert not re.search(r"invalid|please|oops", told, re.IGNORECASE)


def test_every_problem_is_reached_by_some_exception() -> None:
    assert {code for _, _, code in KNOWN} == set(PROBLEMS)


def test_what_happened_inside_is_written_down(caplog: pytest.LogCaptureFixture) -> None:
    for fault in (ZeroDivisionError(SECRET), exceptions.APIException(SECRET), OperationalError(SECRET)):
        caplog.clear()
        answer_to(fault)
        (record,) = [one for one in caplog.records if one.name == "api.errors"]
        assert record.levelname == "ERROR"
        assert record.exc_info
        assert record.exc_info[1] is fault


def test_a_refusal_brings_its_sentence_and_its_faults() -> None:
    problem = answer_to(KNOWN[0][0]).data
    assert problem["detail"] == "Some of it cannot be taken."
    assert problem["errors"] == [
        {"pointer": "/catch/0/count", "code": "out_of_range", "detail": "A count of -1 is too small."}
    ]


def test_answers_that_pass_say_when_to_come_back() -> None:
    """RFC 9110, section 10.2.3: Retry-After in whole seconds."""
    assert answer_to(errors.StillRunning("Wait."))["Retry-After"] == "2"
    assert answer_to(exceptions.Throttled(wait=7.2))["Retry-After"] == "8"
    assert answer_to(exceptions.Throttled())["Retry-After"] == "1"
    assert answer_to(OperationalError())["Retry-After"] == "5"
    assert "Retry-After" not in answer_to(errors.Conflict("No."))


def test_a_401_says_how_to_sign_in_and_a_405_what_there_is() -> None:
    """RFC 9110, sections 15.5.2 and 15.5.6: WWW-Authenticate and Allow must be there."""
    assert answer_to(exceptions.NotAuthenticated())["WWW-Authenticate"] == "Bearer"
    assert "GET" in answer_to(exceptions.MethodNotAllowed("PUT"))["Allow"]


def test_faults_inside_faults_have_pointers() -> None:
    """RFC 6901: by hand from the nested form in which serializers list their faults."""
    nested = {"rim": ["a."], "catch": [{}, {"count": ["b.", "c."]}], "cup": {"non_field_errors": ["d."]}}
    with pytest.raises(exceptions.ValidationError) as refused:
        raise exceptions.ValidationError(nested)
    found = [(row["pointer"], row["detail"]) for row in fault_rows(refused.value.detail)]
    assert found == [("/rim", "a."), ("/catch/1/count", "b."), ("/catch/1/count", "c."), ("/cup", "d.")]


#: RFC 6901, section 5: names of its example document and the pointers to them.
@pytest.mark.parametrize(
    ("name", "pointer"),
    [("foo", "/foo"), ("", "/"), ("a/b", "/a~1b"), ("c%d", "/c%d"), ("e^f", "/e^f"), ("g|h", "/g|h"),
     ("i\\j", "/i\\j"), ('k"l', '/k"l'), (" ", "/ "), ("m~n", "/m~0n")],
)  # fmt: skip
def test_names_are_escaped_as_the_standard_shows(name: str, pointer: str) -> None:
    assert fault_rows({name: ["a."]})[0]["pointer"] == pointer


def test_of_very_many_faults_the_rest_is_counted() -> None:
    rows = fault_rows({"catch": [{"count": ["a."]}] * (MOST_ROWS + 20)})
    assert len(rows) == MOST_ROWS + 1
    assert rows[-1]["code"] == "more_faults"
    assert "20 more" in rows[-1]["detail"]
    assert len(fault_rows({"catch": [{"count": ["a."]}] * MOST_ROWS})) == MOST_ROWS


def test_the_framework_s_own_sentences_find_their_place() -> None:
    with pytest.raises(exceptions.ValidationError) as refused:
        Serializer(data=[]).is_valid(raise_exception=True)
    assert fault_rows(refused.value.detail)[0]["pointer"] == ""


@pytest.mark.parametrize(
    ("handler", "status"),
    [(answers.bad_request, 400), (answers.forbidden, 403), (answers.not_found, 404), (answers.server_error, 500)],
)
def test_outside_every_view_the_api_answers_with_problems_and_pages_with_pages(handler: Any, status: int) -> None:
    given = () if status == 500 else (ValueError(SECRET),)  # Django calls handler500 without the exception
    problem = handler(RequestFactory().get("/api/v1/nowhere"), *given)
    assert (problem.status_code, problem["Content-Type"]) == (status, "application/problem+json")
    assert set(json.loads(problem.content)) == MEMBERS
    page = handler(RequestFactory().get("/nowhere"), *given)
    assert (page.status_code, page["Content-Type"]) == (status, "text/html; charset=utf-8")
    assert page.content.lstrip().lower().startswith(b"<!doctype html>")
    assert SECRET not in problem.content.decode() + page.content.decode()


def test_a_page_that_cannot_be_drawn_is_answered_plainly(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*args: Any, **options: Any) -> str:
        raise OperationalError(SECRET)

    monkeypatch.setattr(answers, "render_to_string", fail)
    page = answers.server_error(RequestFactory().get("/nowhere"))
    assert page.status_code == 500
    assert b"Something went wrong here" in page.content
    assert b"SELECT" not in page.content


#: PostgreSQL's manual, appendix A: class of psycopg's exception by SQLSTATE, and the sentence that belongs to it.
OUTAGES = [
    (psycopg.errors.ReadOnlySqlTransaction, "25006", InternalError, "takes nothing in", "60"),
    (psycopg.errors.DiskFull, "53100", OperationalError, "no room", "60"),
    (psycopg.errors.AdminShutdown, "57P01", OperationalError, "cannot reach", "5"),
    (psycopg.errors.CannotConnectNow, "57P03", OperationalError, "cannot reach", "5"),
    (psycopg.OperationalError, None, OperationalError, "cannot reach", "5"),
]


def outage(inner: type[psycopg.Error], outer: type[DatabaseError]) -> DatabaseError:
    """Return what Django makes of an exception of psycopg."""
    fault = outer(SECRET)
    fault.__cause__ = inner(SECRET)
    return fault


@pytest.mark.parametrize(("inner", "state", "outer", "words", "wait"), OUTAGES)
def test_an_outage_of_the_database_is_told_apart_and_passes(
    inner: type[psycopg.Error], state: str | None, outer: type[DatabaseError], words: str, wait: str
) -> None:
    assert inner.sqlstate == state
    answer = answer_to(outage(inner, outer))
    assert (answer.status_code, answer["Retry-After"]) == (503, wait)
    assert words in json.loads(answer.content)["detail"]


def test_a_connection_that_ends_does_not_claim_that_nothing_was_stored() -> None:
    """A COMMIT whose answer got lost may have been done: PostgreSQL's manual says so of 40003 and of class 08."""
    told = json.loads(answer_to(outage(psycopg.OperationalError, OperationalError)).content)["detail"]
    assert "may not have been stored" in told
    assert "Idempotency-Key" in told


@pytest.mark.parametrize(("inner", "state", "outer", "words", "wait"), OUTAGES)
def test_outside_every_view_an_outage_is_a_503_too(
    inner: type[psycopg.Error], state: str | None, outer: type[DatabaseError], words: str, wait: str
) -> None:
    try:
        raise outage(inner, outer)
    except DatabaseError:
        problem = answers.server_error(RequestFactory().get("/api/v1/returns"))
        page = answers.server_error(RequestFactory().get("/join/"))
    assert (problem.status_code, problem["Content-Type"]) == (503, "application/problem+json")
    assert words in json.loads(problem.content)["detail"]
    assert (page.status_code, page["Content-Type"]) == (503, "text/html; charset=utf-8")
    assert (problem["Retry-After"], page["Retry-After"]) == (wait, wait)
    assert b"This has to wait a little" in page.content
    assert SECRET not in problem.content.decode() + page.content.decode()


def test_another_fault_of_the_database_stays_a_fault_of_ours() -> None:
    try:
        raise outage(psycopg.errors.UndefinedTable, ProgrammingError)
    except DatabaseError:
        assert answers.server_error(RequestFactory().get("/")).status_code == 500
    assert answer_to(outage(psycopg.errors.InvalidTransactionTermination, InternalError)).status_code == 500
