"""humboldt.csv: scope, completeness and effort, so that nobody reads a zero where nobody looked.

Rules: Humboldt extension, vocabulary of 2025-07-10; "Properties of hierarchical events", 2024-02-28, and
"isLeastSpecificTargetCategoryQuantityInclusive guidelines", 2024-02-28 (all TDWG).
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path

import pytest

from tests.darwin import NESTED_GROUPS, Made, Row, make_by_hand, make_random, one_count, one_return

ASKED = ["woodlice", "spiders", "ground_beetles", "springtails"]

#: The literal terms of the vocabulary that the archive uses: its list, copied by hand.
TERMS = {
    "siteCount", "reportedWeather", "targetHabitatScope", "eventDurationValue", "eventDurationUnit",
    "targetTaxonomicScope", "excludedTaxonomicScope", "taxonCompletenessReported", "isTaxonomicScopeFullyReported",
    "isAbsenceReported", "absentTaxa", "hasNonTargetTaxa", "areNonTargetTaxaFullyReported", "verbatimTargetScope",
    "compilationTypes", "inventoryTypes", "protocolNames", "protocolDescriptions", "protocolReferences",
    "isAbundanceReported", "isAbundanceCapReported", "abundanceCap", "isLeastSpecificTargetCategoryQuantityInclusive",
    "hasVouchers", "hasMaterialSamples", "isSamplingEffortReported", "samplingEffortProtocol", "samplingEffortValue",
    "samplingEffortUnit",
}  # fmt: skip
BOOLEANS = {name for name in TERMS if name.startswith(("is", "has", "are"))}
#: What follows from the plan of a season, and so holds on every level.
DESIGN = {
    "targetHabitatScope", "targetTaxonomicScope", "excludedTaxonomicScope", "taxonCompletenessReported",
    "verbatimTargetScope", "compilationTypes", "inventoryTypes", "protocolNames", "protocolDescriptions",
    "protocolReferences", "samplingEffortProtocol",
}  # fmt: skip


@pytest.fixture(scope="module", params=range(5))
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make_random(tmp_path_factory.mktemp("release"), seed=200 + request.param, sites=8 + 3 * request.param)


def test_every_event_has_one_row_in_the_order_of_events(made: Made) -> None:
    assert [row["eventID"] for row in made.humboldt] == [row["eventID"] for row in made.events]


def test_the_columns_are_terms_of_the_vocabulary(made: Made) -> None:
    assert set(made.humboldt[0]) == TERMS | {"eventID"}


def test_booleans_are_true_and_false(made: Made) -> None:
    for row in made.humboldt:
        assert {row[name] for name in BOOLEANS} <= {"true", "false", ""}


def test_a_value_comes_with_its_unit(made: Made) -> None:
    for row in made.humboldt:
        for name in ("eventDuration", "samplingEffort"):
            assert (row[f"{name}Value"] == "") == (row[f"{name}Unit"] == "")


# --- scope (3.2.4) -----------------------------------------------------------------------------------------------------


def test_the_scope_is_the_list_of_the_season_on_every_level(made: Made) -> None:
    assert {row["targetTaxonomicScope"] for row in made.humboldt} == {"Oniscidea | Araneae | Carabidae | Collembola"}
    assert {row["verbatimTargetScope"] for row in made.humboldt} == {
        "Woodlice | Spiders | Ground beetles | Springtails"
    }
    assert {row["excludedTaxonomicScope"] for row in made.humboldt} == {"Vertebrata"}


def test_the_scope_does_not_depend_on_what_was_seen(tmp_path: Path) -> None:
    made = make_by_hand(tmp_path, [one_return()], [])
    assert made.inventory["r1"]["targetTaxonomicScope"] == "Oniscidea | Araneae | Carabidae | Collembola"


def test_a_part_of_a_taxon_never_widens_the_scope(tmp_path: Path) -> None:
    made = make_random(tmp_path, seed=1, groups=NESTED_GROUPS)
    scope = made.humboldt[0]["targetTaxonomicScope"].split(" | ")
    assert scope == [
        "Carabidae", "Coleoptera without the groups above", "Coleoptera (larvae)", "Archaeognatha", "Zygentoma", "Diplura",
        "Oniscidea",
    ]  # fmt: skip


# --- each level says what holds for it, parents sum nothing up (3.2.2, 3.2.3) ------------------------------------------


def test_parents_say_their_design_and_nothing_of_single_returns(made: Made) -> None:
    for event in made.level("survey season"):
        row = made.inventory[event["eventID"]]
        assert _filled(row) == DESIGN | {"eventID", "eventDurationValue", "eventDurationUnit"}
    for event in made.level("site season"):
        row = made.inventory[event["eventID"]]
        assert _filled(row) == DESIGN | {"eventID", "eventDurationValue", "eventDurationUnit", "siteCount"}


def test_a_return_inherits_nothing(made: Made) -> None:
    uncertain = {"reportedWeather", "absentTaxa", "abundanceCap", "samplingEffortValue", "samplingEffortUnit"}
    for row in made.returns:
        assert _filled(made.inventory[row["return_id"]]) - uncertain == TERMS - uncertain | {"eventID"}


def _filled(row: Row) -> set[str]:
    return {name for name, value in row.items() if value}


# --- was all of it reported? -------------------------------------------------------------------------------------------


def test_scope_is_fully_reported_exactly_where_a_reader_may_take_a_missing_row_for_a_zero(made: Made) -> None:
    answered: dict[str, set[str]] = defaultdict(set)
    for row in made.counts:
        if row["answer"] in {"number", "class", "none_seen"}:
            answered[row["return_id"]].add(row["group"])
    for row in made.returns:
        certain = (
            row["looked_for_all"] == "yes" and row["trap_nights"] != "" and answered[row["return_id"]] == set(ASKED)
        )
        assert made.inventory[row["return_id"]]["isTaxonomicScopeFullyReported"] == str(certain).lower()


def _all_seen(**changes: str) -> list[dict[str, object]]:
    return [one_count(group, changes.get(group, "number"), 1, 1) for group in ASKED]


FULL = {
    "all answered": ({}, _all_seen(), "true"),
    "one is missing": ({}, _all_seen()[1:], "false"),
    "one was not looked for": ({}, [*_all_seen()[1:], one_count("woodlice", "did_not_look")], "false"),
    "one could not be told": ({}, [*_all_seen()[1:], one_count("woodlice", "could_not_tell")], "false"),
    "one was not there": ({}, [*_all_seen()[1:], one_count("woodlice", "none_seen", 0, 0)], "true"),
    "one is a class": ({}, [*_all_seen()[1:], one_count("woodlice", "class", 128, None)], "true"),
    "the household says no": ({"looked_for_all": "no"}, _all_seen(), "false"),
    "the household says nothing": ({"looked_for_all": None}, _all_seen(), "false"),
    "the trap was lost": ({"trap_nights": None}, _all_seen(), "false"),
    "nothing was answered": ({}, [], "false"),
}


@pytest.mark.parametrize("case", FULL)
def test_scope_is_fully_reported_only_if_all_was_looked_for_and_answered(tmp_path: Path, case: str) -> None:
    changes, counts, expected = FULL[case]
    made = make_by_hand(tmp_path, [one_return(**changes)], counts)
    assert made.inventory["r1"]["isTaxonomicScopeFullyReported"] == expected


def test_absent_taxa_are_those_of_the_rows_with_absent(made: Made) -> None:
    latin = {"woodlice": "Oniscidea", "spiders": "Araneae", "ground_beetles": "Carabidae", "springtails": "Collembola"}
    absent: dict[str, list[str]] = defaultdict(list)
    for row in made.occurrences:
        if row["occurrenceStatus"] == "absent":
            absent[row["eventID"]].append(latin[row["occurrenceID"].split(":")[1]])
    for row in made.returns:
        inventory = made.inventory[row["return_id"]]
        assert inventory["absentTaxa"] == " | ".join(absent[row["return_id"]])
        assert inventory["isAbsenceReported"] == str(bool(absent[row["return_id"]])).lower()


def test_numbers_are_reported_where_there_is_a_row_and_capped_where_the_open_class_stands(made: Made) -> None:
    rows: dict[str, list[Row]] = defaultdict(list)
    for row in made.occurrences:
        rows[row["eventID"]].append(row)
    for one in made.returns:
        inventory, mine = made.inventory[one["return_id"]], rows[one["return_id"]]
        is_open = any(row["organismQuantity"] == "c128up" for row in mine)
        assert inventory["isAbundanceReported"] == str(bool(mine)).lower()
        assert (inventory["isAbundanceCapReported"], inventory["abundanceCap"]) == (
            ("true", "128") if is_open else ("false", "")
        )


def test_the_open_class_occurs_in_these_releases(tmp_path: Path) -> None:
    made = make_by_hand(tmp_path, [one_return()], [one_count("spiders", "class", 128, None)])
    assert made.inventory["r1"]["abundanceCap"] == "128"


def test_nothing_is_kept_and_nothing_else_is_reported(made: Made) -> None:
    for row in made.returns:
        inventory = made.inventory[row["return_id"]]
        assert {inventory[name] for name in ("hasVouchers", "hasMaterialSamples", "hasNonTargetTaxa")} == {"false"}
        assert inventory["areNonTargetTaxaFullyReported"] == "false"


# --- effort, duration, weather -----------------------------------------------------------------------------------------


def test_effort_is_that_of_the_table_and_missing_for_a_lost_trap(made: Made) -> None:
    for row in made.returns:
        inventory = made.inventory[row["return_id"]]
        if row["trap_nights"]:
            assert float(inventory["samplingEffortValue"]) == float(row["trap_nights"])
            assert (inventory["samplingEffortUnit"], inventory["isSamplingEffortReported"]) == ("trapDays", "true")
        else:
            assert (inventory["samplingEffortValue"], inventory["isSamplingEffortReported"]) == ("", "false")


def test_an_event_lasts_as_long_as_its_interval(tmp_path: Path) -> None:
    made = make_by_hand(tmp_path, [one_return(exposure_hours=24.25)], [])
    told = {name: (row["eventDurationValue"], row["eventDurationUnit"]) for name, row in made.inventory.items()}
    # 1 April to 30 September: 30 + 31 + 30 + 31 + 31 + 30 days.
    assert told == {
        "merrow-2026": ("183", "days"),
        "merrow-2026:s1": ("24.25", "hours"),
        "r1": ("24.25", "hours"),
    }


WEATHER = {
    "all of it": (
        {"temp_min_c": 7.5, "temp_max_c": 15.0, "rain": "light", "wind": "calm", "ground": "wet"},
        {"minimumTemperatureInDegreesCelsius": 7.5, "maximumTemperatureInDegreesCelsius": 15.0, "rain": "light", "wind": "calm", "ground": "wet"},
    ),
    "some of it": ({"temp_max_c": -1.5, "wind": "windy"}, {"maximumTemperatureInDegreesCelsius": -1.5, "wind": "windy"}),
    "none of it": ({}, None),
}  # fmt: skip


@pytest.mark.parametrize("case", WEATHER)
def test_weather_is_json_and_empty_where_nothing_was_told(tmp_path: Path, case: str) -> None:
    changes, expected = WEATHER[case]
    # A second return with weather beside it: a row of nulls must not slip out of step.
    made = make_by_hand(tmp_path, [one_return(**changes), one_return(return_id="r2", rain="dry")], [])
    told = made.inventory["r1"]["reportedWeather"]
    assert (json.loads(told) if told else None) == expected
    assert json.loads(made.inventory["r2"]["reportedWeather"]) == {"rain": "dry"}


def test_a_return_targets_its_own_habitat(tmp_path: Path) -> None:
    made = make_by_hand(tmp_path, [one_return()], [])
    assert made.inventory["r1"]["targetHabitatScope"] == "Hedge base"
    assert made.inventory["merrow-2026"]["targetHabitatScope"] == "Short lawn | Hedge base | Other"


def test_a_return_off_protocol_says_so_in_its_description(made: Made) -> None:
    for row in made.returns:
        departed = "departed from the protocol" in made.inventory[row["return_id"]]["protocolDescriptions"]
        assert departed == (row["standing"] == "off_protocol")


# --- nested groups (inclusive guidelines, 3) --------------------------------------------------------------------------

#: Carabidae are Coleoptera: general zoology.
WITHIN = {"Coleoptera": {"Carabidae"}}


def faults_of_totals(inventory: Iterable[Row], occurrences: Iterable[Row]) -> list[str]:
    """Return the events that break the guideline: where it is true, parts never exceed the row of the whole."""
    rows: dict[str, list[Row]] = defaultdict(list)
    for row in occurrences:
        rows[row["eventID"]].append(row)
    found = []
    for one in inventory:
        said = one["isLeastSpecificTargetCategoryQuantityInclusive"]
        mine = [row for row in rows[one["eventID"]] if row["individualCount"]]
        if rows[one["eventID"]] and said not in {"true", "false"}:
            found.append(f"{one['eventID']} does not say")
        for whole, parts in WITHIN.items():
            total = sum(
                int(row["individualCount"]) for row in mine if row["scientificName"] == whole and not row["lifeStage"]
            )
            part = sum(int(row["individualCount"]) for row in mine if row["scientificName"] in parts)
            if said == "true" and part > total:
                found.append(f"{one['eventID']}: {part} of {total}")
    return found


@pytest.fixture(scope="module")
def nested(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make_random(tmp_path_factory.mktemp("nested"), seed=5, groups=NESTED_GROUPS)


def test_each_return_says_that_rows_of_nested_groups_have_to_be_added_up(nested: Made) -> None:
    assert faults_of_totals(nested.humboldt, nested.occurrences) == []
    said = {
        nested.inventory[row["eventID"]]["isLeastSpecificTargetCategoryQuantityInclusive"] for row in nested.occurrences
    }
    assert said == {"false"}


def test_added_up_they_give_the_beetles_of_the_table(nested: Made) -> None:
    beetles = {"ground_beetles", "other_beetles"}
    table = sum(int(row["count_min"]) for row in nested.counts if row["group"] in beetles and row["answer"] == "number")
    archive = sum(
        int(row["individualCount"])
        for row in nested.occurrences
        if row["scientificName"] in {"Coleoptera", "Carabidae"} and not row["lifeStage"] and row["individualCount"]
    )
    assert archive == table > 0


def test_the_check_of_totals_sees_a_false_promise(nested: Made) -> None:
    promised = [row | {"isLeastSpecificTargetCategoryQuantityInclusive": "true"} for row in nested.humboldt]
    assert faults_of_totals(promised, nested.occurrences) != []
    silent = [row | {"isLeastSpecificTargetCategoryQuantityInclusive": ""} for row in nested.humboldt]
    assert faults_of_totals(silent, nested.occurrences) != []
