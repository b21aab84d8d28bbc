"""The key to the groups: every way leads on, every group can be reached, and truthful answers lead to the right one."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from surveys.group_key import COULD_NOT_TELL, ENDS, FIRST, KEY, NOT_LISTED, is_end, is_trail, trails

ROOT = Path(__file__).resolve().parents[2]
GROUPS = json.loads((ROOT / "fixtures/reference/groups.json").read_text())
CORE = {group["code"] for group in GROUPS if group["tier"] == "core"}

#: What a typical animal of each group shows, from memory of general field guides: question, words its answer begins
#: with. Written by hand and apart from the key, so that a wrong turn of the key shows. A group may have several looks.
LOOKS: dict[str, list[dict[str, str]]] = {
    "woodlice": [{"legs": "More than eight", "many_legs": "Oval", "plates": "Seven"}],
    "landhoppers": [{"legs": "More than eight", "many_legs": "Like a tiny shrimp"}],
    "millipedes": [
        {"legs": "More than eight", "many_legs": "Long and thin", "leg_pairs": "Two legs on each side"},
        {"legs": "More than eight", "many_legs": "Oval", "plates": "Far more than seven"},  # pill millipedes
    ],
    "centipedes": [{"legs": "More than eight", "many_legs": "Long and thin", "leg_pairs": "One leg on each side"}],
    "spiders": [{"legs": "Eight", "pincers": "No pincers", "waist": "Two parts"}],
    "harvestmen": [
        {"legs": "Eight", "pincers": "No pincers", "waist": "One round part", "leg_length": "Many steps long"},
        # Some have shorter legs: a round body without a waist, bigger than the head of a pin.
        {"legs": "Eight", "pincers": "No pincers", "waist": "One round part", "leg_length": "One or two",
         "round_size": "Bigger, and round"},
    ],
    "mites": [
        {"legs": "Eight", "pincers": "No pincers", "waist": "One round part", "leg_length": "Very short",
         "round_size": "As small as"},
    ],
    "false_scorpions": [{"legs": "Eight", "pincers": "Pincers, and no tail"}],
    "scorpions": [{"legs": "Eight", "pincers": "Pincers, and a long tail"}],
    "springtails": [
        {"legs": "Six", "back_end": "None of these", "back": "No wings", "no_wings": "A tiny dot", "crumb": "It pops"},
        {"legs": "Six", "back_end": "None of these", "back": "No wings", "no_wings": "A tiny dot",
         "crumb": "It walks, and is long"},
    ],
    "bristletails": [{"legs": "Six", "back_end": "Two or three long thin tails"}],
    "earwigs": [{"legs": "Six", "back_end": "Pincers"}],
    "crickets": [{"legs": "Six", "back_end": "Big strong back legs"}],
    "cockroaches": [
        {"legs": "Six", "back_end": "None of these", "back": "Stiff covers", "covers": "The head hides"},
        {"legs": "Six", "back_end": "None of these", "back": "No wings", "no_wings": "Flat and oval",
         "flat_oval": "Hidden under a shield"},
    ],
    "flat_bugs": [
        {"legs": "Six", "back_end": "None of these", "back": "Stiff covers", "covers": "A triangle"},
        {"legs": "Six", "back_end": "None of these", "back": "No wings", "no_wings": "Flat and oval",
         "flat_oval": "Easy to see"},
    ],
    "aphids_hoppers": [
        {"legs": "Six", "back_end": "None of these", "back": "Thin soft wings", "wings": "Held over the back"},
        {"legs": "Six", "back_end": "None of these", "back": "No wings", "no_wings": "A tiny dot",
         "crumb": "It is soft and fat"},
    ],
    "ants": [
        {"legs": "Six", "back_end": "None of these", "back": "No wings", "no_wings": "With a thin waist",
         "elbow": "Feelers bent"},
        {"legs": "Six", "back_end": "None of these", "back": "Thin soft wings", "wings": "Four clear wings",
         "elbow": "Feelers bent"},
    ],
    "wasps_bees": [
        {"legs": "Six", "back_end": "None of these", "back": "Thin soft wings", "wings": "Four clear wings",
         "elbow": "Feelers straight"},
        {"legs": "Six", "back_end": "None of these", "back": "No wings", "no_wings": "With a thin waist",
         "elbow": "Feelers straight"},
    ],
    "ground_beetles": [
        {"legs": "Six", "back_end": "None of these", "back": "Stiff covers", "covers": "None of these",
         "beetle_shape": "A shiny runner"},
    ],
    "rove_beetles": [{"legs": "Six", "back_end": "None of these", "back": "Very short covers"}],
    "carrion_beetles": [
        {"legs": "Six", "back_end": "None of these", "back": "Stiff covers", "covers": "None of these",
         "beetle_shape": "Big, flat"},
    ],
    "weevils": [{"legs": "Six", "back_end": "None of these", "back": "Stiff covers", "covers": "A long snout"}],
    "other_beetles": [
        {"legs": "Six", "back_end": "None of these", "back": "Stiff covers", "covers": "None of these",
         "beetle_shape": "Round, hairy"},
    ],
    "beetle_grubs": [
        {"legs": "Six", "back_end": "None of these", "back": "No wings", "no_wings": "Long and soft",
         "stumps": "Legs only near the head"},
        {"legs": "No legs", "shell": "No shell", "rings": "Yes, rings", "ringed": "A hard brown head"},  # weevils' young
    ],
    "caterpillars": [
        {"legs": "More than eight", "many_legs": "Soft like a worm"},
        {"legs": "Six", "back_end": "None of these", "back": "No wings", "no_wings": "Long and soft",
         "stumps": "Soft stumps"},
    ],
    "flies": [{"legs": "Six", "back_end": "None of these", "back": "Thin soft wings", "wings": "Two clear wings"}],
    "fly_maggots": [{"legs": "No legs", "shell": "No shell", "rings": "Yes, rings", "ringed": "No clear head. Short"}],
    "snails": [{"legs": "No legs", "shell": "Yes"}],
    "slugs": [{"legs": "No legs", "shell": "No shell", "rings": "No, it is smooth", "feelers": "Yes"}],
    "earthworms": [{"legs": "No legs", "shell": "No shell", "rings": "Yes, rings", "ringed": "No clear head. Long"}],
    "land_flatworms": [
        {"legs": "No legs", "shell": "No shell", "rings": "No, it is smooth", "feelers": "No feelers",
         "flat_body": "Flat and sticky"},
    ],
}  # fmt: skip


def follow(look: dict[str, str]) -> tuple[str, int]:
    """Answer truthfully from the first question on; return the end and how many questions were asked."""
    here, asked = FIRST, 0
    while not is_end(here):
        fitting = [each for each in KEY[here].choices if each.words.startswith(look[here])]
        assert len(fitting) == 1, f"{here}: {look[here]!r} fits {len(fitting)} answers"
        here, asked = fitting[0].leads_to, asked + 1
    return here, asked


@pytest.mark.parametrize("code", sorted(LOOKS))
def test_truthful_answers_lead_to_the_group_in_at_most_six_questions(code: str) -> None:
    for look in LOOKS[code]:
        end, asked = follow(look)
        assert end == code
        assert asked == len(look) <= 6


def test_the_matrix_has_every_group_and_so_have_the_ends() -> None:
    codes = {group["code"] for group in GROUPS}
    assert set(LOOKS) == codes
    assert set(ENDS) == codes
    assert codes >= CORE


def test_every_answer_leads_to_a_question_or_an_end_and_no_walk_goes_in_a_circle() -> None:
    for name, ask in KEY.items():
        assert name == ask.name
        assert 2 <= len(ask.choices) <= 4
        assert all(way in KEY or is_end(way) for way in ask.ways), name
    # A circle would make a walk visit a question twice, and the list of walks would never end.
    walks = list(trails())
    assert all(len(set(walk)) == len(walk) for walk in walks)
    assert {name for walk in walks for name in walk} == {*KEY, *ENDS, COULD_NOT_TELL, NOT_LISTED}


def test_no_walk_is_longer_than_eight_questions_even_where_little_can_be_seen() -> None:
    assert max(len(walk) - 1 for walk in trails()) <= 8


def test_saying_always_that_it_cannot_be_seen_ends_at_could_not_tell_from_every_question() -> None:
    for name in KEY:
        here, asked = name, 0
        while here in KEY:
            here, asked = KEY[here].unsure, asked + 1
            assert asked <= 6
        assert here == COULD_NOT_TELL, name


def test_names_of_questions_and_codes_of_groups_do_not_clash() -> None:
    assert not set(KEY) & {*ENDS, COULD_NOT_TELL, NOT_LISTED}


def test_answers_of_one_question_read_differently() -> None:
    for ask in KEY.values():
        words = [each.words for each in ask.choices]
        assert len(set(words)) == len(words)


@pytest.mark.parametrize(
    ("names", "end", "fits"),
    [
        (("legs",), "shell", True),
        (("legs", "shell"), "snails", True),
        (("legs", "shell"), "ants", False),
        (("shell",), "snails", False),
        (("legs", "nonsense"), "snails", False),
        ((), "legs", True),
        ((), "snails", False),
    ],
)
def test_a_trail_is_a_walk_from_the_first_question(names: tuple[str, ...], end: str, fits: bool) -> None:
    assert is_trail(names, end) is fits


def test_the_key_loads_in_a_process_without_django() -> None:
    program = "import sys, surveys.group_key; sys.exit(', '.join({'django', 'psycopg'} & set(sys.modules)) or 0)"
    answer = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False)
    assert answer.returncode == 0, answer.stderr
