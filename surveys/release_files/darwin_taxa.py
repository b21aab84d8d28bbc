"""Which taxon an animal group of the survey is: a whole one with one name, a part of one, or several.

"No Coleoptera" does not follow from "no other beetles" when a ground beetle sits beside it. So a group that is only a
part of the taxon whose name it bears keeps that name where animals were seen, and has none where they were not.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

#: Taxa of the survey's groups that lie within another one's taxon: name, and what it lies in. From the rank column of
#: the survey's reference list of groups; memberships after checklists, to be re-checked with that list.
LIES_WITHIN: dict[str, tuple[str, ...]] = {
    "Carabidae": ("Coleoptera",),
    "Staphylinidae": ("Coleoptera",),
    "Silphinae": ("Staphylinidae", "Coleoptera"),
    "Curculionoidea": ("Coleoptera",),
    "Formicidae": ("Hymenoptera",),
}

#: The narrowest taxon, with its rank, that holds all names of a group that is put together from several. From memory.
SHARED_TAXON: dict[frozenset[str], tuple[str, str]] = {
    frozenset({"Archaeognatha", "Zygentoma", "Diplura"}): ("Hexapoda", "subphylum"),
    frozenset({"Sternorrhyncha", "Auchenorrhyncha"}): ("Hemiptera", "order"),
}

_ONE_WORD = re.compile(r"[A-Z][a-z]+(?:-[a-z]+)?")
_SPECIES = re.compile(r"[A-Z][a-z]+ [a-z-]+(?: [a-z-]+)?")
_LARVAE = re.compile(r"\(larvae\)$")


@dataclass(frozen=True, slots=True)
class GroupRow:
    """One group of a season's list, as released."""

    code: str
    name: str
    scientific_name: str
    taxon_rank: str


@dataclass(frozen=True, slots=True)
class Taxon:
    """What may be said of a group in the terms of a taxonomy.

    ``name`` is the narrowest single name that encloses the group and ``rank`` its rank; both empty where there is none.
    ``names`` are the names that the group is put together from. ``whole`` is True when the group is all of that one
    taxon, so that "none of these" is "none of that taxon".
    """

    name: str
    rank: str
    names: tuple[str, ...]
    life_stage: str = ""
    whole: bool = False


def taxon_of(group: GroupRow, listed: Sequence[GroupRow]) -> Taxon:
    """Return the taxon of a group, given all groups that the season counts apart from it."""
    text = group.scientific_name.strip()
    parts = tuple(part.strip() for part in text.split(","))
    if len(parts) > 1 and all(_ONE_WORD.fullmatch(part) for part in parts):
        name, rank = SHARED_TAXON.get(frozenset(parts), ("", ""))
        return Taxon(name, rank, parts)
    is_one_name = _is_one_name(text, group.taxon_rank)
    name = text if is_one_name else _first_name(text)
    others = [other for other in listed if other.code != group.code]
    return Taxon(
        name=name,
        rank=group.taxon_rank if name else "",
        names=(text,),
        life_stage="larva" if _LARVAE.search(text) else "",
        whole=is_one_name and not any(_lies_in(other, name) for other in others),
    )


def _is_one_name(text: str, rank: str) -> bool:
    pattern = _SPECIES if rank.lower() in {"species", "subspecies"} else _ONE_WORD
    return pattern.fullmatch(text) is not None


def _first_name(text: str) -> str:
    found = _ONE_WORD.match(text)
    return found.group() if found else ""


def _lies_in(other: GroupRow, name: str) -> bool:
    inner = _first_name(other.scientific_name.strip())
    return inner == name or name in LIES_WITHIN.get(inner, ())
