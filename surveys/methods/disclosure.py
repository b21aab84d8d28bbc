"""What may be published without showing a single garden: strata of k gardens or more, and totals that do not undo that.

1. A stratum with fewer than k contributing gardens is withheld.
2. A stratum that differs from its last publication by 1 to k - 1 gardens is not published as it is now: newcomers (and
   gardens with changed returns) wait, in the totals too, and the stratum stays as it was; if gardens have left, it is
   withheld, since leaving them in is not ours to decide. Newcomers to a withheld stratum wait likewise.
3. Everything published now and in earlier releases together must not let a sum over fewer than k gardens be worked out
   (disclosure_attack.py); as long as it does, something that takes part in it is withheld too: the smallest stratum
   that ends it, else the total with the fewest gardens that does. What earlier releases have told already is withheld
   last, and where nothing has changed since the last release, what it withheld stays withheld.

Totals have to be computed from the rows of the plan (``ReleasePlan.published``), not from the newest ones.

References: k = 5 contributing gardens is this project's own rule; secondary suppression, Willenborg & de Waal 2001
(from memory); what many published sums give away together, Dinur & Nissim 2003 (from memory) for the principle. The
rules are this project's own construction, METHODS.md, section Disclosure.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import combinations
from types import MappingProxyType

import numpy as np
from scipy import linalg

from surveys.methods.disclosure_attack import ZERO, Part, ends_without, find_leak, incidence

FEWEST_SITES = 5  # k

Key = Hashable
Contribution = Mapping[str, Hashable]  #: site -> whatever changes when its returns change (their number, a hash)


class Choice(StrEnum):
    """What happens to a stratum or a total, and why."""

    PUBLISHED = "published"
    AS_BEFORE = "as_before"
    FEW_SITES = "few_sites"
    FEW_LEFT = "few_left"
    PROTECTS_OTHERS = "protects_others"
    NO_RETURNS = "no_returns"


GOES_OUT = frozenset({Choice.PUBLISHED, Choice.AS_BEFORE})


@dataclass(frozen=True, slots=True)
class StratumRows:
    """One stratum: what each contributing site has in it, as a version and a number of returns."""

    key: Key
    versions: Contribution
    returns: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Total:
    """One published total: a name, and the strata it adds up (all of them, withheld ones too)."""

    name: Key
    members: tuple[Key, ...]


@dataclass(frozen=True, slots=True)
class Published:
    """What went out once, and can be had for ever: each stratum's rows, withheld ones too, since totals hold them.

    ``strata`` are the rows as they entered that release; ``shown`` the keys that were published; ``totals`` those that
    were published, ``offered`` the names of those that were to be, ``k`` the fewest gardens it was planned with.
    """

    strata: Mapping[Key, StratumRows]
    shown: frozenset[Key]
    totals: tuple[Total, ...]
    offered: frozenset[Key] = frozenset()
    k: int = FEWEST_SITES


@dataclass(frozen=True, slots=True)
class ReleasePlan:
    """``strata`` and ``totals``: choice by key and by name. ``published`` is what to remember for the next release."""

    strata: Mapping[Key, Choice]
    totals: Mapping[Key, Choice]
    published: Published


@dataclass(slots=True)
class Draft:
    """A release while it is planned: rows as they would enter it, and choices."""

    rows: dict[Key, StratumRows]
    strata: dict[Key, Choice]
    totals: dict[Key, Choice] = field(default_factory=dict)


def margins(keys: Sequence[tuple[str, ...]]) -> tuple[Total, ...]:
    """List every total of strata named by several words (region, habitat, ...): all margins and the grand total.

    Parameters: ``keys`` of one length. Returns: totals, named by the words kept and "*" for those added up; margins
    that hold one stratum only are that stratum and are left out. Raises: nothing.
    """
    found: dict[tuple[str, ...], list[tuple[str, ...]]] = {}
    width = len(keys[0]) if keys else 0
    for kept in (subset for size in range(width) for subset in combinations(range(width), size)):
        for key in keys:
            name = tuple(word if at in kept else "*" for at, word in enumerate(key))
            found.setdefault(name, []).append(key)
    return tuple(Total(name, tuple(members)) for name, members in found.items() if len(members) > 1)


def compare_versions(before: Contribution, now: Contribution) -> tuple[int, int]:
    """Count the sites that came in or changed, and those that left."""
    came = sum(1 for site, version in now.items() if site not in before or before[site] != version)
    return came, sum(1 for site in before if site not in now)


def settle_stratum(
    now: StratumRows, shown_as: StratumRows | None, summed_as: StratumRows | None, k: int
) -> tuple[Choice, StratumRows]:
    """Choose for one stratum alone, and say with which rows it enters the release.

    Parameters: ``now``; ``shown_as`` when last published, ``summed_as`` when last part of a release, None if never;
    ``k``. Returns: Choice and rows. Raises: nothing.
    """
    rows = now
    for before in (summed_as, shown_as):
        if before is not None and waits(rows, before, k):
            rows = before
    if not now.versions and not rows.versions:
        return Choice.NO_RETURNS, rows
    if len(rows.versions) < k:
        return Choice.FEW_SITES, rows
    if shown_as is not None and 0 < compare_versions(shown_as.versions, rows.versions)[1] < k:
        return Choice.FEW_LEFT, rows
    return (Choice.PUBLISHED if rows is now else Choice.AS_BEFORE), rows


def waits(now: StratumRows, before: StratumRows, k: int) -> bool:
    """Say whether a stratum stays as it was, in its rows and in totals: few came, none left."""
    came, left = compare_versions(before.versions, now.versions)
    return 0 < came < k and left == 0


def plan_release(
    strata: Sequence[StratumRows], totals: Sequence[Total], earlier: Sequence[Published] = (), k: int = FEWEST_SITES
) -> ReleasePlan:
    """Plan which strata and totals may go out.

    Parameters: ``strata``, each once; ``totals`` that one would like to publish; ``earlier`` all
    that went out before, newest last; ``k`` fewest contributing gardens, 2 or more. Returns: ReleasePlan.
    Raises: ValueError with a sentence for strata that are there twice, totals of unknown strata, or k below 2.
    References: module docstring.
    """
    check_strata(strata, totals, k)
    draft = Draft({row.key: row for row in strata}, {})
    for row in strata:
        shown_as = next((book.strata[row.key] for book in reversed(earlier) if row.key in book.shown), None)
        summed_as = next((book.strata[row.key] for book in reversed(earlier) if row.key in book.strata), None)
        draft.strata[row.key], draft.rows[row.key] = settle_stratum(row, shown_as, summed_as, k)
    for total in totals:
        draft.totals[total.name] = Choice.PUBLISHED
    offered = frozenset(draft.totals)
    if earlier and (dict(earlier[-1].strata), earlier[-1].offered, earlier[-1].k) == (draft.rows, offered, k):
        keep_withheld(draft, earlier[-1])
    while (withheld := next_to_withhold(draft, totals, earlier, k)) is not None:
        choices, key = withheld
        choices[key] = Choice.PROTECTS_OTHERS
    shown = frozenset(key for key, choice in draft.strata.items() if choice in GOES_OUT)
    left = tuple(total for total in totals if draft.totals[total.name] == Choice.PUBLISHED)
    published = Published(MappingProxyType(dict(draft.rows)), shown, left, offered, k)
    return ReleasePlan(MappingProxyType(draft.strata), MappingProxyType(draft.totals), published)


def keep_withheld(draft: Draft, last: Published) -> None:
    """Withhold what the last release withheld, where neither data nor question has changed: it is the same release."""
    for key, choice in draft.strata.items():
        if choice in GOES_OUT and key not in last.shown:
            draft.strata[key] = Choice.PROTECTS_OTHERS
    went_out = {total.name for total in last.totals}
    for name in draft.totals:
        if name not in went_out:
            draft.totals[name] = Choice.PROTECTS_OTHERS


def next_to_withhold(
    draft: Draft, totals: Sequence[Total], earlier: Sequence[Published], k: int
) -> tuple[dict[Key, Choice], Key] | None:
    """Find what has to be withheld next, as the choices it stands in and its key; None when nothing leaks.

    Among the publications of a leak those are preferred whose withholding ends it; then strata before totals; then
    those with fewest sites; then the order in which they were given. What went out earlier cannot be taken back, so
    that withholding what follows from it helps nobody: that is last.
    """
    strata = [key for key, choice in draft.strata.items() if choice in GOES_OUT]
    sums = [total for total in totals if draft.totals[total.name] == Choice.PUBLISHED]
    parts = cut_parts(draft, strata, sums, earlier)
    before = sum(len(book.shown) + len(book.totals) for book in earlier)
    leak = find_leak(parts, len(strata) + len(sums) + before, k, fresh=len(strata) + len(sums))
    if leak is None or not (strata or sums):
        return None
    own = [number for number in leak.publications if number < len(strata) + len(sums)]
    if not leak.parts:  # the search was cut off: fewer totals make it shorter
        own = list(range(len(strata), len(strata) + len(sums))) or list(range(len(strata)))
    sizes = [site_count(draft, (key,)) for key in strata] + [site_count(draft, total.members) for total in sums]
    matrix = incidence(parts, len(strata) + len(sums) + before)
    untold = linalg.null_space(matrix[len(strata) + len(sums) :]) if before else np.eye(len(parts))
    own = [number for number in own if np.abs(matrix[number] @ untold).max(initial=0.0) > ZERO] or own

    def preference(number: int) -> tuple[bool, bool, int]:
        ends = bool(leak.parts) and ends_without(leak, parts, matrix, number)
        return (not ends, number >= len(strata), sizes[number])

    chosen = min(own, key=preference)
    if chosen < len(strata):
        return draft.strata, strata[chosen]
    return draft.totals, sums[chosen - len(strata)].name


def site_count(draft: Draft, keys: Sequence[Key]) -> int:
    """Count the gardens of some strata together."""
    return len({site for key in keys for site in draft.rows[key].versions})


def cut_parts(
    draft: Draft, strata: Sequence[Key], sums: Sequence[Total], earlier: Sequence[Published]
) -> tuple[Part, ...]:
    """Cut the returns of all releases into parts that no publication splits.

    Returns of one site in one stratum in one version are never split; those that lie in the same publications are
    one part. Publications are numbered: strata, totals, then strata and totals of each earlier release.
    """
    found: dict[tuple[Key, frozenset[int]], tuple[set[str], int]] = {}
    atoms: dict[tuple[Key, str, Hashable], tuple[set[int], int]] = {}
    books: list[tuple[Sequence[Key], Sequence[Total], dict[Key, StratumRows], int]] = [(strata, sums, draft.rows, 0)]
    offset = len(strata) + len(sums)
    for book in earlier:
        shown = [key for key in book.strata if key in book.shown]
        books.append((shown, book.totals, dict(book.strata), offset))
        offset += len(shown) + len(book.totals)
    for keys, lines, rows, first in books:
        members = {key: {first + at} for at, key in enumerate(keys)}
        for at, total in enumerate(lines):
            for key in total.members:
                members.setdefault(key, set()).add(first + len(keys) + at)
        for key, row in rows.items():
            for site, version in row.versions.items():
                held = atoms.setdefault((key, site, version), (set(), row.returns[site]))
                held[0].update(members.get(key, set()))
    for (key, site, _version), (numbers, returns) in atoms.items():
        sites, so_far = found.get((key, frozenset(numbers)), (set(), 0))
        found[(key, frozenset(numbers))] = ({*sites, site}, so_far + returns)
    return tuple(Part(frozenset(sites), returns, numbers) for (_, numbers), (sites, returns) in found.items())


def check_strata(strata: Sequence[StratumRows], totals: Sequence[Total], k: int) -> None:
    """Refuse strata that are there twice, totals of unknown strata, sites without a number of returns, k below 2."""
    keys = [row.key for row in strata]
    faults = []
    if k < 2:  # one garden is never enough
        faults.append(f"Fewest gardens of a published stratum: found {k}, expected 2 or more.")
    if len(set(keys)) < len(keys):
        faults.append("A stratum is there twice; expected each once.")
    faults += [
        f"Total {total.name}: it adds up a stratum that is not there; expected only known ones."
        for total in totals
        if not set(total.members) <= set(keys)
    ]
    faults += [
        f"Stratum {row.key}: found {len(row.versions)} sites with a version and {len(row.returns)} with a number of "
        "returns, expected the same sites in both, each with a return or more."
        for row in strata
        if set(row.versions) != set(row.returns) or any(number < 1 for number in row.returns.values())
    ]
    if faults:
        raise ValueError(" ".join(faults))
