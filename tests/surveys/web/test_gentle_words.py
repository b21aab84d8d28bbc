"""Why a return waits, told to its family: every reason, with the numbers that screening found, at school grade 5."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import Any

import pytest

from surveys.models import Group, Habitat
from surveys.vocabulary import QueryKind, QueryReason
from surveys.web.gentle_numbers import TELLING
from surveys.web.gentle_words import PLAIN, gentle_words
from surveys.web.kind_words import WORDS
from tests.reading import grade_of
from tests.surveys.methods.test_screening_kinds import EVERY_KIND, HARSH
from tests.surveys.web.guide_worlds import GROUPS

#: What screening says of planted slips, each reason once or more: the very evidence that a query keeps.
SUSPICIONS = [one for screening in EVERY_KIND.values() for one in screening.suspicions]
LISTS: Any = SimpleNamespace(
    groups=[Group(code=one["code"], name=one["name"]) for one in GROUPS],
    habitats=[Habitat(code="short_lawn", label="Short lawn"), Habitat(code="compost_edge", label="Edge of compost")],
)


def query(reason: str, evidence: dict[str, Any], kind: str = QueryKind.STATISTICAL) -> Any:
    return SimpleNamespace(kind=kind, reason=reason, evidence=evidence)


def told(suspicion: Any) -> str:
    return gentle_words(query(suspicion.reason, suspicion.evidence, suspicion.kind), LISTS)


def numbers_in(sentence: str) -> set[int]:
    """Return the numbers of a sentence but for 0, which a family reads as "none"."""
    return {int(number) for number in re.findall(r"\d+", sentence)} - {0}


def test_every_reason_has_words_without_numbers() -> None:
    assert set(PLAIN) == set(QueryReason)
    for reason in QueryReason:
        assert gentle_words(query(reason, {}), LISTS) == str(PLAIN[reason])


@pytest.mark.parametrize("suspicion", [one for one in SUSPICIONS if one.reason in TELLING], ids=lambda one: one.reason)
def test_the_numbers_are_those_of_the_sentence_that_screening_wrote(suspicion: Any) -> None:
    assert numbers_in(told(suspicion)) == numbers_in(suspicion.gentle_sentence)
    assert told(suspicion) != str(PLAIN[suspicion.reason]) or suspicion.reason == QueryReason.ROUND_NUMBERS


@pytest.mark.parametrize("suspicion", SUSPICIONS, ids=lambda one: one.reason)
def test_what_is_said_is_kind_and_whole(suspicion: Any) -> None:
    said = told(suspicion)
    assert not HARSH.search(said), said
    assert said[-1] in ".?!"
    assert "_" not in said
    assert "%" not in said


def test_groups_and_places_bear_the_names_that_the_pages_give_them() -> None:
    said = " ".join(told(one) for one in SUSPICIONS)
    for name in ("Ground beetles: you sent 30.", "Mites and ticks, Springtails", "Edge of compost", "Short lawn"):
        assert name in said


def test_what_the_protocol_holds_has_the_words_of_its_finding() -> None:
    found = query(QueryReason.WELFARE, {"check": "vertebrate_seen"}, QueryKind.PROTOCOL)
    assert gentle_words(found, LISTS) == str(WORDS["vertebrate_seen", "hold"])


@pytest.mark.parametrize("evidence", [{}, {"numbers": []}, {"numbers": [{"group": "ants"}]}, {"alternative": None}])
@pytest.mark.parametrize("reason", sorted(TELLING))
def test_evidence_that_was_erased_or_is_of_another_make_leaves_the_plain_words(
    reason: str, evidence: dict[str, Any]
) -> None:
    assert gentle_words(query(reason, evidence), LISTS) == str(PLAIN[reason])


def test_the_words_read_at_grade_five_or_below() -> None:
    said = [*map(str, PLAIN.values()), *map(told, SUSPICIONS)]
    sentences = [re.findall(r"[A-Za-z']+", part) for one in said for part in re.split(r"(?<=[.?!])\s", one)]
    assert grade_of(sentences).grade <= 5.0
