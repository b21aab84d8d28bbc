"""The pages on threats and on the assessment: they name what is there, and hold what the law's headings ask for."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import pytest
from django.test import Client

from surveys.data_register import REGISTER
from tests.factories import ROOT

pytestmark = pytest.mark.django_db

THREATS = files("surveys.security").joinpath("THREATS.md").read_text(encoding="utf-8")
ASSESSMENT = files("surveys.security").joinpath("ASSESSMENT.md").read_text(encoding="utf-8")


def test_every_proof_that_a_threat_names_is_there() -> None:
    rows = [line for line in THREATS.splitlines() if "`tests/" in line]
    assert len(rows) > 30
    for line in rows:
        proof = line.strip("| ").rsplit("|", 1)[-1]
        named = re.findall(r"`([\w/.-]+)`", proof)
        assert named, line
        for path in named:
            assert (ROOT / path).is_file(), path


def test_every_kind_of_threat_has_its_table() -> None:
    """STRIDE, the six kinds of Shostack (2014), chapter 3."""
    kinds = (
        "Spoofing",
        "Tampering",
        "Repudiation",
        "Information disclosure",
        "Denial of service",
        "Elevation of privilege",
    )
    found = re.findall(r"^### (.+?):", THREATS, re.MULTILINE)
    assert tuple(found) == kinds


def test_the_tables_and_commands_that_the_text_names_are_there() -> None:
    from django.apps import apps
    from django.core.management import get_commands

    tables = {model._meta.db_table for model in apps.get_models()}
    assert set(re.findall(r"`(surveys_\w+)`", THREATS)) <= tables
    assert set(re.findall(r"manage\.py (\w+)", THREATS)) <= set(get_commands())


def test_the_page_of_threats_shows_the_text_and_leads_to_the_form() -> None:
    page = Client().get("/security/threats/").content.decode()
    for part in ("What is left", "Elevation of privilege", 'href="/security/assessment/"', 'id="section-6"'):
        assert part in page


def test_the_assessment_has_the_four_headings_of_the_law_and_defers_to_the_authority() -> None:
    """GDPR, Article 35(7): (a) description, (b) necessity and proportionality, (c) risks, (d) measures."""
    headings = re.findall(r"^## \d (.+)$", ASSESSMENT, re.MULTILINE)
    for letter in "abcd":
        assert sum(f"35(7)({letter})" in heading for heading in headings) == 1, letter
    page = Client().get("/security/assessment/").content.decode()
    assert "This is no legal advice." in page
    assert "Where their form or guidance differs, theirs comes first." in page
    for kept in REGISTER:
        assert kept.what.split(",", maxsplit=1)[0].replace("'", "&#x27;") in page
    assert page.count('class="short"') >= 12  # boxes to write in


@pytest.mark.parametrize("address", ["/security/threats/", "/security/assessment/"])
def test_they_read_only(address: str) -> None:
    assert Client().post(address).status_code == 405


def test_the_texts_belong_to_the_package() -> None:
    assert '"security/*.md"' in (Path(ROOT) / "pyproject.toml").read_text()
