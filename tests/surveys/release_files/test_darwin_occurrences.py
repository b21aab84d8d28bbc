"""occurrence.csv: the same presences, absences and sums as counts.csv, and no number where a class was told.

Rules: Darwin Core terms (TDWG); the vocabulary of archives for occurrenceStatus, 2020-07-15, knows present and absent;
the term itself recommends detected and notDetected since 2026-05-26.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from xml.etree import ElementTree

import pytest

from surveys.release_files.darwin_terms import archive_status, is_detected, later_status
from tests.darwin import NESTED_GROUPS, Made, Row, make_by_hand, make_random, one_count, one_return

SEEDS = range(6)


@pytest.fixture(scope="module", params=SEEDS)
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make_random(tmp_path_factory.mktemp("release"), seed=100 + request.param, sites=10 + 3 * request.param)


# --- the same numbers as in the tables ---------------------------------------------------------------------------------


def _stratum(row: Row, of_return: dict[str, Row]) -> tuple[str, str]:
    found = of_return[row.get("eventID") or row["return_id"]]
    return found["season"], found["region"]


def test_sums_of_exact_numbers_agree_in_each_season_region_and_group(made: Made) -> None:
    by_id = {row["return_id"]: row for row in made.returns}
    expected, found = Counter(), Counter()
    for row in made.counts:
        if row["answer"] == "number":
            expected[*_stratum(row, by_id), row["group"]] += int(row["count_min"])
    for row in made.occurrences:
        if row["individualCount"]:
            found[*_stratum(row, by_id), row["occurrenceID"].split(":")[1]] += int(row["individualCount"])
    assert +found == +expected
    assert sum(expected.values()) > 100


@pytest.mark.parametrize("status", ["present", "absent"])
def test_presences_and_absences_agree_in_each_season_region_and_group(made: Made, status: str) -> None:
    by_id = {row["return_id"]: row for row in made.returns}
    expected = Counter(
        (*_stratum(row, by_id), row["group"]) for row in made.counts if _status(row, by_id[row["return_id"]]) == status
    )
    found = Counter(
        (*_stratum(row, by_id), row["occurrenceID"].split(":")[1])
        for row in made.occurrences
        if row["occurrenceStatus"] == status
    )
    assert found == expected
    assert sum(expected.values()) > 10


def _status(count: Row, of_return: Row) -> str | None:
    """Say what a row of counts is, by the five answers alone."""
    if count["answer"] in {"number", "class"}:
        return "present"
    told = count["answer"] == "none_seen" and of_return["looked_for_all"] == "yes" and of_return["trap_nights"] != ""
    return "absent" if told else None


def test_classes_agree_in_each_season_region_and_group(made: Made) -> None:
    expected = Counter(
        (row["return_id"], row["group"], row["count_min"]) for row in made.counts if row["answer"] == "class"
    )
    found = Counter(
        (
            row["eventID"],
            row["occurrenceID"].split(":")[1],
            row["organismQuantity"][1:].split("to")[0].removesuffix("up"),
        )
        for row in made.occurrences
        if row["organismQuantityType"] == "Trapnight count class"
    )
    assert found == expected


def test_every_occurrence_has_a_name_of_its_own_and_hangs_on_a_return(made: Made) -> None:
    assert len(made.occurrence) == len(made.occurrences)
    assert {row["eventID"] for row in made.occurrences} <= {row["return_id"] for row in made.returns}
    assert [row["occurrenceID"] for row in made.occurrences] == sorted(row["occurrenceID"] for row in made.occurrences)


def test_basis_of_record_stands_in_every_row(made: Made) -> None:
    assert {row["basisOfRecord"] for row in made.occurrences} == {"HumanObservation"}


# --- absences ----------------------------------------------------------------------------------------------------------

ABSENCES = {
    "looked for, all reported": ({}, ["r1:spiders"]),
    "not all was looked for": ({"looked_for_all": "no"}, []),
    "not told whether all was looked for": ({"looked_for_all": None}, []),
    "the trap was lost": ({"trap_nights": None}, []),
    "off protocol, and still looked for": ({"standing": "off_protocol", "left_out": "off_protocol"}, ["r1:spiders"]),
}


@pytest.mark.parametrize("case", ABSENCES)
def test_an_absence_needs_somebody_who_looked_for_everything_and_a_trap_that_was_there(
    tmp_path: Path, case: str
) -> None:
    changes, expected = ABSENCES[case]
    made = make_by_hand(tmp_path, [one_return(**changes)], [one_count("spiders", "none_seen", 0, 0)])
    assert [row["occurrenceID"] for row in made.occurrences] == expected


@pytest.mark.parametrize("answer", ["did_not_look", "could_not_tell"])
def test_an_answer_that_says_nothing_has_no_row(tmp_path: Path, answer: str) -> None:
    assert make_by_hand(tmp_path, [one_return()], [one_count("spiders", answer)]).occurrences == []


def test_animals_that_were_seen_have_a_row_whatever_became_of_the_trap(tmp_path: Path) -> None:
    returns = [one_return(trap_nights=None, looked_for_all="no", standing="off_protocol")]
    made = make_by_hand(tmp_path, returns, [one_count("spiders", "number", 4, 4)])
    assert made.occurrence["r1:spiders"]["occurrenceStatus"] == "present"


# --- numbers and classes -----------------------------------------------------------------------------------------------

QUANTITIES = {
    "an exact number": (("number", 7, 7), ("7", "7", "individuals")),
    "nothing": (("none_seen", 0, 0), ("0", "0", "individuals")),
    "a class": (("class", 16, 31), ("", "c16to31", "Trapnight count class")),
    "a class that is open above": (("class", 128, None), ("", "c128up", "Trapnight count class")),
}


@pytest.mark.parametrize("case", QUANTITIES)
def test_a_class_never_pretends_to_be_a_number(tmp_path: Path, case: str) -> None:
    (answer, low, high), expected = QUANTITIES[case]
    row = make_by_hand(tmp_path, [one_return()], [one_count("spiders", answer, low, high)]).occurrences[0]
    assert (row["individualCount"], row["organismQuantity"], row["organismQuantityType"]) == expected


def test_quantity_and_its_type_stand_together(made: Made) -> None:
    assert all(row["organismQuantity"] and row["organismQuantityType"] for row in made.occurrences)


@pytest.mark.parametrize(
    ("state", "corrected", "words"),
    [
        ("standing", False, "screened automatically"),
        ("upheld", False, "reviewed by a coordinator"),
        ("corrected", False, "reviewed by a coordinator"),
        ("corrected", True, "corrected by a coordinator"),
    ],
)
def test_who_looked_again_is_told(tmp_path: Path, state: str, corrected: bool, words: str) -> None:
    count = one_count("spiders", "number", 2, 2, corrected=corrected)
    made = make_by_hand(tmp_path, [one_return(state=state)], [count])
    assert made.occurrences[0]["identificationVerificationStatus"] == words


# --- names -------------------------------------------------------------------------------------------------------------


def test_a_whole_taxon_is_named_where_it_was_and_where_it_was_not(tmp_path: Path) -> None:
    counts = [one_count("spiders", "number", 2, 2), one_count("woodlice", "none_seen", 0, 0)]
    made = make_by_hand(tmp_path, [one_return()], counts)
    names = {row["vernacularName"]: (row["scientificName"], row["taxonRank"]) for row in made.occurrences}
    assert names == {"Spiders": ("Araneae", "order"), "Woodlice": ("Oniscidea", "suborder")}


def test_no_row_says_that_a_taxon_is_absent_while_a_part_of_it_is_present(tmp_path: Path) -> None:
    made = make_random(tmp_path, seed=7, groups=NESTED_GROUPS)
    # Carabidae are Coleoptera: a general fact of zoology.
    within = {"Coleoptera": {"Coleoptera", "Carabidae"}}
    for event in {row["eventID"] for row in made.occurrences}:
        rows = [row for row in made.occurrences if row["eventID"] == event]
        present = {row["scientificName"] for row in rows if row["occurrenceStatus"] == "present"}
        for row in rows:
            if row["occurrenceStatus"] == "absent" and row["scientificName"]:
                assert not within.get(row["scientificName"], {row["scientificName"]}) & present


def test_a_part_of_a_taxon_bears_its_name_where_it_was_seen_and_none_where_it_was_not(tmp_path: Path) -> None:
    made = make_random(tmp_path, seed=7, groups=NESTED_GROUPS)
    others = [row for row in made.occurrences if row["vernacularName"] == "Other beetles"]
    assert {(row["occurrenceStatus"], row["scientificName"], row["taxonRank"]) for row in others} == {
        ("present", "Coleoptera", "order"),
        ("absent", "", ""),
    }
    assert {row["verbatimIdentification"] for row in others} == {"Coleoptera without the groups above"}


def test_larvae_are_told_by_their_life_stage(tmp_path: Path) -> None:
    made = make_random(tmp_path, seed=7, groups=NESTED_GROUPS)
    stages = {row["vernacularName"]: row["lifeStage"] for row in made.occurrences}
    assert stages["Beetle grubs"] == "larva"
    assert {stage for name, stage in stages.items() if name != "Beetle grubs"} == {""}


# --- one mapping, both ways --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("detected", "word"), [(True, "present"), (False, "absent")])
def test_detection_becomes_a_word_of_the_archive(detected: bool, word: str) -> None:
    assert archive_status(detected=detected) == word


@pytest.mark.parametrize(("word", "detected"), [("present", True), ("absent", False)])
def test_a_word_of_the_archive_becomes_detection(word: str, detected: bool) -> None:
    assert is_detected(word) is detected


@pytest.mark.parametrize(("detected", "word"), [(True, "detected"), (False, "notDetected")])
def test_detection_becomes_a_word_of_the_term_as_it_is_now(detected: bool, word: str) -> None:
    assert later_status(detected=detected) == word


@pytest.mark.parametrize(("word", "detected"), [("detected", True), ("notDetected", False)])
def test_a_word_of_the_term_as_it_is_now_becomes_detection(word: str, detected: bool) -> None:
    assert is_detected(word) is detected


def test_any_other_word_is_refused() -> None:
    with pytest.raises(ValueError, match="'doubtful'; expected present"):
        is_detected("doubtful")


def test_the_field_names_the_vocabulary_of_its_words(made: Made) -> None:
    fields = ElementTree.fromstring(made.members["meta.xml"]).iter("{http://rs.tdwg.org/dwc/text/}field")
    named = {one.get("term"): one.get("vocabulary") for one in fields if one.get("vocabulary")}
    assert str(named["http://rs.tdwg.org/dwc/terms/occurrenceStatus"]).endswith("occurrence_status_2020-07-15.xml")
    assert {row["occurrenceStatus"] for row in made.occurrences} == {"present", "absent"}
