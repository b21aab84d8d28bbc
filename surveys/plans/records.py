"""What crosses the border of the plans: a draft as it stands, what is known beside it, and what is still to do."""

from __future__ import annotations

import hashlib
import json
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from surveys.vocabulary import PlanSection

#: What of a plan's mapping belongs to which section. Boundaries and new ranges stand beside the mapping.
SECTION_KEYS: dict[PlanSection, tuple[str, ...]] = {
    PlanSection.NAME: (
        "code", "title", "organiser", "contact", "opens_on", "closes_on", "time_zone", "licence", "tray_photos",
        "review_budget",
    ),
    PlanSection.WEEKS: ("windows",),
    PlanSection.GROUPS: ("groups",),
    PlanSection.HABITATS: ("habitats",),
    PlanSection.PROTOCOL: ("protocol",),
    PlanSection.REGIONS: (),
    PlanSection.TEXTS: ("welcome",),
}  # fmt: skip


def _(text: str) -> str:
    """Mark a text for translation and leave it as it is: a page translates it when it is shown."""
    return text


@dataclass(frozen=True, slots=True)
class PlanFault:
    """One thing that is still to do: its section, a code, a sentence with its values, the field it belongs to.

    What does not block is worth a look, and may be meant. A value that is itself a text to translate stands in
    ``words``.
    """

    section: PlanSection
    code: str
    text: str
    values: Mapping[str, str | int] = field(default_factory=dict)
    target: str = ""
    blocks: bool = True
    words: Mapping[str, str] = field(default_factory=dict)

    @property
    def sentence(self) -> str:
        """The sentence in English."""
        return self.text.format(**self.values, **self.words)


@dataclass(frozen=True, slots=True)
class PlanDraft:
    """A plan as it stands: the season's mapping, a GeoJSON FeatureCollection, and ranges of a new protocol version.

    Anything may be missing, and a box that could not be read stands there as it was typed.
    """

    plan: Mapping[str, Any]
    boundaries: Mapping[str, Any] = field(default_factory=dict)
    limits: Mapping[str, Any] = field(default_factory=dict)

    def part(self, section: PlanSection) -> dict[str, Any]:
        """Return what belongs to one section."""
        found = {key: self.plan[key] for key in SECTION_KEYS[section] if key in self.plan}
        if section == PlanSection.REGIONS:
            found["boundaries"] = self.boundaries
        if section == PlanSection.PROTOCOL:
            found["limits"] = self.limits
        return found

    def mark(self, section: PlanSection) -> str:
        """Return a short mark of what a section holds: it changes with every change of it, and with nothing else."""
        written = json.dumps(self.part(section), sort_keys=True, default=str)
        return hashlib.sha256(written.encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Known:
    """What a plan is held against: the lists there are, names that are taken, and regions that a season uses.

    ``protocols`` holds each version's ranges; ``regions`` the boundary of each region in use, by its code.
    """

    today: date
    groups: frozenset[str]
    habitats: frozenset[str]
    protocols: Mapping[str, Mapping[str, Any]]
    season_codes: frozenset[str] = frozenset()
    regions: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


def read_day(value: object) -> date | None:
    """Return a day that is written as 2027-04-01, else None."""
    try:
        return date.fromisoformat(value) if isinstance(value, str) and len(value) == 10 else None
    except ValueError:
        return None


def has_unseen_signs(text: str) -> bool:
    """Say whether a text holds control signs that nobody can see, line ends aside."""
    return any(unicodedata.category(sign) in ("Cc", "Cs") and sign not in "\n\t" for sign in text)


def code_from(name: str, *, otherwise: str, taken: frozenset[str] = frozenset()) -> str:
    """Return a code made from a name: small letters and digits, words joined by hyphens; another one if it is taken."""
    plain = (sign for sign in unicodedata.normalize("NFKD", name.casefold()) if not unicodedata.combining(sign))
    words = "".join(sign if sign.isascii() and sign.isalnum() else " " for sign in plain).split()
    code = "-".join(words)[:36].strip("-") or otherwise
    if code not in taken:
        return code
    return next(fresh for n in range(2, 1000) if (fresh := f"{code}-{n}") not in taken)
