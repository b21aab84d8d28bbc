"""Every finding of the protocol has kind words, without numbers, at school grade 5."""

from __future__ import annotations

import json
import re
from types import SimpleNamespace

import pytest

from surveys.methods.protocol_checks_list import CHECKS
from surveys.vocabulary import Outcome
from surveys.web.kind_words import OTHERWISE, WORDS, kind_words
from tests.factories import ROOT
from tests.reading import grade_of

PROTOCOLS = sorted((ROOT / "fixtures" / "reference").glob("protocol*.json"))
#: Every check with every outcome that a shipped version of the protocol can give it, but "as asked".
CAN_OCCUR = sorted(
    {
        (check["check"], ruling["outcome"])
        for path in PROTOCOLS
        for check in json.loads(path.read_text(encoding="utf-8"))["checks"]
        for rulings in check["cases"].values()
        for ruling in rulings
        if ruling["outcome"] != "fine"
    }
)


def test_the_protocols_were_read() -> None:
    assert len(CAN_OCCUR) > 50
    assert {check for check, _ in CAN_OCCUR} == set(CHECKS)


@pytest.mark.parametrize(("check", "outcome"), CAN_OCCUR)
def test_every_check_and_outcome_that_can_occur_has_words_of_its_own(check: str, outcome: str) -> None:
    said = kind_words(SimpleNamespace(check_id=check, outcome=outcome))
    assert said == str(WORDS[check, outcome])
    assert said
    assert not re.search(r"\d", said)
    assert said[-1] in ".?"


def test_no_words_are_kept_for_what_cannot_occur() -> None:
    assert sorted(WORDS) == CAN_OCCUR


@pytest.mark.parametrize("outcome", list(Outcome))
def test_an_outcome_that_a_check_never_had_still_has_words(outcome: Outcome) -> None:
    assert kind_words(SimpleNamespace(check_id="a check of later", outcome=outcome.value)) == str(OTHERWISE[outcome])


def test_the_words_read_at_grade_five_or_below() -> None:
    sentences = [
        re.findall(r"[A-Za-z']+", sentence)
        for said in WORDS.values()
        for sentence in re.split(r"(?<=[.?])\s", str(said))
    ]
    assert grade_of(sentences).grade <= 5.0


def test_danger_says_what_to_do_at_once() -> None:
    """Whatever the liquid was: out of reach first, then ask. No advice that is wrong for one of them."""
    said = kind_words(SimpleNamespace(check_id="liquid", outcome="hold"))
    assert "Close the trap now" in said
    assert "Wash your hands" in said
    assert "ask your coordinator" in said
