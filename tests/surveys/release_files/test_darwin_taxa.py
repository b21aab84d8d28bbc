"""Which taxon a group is. The names are those of the survey's reference list; memberships are general zoology."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from surveys.release_files.darwin_taxa import GroupRow, taxon_of

REFERENCE = Path(__file__).resolve().parents[3] / "fixtures" / "reference" / "groups.json"
ALL = [
    GroupRow(one["code"], one["name"], one["latin"], one["taxon_rank"])
    for one in json.loads(REFERENCE.read_text(encoding="utf-8"))
]

#: Groups of the reference list that are not all of the taxon whose name they bear.
PARTS = {
    "other_beetles": ("Coleoptera", ""),
    "beetle_grubs": ("Coleoptera", "larva"),
    "caterpillars": ("Lepidoptera", "larva"),
    "fly_maggots": ("Diptera", "larva"),
    "flies": ("Diptera", ""),  # maggots are counted apart
    "rove_beetles": ("Staphylinidae", ""),  # carrion beetles are, too
    "wasps_bees": ("Hymenoptera", ""),
    "snails": ("Gastropoda", ""),
    "slugs": ("Gastropoda", ""),
    "bristletails": ("Hexapoda", ""),
    "aphids_hoppers": ("Hemiptera", ""),
}


@pytest.mark.parametrize("group", ALL, ids=lambda group: group.code)
def test_each_group_of_the_reference_list_is_a_whole_taxon_or_a_known_part(group: GroupRow) -> None:
    found = taxon_of(group, ALL)
    if group.code in PARTS:
        assert (found.name, found.life_stage, found.whole) == (*PARTS[group.code], False)
    else:
        assert (found.name, found.rank, found.whole) == (group.scientific_name, group.taxon_rank, True)


def test_a_group_is_whole_again_where_its_parts_are_not_counted_apart() -> None:
    flies = next(group for group in ALL if group.code == "flies")
    assert taxon_of(flies, [flies]).whole


def test_several_taxa_keep_their_names() -> None:
    group = next(one for one in ALL if one.code == "bristletails")
    assert taxon_of(group, ALL).names == ("Archaeognatha", "Zygentoma", "Diplura")


def test_several_taxa_without_a_known_common_one_have_no_single_name() -> None:
    found = taxon_of(GroupRow("x", "X", "Araneae, Opiliones", "mixed"), ALL)
    assert (found.name, found.rank, found.whole) == ("", "", False)


@pytest.mark.parametrize(
    ("text", "rank", "whole"),
    [("Carabus nemoralis", "species", True), ("Carabus large", "genus", False), ("beetles", "order", False)],
)
def test_two_words_are_a_name_only_of_a_species(text: str, rank: str, whole: bool) -> None:
    assert taxon_of(GroupRow("x", "X", text, rank), []).whole is whole
