"""Which site-nights and which groups may be compared: only what everybody was asked about and answered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from surveys.methods.groups_seen_records import (
    NOT_KNOWN,
    NOT_SEEN,
    SEEN,
    Bools,
    GroupsSeenSettings,
    Ints,
    SiteNights,
)
from surveys.methods.level_sample import shuffle


def presence(low: int | None, high: int | None) -> int:
    """Read one answer, which bounds a count, as SEEN, NOT_SEEN or NOT_KNOWN.

    Parameters: ``low`` and ``high`` of an Answer; both None when not answered, ``high`` None also for the open class.
    Returns: NOT_KNOWN also for a class that reaches from none to some. Raises: nothing.
    """
    if low is None:
        return NOT_KNOWN
    if low > 0:
        return SEEN
    return NOT_SEEN if high == 0 else NOT_KNOWN


def pool_traps(night: Ints, answers: Ints) -> Ints:
    """Read the traps of each site-night as one unit: seen if any trap held the group.

    Not seen only where every trap was looked through for it; else not known.
    Parameters: ``night`` (n,) numbers the site-nights 0 ... m-1; ``answers`` (n, G) as in SiteNights.
    Returns: answers (m, G) in the order of the numbers. Raises: nothing. References: own construction;
    METHODS.md, section groups seen.
    """
    pooled = np.full((int(night.max(initial=-1)) + 1, answers.shape[1]), NOT_SEEN, dtype=np.int64)
    for word in (NOT_KNOWN, SEEN):  # the later word wins: one trap that held the group settles the night
        row, group = np.nonzero(answers == word)
        pooled[night[row], group] = word
    return pooled


def check_site_nights(record: SiteNights) -> None:
    """Refuse arrays that do not belong together. Raises: ValueError with what was found and expected."""
    units, groups = record.site.size, len(record.groups)
    if record.answers.shape != (units, groups) or record.region.shape != (units,):
        raise ValueError(
            f"Answers of shape {record.answers.shape} and {record.region.size} regions came for {units} site-nights "
            f"and {groups} groups. Expected ({units}, {groups}) and {units}. Give one row per site-night."
        )
    if units and not (record.region.min() >= 0 and record.region.max() < len(record.regions)):
        raise ValueError(
            f"Region numbers run from {record.region.min()} to {record.region.max()}, but there are "
            f"{len(record.regions)} regions. Number them from 0."
        )
    if not np.isin(record.answers, (SEEN, NOT_SEEN, NOT_KNOWN)).all():
        raise ValueError(
            f"Answers {np.setdiff1d(record.answers, (SEEN, NOT_SEEN, NOT_KNOWN)).tolist()} came. Expected 1 (seen), "
            "0 (looked for, not seen) or -1 (not known)."
        )


def passes_gate(site: Ints, settings: GroupsSeenSettings) -> bool:
    """Ask whether these site-nights (their ``site`` numbers, (n,)) are enough to show a region."""
    return site.size >= settings.gate_site_nights and np.unique(site).size >= settings.gate_sites


def compared_groups(record: SiteNights, settings: GroupsSeenSettings) -> Bools:
    """Choose the groups that are compared: those usually answered in every region that could be shown.

    A group stays when at least ``answered_share`` of the site-nights of each such region answered it. Only answering
    decides, never what was found, so the choice leans towards no group for being common.
    Parameters: ``record``, ``settings``. Returns: flags (G,). Raises: nothing.
    References: own construction; METHODS.md, section groups seen.
    """
    kept = np.ones(len(record.groups), dtype=bool)
    for number in range(len(record.regions)):
        here = record.region == number
        if passes_gate(record.site[here], settings):
            kept &= (record.answers[here] != NOT_KNOWN).mean(axis=0) >= settings.answered_share
    return kept


def complete_nights(record: SiteNights, kept: Bools) -> Bools:
    """Say which site-nights answered every compared group: (n,). The others are counted and not used.

    "Did not look" and "could not tell" are no zeros: a night that did not answer a group would make that group
    look rarer, so it cannot be a unit of a list that holds the group.
    References: equal sampling units are the assumption of Colwell et al. 2012, J. Plant Ecol. 5: 3-21.
    """
    return np.asarray((record.answers[:, kept] != NOT_KNOWN).all(axis=1))


def sample_gardens(record: SiteNights, settings: GroupsSeenSettings) -> tuple[SiteNights, Bools]:
    """Keep, of each very large region, a fixed sample of gardens, so that a night can be done with it.

    Gardens come in a fixed shuffle of their numbers until ``most_site_nights`` is reached; the list is full long
    before. Parameters: ``record``, ``settings``. Returns: the record, and which regions were sampled (R,).
    Raises: nothing. References: own construction; METHODS.md, section 8.
    """
    kept = np.ones(record.site.size, dtype=bool)
    sampled = np.zeros(len(record.regions), dtype=bool)
    for number in range(len(record.regions)):
        here = np.flatnonzero(record.region == number)
        if here.size <= settings.most_site_nights:
            continue
        sites, member, nights = np.unique(record.site[here], return_inverse=True, return_counts=True)
        order = np.argsort(shuffle(sites), kind="stable")
        chosen = np.zeros(sites.size, dtype=bool)
        chosen[order] = np.cumsum(nights[order]) <= settings.most_site_nights
        chosen[order[: settings.gate_sites]] = True
        kept[here] = chosen[member]
        sampled[number] = True
    if not sampled.any():
        return record, sampled
    part = {name: getattr(record, name)[kept] for name in ("region", "site", "answers")}
    return replace(record, **part), sampled
