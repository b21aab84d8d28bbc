"""What a release's page says in words: how to cite it, what is not in it, how good its review is, its files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.formats import number_format
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from surveys.queries.release_shown import LeftAside, ReleaseShown
from surveys.release_files import about
from surveys.release_files.facts import Facts
from surveys.release_files.tables import TABLES
from surveys.vocabulary import Exclusion
from surveys.web.review_quality import QualityShown, in_sentences
from surveys.web.words import say

#: The tables that most readers want come first in the list of files.
_WANTED_FIRST = ("returns", "counts", "index_level", "index_change", "cells")
#: What each reason means for a reader of the data, after its own words.
_WHY: Mapping[Exclusion, Any] = {
    Exclusion.NOT_SCREENED: gettext_lazy("They came in shortly before the release was frozen. The next one has them."),
    Exclusion.QUERIED: gettext_lazy("Something in them surprised us, and nobody has decided yet."),
    Exclusion.DISCOUNTED: gettext_lazy("A person looked at them and found that they cannot be right."),
    Exclusion.WITHDRAWN: gettext_lazy("Whoever sent them has taken them back."),
    Exclusion.NOT_AGREED: gettext_lazy("We publish nothing without that."),
    Exclusion.FEW_SITES: gettext_lazy("Fewer than five gardens in one place could give a home away."),
    Exclusion.NEW_SITE: gettext_lazy(
        "Two releases that differ by one garden would show that garden. So new ones come in groups."
    ),
}


@dataclass(frozen=True, slots=True)
class ExclusionShown:
    """One reason why returns are not in the data: its words, what it means, and how many."""

    words: str
    why: str
    returns: str


@dataclass(frozen=True, slots=True)
class FileShown:
    """One file of a release as its page lists it."""

    path: str
    description: str
    size_bytes: int
    rows: int | None
    sha256: str


@dataclass(frozen=True, slots=True)
class FileGroup:
    """Files of one kind under a title."""

    title: str
    files: tuple[FileShown, ...]


@dataclass(frozen=True, slots=True)
class Citation:
    """How to cite a release: as a sentence, and as BibTeX."""

    sentence: str
    bibtex: str


def citation(facts: Facts) -> Citation:
    """Return how to cite a release."""
    key = f"{facts.season.replace('-', '_')}_{facts.version.replace('.', '_')}"
    rows = {
        "title": f"{facts.title}, release {facts.version}",
        "author": f"{{{facts.organiser}}}",
        "year": facts.day[:4],
        "version": facts.version,
        "url": facts.address,
        "note": f"Licence {facts.licence}" + (". Invented data" if facts.invented else ""),
    }
    lines = ",\n".join(f"  {name} = {{{_in_bibtex(value)}}}" for name, value in rows.items())
    return Citation(about.citation(facts), f"@misc{{{key},\n{lines}\n}}")


def _in_bibtex(value: str) -> str:
    """Escape what TeX reads as a command; braces stay in pairs."""
    return "".join(f"\\{sign}" if sign in "%&#_$" else sign for sign in value)


def exclusions_in_words(found: Sequence[LeftAside]) -> list[ExclusionShown]:
    """Return why returns are not in a release, most first; those whose number is not told come last."""
    ranked = sorted(found, key=lambda one: (one.returns is None, -(one.returns or 0)))
    return [
        ExclusionShown(
            capfirst(say(one.reason)),
            str(_WHY[one.reason]),
            _("a few") if one.returns is None else _number(one.returns),
        )
        for one in ranked
    ]


def reasons_in_words() -> list[ExclusionShown]:
    """Return every reason why a return may be missing, without numbers."""
    return [ExclusionShown(capfirst(say(reason)), str(_WHY[reason]), "") for reason in Exclusion]


def review_in_words(shown: ReleaseShown) -> QualityShown | None:
    """Return how good the review of the release's season is, in sentences; None where nothing was frozen of it."""
    return in_sentences(shown.review) if shown.review is not None else None


def files_shown(files: Sequence[Mapping[str, Any]]) -> list[FileGroup]:
    """Return the files of a release: whole packages, tables, maps, and what describes them."""
    names = list(dict.fromkeys([*_WANTED_FIRST, *(table.name for table in TABLES)]))
    groups: dict[str, list[Mapping[str, Any]]] = {"whole": [], "tables": [], "maps": [], "about": []}
    for file in files:
        stem, _dot, ending = file["path"].rpartition(".")
        if ending == "zip":
            groups["whole"].append(file)
        elif stem in names and ending in ("csv", "parquet"):
            groups["tables"].append(file)
        else:
            groups["maps" if ending == "geojson" else "about"].append(file)
    groups["tables"].sort(key=lambda file: names.index(file["path"].rpartition(".")[0]))
    titles = {
        "whole": _("Everything in one file"),
        "tables": _("Tables"),
        "maps": _("Maps"),
        "about": _("About the release"),
    }
    return [FileGroup(titles[name], tuple(_file(one) for one in found)) for name, found in groups.items() if found]


def _file(file: Mapping[str, Any]) -> FileShown:
    return FileShown(
        path=file["path"],
        # The rows of a Parquet file are those of the CSV file above it.
        description="" if file["path"].endswith(".parquet") else file.get("description", ""),
        size_bytes=file["bytes"],
        rows=file.get("rows"),
        sha256=file["sha256"],
    )


def _number(n: int) -> str:
    return number_format(n, force_grouping=True)
