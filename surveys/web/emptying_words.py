"""Kind words on the way of emptying a trap: too early, in the dark, or nothing to count."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.utils.translation import gettext

from surveys.queries.openings import is_dark
from surveys.vocabulary import YesNo
from surveys.web.asked import Asked, was_lost
from surveys.web.moments import frame_of, read_moment
from surveys.web.steps import Way, date_and_time, trap_words

#: A shorter opening says little about a night.  # protocol version 1, exposure
SHORTEST = timedelta(hours=16)


def about_setting(way: Way) -> str:
    """Return which trap it is and since when it is open; nothing where we were not told."""
    if way.opening is None:
        return ""
    at = date_and_time(way.opening.set_at.astimezone(way.zone))
    return gettext("%(trap)s, open since %(at)s") % {"trap": trap_words(way.opening.trap), "at": at}


def words_before(way: Way, question: Asked) -> list[str]:
    """Return what is worth a kind word before a question: too early, dark, or nothing to count."""
    if question.name == "emptied" and not way.has_answer(question):
        return early_words(way, way.now)
    names = [one.name for one in way.questions]
    later = names.index(question.name) > names.index("trap_state")
    return [lost_words()] if later and was_lost(way.answers) else []


def words_at_the_end(way: Way) -> list[str]:
    """Return what is worth a kind word before everything is sent."""
    emptied = read_moment(way.answers, "emptied", "", frame_of(way.lists), {})
    found = early_words(way, emptied) if emptied else []
    if was_lost(way.answers):
        found.append(lost_words())
    if way.answers.get("vertebrate_seen") == YesNo.YES:
        found.append(gettext("There was an animal with a backbone. A coordinator looks at this return first."))
    return found


def early_words(way: Way, emptied_at: datetime) -> list[str]:
    """Return kind words for a trap that is emptied early or in the dark; it is taken all the same."""
    set_at = way.opening.set_at if way.opening else read_moment(way.answers, "set", "", frame_of(way.lists), {})
    found = []
    if set_at is not None and timedelta(0) < emptied_at - set_at < SHORTEST:
        found.append(
            gettext(
                "The trap was open for less than 16 hours. One day and one night says more. "
                "You can empty it now all the same."
            )
        )
    if way.opening is not None and is_dark(way.opening, emptied_at):
        found.append(
            gettext("It was dark then. By day you see the small ones too. Your count is welcome all the same.")
        )
    return found


def lost_words() -> str:
    """Say why a lost trap is not counted."""
    return gettext(
        "This trap was lost or flooded. So you do not count: a lost trap is not a zero. "
        "Send it all the same. It shows where traps get lost."
    )
