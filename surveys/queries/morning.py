"""What a coordinator is told in the morning: numbers of her own regions, no names and no places."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from django.db.models import Count, Q, QuerySet

from surveys.models import Account, Letter, Question
from surveys.permissions import returns_in_care_of
from surveys.queries.letters import overdue_openings
from surveys.vocabulary import ReturnState, Role


@dataclass(frozen=True, slots=True)
class Morning:
    """How much waits in somebody's regions, and what came since the day before."""

    waiting: int
    urgent: int
    overdue: int
    answered: int
    received: int

    @property
    def something_waits(self) -> bool:
        return self.waiting > 0 or self.overdue > 0

    def as_mapping(self) -> dict[str, Any]:
        """Return the numbers as plain values, by their names."""
        return asdict(self)


def morning_of(account: Account, *, since: datetime, now: datetime) -> Morning:
    """Count what a coordinator finds this morning. Four queries, and one for her regions."""
    in_care = returns_in_care_of(account)
    waiting = in_care.filter(state=ReturnState.QUERIED).aggregate(n=Count("id"), urgent=Count("id", Q(urgent=True)))
    answered = Question.objects.filter(report__in=in_care, answered_at__gt=since, answered_at__lte=now)
    return Morning(
        waiting=waiting["n"],
        urgent=waiting["urgent"],
        overdue=overdue_openings(account, now=now).count(),
        answered=answered.count(),
        received=in_care.filter(received_at__gt=since, received_at__lte=now).count(),
    )


def readers_of_the_morning(day: str) -> QuerySet[Account]:
    """Return the coordinators who want a letter in the morning and have none decided for this day yet. One query."""
    decided = Letter.objects.filter(key__startswith=MORNING_KEY, key__endswith=f":{day}").values("account_id")
    wanted = Account.objects.filter(appointments__role=Role.COORDINATOR, is_active=True, morning_letter=True)
    return wanted.exclude(pk__in=decided).distinct().order_by("pk")


#: What the key of each such letter begins with.
MORNING_KEY = "morning:"
