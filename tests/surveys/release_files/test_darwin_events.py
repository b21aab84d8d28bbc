"""event.csv: three levels, each with what holds for it; a parent encloses its children; a lost trap is never a zero.

Rules: Darwin Core terms (TDWG; sampleSizeValue, coordinateUncertaintyInMeters, eventDate), and "Properties of
hierarchical events in the Humboldt extension", 2024-02-28 (TDWG), 3.2.1 to 3.2.3.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from surveys.release_files.tables import SEASONS
from tests.darwin import Made, Row, interval_of, make, make_by_hand, make_random, one_count, one_return
from tests.released import write_small_release, write_table

SEEDS = range(6)


@pytest.fixture(scope="module", params=SEEDS)
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make_random(tmp_path_factory.mktemp("release"), seed=request.param, sites=6 + 2 * request.param)


# --- the levels --------------------------------------------------------------------------------------------------------


def test_there_is_an_event_for_each_season_each_site_in_a_season_and_each_return(made: Made) -> None:
    seasons = {"merrow-2025", "merrow-2026"}
    sites = {f"{row['season']}:{row['site_id']}" for row in made.returns}
    assert {row["eventID"] for row in made.level("survey season")} == seasons
    assert {row["eventID"] for row in made.level("site season")} == sites
    assert [row["eventID"] for row in made.level("trap exposure")] == [row["return_id"] for row in made.returns]
    assert len(made.events) == len(made.event) == len(seasons) + len(sites) + len(made.returns)


def test_a_return_hangs_on_its_site_and_a_site_on_its_season(made: Made) -> None:
    for row in made.returns:
        parent = made.event[row["return_id"]]["parentEventID"]
        assert parent == f"{row['season']}:{row['site_id']}"
        assert made.event[parent]["parentEventID"] == row["season"]
        assert made.event[row["season"]]["parentEventID"] == ""


#: What may stand on each level, by the principle of applicability: written down from the guide, not from the code.
ALWAYS = {"eventID", "eventType", "eventDate", "samplingProtocol", "license", "datasetID", "datasetName",
          "informationWithheld", "eventRemarks"}  # fmt: skip
OF_A_PLACE = {"locationID", "decimalLatitude", "decimalLongitude", "geodeticDatum", "coordinateUncertaintyInMeters"}


def test_each_level_says_what_holds_for_it_and_nothing_that_sums_up_its_children(made: Made) -> None:
    for row in made.level("survey season"):
        assert _filled(row) == ALWAYS | {"locality"}
    for row in made.level("site season"):
        assert _filled(row) - OF_A_PLACE == ALWAYS | {"parentEventID", "locality", "dataGeneralizations"}
    for row in made.level("trap exposure"):
        certain = ALWAYS | {"parentEventID", "locality", "dataGeneralizations", "habitat", "locationRemarks"}
        assert _filled(row) - OF_A_PLACE - {"sampleSizeValue", "sampleSizeUnit", "samplingEffort"} == certain


def _filled(row: Row) -> set[str]:
    return {name for name, value in row.items() if value}


# --- parents enclose their children (3.2.1, MUST) ----------------------------------------------------------------------


def test_a_parent_encloses_its_children_in_time(made: Made) -> None:
    for row in made.events:
        if row["parentEventID"]:
            (first, last), (begins, ends) = interval_of(row), interval_of(made.event[row["parentEventID"]])
            assert begins <= first < last <= ends, row["eventID"]


def test_a_parent_encloses_its_children_in_space(made: Made) -> None:
    for row in made.events:
        if row["parentEventID"]:
            parent = made.event[row["parentEventID"]]
            assert set(row["locality"].split(" | ")) <= set(parent["locality"].split(" | "))
            if parent["decimalLatitude"]:
                # One and the same square: a return elsewhere, or without a place, leaves the site without one.
                assert {name: row[name] for name in OF_A_PLACE} == {name: parent[name] for name in OF_A_PLACE}


def test_a_site_has_a_cell_exactly_if_all_its_returns_show_the_same_one(made: Made) -> None:
    for site in made.level("site season"):
        cells = {row["cell"] for row in made.returns if f"{row['season']}:{row['site_id']}" == site["eventID"]}
        assert site["locationID"] == (cells.pop() if len(cells) == 1 else "")


def test_a_site_whose_returns_show_two_cells_has_none(tmp_path: Path) -> None:
    other = {"cell": "n51.40w17.80", "cell_longitude": -17.75}
    made = make_by_hand(tmp_path, [one_return(), one_return(return_id="r2", **other)], [])
    site = made.event["merrow-2026:s1"]
    assert (site["locationID"], site["decimalLatitude"], site["coordinateUncertaintyInMeters"]) == ("", "", "")
    assert "do not all show the same one" in site["informationWithheld"]


def test_a_site_whose_returns_lie_in_two_regions_names_none(tmp_path: Path) -> None:
    made = make_by_hand(tmp_path, [one_return(), one_return(return_id="r2", region="alder-quay")], [])
    assert made.event["merrow-2026:s1"]["locality"] == ""


def test_a_site_is_open_from_its_first_setting_to_its_last_emptying(tmp_path: Path) -> None:
    later = datetime(2026, 6, 20, 19, 15)
    made = make_by_hand(tmp_path, [one_return(), one_return(return_id="r2", set_at=later, exposure_hours=24.25)], [])
    assert made.event["merrow-2026:s1"]["eventDate"] == "2026-05-02T18:00:00Z/2026-06-21T19:30:00Z"


def test_a_season_covers_whole_days_of_its_own_time_zone(tmp_path: Path) -> None:
    made = _in_zone(tmp_path, "Europe/Berlin", [one_return()])
    # 1 April and 30 September 2026 lie in summer time: two hours ahead of UTC (IANA time zone database).
    assert made.event["merrow-2026"]["eventDate"] == "2026-03-31T22:00:00Z/2026-09-30T22:00:00Z"


def test_a_trap_set_on_the_last_evening_makes_the_season_a_day_longer(tmp_path: Path) -> None:
    made = _in_zone(tmp_path, "Europe/Berlin", [one_return(set_at=datetime(2026, 9, 30, 16))])
    assert made.event["merrow-2026"]["eventDate"].endswith("/2026-10-01T22:00:00Z")


def test_a_trap_emptied_at_midnight_does_not(tmp_path: Path) -> None:
    made = _in_zone(tmp_path, "Europe/Berlin", [one_return(set_at=datetime(2026, 9, 29, 22))])
    assert made.event["merrow-2026"]["eventDate"].endswith("/2026-09-30T22:00:00Z")


def _in_zone(folder: Path, zone: str, returns: list[dict[str, object]]) -> Made:
    make_by_hand(folder, returns, [])
    seasons = folder / "seasons.csv"
    seasons.write_text(seasons.read_text().replace("Atlantic/Reykjavik", zone))
    return make(folder)


# --- place, time and effort of a return -------------------------------------------------------------------------------


def test_the_interval_of_a_return_runs_from_setting_to_emptying_in_utc(made: Made) -> None:
    for row in made.returns:
        assert made.event[row["return_id"]]["eventDate"] == f"{row['set_at']}/{row['emptied_at']}"


def test_coordinates_come_with_datum_and_uncertainty_and_never_with_a_zero(made: Made) -> None:
    for row in made.events:
        has = {name: row[name] != "" for name in OF_A_PLACE}
        assert len(set(has.values())) == 1
        assert row["coordinateUncertaintyInMeters"] == "" or int(row["coordinateUncertaintyInMeters"]) > 0
        assert row["geodeticDatum"] in {"", "EPSG:4326"}


def test_a_withheld_cell_is_said_to_be_withheld(made: Made) -> None:
    for row in made.returns:
        event = made.event[row["return_id"]]
        assert ("too few gardens" in event["informationWithheld"]) == (row["cell"] == "")
        assert ("0.1 degree" in event["dataGeneralizations"]) == (row["cell"] != "")


def test_size_unit_and_effort_stand_together_or_not_at_all(made: Made) -> None:
    for row in made.events:
        assert (row["sampleSizeValue"] == "") == (row["sampleSizeUnit"] == "") == (row["samplingEffort"] == "")


@pytest.mark.parametrize(
    ("hours", "nights", "words"),
    [
        (24.0, 1.0, "1 trap-night"),
        (36.0, 1.5, "1.5 trap-nights"),
        (24.0, 3.0, "3 trap-nights"),
        (23.5, 0.9791666666666666, "0.9791666666666666 trap-nights"),
    ],
)
def test_effort_is_told_in_trap_nights(tmp_path: Path, hours: float, nights: float, words: str) -> None:
    made = make_by_hand(tmp_path, [one_return(exposure_hours=hours, trap_nights=nights)], [])
    assert made.event["r1"]["samplingEffort"] == words
    assert float(made.event["r1"]["sampleSizeValue"]) == hours
    assert made.event["r1"]["sampleSizeUnit"] == "hour"


def test_effort_is_that_of_the_table_to_the_last_digit(made: Made) -> None:
    for row in made.returns:
        told = made.event[row["return_id"]]["samplingEffort"]
        assert told == "" if row["trap_nights"] == "" else float(told.split()[0]) == float(row["trap_nights"])


# --- what is odd about a return ----------------------------------------------------------------------------------------


def test_a_lost_trap_is_an_event_with_its_reason_and_without_size_effort_or_zeros(tmp_path: Path) -> None:
    lost = one_return(trap_nights=None, trap_state="dug_up", left_out="no_effort", standing="adjusted")
    counts = [one_count("spiders", "none_seen", 0, 0), one_count("woodlice", "number", 2, 2)]
    made = make_by_hand(tmp_path, [lost], counts)
    event = made.event["r1"]
    assert (event["sampleSizeValue"], event["sampleSizeUnit"], event["samplingEffort"]) == ("", "", "")
    assert "no_effort" in event["eventRemarks"]
    assert "dug_up" in event["eventRemarks"]
    assert [row["occurrenceID"] for row in made.occurrences] == ["r1:woodlice"]


def test_no_lost_trap_has_an_absence_or_effort(made: Made) -> None:
    lost = {row["return_id"] for row in made.returns if row["trap_nights"] == ""}
    for name in lost:
        assert made.event[name]["samplingEffort"] == ""
        assert "lost, flooded or disturbed" in made.event[name]["eventRemarks"]
    assert not [row for row in made.occurrences if row["eventID"] in lost and row["occurrenceStatus"] == "absent"]


def test_a_return_off_protocol_says_that_the_protocol_was_not_followed(made: Made) -> None:
    for row in made.returns:
        event = made.event[row["return_id"]]
        off = row["standing"] == "off_protocol"
        assert event["samplingProtocol"].endswith("protocol 1, not followed" if off else "protocol 1")
        assert ("Off protocol." in event["eventRemarks"]) == off


def test_each_event_has_one_protocol(made: Made) -> None:
    assert not [row for row in made.events if "|" in row["samplingProtocol"]]


def test_why_a_return_enters_no_index_stands_beside_it(made: Made) -> None:
    for row in made.returns:
        remarks = made.event[row["return_id"]]["eventRemarks"]
        assert (f"({row['left_out']})" in remarks) if row["left_out"] else ("Enters no index" not in remarks)


def test_traps_that_were_added_up_are_told(tmp_path: Path) -> None:
    made = make_by_hand(tmp_path, [one_return(traps_pooled=3, trap_nights=3.0)], [])
    assert "Catch of 3 traps together." in made.event["r1"]["eventRemarks"]


def test_a_habitat_goes_by_its_name_and_one_that_is_not_listed_by_its_code(tmp_path: Path) -> None:
    returns = [one_return(), one_return(return_id="r2", habitat="roof"), one_return(return_id="r3", habitat=None)]
    made = make_by_hand(tmp_path, returns, [])
    assert [made.event[name]["habitat"] for name in ("r1", "r2", "r3")] == ["Hedge base", "roof", ""]


def test_an_invented_season_says_so_on_every_event(made: Made) -> None:
    assert all("Invented for a demonstration" in row["eventRemarks"] for row in made.events)
    assert all("demonstration" in row["datasetName"] for row in made.events)


def test_a_real_season_does_not(tmp_path: Path) -> None:
    write_small_release(tmp_path, sites=2, seasons=(2026,), invented=False)
    write_table(tmp_path, SEASONS, [{
        "season": "merrow-2026", "title": "Count", "organiser": "Office", "protocol": "2", "opens_on": "2026-04-01",
        "closes_on": "2026-09-30", "time_zone": "UTC", "licence": "CC0-1.0", "invented": False,
    }])  # fmt: skip
    made = make(tmp_path)
    assert not [row for row in made.events if "nvented" in row["eventRemarks"] + row["datasetName"]]
    assert {row["license"] for row in made.events} == {"https://creativecommons.org/publicdomain/zero/1.0/"}


def test_the_country_is_empty_since_a_release_does_not_hold_it(made: Made) -> None:
    assert {row["countryCode"] for row in made.events} == {""}
