"""Classes of a school, their entry codes, and what they have counted but a grown-up has not sent yet."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Count, F, Max, Q, QuerySet
from django.utils.crypto import salted_hmac

from surveys.errors import NotFound
from surveys.models import ClassCode, Draft, Household, SchoolClass, Trap
from surveys.permissions import Visitor, households_of
from surveys.queries.seasons import current_season
from surveys.vocabulary import DraftKind, HouseholdKind

#: What is often read or typed in place of a sign of a code. Reference: Crockford's base 32, from memory.
_READ_AS = str.maketrans({"O": "0", "I": "1", "L": "1"})
#: Signs of a code: 32 signs each, so 30 bits or 1,073,741,824 codes. With 100 codes live at once, a guess is right
#: once in ten million; ``web.class_tries`` allows an address 60 wrong ones in an hour, and a code lives 4 h at most.
CODE_LENGTH = 6


@dataclass(frozen=True, slots=True)
class ClassPass:
    """What a class's browser carries once it typed a code: which class, and until when. Nothing of a person."""

    school_class: UUID
    expires_at: datetime


def own_schools(visitor: Visitor) -> QuerySet[Household]:
    """Return the schools that the visitor keeps. One query."""
    return households_of(visitor).filter(kind=HouseholdKind.SCHOOL).order_by("id")


def own_school(visitor: Visitor, public_id: UUID) -> Household:
    """Return one of the visitor's schools. One query."""
    school = own_schools(visitor).filter(public_id=public_id).first()
    if school is None:
        raise NotFound("There is no school of yours with this id.")
    return school


def classes_of(visitor: Visitor) -> QuerySet[SchoolClass]:
    """Return the classes of the visitor's own schools."""
    return SchoolClass.objects.filter(household__in=own_schools(visitor))


def own_classes(visitor: Visitor, *, now: datetime) -> QuerySet[SchoolClass]:
    """Return the visitor's classes, open ones first, each with ``waiting`` and ``code_until``. One query.

    ``waiting`` counts what the class has saved; ``code_until`` is when its live code ends, if it has one.
    """
    live = Q(codes__ended_at__isnull=True, codes__expires_at__gt=now)
    return (
        classes_of(visitor)
        .select_related("household")
        .annotate(waiting=Count("drafts", distinct=True), code_until=Max("codes__expires_at", filter=live))
        .order_by("household_id", F("closed_at").desc(nulls_first=True), "id")
    )


def own_class(visitor: Visitor, public_id: UUID) -> SchoolClass:
    """Return one of the visitor's classes. One query."""
    found = classes_of(visitor).select_related("household").filter(public_id=public_id).first()
    if found is None:
        raise NotFound("There is no class of yours with this id.")
    return found


def live_code_of(school_class: SchoolClass, *, now: datetime) -> ClassCode | None:
    """Return the code that a class can enter with at this moment, if there is one. One query."""
    codes = school_class.codes.filter(ended_at__isnull=True, expires_at__gt=now)
    return codes.order_by("-expires_at").first()


def code_as_typed(typed: str) -> str:
    """Return a typed code as it was made: capitals, no spaces or dashes, look-alike letters read as digits."""
    return "".join(sign for sign in typed.upper() if sign.isalnum()).translate(_READ_AS)


def code_digest(code: str) -> str:
    """Return the keyed digest under which a code is kept: 30 bits would not withstand a bare hash."""
    return salted_hmac("surveys.class-code", code, secret=settings.SECRET_KEY, algorithm="sha256").hexdigest()


def pass_of_code(typed: str, *, now: datetime) -> ClassPass | None:
    """Return the pass that a typed code gives, or None for a wrong, expired or ended one. One query."""
    code = code_as_typed(typed[:40])
    if len(code) != CODE_LENGTH:
        return None
    found = _live_codes(now).filter(digest=code_digest(code)).first()
    return ClassPass(found.school_class.public_id, found.expires_at) if found else None


def trap_code_as_printed(typed: str) -> str:
    """Return a typed code of a trap as it was printed. No code holds a U, which is read for a V."""
    return code_as_typed(typed[:40]).replace("U", "V")


def is_trap_code(typed: str) -> bool:
    """Say whether a trap has the code that was typed, whosever it is. One query."""
    return Trap.objects.filter(code=trap_code_as_printed(typed)).exists()


def class_trap_by_code(school_class: SchoolClass, typed: str) -> Trap | None:
    """Return the trap of a class's school that has a typed code, or None. One query."""
    return class_traps(school_class).filter(code=trap_code_as_printed(typed)).first()


def class_behind(ticket: ClassPass, *, now: datetime) -> SchoolClass | None:
    """Return the class of a pass whose code is still live, or None. One query."""
    found = (
        _live_codes(now)
        .filter(school_class__public_id=ticket.school_class, expires_at=ticket.expires_at)
        .select_related("school_class__household__keeper")
        .first()
    )
    return found.school_class if found else None


def class_traps(school_class: SchoolClass) -> QuerySet[Trap]:
    """Return the traps of a class's school, site by site. One query."""
    return (
        Trap.objects.filter(site__household=school_class.household_id)
        .select_related("site", "habitat")
        .order_by("site__number", "number")
    )


def class_trap(school_class: SchoolClass, public_id: UUID) -> Trap:
    """Return one trap of a class's school. One query."""
    trap = class_traps(school_class).filter(public_id=public_id).first()
    if trap is None:
        raise NotFound("There is no such trap.")
    return trap


def class_drafts(visitor: Visitor, school_class: UUID) -> QuerySet[Draft]:
    """Return what one of the visitor's classes has counted and nobody sent yet, trap by trap. One query.

    ``answers`` are flat: ``n_<group>``, ``c_<group>`` and ``a_<group>``, as they were typed.
    """
    drafts = Draft.objects.filter(school_class__in=classes_of(visitor).filter(public_id=school_class))
    return drafts.select_related("trap__habitat", "trap__site").order_by("trap__site__number", "trap__number", "id")


def draft_of_today(school_class: SchoolClass, trap: Trap, *, now: datetime) -> Draft | None:
    """Return what a class has counted today in one trap, if anything. Two queries."""
    return _of_today(school_class.drafts.filter(trap=trap, kind=DraftKind.COUNT), now).order_by("-id").first()


def traps_counted_today(school_class: SchoolClass, *, now: datetime) -> set[int]:
    """Return the keys of the traps that a class has counted today. Two queries."""
    today = _of_today(school_class.drafts.filter(kind=DraftKind.COUNT), now)
    return {trap for trap in today.values_list("trap_id", flat=True) if trap is not None}


def survey_zone() -> ZoneInfo:
    """Return the time zone in which days are counted: that of the season. One query."""
    season = current_season()
    return ZoneInfo(season.time_zone if season else "UTC")


def days_of(drafts: Iterable[Draft]) -> list[date]:
    """Return the days on which drafts were begun, newest first. One query."""
    zone = survey_zone()
    return sorted({draft.begun_at.astimezone(zone).date() for draft in drafts}, reverse=True)


def _of_today(drafts: QuerySet[Draft, Any], now: datetime) -> QuerySet[Draft, Any]:
    zone = survey_zone()
    today = now.astimezone(zone).date()
    begins, ends = (datetime.combine(day, time.min, zone) for day in (today, today + timedelta(days=1)))
    return drafts.filter(begun_at__gte=begins, begun_at__lt=ends)


def _live_codes(now: datetime) -> QuerySet[ClassCode]:
    """Return the codes that open something: not ended, of an open class, of a school that somebody keeps."""
    return ClassCode.objects.filter(
        ended_at__isnull=True,
        expires_at__gt=now,
        school_class__closed_at__isnull=True,
        school_class__household__kind=HouseholdKind.SCHOOL,
        school_class__household__keeper__is_active=True,
    ).select_related("school_class")
