"""Reference lists and the invented isles: complete, sourced, safe for readers of CSV, and sound geometry."""

from __future__ import annotations

import json
import re
from datetime import date
from io import StringIO
from itertools import combinations
from pathlib import Path
from zoneinfo import available_timezones

import numpy as np
import pandas as pd
import pytest
import shapely
from shapely.geometry import shape

from surveys.methods.protocol import Limits
from surveys.methods.screening_chances import SWARM_CEILING
from surveys.methods.screening_records import LOOK_ALIKES
from surveys.vocabulary import Licence, Tier

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"

#: Domain notes, section 3, retyped: code, scientific name, rank (mixed: several ranks), typical and high catch.
DOMAIN_TABLE = """
woodlice Oniscidea suborder 1 80
landhoppers Talitroidea superfamily 0 40
millipedes Diplopoda class 0 30
centipedes Chilopoda class 0 5
spiders Araneae order 1 15
harvestmen Opiliones order 0 12
mites Acari subclass 1 200
false_scorpions Pseudoscorpiones order 0 3
springtails Collembola class 3 500
bristletails Archaeognatha mixed 0 5
earwigs Dermaptera order 0 25
crickets Orthoptera order 0 4
cockroaches Blattodea order 0 8
flat_bugs Heteroptera suborder 0 6
aphids_hoppers Sternorrhyncha mixed 0 15
ants Formicidae family 1 300
wasps_bees Hymenoptera order 0 8
ground_beetles Carabidae family 1 25
rove_beetles Staphylinidae family 0 20
carrion_beetles Silphinae subfamily 0 8
weevils Curculionoidea superfamily 0 8
other_beetles Coleoptera order 0 15
beetle_grubs Coleoptera order 0 8
caterpillars Lepidoptera order 0 5
flies Diptera order 1 25
fly_maggots Diptera order 0 15
snails Gastropoda class 0 15
slugs Gastropoda class 1 25
earthworms Lumbricidae family 0 10
land_flatworms Geoplanidae family 0 1
scorpions Scorpiones order 0 1
"""
#: Domain notes, section 3: the rows marked C.
CORE = {
    "woodlice", "millipedes", "centipedes", "spiders", "harvestmen", "springtails", "earwigs", "ants", "ground_beetles",
    "rove_beetles", "weevils", "other_beetles", "flies", "snails", "slugs", "earthworms",
}  # fmt: skip
#: Domain notes, section 2, microhabitats of the protocol table, in its order.
HABITATS = [
    "short_lawn", "long_grass", "flower_border", "vegetable_bed", "hedge_base", "leaf_litter", "compost_edge",
    "bare_gravel", "wall_edge", "pond_edge", "other",
]  # fmt: skip
#: Words for a rank in zoological checklists; "mixed" for rows that join several taxa.
RANKS = {"class", "subclass", "order", "suborder", "superfamily", "family", "subfamily", "mixed"}
#: Missing cells to pandas (read_csv, na_values), R (read.csv, na.strings; readr) and SQL; from their manuals, from memory.
MISSING = {
    "", "na", "n/a", "nan", "-nan", "1.#ind", "-1.#ind", "1.#qnan", "-1.#qnan", "#n/a", "#na", "#n/a n/a", "<na>", "null",
    "nil", "none", "missing", "inf", "-inf", "true", "false", "t", "f",
}  # fmt: skip
REGIONS = ["Alder Quay", "Brindle Down", "Cawder", "Larkfell", "Thornmere", "Westerhay"]


def read(name):
    return json.loads((FIXTURES / name).read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def groups():
    return read("reference/groups.json")


@pytest.fixture(scope="module")
def habitats():
    return read("reference/habitats.json")


@pytest.fixture(scope="module")
def plan():
    return read("demo/season.json")


@pytest.fixture(scope="module")
def isles():
    return read("demo/merrow.geojson")


@pytest.fixture(scope="module")
def outlines(isles):
    return {feature["properties"]["name"]: shape(feature["geometry"]) for feature in isles["features"]}


# --- groups -----------------------------------------------------------------------------------


def test_groups_are_those_of_the_domain_notes_with_their_planning_values(groups):
    table = [line.split() for line in DOMAIN_TABLE.strip().splitlines()]
    columns = ("taxon_rank", "planning_typical", "planning_high")
    found = [(row["code"], re.split(r"[ ,]", row["latin"])[0], *(row[name] for name in columns)) for row in groups]
    assert found == [(code, latin, rank, float(typical), float(high)) for code, latin, rank, typical, high in table]
    assert [row["position"] for row in groups] == list(range(1, 32))


def test_core_groups_are_those_marked_so_in_the_domain_notes(groups):
    assert {row["code"] for row in groups if row["tier"] == Tier.CORE.value} == CORE
    assert {row["tier"] for row in groups} == set(Tier.values())


def test_every_group_has_a_rank_words_for_families_and_a_source(groups):
    for row in groups:
        assert row["taxon_rank"] in RANKS
        assert row["source"]
        for words in (row["how_to_tell"], row["soil_role"]):
            assert words.endswith(".")
            assert len(max(re.split(r"(?<=[.!]) ", words), key=len).split()) <= 20  # plain words: short sentences
        assert re.search(r"\d mm", row["size"])


def test_ceilings_lie_above_what_a_coordinator_would_look_at(groups):
    # Domain notes, section 5: 500 macro-animals in a cup; ants, springtails and mites swarm far above that.
    for row in groups:
        assert row["ceiling"] > row["planning_high"]
    swarm = {row["code"] for row in groups if row["ceiling"] >= SWARM_CEILING}
    assert {"springtails", "ants", "mites"} <= swarm
    assert "ground_beetles" not in swarm


def test_look_alikes_exist_and_screening_knows_none_that_families_are_not_told_of(groups):
    listed = {row["code"]: set(row["look_alikes"]) for row in groups}
    for code, others in listed.items():
        assert others
        assert code not in others
        assert others <= set(listed)
    for first, second, _ in LOOK_ALIKES:
        assert second in listed[first] or first in listed[second]


def test_no_code_is_read_as_a_missing_cell_a_number_or_a_date(groups, habitats, plan, isles):
    codes = [row["code"] for row in [*groups, *habitats, *plan["windows"]]]
    codes += [feature["properties"]["code"] for feature in isles["features"]] + [plan["code"]]
    # Outside judge: the reader of pandas, which knows the missing markers of R, SQL and spreadsheets too.
    text = "code\n" + "\n".join(codes) + "\n"
    read_back = pd.read_csv(StringIO(text))["code"]
    assert read_back.tolist() == codes
    assert not {code.lower() for code in codes} & MISSING
    assert all(re.fullmatch(r"[a-z][a-z0-9_-]*", code) for code in codes)
    assert len(codes) == len(set(codes))


# --- habitats and the season ------------------------------------------------------------------


def test_habitats_are_those_of_the_protocol_table(habitats):
    assert [row["code"] for row in habitats] == HABITATS
    assert all(row["label"] and row["hint"].endswith(".") and row["source"] for row in habitats)


def test_the_weights_of_the_season_sum_to_one_over_known_habitats(plan):
    assert [row["code"] for row in plan["habitats"]] == HABITATS
    assert sum(row["weight"] for row in plan["habitats"]) == pytest.approx(1.0, abs=1e-12)
    assert all(row["weight"] > 0 for row in plan["habitats"])


def test_the_season_asks_for_all_core_groups_and_for_none_that_is_unknown(plan, groups):
    known = [row["code"] for row in groups]
    assert set(plan["groups"]) >= CORE
    assert plan["groups"] == [code for code in known if code in plan["groups"]]


def test_the_windows_lie_in_the_season_in_order_and_apart(plan):
    days = [date.fromisoformat(row[name]) for row in plan["windows"] for name in ("first_day", "last_day")]
    assert days == sorted(days)
    assert len(set(days)) == 6
    assert date.fromisoformat(plan["opens_on"]) <= days[0]
    assert days[-1] <= date.fromisoformat(plan["closes_on"])


def test_the_season_names_a_known_time_zone_licence_and_protocol(plan):
    assert plan["time_zone"] in available_timezones()
    assert plan["licence"] in Licence.values()
    protocol = read("reference/protocol-1.json")
    assert plan["protocol"] == str(protocol["version"])
    assert date.fromisoformat(protocol["agreed_on"]) < date.fromisoformat(plan["opens_on"])
    Limits.from_mapping(protocol)
    assert plan["review_budget"] == 0.05  # methods page, section 5: default 5 % of returns


def test_the_demonstration_writes_to_no_real_address(plan):
    # RFC 2606: .example and .invalid belong to nobody.
    text = (FIXTURES / "demo/people.json").read_text() + json.dumps(plan)
    addresses = re.findall(r"[\w.+-]+@([\w.-]+)", text)
    assert addresses
    assert all(re.search(r"\.(example|invalid)$", one) for one in addresses)


# --- people -----------------------------------------------------------------------------------


def test_coordinators_share_the_regions_and_miss_none(isles):
    people = read("demo/people.json")
    codes = [feature["properties"]["code"] for feature in isles["features"]]
    assert sorted(code for one in people["coordinators"] for code in one["regions"]) == sorted(codes)
    assert len(people["coordinators"]) == 2
    assert len(people["password"]) >= 12


def test_aliases_are_made_of_things_and_not_of_names():
    people = read("demo/people.json")
    words = people["alias_first"] + people["alias_second"]
    assert len(set(words)) == len(words) == 80  # apart, so that no garden is called by one word twice
    assert all(re.fullmatch(r"[A-Z][a-z]+", word) for word in words)
    assert len(set(people["alias_first"])) * len(set(people["alias_second"])) > people["households"] + people["schools"]
    # Given names that are also things of a garden, and common family names (common practice, no source).
    names = {
        "Rose", "Ivy", "Lily", "Violet", "Daisy", "Poppy", "Olive", "Iris", "Robin", "Rowan", "Ash", "Jack", "Emma",
        "Oliver", "Olivia", "Noah", "Amelia", "George", "Isla", "Smith", "Jones", "Taylor", "Brown", "Walker", "Green",
        "Wood", "Hill", "Miller", "Baker", "Cooper", "Fisher", "Marsh", "Clover", "Amber", "Hazel", "Heather", "Willow", "Juniper",
    }  # fmt: skip
    assert not set(words) & names


# --- the isles --------------------------------------------------------------------------------


def test_the_isles_are_the_six_invented_parishes(isles, outlines):
    assert list(outlines) == REGIONS
    assert [f["properties"]["code"] for f in isles["features"]] == [name.lower().replace(" ", "-") for name in REGIONS]


def test_outlines_are_sound_and_overlap_nowhere(outlines):
    # Outside judge: GEOS, through shapely.
    assert all(outline.is_valid for outline in outlines.values())
    for first, second in combinations(outlines.values(), 2):
        assert first.intersection(second).area == pytest.approx(0.0, abs=1e-12)


def test_neighbours_share_their_border_exactly(outlines):
    assert shapely.coverage_is_valid(list(outlines.values()))
    sharing = [
        {a, b} for a, b in combinations(outlines, 2) if outlines[a].intersection(outlines[b]).length > 0.01
    ]  # degrees, about a kilometre
    assert len(sharing) >= 3
    assert any(outline.geom_type == "MultiPolygon" for outline in outlines.values())


def test_geometry_follows_rfc_7946(isles, outlines):
    assert "crs" not in isles  # section 4
    for outline in outlines.values():
        for part in shapely.get_parts(outline):
            assert shapely.is_ccw(part.exterior)  # section 3.1.6: right-hand rule
    for feature in isles["features"]:
        points = shapely.get_coordinates(shape(feature["geometry"]))
        assert 40 <= len(points) <= 200
        assert np.array_equal(points, points.round(5))  # section 11.2: about a metre is precise enough


def test_the_isles_lie_in_the_open_atlantic_and_are_of_the_size_of_parishes(outlines):
    west, south, east, north = shapely.total_bounds(list(outlines.values()))
    # Nearest land: the west of Ireland at 10.7 W (atlas, from memory).
    assert -20 < west < east < -16
    assert 50.5 < south < north < 52.5
    for outline in outlines.values():
        x0, y0, x1, y1 = outline.bounds
        across_km = max((x1 - x0) * 111.3 * np.cos(np.radians(51.5)), (y1 - y0) * 111.3)
        assert 10 <= across_km <= 45
