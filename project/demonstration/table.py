"""Prints what was done: what waited and why, and each index with its interval beside the truth."""

from __future__ import annotations

from collections.abc import Iterator

from project.demonstration.world import Merrow
from surveys.methods.simulation import true_rate
from surveys.models import IndexValue
from surveys.queries.indices import index_values, published_run
from surveys.queries.review import reasons_in_queue, states_of_season
from surveys.queries.seasons import lists_of
from surveys.vocabulary import IndexLabel, QueryReason, ReturnState


def lines_of(merrow: Merrow, *, window: str) -> Iterator[str]:
    """Yield the whole report, line by line."""
    yield from _states(merrow)
    yield from _reasons(merrow)
    yield from _provenance(merrow)
    yield from _indices(merrow, window)


def _states(merrow: Merrow) -> Iterator[str]:
    yield ""
    yield "Returns by state"
    for state, number in states_of_season(merrow.season).items():
        yield f"  {ReturnState(state).label:<12}{number:>7,}"


def _reasons(merrow: Merrow) -> Iterator[str]:
    slips = {str(one.uuid): one.slip for one in merrow.simulated.returns}
    reasons = reasons_in_queue(merrow.season)
    yield ""
    yield f"Held for a coordinator: {sum(row.returns for row in reasons):,}, for these first reasons"
    for row in reasons:
        yield f"  {row.returns:>5}  {QueryReason(row.reason).label}"
    yield f"  (the simulator put a slip into {sum(slip is not None for slip in slips.values()):,} returns)"


def _provenance(merrow: Merrow) -> Iterator[str]:
    run = published_run(merrow.season)
    yield ""
    if run is None:
        yield "No run is shown."
        return
    yield f"Run of the night {run.night}: method {run.method_version}, protocol {run.protocol_version}, seed {run.seed}"
    yield f"  input: events up to {run.snapshot_event}, {run.counts['returns']:,} usable returns"
    yield f"  sha256 of the input: {run.snapshot_hash}"


def _indices(merrow: Merrow, window: str) -> Iterator[str]:
    lists = lists_of(merrow.season)
    truth = true_rate(merrow.world)
    values = {(one.region.code, one.window.code, one.group.code): one for one in index_values(merrow.season)}
    place = next(n for n, one in enumerate(lists.windows) if one.code == window)
    yield ""
    yield f"Activity index, {lists.windows[place].name}: animals per trap-night, 95 % interval, and =the truth"
    yield f"{'':<18}" + "".join(f"{region.name:^24}" for region in lists.regions)
    for g, group in enumerate(lists.groups):
        cells = [
            _cell(values.get((region.code, window, group.code)), float(truth[r, place, g]))
            for r, region in enumerate(lists.regions)
        ]
        yield f"{group.name[:17]:<18}" + "".join(f"{cell:^24}" for cell in cells)
    shown, held = 0, 0
    for r, region in enumerate(lists.regions):
        for w, period in enumerate(lists.windows):
            for g, group in enumerate(lists.groups):
                value = values.get((region.code, period.code, group.code))
                if value is None or value.label == IndexLabel.TOO_FEW or value.low is None or value.high is None:
                    continue
                shown += 1
                held += value.low <= float(truth[r, w, g]) <= value.high
    yield ""
    if shown:
        yield f"Of {shown} intervals in all windows, {held} hold the truth ({held / shown:.1%}; 95 % were meant to)."
    yield "Activity-density: mean over gardens; the gardens are those of volunteers, who choose themselves."


def _cell(value: IndexValue | None, truth: float) -> str:
    if value is None or value.estimate is None:
        more = value.more_sites_needed if value else 0
        if not more:
            return "too few animals"
        return "1 more garden" if more == 1 else f"{more} more gardens"
    return f"{value.estimate:.2f} ({value.low:.2f}-{value.high:.2f}) ={truth:.2f}"
