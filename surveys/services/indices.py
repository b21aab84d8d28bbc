"""Computing a season's indices and showing them: whole, or not at all."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import asdict
from datetime import date
from functools import lru_cache
from pathlib import Path
from time import perf_counter
from typing import Any

from django.conf import settings
from django.db import transaction
from django.utils import timezone

import surveys.methods
from surveys.methods import METHOD_VERSION
from surveys.methods.level_records import LevelSettings
from surveys.methods.season_index import RIM_EXPONENTS, LevelFigure
from surveys.models import ChangeValue, GroupsSeenValue, IndexValue, Job, Run, Season
from surveys.queries.night import NightInput, night_input
from surveys.queries.seasons import SeasonLists
from surveys.services.changes import compute_changes, kept_changes
from surveys.services.events import write_event
from surveys.services.groups_seen import compute_groups_seen, kept_groups_seen
from surveys.services.held_parts import Held, list_codes, parts_to_hold
from surveys.services.jobs import hold_job
from surveys.services.part_doers import DoParts, here
from surveys.vocabulary import PartKind, RunState


def compute_indices(
    *,
    job: Job,
    season: Season,
    night: date,
    parameters: dict[str, Any],
    progress: Callable[[int, int], None],
    doers: Callable[[NightInput], DoParts] = here,
) -> Run:
    """Compute every index, change and groups seen of a season and show them in place of the last, in one transaction.

    ``progress(done, total)`` is called after each group; it may raise to stop. ``doers`` names who does the parts
    once the input is read. Raises :class:`surveys.services.jobs.LostLease` when another worker has taken the job over.
    """
    began, started = timezone.now(), perf_counter()
    given = night_input(season)
    read = perf_counter()
    chosen = LevelSettings(guard_seed=seed_of(season, night))
    held = parts_to_hold(season=season, night=night, code_version=running_code(), given=given)
    learned = (held.night or night).isoformat()
    do, in_indices = doers(given), len(given.frame)
    given = given.without_frames()
    values, components, shared = _estimate_all(given.lists, chosen, held, progress, do)
    total = len(given.lists.groups)
    if held.run is None:

        def still_ours() -> None:
            progress(total, total)

        changes = compute_changes(given=given, shared=shared, level=chosen, still_ours=still_ours, do=do)
        seen = compute_groups_seen(given=given, seed=chosen.guard_seed, still_ours=still_ours, do=do)
    else:
        changes, seen = kept_changes(held.run), kept_groups_seen(held.run)
    progress(total, total)
    computed = perf_counter()
    return _show(
        job=job,
        run=Run(
            season=season,
            job=job,
            fence=job.fence,
            night=night,
            started_at=began,
            method_version=METHOD_VERSION,
            protocol_version=season.protocol.version,
            code_version=running_code(),
            seed=chosen.guard_seed,
            parameters={
                **parameters,
                "level": asdict(chosen),
                "components": components,
                "change": changes.described,
                "groups_seen": seen.described,
                "shared_parts_from_night": learned,
            },
            shared={"lists": list_codes(given.lists), "night": learned, "parts": shared},
            snapshot_event=given.snapshot.event,
            snapshot_hash=given.snapshot.digest,
            counts={"returns": given.snapshot.returns, "in_indices": in_indices, **given.counted},
            timings={"read_s": round(read - started, 3), "compute_s": round(computed - read, 3)},
        ),
        values=values,
        changes=changes.values,
        seen=seen.values,
    )


def seed_of(season: Season, night: date) -> int:
    """Return the seed of a night: fixed by season and date, so that a repeat gives the same run."""
    return int.from_bytes(hashlib.sha256(f"{season.code}/{night}".encode()).digest()[:4], "big")


def running_code() -> str:
    """Return the version of the running code: the one it was built with, else a hash over its methods."""
    return settings.CODE_VERSION or code_version()


@lru_cache(maxsize=1)
def code_version() -> str:
    """Return a hash over the source of the methods: which code made a figure."""
    digest = hashlib.sha256()
    for file in sorted(Path(surveys.methods.__path__[0]).glob("*.py")):
        digest.update(file.name.encode() + file.read_bytes())
    return digest.hexdigest()


def _estimate_all(
    lists: SeasonLists, chosen: LevelSettings, held: Held, progress: Callable[[int, int], None], do: DoParts
) -> tuple[list[IndexValue], dict[str, Any], dict[str, Any]]:
    """Estimate every group under both rim exponents; the result does not depend on who does how many at a time."""
    values: list[IndexValue] = []
    components: dict[str, Any] = {}
    shared: dict[str, Any] = {}
    level = asdict(chosen)
    given: list[dict[str, Any]] = [
        {
            "group": group.code,
            "exponent": exponent,
            "level": level,
            "held": held.parts.get(group.code, {}).get(str(exponent)),
            "holds": bool(held.parts),
        }
        for group in lists.groups
        for exponent in RIM_EXPONENTS
    ]
    total = len(lists.groups)
    found = do(PartKind.LEVEL, given, lambda: progress(len(components), total))
    for part, result in zip(given, found, strict=True):
        group, exponent = part["group"], part["exponent"]
        values.extend(_value(lists, LevelFigure(**figure)) for figure in result["figures"])
        shared.setdefault(group, {})[str(exponent)] = result["shared"]
        if exponent == 1:
            components[group] = result["components"]
        if len(shared[group]) == len(RIM_EXPONENTS):
            progress(len(shared), total)
    return values, components, shared


def _value(lists: SeasonLists, figure: LevelFigure) -> IndexValue:
    return IndexValue(
        region=lists.regions[figure.region],
        window=lists.windows[figure.window],
        group=lists.groups[figure.group],
        rim_exponent=figure.rim_exponent,
        label=figure.label,
        estimate=figure.estimate,
        low=figure.low,
        high=figure.high,
        sites=figure.sites,
        site_nights=figure.site_nights,
        returns=figure.returns,
        trap_nights=figure.trap_nights,
        more_sites_needed=figure.more_sites_needed,
    )


def _show(
    *, job: Job, run: Run, values: list[IndexValue], changes: list[ChangeValue], seen: list[GroupsSeenValue]
) -> Run:
    with transaction.atomic(durable=True):
        hold_job(job=job)
        Run.objects.filter(season=run.season, state=RunState.PUBLISHED).update(state=RunState.SUPERSEDED)
        run.state = RunState.PUBLISHED
        run.published_at = timezone.now()
        run.save()
        for rows in (values, changes, seen):
            for value in rows:
                value.run = run
        IndexValue.objects.bulk_create(values, batch_size=2000)
        ChangeValue.objects.bulk_create(changes, batch_size=2000)
        GroupsSeenValue.objects.bulk_create(seen)
        counts = {"values": len(values), "changes": len(changes), "regions": len(seen)}
        details = {**counts, "snapshot_event": run.snapshot_event, "snapshot_hash": run.snapshot_hash}
        write_event(by=None, verb="indices published", subject=run, details=details)
    return run
