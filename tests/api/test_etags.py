"""Versions in headers, as RFC 9110 (sections 8.8.3 and 13.1) has them."""

from __future__ import annotations

import re

import pytest
from rest_framework.request import Request
from rest_framework.test import APIRequestFactory

from api.errors import PreconditionRequired
from api.etags import etag_of, not_modified, require_match
from surveys.errors import Stale

TAG, OTHER = etag_of(3, "a"), etag_of(4, "a")


def asked(**headers: str) -> Request:
    """Return a request with these headers."""
    return Request(APIRequestFactory().get("/", headers={name.replace("_", "-"): v for name, v in headers.items()}))


def test_a_tag_is_strong_and_quoted() -> None:
    """RFC 9110, section 8.8.3: entity-tag = [ weak ] DQUOTE *etagc DQUOTE; no ``W/`` means strong."""
    assert re.fullmatch(r'"[\x21\x23-\x7e]+"', TAG)


def test_a_tag_changes_with_each_part_and_with_nothing_else() -> None:
    assert etag_of(3, "a") == TAG
    assert len({etag_of(3, "a"), etag_of(4, "a"), etag_of(3, "b"), etag_of(3), etag_of("a", 3)}) == 5


@pytest.mark.parametrize("given", [TAG, f"{OTHER}, {TAG}", f"  {TAG}  ", f"{TAG},{OTHER}"])
def test_a_write_that_names_the_version_goes_on(given: str) -> None:
    """RFC 9110, section 13.1.1: true if any of the listed tags matches."""
    require_match(asked(If_Match=given), TAG)


@pytest.mark.parametrize("given", [OTHER, f"W/{TAG}", TAG.strip('"'), '""', "nonsense"])
def test_a_write_that_names_another_version_is_refused(given: str) -> None:
    """RFC 9110, section 13.1.1: If-Match compares strongly, so a weak tag never matches."""
    with pytest.raises(Stale, match="Load it again"):
        require_match(asked(If_Match=given), TAG)


@pytest.mark.parametrize("headers", [{}, {"If_Match": ""}, {"If_Match": "*"}, {"If_Match": " * "}])
def test_a_write_that_names_no_version_hears_428(headers: dict[str, str]) -> None:
    """RFC 6585, section 3. ``*`` names no version that was read, so this project does not take it."""
    with pytest.raises(PreconditionRequired) as refused:
        require_match(asked(**headers), TAG)
    assert refused.value.status_code == 428


@pytest.mark.parametrize("given", [TAG, f"W/{TAG}", f"{OTHER}, {TAG}", "*"])
def test_a_reader_that_has_the_version_is_told_so(given: str) -> None:
    """RFC 9110, section 13.1.2: If-None-Match compares weakly; section 15.4.5: 304 carries the ETag."""
    answer = not_modified(asked(If_None_Match=given), TAG)
    assert answer is not None
    assert (answer.status_code, answer["ETag"], answer.data) == (304, TAG, None)


@pytest.mark.parametrize("headers", [{}, {"If_None_Match": OTHER}, {"If_None_Match": TAG.strip('"')}])
def test_a_reader_that_has_another_version_gets_this_one(headers: dict[str, str]) -> None:
    assert not_modified(asked(**headers), TAG) is None
