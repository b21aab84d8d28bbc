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
from surveys.methods.level_records import LevelResult, LevelSettings
from surveys.methods.season_frame import LevelRows
from surveys.methods.season_index import (
    LevelFigure,
    describe_components,
    estimate_group,
    layouts_of_all,
    level_figures,
)
from surveys.methods.side_by_side import results_in_order
from surveys.models import ChangeValue, GroupsSeenValue, IndexValue, Job, Run, Season
from surveys.queries.night import NightInput, night_input
from surveys.queries.seasons import SeasonLists
from surveys.services.changes import compute_changes, kept_changes
from surveys.services.events import write_event
from surveys.services.groups_seen import compute_groups_seen, kept_groups_seen
from surveys.services.held_parts import Held, list_codes, parts_to_hold, read_shared, write_shared
from surveys.services.jobs import hold_job
from surveys.vocabulary import RunState


def compute_indices(
    *, job: Job, season: Season, night: date, parameters: dict[str, Any], progress: Callable[[int, int], None]
) -> Run:
    """Compute every index, change and groups seen of a season and show them in place of the last, in one transaction.

    ``progress(done, total)`` is called after each group; it may raise to stop. Raises
    :class:`surveys.services.jobs.LostLease` when another worker has taken the job over.
    """
    began, started = timezone.now(), perf_counter()
    given = night_input(season)
    read = perf_counter()
    chosen = LevelSettings(guard_seed=seed_of(season, night))
    held = parts_to_hold(season=season, night=night, code_version=running_code(), given=given)
    learned = (held.night or night).isoformat()
    values, components, shared = _estimate_all(given, chosen, held, progress)
    total = len(given.lists.groups)
    if held.run is None:
        changes = compute_changes(given=given, shared=shared, level=chosen, still_ours=lambda: progress(total, total))
        seen = compute_groups_seen(given=given, seed=chosen.guard_seed)
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
            counts={"returns": given.snapshot.returns, "in_indices": len(given.frame), **given.counted},
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
    given: NightInput, chosen: LevelSettings, held: Held, progress: Callable[[int, int], None]
) -> tuple[list[IndexValue], dict[str, Any], dict[str, Any]]:
    """Estimate every group under both rim exponents, several at a time; the result does not depend on how many."""
    lists = given.lists.by_code
    rows = LevelRows(given.frame, lists)
    values: list[IndexValue] = []
    components: dict[str, Any] = {}
    shared: dict[str, Any] = {}

    # Beside held parts a layout is most of the work that is left, and most groups are answered by every return.
    layouts = layouts_of_all(rows) if held.parts else {}

    def estimate(position: int) -> dict[int, LevelResult]:
        of_group = held.parts.get(lists.groups[position], {})
        parts = {int(exponent): read_shared(plain) for exponent, plain in of_group.items()}
        return estimate_group(rows, position, chosen, held=parts, layouts=layouts)

    total = len(lists.groups)
    estimated = results_in_order(estimate, range(total), lambda: progress(len(shared), total))
    for position, (group, results) in enumerate(zip(lists.groups, estimated, strict=True)):
        for exponent, result in results.items():
            values.extend(_value(given.lists, one) for one in level_figures(result, lists, position, exponent))
        components[group] = describe_components(results[1])
        shared[group] = {str(exponent): write_shared(result.shared) for exponent, result in results.items()}
        progress(position + 1, total)
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
