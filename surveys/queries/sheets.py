"""Spreadsheets as their senders may see them, and all that a household's sheet may speak of."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from datetime import datetime
from uuid import UUID

from django.db.models import F, Func, IntegerField, QuerySet
from django.utils.dates import MONTHS
from django.utils.translation import gettext, override

from surveys.errors import Conflict, NotFound
from surveys.models import Household, Return, Season, Sheet, Trap
from surveys.permissions import Visitor, households_of
from surveys.queries.seasons import lists_of, seasons
from surveys.sheets.columns import COLUMNS, MEND
from surveys.sheets.identity import night_key
from surveys.sheets.reading import WORD_COLUMNS
from surveys.sheets.records import ListedTrap, Named, SheetLists
from surveys.sheets.words import ANSWER_WORDS, EXAMPLE_WORD
from surveys.sheets.words import MONTHS as ENGLISH_MONTHS
from surveys.vocabulary import REPORTED_WORDS, CountClass, Language, ReturnState, SeasonState

#: What is large and not needed to show how a sheet stands.
_LARGE = ("content", "marked", "ready")


def sheets_of(visitor: Visitor) -> QuerySet[Sheet]:
    """Return the sheets of the visitor's own households, without what is large. One query."""
    owned = Sheet.objects.filter(household__in=households_of(visitor))
    return owned.select_related("household", "job").defer(*_LARGE)


def latest_sheets(visitor: Visitor, most: int = 10) -> list[Sheet]:
    """Return the visitor's latest sheets, newest first, without their faults. One query.

    One that was emptied after its day has no name any more and is not listed.
    """
    listed = sheets_of(visitor).exclude(name="").defer(*_LARGE, "faults")
    return list(listed.order_by("-received_at", "-id")[:most])


def own_sheet(visitor: Visitor, public_id: UUID) -> Sheet:
    """Return one of the visitor's sheets. One query."""
    sheet = sheets_of(visitor).filter(public_id=public_id).first()
    if sheet is None:
        raise NotFound(gettext("There is no spreadsheet of yours with this id. We keep one for a day."))
    return sheet


def marked_copy(visitor: Visitor, public_id: UUID) -> tuple[Sheet, bytes]:
    """Return one of the visitor's sheets and its marked copy. Two queries."""
    sheet = own_sheet(visitor, public_id)
    if sheet.marked is None:
        raise NotFound(gettext("There is nothing to mend in this spreadsheet, so there is no copy of it."))
    return sheet, bytes(sheet.marked)


def good_rows(sheet: Sheet) -> int:
    """Return how many rows of a sheet could go in. One query, without the rows themselves."""
    length = Func(F("ready"), function="jsonb_array_length", output_field=IntegerField())
    return int(Sheet.objects.annotate(rows_ready=length).values_list("rows_ready", flat=True).get(pk=sheet.pk))


def season_of_household(household: Household) -> Season:
    """Return the season that is open where a household has its sites. One query."""
    regions = household.sites.values("region")
    season = seasons().filter(state=SeasonState.OPEN, regions__in=regions).distinct().first()
    if season is None:
        raise Conflict(gettext("No season is open where your traps are. Keep your sheet, and send it when one opens."))
    return season


def sheet_lists(household: Household, *, language: str, now: datetime) -> SheetLists:
    """Return all that a sheet of a household may speak of, in the words of a language first. Eight queries at most."""
    lists = lists_of(season_of_household(household))
    traps = list(Trap.objects.filter(site__household=household).select_related("habitat").order_by("site_id", "number"))
    standing, withdrawn = _returns_there(traps)
    names = _names_in(language)
    with override(language):
        return SheetLists(
            household=str(household.public_id),
            alias=household.alias,
            traps=tuple(ListedTrap(trap.code, str(trap.public_id), trap.habitat.code) for trap in traps),
            groups=tuple(Named(group.code, names(group.name)) for group in lists.groups),
            habitats=tuple(Named(habitat.code, names(habitat.label)) for habitat in lists.habitats),
            words={
                column: tuple(Named(word.value, names(word.label)) for word in REPORTED_WORDS[column])
                for column in WORD_COLUMNS
            },
            titles={
                **{column.code: names(column.title) for column in COLUMNS},
                MEND.code: names(MEND.names[0]),
            },
            answers=(
                *(Named(kind.value, _all_of((*words, kind.label), names)) for kind, words in ANSWER_WORDS.items()),
                *(Named(word.value, names(word.label)) for word in CountClass),
            ),
            months=tuple(_month_names(number) for number in MONTHS),
            example=names(EXAMPLE_WORD),
            zone=lists.season.time_zone,
            first_year=lists.season.opens_on.year - 1,
            last_year=lists.season.closes_on.year + 1,
            now=now,
            standing=standing,
            withdrawn=withdrawn,
        )


def _names_in(language: str) -> Callable[[str], tuple[str, ...]]:
    """Return what gives the names of an English text: the reader's own, English, then those of all other languages."""
    order = (language, *(one.value for one in Language if one.value != language))

    def names(english: str) -> tuple[str, ...]:
        found = [_in_language(english, order[0]), english, *(_in_language(english, one) for one in order[1:])]
        return tuple(dict.fromkeys(found))

    return names


def _in_language(english: str, language: str) -> str:
    with override(language):
        return gettext(english) if english else ""


def _all_of(words: Iterable[str], names: Callable[[str], tuple[str, ...]]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(name for word in words for name in names(word)))


def _month_names(number: int) -> tuple[str, ...]:
    """Return a month's name in every language of the pages. Django brings the translations."""
    found = [*ENGLISH_MONTHS[number - 1]]
    for language in Language:
        with override(language.value):
            found.append(str(MONTHS[number]))
    return tuple(dict.fromkeys(found))


def _returns_there(traps: list[Trap]) -> tuple[dict[str, tuple[str, ...]], dict[str, int]]:
    """Return the ids of returns that are there and the number taken back, by trap and night. One query."""
    ids = {trap.pk: str(trap.public_id) for trap in traps}
    standing: dict[str, list[str]] = defaultdict(list)
    withdrawn: dict[str, int] = defaultdict(int)
    rows = Return.objects.filter(trap__in=list(ids)).values_list("trap", "night", "uuid", "state")
    for trap, night, uuid, state in rows:
        key = night_key(ids[trap], night)
        if state == ReturnState.WITHDRAWN:
            withdrawn[key] += 1
        else:
            standing[key].append(str(uuid))
    return {key: tuple(found) for key, found in standing.items()}, dict(withdrawn)
