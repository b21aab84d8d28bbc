"""News for the households of a region: written by its coordinators, taken down when it is out of date, never edited."""

from __future__ import annotations

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from surveys.errors import Fault, Faulty, NotAllowed, NotFound
from surveys.models import Account, News, Region
from surveys.permissions import regions_of
from surveys.queries.news import cares_for_all
from surveys.services.events import write_event
from surveys.services.plain_text import plain_text

#: Letters of a title and of a text, as the table holds them.
MOST_TITLE_LETTERS, MOST_TEXT_LETTERS = 120, 4000


def write_news(*, by: Account, region: str | None, title: str, text: str) -> News:
    """Write news for one of one's own regions, or for all regions where one cares for all of them.

    The same news written again on the same day changes nothing. Raises :class:`Faulty` with every fault.
    """
    title, text = " ".join(plain_text(title).split()), plain_text(text)
    faults = [*_faults("title", title, MOST_TITLE_LETTERS), *_faults("text", text, MOST_TEXT_LETTERS)]
    if region is not None and not Region.objects.filter(code=region).exists():
        faults.append(Fault("/region", "unknown_region", gettext("Choose one of your regions.")))
    if faults:
        raise Faulty(gettext("The news is not ready yet."), faults=tuple(faults))
    with transaction.atomic(durable=True):
        place = _place(by, region)
        now = timezone.now()
        same = News.objects.filter(region=place, by=by, title=title, text=text, taken_down_at__isnull=True)
        if (before := same.filter(written_at__date=now.date()).first()) is not None:
            return before
        news = News.objects.create(region=place, by=by, title=title, text=text, written_at=now)
        write_event(by=by, verb="news written", subject=news, details={"region": place.code if place else ""})
    return news


def take_news_down(*, by: Account, news: int) -> News:
    """Take news of one's own region down; doing it twice changes nothing."""
    with transaction.atomic(durable=True):
        found = (
            News.objects.select_for_update(no_key=True, of=("self",)).select_related("region").filter(pk=news).first()
        )
        if found is None:
            raise NotFound("There is no news with this number.")
        _place(by, found.region.code if found.region else None)
        if found.taken_down_at is None:
            found.taken_down_at = timezone.now()
            found.save(update_fields=["taken_down_at"])
            write_event(by=by, verb="news taken down", subject=found, details={})
    return found


def _place(by: Account, region: str | None) -> Region | None:
    """Return the region that somebody may write for; None stands for all of them."""
    if region is None:
        if not cares_for_all(by):
            raise NotAllowed("News for all regions is written by somebody who cares for all of them.")
        return None
    place = regions_of(by).filter(code=region).first()
    if place is None:
        raise NotAllowed("You can write news for your own regions only.")
    return place


def _faults(field: str, text: str, most: int) -> list[Fault]:
    if not text:
        sentence = gettext("Write a title.") if field == "title" else gettext("Write a few lines.")
        return [Fault(f"/{field}", "empty", sentence)]
    if len(text) > most:
        sentence = gettext("This has %(letters)s letters. Keep it to %(most)s.") % {"letters": len(text), "most": most}
        return [Fault(f"/{field}", "too_long", sentence)]
    return []
