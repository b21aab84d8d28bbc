"""How good the review is, in sentences: a panel of the overview and of the page of second looks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.utils.formats import number_format
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from surveys.methods.review_quality import Stratum
from surveys.permissions import Visitor
from surveys.queries.second_looks import ReviewQuality, review_quality_of
from surveys.vocabulary import ReturnState
from surveys.web.words import say


@dataclass(frozen=True, slots=True)
class StateRow:
    """One state of the panel's table: its words, and how many returns are in it, looked at again, and wrong."""

    words: str
    usable: int
    looked: int
    wrong: int


@dataclass(frozen=True, slots=True)
class QualityShown:
    """What the panel says; ``agreed`` and ``notes`` are empty where there is nothing to say."""

    looked: int
    waiting: int
    wrong: str
    agreed: str
    notes: tuple[str, ...]
    rows: tuple[StateRow, ...]


def quality_shown(season: Any, visitor: Visitor) -> QualityShown:
    """Return what the panel says of a season in the visitor's regions. Four queries."""
    return in_sentences(review_quality_of(season, visitor))


def in_sentences(quality: ReviewQuality) -> QualityShown:
    """Put the figures of the second looks into sentences. No query."""
    return QualityShown(
        looked=quality.wrong.looked,
        waiting=quality.waiting,
        wrong=_wrong_words(quality),
        agreed=_agreed_words(quality),
        notes=tuple(_notes(quality)),
        rows=tuple(_row(stratum) for stratum in quality.strata),
    )


def _row(stratum: Stratum) -> StateRow:
    return StateRow(capfirst(say(ReturnState(stratum.state))), stratum.usable, stratum.looked, stratum.wrong)


def _wrong_words(quality: ReviewQuality) -> str:
    found = quality.wrong
    if found.code == "no_usable":
        return _("There are no standing or upheld returns yet, so there is nothing to look at again.")
    if found.estimate is None:
        return _("Nobody has given a second look yet. So we can say nothing of how many returns are still wrong.")
    return _(
        "Of 100 returns that were let through, about {share} are still wrong. "
        "The true number may well lie between {low} and {high}."
    ).format(share=_in_100(found.estimate), low=_in_100(found.low), high=_in_100(found.high))


def _agreed_words(quality: ReviewQuality) -> str:
    found = quality.agreement
    if found.share is None:
        return ""
    agreed = round(found.share * found.looked)
    words = ngettext(
        "In {agreed} of {looked} second look, the second person let the return stand, too. "
        "Of 100 that makes {share}, and may well be {low} to {high}.",
        "In {agreed} of {looked} second looks, the second person let the return stand, too. "
        "Of 100 that makes {share}, and may well be {low} to {high}.",
        found.looked,
    )
    return words.format(
        agreed=agreed, looked=found.looked, share=_in_100(found.share), low=_in_100(found.share_low),
        high=_in_100(found.share_high),
    )  # fmt: skip


def _notes(quality: ReviewQuality) -> list[str]:
    notes = []
    if quality.wrong.code == "part_not_looked":
        blank = [say(ReturnState(one.state)) for one in quality.strata if one.usable and not one.looked]
        words = _(
            "Nobody has looked at the {state} returns again yet. They count as not known, which makes the range wide."
        )
        notes.append(words.format(state=", ".join(blank)))
    if quality.corrected:
        words = ngettext(
            "{n} corrected return is not in these figures: it is not looked at again.",
            "{n} corrected returns are not in these figures: they are not looked at again.",
            quality.corrected,
        )
        notes.append(words.format(n=number_format(quality.corrected, force_grouping=False)))
    return notes


def _in_100(share: float) -> str:
    """Return a share as so many of a hundred, with one decimal where there is one to tell."""
    number = round(100.0 * share, 1)
    return number_format(number, decimal_pos=0 if number == int(number) else 1)
