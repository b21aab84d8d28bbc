"""What every descriptor of a release says alike: its summary, how to cite it, its licences, who answers for it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from surveys.release_files.facts import Facts
from surveys.release_files.reading import read_table
from surveys.release_files.tables import SEASONS
from surveys.vocabulary import LICENCE_URLS, Licence

INVENTED = "Every return in this release is invented: it is a demonstration, and says nothing about any real place."


@dataclass(frozen=True, slots=True)
class SeasonLicence:
    """A licence with the seasons whose rows are under it."""

    spdx: str
    url: str
    label: str
    seasons: tuple[str, ...]


def summary(facts: Facts) -> str:
    """Return what the release holds, in a paragraph."""
    told = (
        f"{facts.title}: what households and schools counted in dry pitfall traps in their gardens, each open for one "
        "day and one night, with the protocol check, corrections and effort of every return, and the activity index "
        "of each region, survey window and animal group with its 95 % interval. The index is activity-density, what a "
        "standard trap catches in one trap-night as a mean over gardens; it is not a number of animals on a piece of "
        "ground. Places are squares of 0.1 degrees."
    )
    return f"{INVENTED} {told}" if facts.invented else told


def citation(facts: Facts) -> str:
    """Return how the release asks to be cited."""
    invented = " Invented data." if facts.invented else ""
    return f"{facts.organiser} ({facts.day[:4]}): {facts.title}, release {facts.version}.{invented} {facts.address}"


def keywords() -> list[str]:
    """Return words by which the release is found."""
    return ["pitfall trap", "activity-density", "activity index", "garden", "ground-dwelling invertebrates",
            "volunteer survey"]  # fmt: skip


def contact_address(facts: Facts) -> dict[str, str]:
    """Return the mail address of the contact, or nothing where the contact is not one."""
    return {"email": facts.contact} if "@" in facts.contact and " " not in facts.contact else {}


def licences(folder: Path, facts: Facts) -> list[SeasonLicence]:
    """Return the release's own licence, then any other under which an earlier season stands."""
    seasons = read_table(folder, SEASONS, ["season", "licence"]).to_pylist()
    names = dict.fromkeys([facts.licence, *(str(row["licence"]) for row in seasons)])
    return [
        SeasonLicence(
            name, _url(name, facts), _label(name), tuple(row["season"] for row in seasons if row["licence"] == name)
        )
        for name in names
    ]


def _url(name: str, facts: Facts) -> str:
    return facts.licence_url if name == facts.licence else LICENCE_URLS[Licence(name)]


def _label(name: str) -> str:
    return Licence(name).label if name in Licence.values() else name
