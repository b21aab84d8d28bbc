"""The documents of a release: README, licence, methods, and how to cite it (Citation File Format 1.2.0)."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import surveys.methods
from surveys.release_files.about import (
    SeasonLicence,
    citation,
    contact_address,
    keywords,
    licences,
    summary,
)
from surveys.release_files.facts import Facts, read_facts
from surveys.release_files.readme import readme
from surveys.release_files.writing import write_text
from surveys.vocabulary import Licence

METHODS = Path(surveys.methods.__file__).parent / "METHODS.md"

#: What a licence asks, in our words; its own text at its address is what holds.
ASKS: dict[str, str] = {
    Licence.CC_BY_4.value: (
        "You may share and adapt the data for any purpose, if you name the source as in CITATION.cff, link to the "
        "licence, and say what you changed."
    ),
    Licence.CC0_1.value: (
        "The organiser has waived all rights to the data, as far as the law allows. You may use them for any purpose. "
        "Citing them, as in CITATION.cff, is good practice."
    ),
}


def write_documents(folder: Path) -> None:
    """Write ``README.md``, ``LICENSE.txt``, ``METHODS.md`` and ``CITATION.cff``."""
    facts = read_facts(folder)
    found = licences(folder, facts)
    write_text(folder / "README.md", readme(folder, facts))
    write_text(folder / "LICENSE.txt", licence_text(facts, found))
    write_text(folder / "METHODS.md", METHODS.read_text(encoding="utf-8"))
    write_text(folder / "CITATION.cff", yaml_of(citation_file(facts, found)))


def licence_text(facts: Facts, found: list[SeasonLicence]) -> str:
    """Return the licence of a release, for each season where they differ."""
    head = f"{facts.title}, release {facts.version}\nPublished by {facts.organiser}, {facts.day}"
    return "\n\n".join([head, *(_licence(one, alone=len(found) == 1) for one in found), _FOR_ALL])


_FOR_ALL = (
    "The data come as they are, without warranty. The organiser asks, whatever the licence: do not try to find out who "
    "sent a return."
)


def _licence(one: SeasonLicence, *, alone: bool) -> str:
    of = "All rows" if alone else f"Rows of {', '.join(one.seasons) or 'the tables that name no season'}"
    asks = ASKS.get(one.spdx, "Its text stands at the address above.")
    return f"{of}: {one.label}\nSPDX-License-Identifier: {one.spdx}\n{one.url}\n{asks}"


def citation_file(facts: Facts, found: list[SeasonLicence]) -> Mapping[str, Any]:
    """Return what ``CITATION.cff`` says. The organiser is its author, as an entity: no person is named."""
    organiser = {"name": facts.organiser, **contact_address(facts)}
    spdx = [one.spdx for one in found]
    return {
        "cff-version": "1.2.0",
        "message": f"Please cite this dataset as: {citation(facts)}",
        "type": "dataset",
        "title": facts.title + (" (invented data)" if facts.invented else ""),
        "version": facts.version,
        "date-released": facts.day,
        "authors": [organiser],
        "url": facts.address,
        "license": spdx[0] if len(spdx) == 1 else spdx,
        "abstract": summary(facts),
        "keywords": keywords(),
    }


def yaml_of(values: Mapping[str, Any]) -> str:
    """Return plain values as YAML 1.2: a text is written as in JSON, which YAML reads the same way."""
    return "\n".join(line for key, value in values.items() for line in _lines(key, value))


def _lines(key: str, value: Any) -> Iterator[str]:
    if not isinstance(value, list):
        yield f"{key}: {_quoted(value)}"
        return
    yield f"{key}:"
    for one in value:
        pairs = [f"{name}: {_quoted(text)}" for name, text in one.items()] if isinstance(one, dict) else [_quoted(one)]
        yield f"  - {pairs[0]}"
        yield from (f"    {pair}" for pair in pairs[1:])


def _quoted(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)
