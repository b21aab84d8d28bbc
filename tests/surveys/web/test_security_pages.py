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
SIZE = files("surveys.security").joinpath("SIZE.md").read_text(encoding="utf-8")
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


def test_the_page_on_size_says_what_was_measured_and_what_to_do() -> None:
    page = Client().get("/size/").content.decode()
    for part in ("Ten times as many", "A hundred times as many", "A thousand times as many", 'id="section-5"'):
        assert part in page
    for program in re.findall(r"python -m ([\w.]+)", SIZE):
        assert (ROOT / f"{program.replace('.', '/')}.py").is_file(), program


def test_what_a_return_costs_is_level_from_ten_thousand_to_three_million() -> None:
    """The table as it stands on the page. Bootstraps of a night do not grow, so their share falls."""
    numbers: dict[float, list[float]] = {}
    for line in SIZE.splitlines():
        if re.match(r"\| [\d,]+ \|", line):
            size, *figures = (float(number.replace(",", "")) for number in re.findall(r"[\d,.]+", line))
            numbers.setdefault(size, [size]).extend(figures)
    assert list(numbers) == [10_000, 100_000, 1_000_000, 3_000_000]
    assert {len(row) for row in numbers.values()} == {11}
    for column, most in ((1, 1.05), (2, 1.3), (3, 1.1), (4, 1.2), (5, 1.2), (8, 1.3), (9, 1.3), (10, 1.4)):
        figures = [row[column] for row in numbers.values()]
        assert max(figures) <= most * figures[0], (column, figures)
    for column in (6, 7):
        figures = [row[column] for row in numbers.values()]
        assert max(figures) == figures[0], (column, figures)


@pytest.mark.parametrize("address", ["/security/threats/", "/security/assessment/", "/size/"])
def test_they_read_only(address: str) -> None:
    assert Client().post(address).status_code == 405


def test_the_texts_belong_to_the_package() -> None:
    assert '"security/*.md"' in (Path(ROOT) / "pyproject.toml").read_text()
