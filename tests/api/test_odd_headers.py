"""What no browser sends: each gets a sentence, and none an answer of 5xx."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.factories import make_season

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(("path", "status"), [("/ogc/conformance", 400), ("/api/v1/returns", 401)])
def test_a_thousand_parameters_are_too_many_for_whoever_may_ask(path: str, status: int) -> None:
    make_season()
    query = "&".join(f"p{number}={number}" for number in range(1200))
    answer = Client(raise_request_exception=False).get(f"{path}?{query}")
    assert answer.status_code == status, answer.content


def test_a_token_that_no_header_can_hold_is_not_known() -> None:
    answer = Client(raise_request_exception=False).post(
        "/api/v1/sites", b"{}", "application/json", headers={"Authorization": "Bearer tn_\u202e"}
    )
    assert answer.status_code == 401, answer.content
    assert "This token is not known" in answer.json()["detail"]
