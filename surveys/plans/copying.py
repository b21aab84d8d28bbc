"""How a plan begins: empty, or as an earlier season with its dates moved by a year."""

from __future__ import annotations

import re
from collections.abc import Mapping
from copy import deepcopy
from datetime import date
from typing import Any

from surveys.plans.records import PlanDraft, read_day
from surveys.vocabulary import Licence

_YEAR = re.compile(r"(?<!\d)(?:19|20)\d\d(?!\d)")
_DATES = ("opens_on", "closes_on")
_WINDOW_DATES = ("first_day", "last_day")


def empty_draft() -> PlanDraft:
    """Return a plan in which everything is still to do, but for what nearly every season has."""
    return PlanDraft({"licence": Licence.CC_BY_4.value, "review_budget": 0.05, "tray_photos": False})


def next_year(draft: PlanDraft, *, taken: frozenset[str] = frozenset()) -> PlanDraft:
    """Return an earlier season as the plan of the next: dates, title and code a year on, the rest as it was.

    ``taken`` holds codes of seasons there are. A new protocol version is of its season alone and is not copied.
    """
    plan = deepcopy(dict(draft.plan))
    for key in _DATES:
        plan[key] = _a_year_on(plan.get(key))
    plan["windows"] = [
        {**row, **{key: _a_year_on(row.get(key)) for key in _WINDOW_DATES}} for row in plan.get("windows") or []
    ]
    plan["title"] = _year_raised(str(plan.get("title") or ""))
    plan["code"] = next_code(str(plan.get("code") or ""), taken)
    return PlanDraft(plan, deepcopy(dict(draft.boundaries)))


def _a_year_on(value: Any) -> Any:
    """Return a day a year later; 29 February becomes 28 February. What is no day stays as it is."""
    day = read_day(value)
    return value if day is None else moved_a_year(day).isoformat()


def moved_a_year(day: date) -> date:
    """Return the same day of the next year; 29 February becomes 28 February."""
    if day.month == 2 and day.day == 29:
        return date(day.year + 1, 2, 28)
    return day.replace(year=day.year + 1)


def _year_raised(text: str) -> str:
    """Return a text with the last year in it raised by one; one without a year stays as it is."""
    found = list(_YEAR.finditer(text))
    if not found:
        return text
    last = found[-1]
    return f"{text[: last.start()]}{int(last[0]) + 1}{text[last.end() :]}"


def next_code(code: str, taken: frozenset[str]) -> str:
    """Return the code of the next season: its year raised until the code is free, or a number behind it."""
    fresh = _year_raised(code)
    for _ in range(100):
        if fresh != code and fresh not in taken:
            return fresh
        fresh = _year_raised(fresh) if _YEAR.search(fresh) else _numbered(fresh)
    return ""


def _numbered(code: str) -> str:
    found = re.fullmatch(r"(.+)-(\d{1,3})", code)
    return f"{found[1]}-{int(found[2]) + 1}" if found else f"{code}-2"


def equal_weights(codes: list[str]) -> list[Mapping[str, Any]]:
    """Return habitats that all weigh the same, to four digits; the first ones carry what rounding left over."""
    if not codes:
        return []
    share, left = divmod(10_000, len(codes))
    return [{"code": code, "weight": (share + (n < left)) / 10_000} for n, code in enumerate(codes)]
