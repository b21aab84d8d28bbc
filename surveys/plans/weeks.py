"""What is still to do about a plan's weeks: windows with names and days, inside the season, none over another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import date
from itertools import pairwise
from typing import Any

from surveys.plans.records import Known, PlanDraft, PlanFault, _, read_day
from surveys.vocabulary import PlanSection

MOST_WINDOWS = 12
LONGEST_WINDOW_NAME = 80


def faults_of_weeks(draft: PlanDraft, _known: Known) -> Iterator[PlanFault]:
    rows = draft.plan.get("windows") or []
    if not rows:
        yield _week(
            "no_windows",
            _("There are no weeks yet. Name each window with its first and its last day."),
            "window-1-name",
        )
        return
    if len(rows) > MOST_WINDOWS:
        yield _week(
            "too_many_windows",
            _("There are {found} windows, and at most {most} fit."),
            "window-1-name",
            found=len(rows),
            most=MOST_WINDOWS,
        )
    names = Counter(str(row.get("name", "")).casefold() for row in rows)
    for n, row in enumerate(rows, start=1):
        yield from _window(n, row, names, draft.plan)
    yield from _overlapping(rows)


def _window(n: int, row: Mapping[str, Any], names: Counter[str], plan: Mapping[str, Any]) -> Iterator[PlanFault]:
    name = str(row.get("name") or "")
    if not name:
        yield _week(
            "window_name", _("Window {number} has no name. Write one, such as Spring."), f"window-{n}-name", number=n
        )
    elif len(name) > LONGEST_WINDOW_NAME:
        yield _week(
            "window_name",
            _("The name of window {number} has {found} signs. At most {most} fit."),
            f"window-{n}-name",
            number=n,
            found=len(name),
            most=LONGEST_WINDOW_NAME,
        )
    elif names[name.casefold()] > 1:
        yield _week(
            "window_twice",
            _("More than one window has the name {name}. Give each its own."),
            f"window-{n}-name",
            name=name,
        )
    first, last = read_day(row.get("first_day")), read_day(row.get("last_day"))
    for key, day in (("first_day", first), ("last_day", last)):
        if day is None:
            yield from unread_day(key, row.get(key), target=f"window-{n}-{key}", section=PlanSection.WEEKS)
    if first and last:
        yield from _window_days(n, name or str(n), (first, last), plan)


def _window_days(n: int, name: str, days: tuple[date, date], plan: Mapping[str, Any]) -> Iterator[PlanFault]:
    first, last = days
    if last < first:
        yield _week(
            "window_backward",
            _("The window {name} ends on {last}, before it begins on {first}. Look at both days."),
            f"window-{n}-last_day",
            name=name,
            first=first.isoformat(),
            last=last.isoformat(),
        )
    opens, closes = read_day(plan.get("opens_on")), read_day(plan.get("closes_on"))
    if opens and closes and opens <= closes and (first < opens or last > closes):
        text = _(
            "The window {name} runs from {first} to {last}, and the season from {opens} to "
            "{closes}. A window lies inside its season."
        )
        target = f"window-{n}-{'first_day' if first < opens else 'last_day'}"
        yield _week(
            "window_outside",
            text,
            target,
            name=name,
            first=first.isoformat(),
            last=last.isoformat(),
            opens=opens.isoformat(),
            closes=closes.isoformat(),
        )


def _overlapping(rows: list[Mapping[str, Any]]) -> Iterator[PlanFault]:
    read = [(read_day(row.get("first_day")), read_day(row.get("last_day")), n, row) for n, row in enumerate(rows, 1)]
    whole = sorted(
        ((first, last, n, row) for first, last, n, row in read if first and last and first <= last),
        key=lambda one: one[:3],
    )
    for before, after in pairwise(whole):
        if after[0] <= before[1]:
            yield _week(
                "windows_overlap",
                _(
                    "The windows {first} and {second} overlap on {day}. A night belongs to one window. "
                    "Move one of them."
                ),
                f"window-{after[2]}-first_day",
                first=str(before[3].get("name")),
                second=str(after[3].get("name")),
                day=after[0].isoformat(),
            )


def unread_day(
    key: str, found: object, *, target: str = "", section: PlanSection = PlanSection.NAME
) -> Iterator[PlanFault]:
    """Yield the fault of a day that is missing or is no day."""
    if found:
        text = _("{found} is not a day of the calendar. Write it as year, month and day, such as 2027-04-01.")
        yield PlanFault(section, "not_a_day", text, {"found": str(found)[:40]}, target=target or key)
    else:
        text = _("A day is missing. Write it as year, month and day, such as 2027-04-01.")
        yield PlanFault(section, "day_missing", text, target=target or key)


def _week(code: str, text: str, target: str, /, **values: str | int) -> PlanFault:
    return PlanFault(PlanSection.WEEKS, code, text, values, target=target)
