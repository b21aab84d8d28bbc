"""Two parishes with their coordinators, and what can happen in them: worlds for the pages of the desk."""

from __future__ import annotations

import itertools
import re
from datetime import date, timedelta
from typing import Any

from django.test import Client
from django.utils import timezone

from surveys.models import Account, Opening, Return, Run, Season
from surveys.services.night import ask_for_night, run_night
from surveys.services.review import give_verdict
from surveys.services.screening import screen_received
from surveys.vocabulary import Decision, VerdictReason
from tests.factories import make_household, make_site, make_trap, send_return

_NUMBERS = itertools.count()


def sent(region: str, *, sites: int = 1, nights: int = 1, **changes: Any) -> list[Return]:
    """Send one return for each of some sites of a region and each of some nights, and have them screened.

    No two have the same counts, as copies wait for a person.
    """
    reports = []
    for _site in range(sites):
        trap = make_trap(site=make_site(household=make_household(), region=region))
        for number in range(nights):
            opened = date(2026, 5, 2) + timedelta(days=2 * number)
            times = {
                "set_at": f"{opened}T17:00:00+00:00",
                "emptied_at": f"{opened + timedelta(days=1)}T17:00:00+00:00",
            }
            reports.append(send_return(trap, **{**times, "catch": _catch(next(_NUMBERS)), **changes}))
    while screen_received(most=200):
        pass
    for report in reports:
        report.refresh_from_db()
    return reports


def _catch(number: int) -> list[dict[str, Any]]:
    """Return ordinary counts of the six groups, others for each number up to 360."""
    counts = (1 + number % 5, number % 2, number // 2 % 2, 1 + number % 3, 1 + number // 3 % 4, 2 + number % 8)
    groups = ("woodlice", "millipedes", "centipedes", "spiders", "ground_beetles", "springtails")
    return [
        {"group": group, "answer": "number", "count": count} if count else {"group": group, "answer": "none_seen"}
        for group, count in zip(groups, counts, strict=True)
    ]


def night_of(season: Season, night: date) -> Run:
    """Run one night of a season through the job table."""
    run = run_night(job_id=ask_for_night(season=season, night=night)[0].pk)
    assert run is not None
    return run


def decide(by: Account, report: Return, decision: Decision, **given: Any) -> None:
    """Give a verdict on a return as it stands now."""
    report.refresh_from_db()
    give_verdict(
        by=by, uuid=report.uuid, version=report.version, decision=decision, reason=VerdictReason.NOT_EXPLAINED, **given
    )


def left_open(region: str, hours: float) -> Opening:
    """Return a trap that was set some hours ago and not emptied since."""
    trap = make_trap(site=make_site(household=make_household(), region=region))
    set_at = timezone.now() - timedelta(hours=hours)
    return Opening.objects.create(
        uuid=trap.public_id, trap=trap, by=trap.site.household.keeper, fingerprint="x" * 64, set_at=set_at
    )


def words_of_page(client: Client, address: str) -> str:
    """Return the text of a page without its marks and its tokens, as one line."""
    answer = client.get(address)
    assert answer.status_code == 200, (address, answer.status_code)
    text = re.sub(r"<[^>]+>", " ", answer.content.decode().split("<main")[1])
    return " ".join(text.split())


def bytes_of_page(client: Client, address: str) -> str:
    """Return a page without the tokens that differ from one asking to the next."""
    answer = client.get(address)
    assert answer.status_code == 200, (address, answer.status_code)
    return re.sub(r'name="csrfmiddlewaretoken" value="[^"]+"', "", answer.content.decode())
