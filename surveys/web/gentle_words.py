"""Why a return waits, told to its family: what was seen, and where to look again, in the language of the page.

The sentence that is stored with a query is English. Here the same is said anew from the reason and the evidence beside
it (:mod:`surveys.web.gentle_numbers`), so that it can be translated. Where the evidence is not as screening writes it
now, or was erased, the family reads what the reason means, without numbers.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Any, NamedTuple, Protocol

from django.utils.translation import gettext_lazy as _

from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import Outcome, QueryKind, QueryReason
from surveys.web.gentle_numbers import TELLING, Evidence
from surveys.web.kind_words import kind_words


class Reason(Protocol):
    """A query, as far as its words hang on it."""

    @property
    def kind(self) -> str: ...
    @property
    def reason(self) -> str: ...
    @property
    def evidence(self) -> Evidence: ...


class Held(NamedTuple):
    """What the protocol check found where it holds a return: as :func:`kind_words` takes it."""

    check_id: str
    outcome: str


#: What each reason means, without numbers.
PLAIN: dict[str, Any] = {
    QueryReason.SAFETY: _("Something in it may not be safe. A person looks at it first."),
    QueryReason.WELFARE: _(
        "A bigger animal may have been in the cup. A person looks at it first, so that we can help."
    ),
    QueryReason.PROTOCOL_HOLD: _("A person reads one of your answers about the trap before it counts."),
    QueryReason.DATE_OFF_BY_DAYS: _(
        "The dates do not read like one day and one night of this season. Look at both dates again, and at the year. "
        "On which day did you set the cup? On which day did you empty it?"
    ),
    QueryReason.TWELVE_HOURS_OFF: _(
        "One of your times looks like a morning that was an evening, or the other way round. Look again: was it "
        "morning or evening when you set the cup? And when you emptied it?"
    ),
    QueryReason.DAY_MONTH_SWAPPED: _("Your dates do not fit this season. Look at the day and the month again."),
    QueryReason.IN_THE_FUTURE: _("The time when you emptied the cup is still to come. Look at day and time again."),
    QueryReason.PLACE_SIGNS: _(
        "The two numbers of your place may be the wrong way round, or a minus is missing. "
        "Look at the point on the map again."
    ),
    QueryReason.PLACE_MINUTES: _(
        "The two numbers of your place may be degrees and minutes, or a comma slipped. "
        "Look at the point on the map again."
    ),
    QueryReason.PLACE_OUTSIDE: _("The place of this trap is outside its region. Look at the point on the map again."),
    QueryReason.SENT_TWICE: _(
        "It looks as if this night of this trap was sent before. Nothing is lost. Tell us which one to keep. "
        "If two of you counted, tell us that too."
    ),
    QueryReason.SAME_AS_SIBLING: _(
        "Your counts are the same as those of another trap of that night. Look again: is it the right sheet?"
    ),
    QueryReason.COPIED_FROM_EARLIER: _(
        "Your counts are the same as those of an earlier night. Look again: is it the right sheet?"
    ),
    QueryReason.SAME_ELSEWHERE: _(
        "Your counts are the same as those of another household. Look again: is it the right sheet? "
        "If two of you counted the same cup, tell us. Both counts help."
    ),
    QueryReason.TRAPS_POOLED: _(
        "You sent far more animals than one trap catches. Did you add up several traps? Tell us how many. "
        "That is fine, and your counts still help."
    ),
    QueryReason.LOST_TRAP_ZEROS: _(
        "You found no animals at all. That can happen. Was the cup still in its place, upright and dry inside?"
    ),
    QueryReason.LIQUID_WORDS: _(
        "Your note speaks of a liquid or of bait. We use a dry, empty cup. Liquids and bait can kill pets and wild "
        "animals. Was something in the cup? Then put the lid on. Pour nothing on the ground or down a drain. "
        "Ask your coordinator what to do with it."
    ),
    QueryReason.ROW_SLIP: _(
        "Your numbers look as if they slipped by one row. Lay your sheet beside the form. Look at each row again."
    ),
    QueryReason.IMPOSSIBLE_COUNT: _(
        "That is more than one small cup can hold. Look at your numbers again. Was it a nest or a swarm? Tell us."
    ),
    QueryReason.TEN_TIMES: _("One number looks far too high. Look at your sheet again. Is there a zero too many?"),
    QueryReason.LOOK_ALIKES: _("Two groups look much alike. Look again: might it be the other one?"),
    QueryReason.ROUND_NUMBERS: _(
        "Most of your big numbers end in 0 or 5. Did you count them one by one? A good guess is fine too. "
        "Then choose a range next time, such as 16 to 31."
    ),
    QueryReason.WRONG_HABITAT: _("Your catch looks like one from another kind of place. Where did this trap stand?"),
    QueryReason.SMALL_MISSED: _(
        "You found no small animals. They are easy to miss. Did you look for them on a white tray? "
        "If not, answer Did not look. That is fine."
    ),
    QueryReason.UNUSUALLY_MANY: _("That would be a big night! Look at your sheet once more."),
    QueryReason.NOT_SCREENED: _("We could not read this return by machine. A coordinator looks at it."),
    QueryReason.SECOND_LOOK: _("A coordinator looks at some nights twice. Yours is one of them."),
}


def gentle_words(query: Reason, lists: SeasonLists) -> str:
    """Return why a return waits, in the words of a family and the language of the page. No query."""
    if query.kind == QueryKind.PROTOCOL and "check" in query.evidence:
        return kind_words(Held(query.evidence["check"], Outcome.HOLD))
    telling = TELLING.get(query.reason)
    with suppress(KeyError, IndexError, TypeError, ValueError):
        if telling and (told := telling(query.evidence, lists)):
            return told
    return str(PLAIN[query.reason])
