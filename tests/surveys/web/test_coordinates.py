"""Reading a typed place: each way to write it, and what is offered instead of guessed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surveys.web.coordinates import Angle, Place, other_places, read_angle, read_place, split_pair

# 51° 30' 4.32" = 51 + 30/60 + 4.32/3600 = 51.5012, by hand.
WRITTEN = {
    "51.5012": 51.5012,
    " 51,5012 ": 51.5012,
    "+51.5012": 51.5012,
    "-18.0433": -18.0433,
    "\N{MINUS SIGN}18.0433": -18.0433,
    "18.0433 W": -18.0433,
    "W 18.0433": -18.0433,
    "18.0433° w": -18.0433,
    "51° 30' 4.32\" N": 51.5012,
    "51°30\N{PRIME}4.32\N{DOUBLE PRIME}N": 51.5012,
    "51 30 4.32": 51.5012,
    "N 51 30 4,32": 51.5012,
    "51º 30,072'": 51.5012,
    "18° 2' 36\" W": -18.0433,
    "17° 32' S": -17.5333,
    "0": 0.0,
}


@pytest.mark.parametrize(("text", "degrees"), WRITTEN.items(), ids=WRITTEN.keys())
def test_a_number_may_be_written_in_many_ways(text: str, degrees: float) -> None:
    found = read_angle(text)
    assert found is not None
    assert found.degrees == pytest.approx(degrees, abs=5e-5)


@pytest.mark.parametrize(
    "text",
    ["", "north", "nan", "-inf", "1_7", "1e3", "51.5 30", "17° 72' W", "17° 5' 60\" W", "-18.04 W", "N 51 N", "51.5.1",
     "5112.1", "51..5", "51 30 4 2", "\x00", "<b>51</b>", "\N{ARABIC-INDIC DIGIT FIVE}"],
)  # fmt: skip
def test_what_says_no_one_thing_is_not_read(text: str) -> None:
    assert read_angle(text) is None


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused_and_never_breaks(text: str) -> None:
    found = read_angle(text)
    assert found is None or abs(found.degrees) < 1000
    split_pair(text)


PAIRS = {
    "51.5012, -18.0433": ("51.5012", "-18.0433"),
    "51.5012,-18.0433": ("51.5012", "-18.0433"),
    "51,5012; -18,0433": ("51,5012", "-18,0433"),
    "51° 30' 4\" N, 18° 2' 36\" W": ("51° 30' 4\" N", "18° 2' 36\" W"),
    "51.5 N 18.0 W": ("51.5 N", "18.0 W"),
}


@pytest.mark.parametrize(("text", "halves"), PAIRS.items(), ids=PAIRS.keys())
def test_both_numbers_may_stand_in_one_box(text: str, halves: tuple[str, str]) -> None:
    assert split_pair(text) == halves


@pytest.mark.parametrize("text", ["51.5012", "51,5012", "51 30 4", "51° 30' 4\" N", ""])
def test_one_number_is_not_taken_for_two(text: str) -> None:
    assert split_pair(text) is None


def test_letters_in_the_wrong_box_and_numbers_too_large_are_no_place() -> None:
    assert read_place(Angle(51.5), Angle(-18.0)) == Place(51.5, -18.0)
    assert read_place(Angle(-18.0, "W"), Angle(51.5, "N")) is None
    assert read_place(Angle(91.0), Angle(0.0)) is None
    assert read_place(Angle(0.0), Angle(181.0)) is None


def near_merrow(place: Place) -> bool:
    return 51 <= place.latitude <= 52 and -19 <= place.longitude <= -17


OFFERED = {
    "a sign was lost": (51.5, 18.0),
    "both signs were lost or added": (-51.5, 18.0),
    "the numbers changed places": (-18.0, 51.5),
    "they changed places and a sign was lost": (18.0, 51.5),
}


@pytest.mark.parametrize(("north", "east"), OFFERED.values(), ids=OFFERED.keys())
def test_another_reading_that_lies_in_a_region_is_offered(north: float, east: float) -> None:
    assert Place(51.5, -18.0) in other_places(Angle(north), Angle(east), near_merrow)


def test_minutes_written_as_decimals_are_offered() -> None:
    # 51.30 for 51° 30': 51.5. As a number it lies south of the region asked for here.
    found = other_places(Angle(51.30), Angle(-18.0), lambda place: place.latitude >= 51.4 and near_merrow(place))
    assert Place(51.5, -18.0) in found


def test_letters_in_the_other_box_are_offered_first() -> None:
    assert other_places(Angle(-18.0, "W"), Angle(51.5, "N"), near_merrow)[0] == Place(51.5, -18.0)


def test_nothing_is_offered_where_no_reading_fits() -> None:
    assert other_places(Angle(10.0), Angle(10.0), near_merrow) == ()
