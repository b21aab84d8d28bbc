"""Gardens that take part in several seasons: sent through the API, let stand, and computed by the night."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from datetime import date
from typing import Any

from surveys.models import Return, Run, Season, Trap
from surveys.services.jobs import ask_for_job
from surveys.services.night import run_night
from surveys.vocabulary import JobKind
from tests.factories import ApiClient, make_household, make_season, make_site, make_trap, return_payload

_nights = itertools.count(1)

#: Woodlice a night in each of twelve gardens, invented: 45 together.
WOODLICE = (1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 3)


def make_gardens(count: int, *, region: str = "eastmark") -> list[Trap]:
    """Add gardens with a trap each, all of one household, so that they can be sent for in one go."""
    household = make_household()
    return [make_trap(site=make_site(household=household, region=region)) for _ in range(count)]


def catch_of(**counts: int | None) -> list[dict[str, Any]]:
    """Return answers: a number for each group named, "did not look" for None, "none seen" for the rest."""
    answers = []
    for group in ("woodlice", "millipedes", "centipedes", "spiders", "ground_beetles", "springtails"):
        count = counts.get(group, 0)
        if count is None:
            answers.append({"group": group, "answer": "did_not_look"})
        elif count == 0:
            answers.append({"group": group, "answer": "none_seen"})
        else:
            answers.append({"group": group, "answer": "number", "count": count})
    return answers


def send_year(
    traps: Sequence[Trap],
    year: int,
    catches: Callable[[int], list[dict[str, Any]]],
    *,
    days: Sequence[int] = (2, 12),
    **changes: Any,
) -> None:
    """Send a return for each trap and day of May of a year, trap ``n`` with ``catches(n)``, and let all stand."""
    payloads = [
        return_payload(
            trap,
            set_at=f"{year}-05-{day:02}T17:00:00+00:00",
            emptied_at=f"{year}-05-{day + 1:02}T17:00:00+00:00",
            catch=catches(number),
            **changes,
        )
        for day in days
        for number, trap in enumerate(traps)
    ]
    answer = ApiClient(traps[0].site.household.keeper).send("returns/batch", {"returns": payloads})
    assert answer.status_code in (200, 201, 207), answer.content[:500]
    # As a coordinator would, so that screening leaves them alone.
    assert Return.objects.filter(uuid__in=[one["id"] for one in payloads]).update(state="upheld") == len(payloads)


def ask_once(season: Season) -> int:
    """Ask for the night of 1 June of a season under a job of its own. Returns the job's number."""
    night = date(season.opens_on.year, 6, 1)
    parameters = {"season": season.code, "night": night.isoformat()}
    job, _ = ask_for_job(kind=JobKind.NIGHT, key=f"several seasons {next(_nights)}", parameters=parameters)
    return job.pk


def run_once(season: Season) -> Run:
    """Run that night."""
    run = run_night(job_id=ask_once(season))
    assert run is not None
    return run


def make_doubling() -> Season:
    """Twelve gardens of Eastmark catch twice the woodlice in 2026 that they caught in 2025. Return 2026, computed."""
    make_season(year=2025)
    season = make_season()
    traps = make_gardens(len(WOODLICE))
    send_year(traps, 2025, lambda n: catch_of(woodlice=WOODLICE[n], spiders=1))
    send_year(traps, 2026, lambda n: catch_of(woodlice=2 * WOODLICE[n], spiders=1))
    run_once(season)
    return season
