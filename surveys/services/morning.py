"""The letter of the morning: to each coordinator for whom something waits, once a day, in numbers only.

Each morning is decided once for each of them. Where nothing waits at that time, the letter is written down as dropped,
so that nothing is sent later in the day.
"""

from __future__ import annotations

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db import transaction

from surveys.models import Account, Letter, Season
from surveys.queries.jobs import nights_done
from surveys.queries.morning import MORNING_KEY, morning_of, readers_of_the_morning
from surveys.queries.seasons import current_season
from surveys.services.events import write_event
from surveys.services.letters import write_letter
from surveys.services.night import latest_night, night_key
from surveys.vocabulary import LetterKind

#: When the letter goes, where the season is. A service that was away writes it until noon, and not at all after.
FROM, UNTIL = time(6, 30), time(12, 0)
#: What counts as new: whatever came since the letter of the day before.
SINCE = timedelta(days=1)
NOTHING_WAITS = "nothing waited"


def write_morning_letters(*, now: datetime) -> int:
    """Decide this morning's letters, each in a transaction of its own; return how many are to go out.

    Doing it again on the same day, or twice at the same time, writes nothing more.
    """
    season = current_season()
    if season is None:
        return 0
    here = now.astimezone(ZoneInfo(season.time_zone))
    if not FROM <= here.time() < UNTIL:
        return 0
    day = here.date().isoformat()
    night = _night_done(season, now)
    return sum(_decide(account=account, day=day, night_done=night, now=now) for account in readers_of_the_morning(day))


def _decide(*, account: Account, day: str, night_done: bool, now: datetime) -> bool:
    """Write a coordinator's letter down, to be sent or as dropped; say whether it is to go out."""
    key = f"{MORNING_KEY}{account.pk}:{day}"
    with transaction.atomic(durable=True):
        locked = Account.objects.select_for_update(no_key=True).filter(pk=account.pk).first()
        if locked is None or Letter.objects.filter(key=key).exists():
            return False
        morning = morning_of(locked, since=now - SINCE, now=now)
        context = {**morning.as_mapping(), "night_done": night_done, "path": "/queue/"}
        letter = write_letter(account=locked, kind=LetterKind.MORNING, key=key, due_at=now, context=context)
        if not morning.something_waits:
            letter.dropped_at, letter.problem = now, NOTHING_WAITS
            letter.save(update_fields=["dropped_at", "problem"])
        write_event(by=None, verb="morning decided", subject=letter, details={"waiting": morning.waiting})
    return morning.something_waits


def _night_done(season: Season, now: datetime) -> bool:
    """Say whether the latest night that was due is computed."""
    return night_key(season, latest_night(now)) in nights_done(f"{season.code}/")
