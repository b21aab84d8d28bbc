"""The simple sections of a plan as forms: what a form posts becomes the part of the plan, and back. No table here.

Whatever cannot be read is kept as it was typed, so that saving loses nothing; the plan's own check says what is wrong.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from surveys.plans.copying import equal_weights
from surveys.plans.ranges import read_number
from surveys.plans.records import code_from, has_unseen_signs
from surveys.web.plan_shown import number_in_box

Posted = Mapping[str, str]
#: Lines of the name section that are kept as they are.
LINES = ("code", "title", "organiser", "contact", "opens_on", "closes_on", "time_zone", "licence")
LONGEST_LINE = 400
#: A welcome that is far too long is still kept, to be shortened. Longer than this is no welcome.
LONGEST_KEPT_TEXT = 20_000
MOST_WINDOWS = 40


def line(text: str) -> str:
    """Return what was typed into one line, without signs that nobody can see."""
    return " ".join("".join(" " if has_unseen_signs(sign) else sign for sign in text[:LONGEST_LINE]).split())


def read_name(posted: Posted) -> dict[str, Any]:
    """Read name and dates. The share of returns is typed in percent."""
    percent = read_number(line(posted.get("review_budget", "")))
    share = round(percent / 100, 6) if isinstance(percent, int | float) else percent
    lines = {key: line(posted.get(key, "")) for key in LINES}
    return {**lines, "tray_photos": posted.get("tray_photos") == "yes", "review_budget": share}


def name_boxes(plan: Mapping[str, Any]) -> dict[str, Any]:
    """Return what stands in the boxes of name and dates."""
    boxes = {key: plan.get(key) or "" for key in LINES}
    return {
        **boxes,
        "tray_photos": plan.get("tray_photos"),
        "review_budget": number_in_box(plan.get("review_budget"), times=100),
    }


def read_windows(posted: Posted) -> list[dict[str, str]]:
    """Read the windows in their order on the page; rows without anything typed are left out."""
    found: list[dict[str, str]] = []
    for n in range(1, MOST_WINDOWS + 1):
        row = {key: line(posted.get(f"window-{n}-{key}", "")) for key in ("name", "first_day", "last_day")}
        if any(row.values()):
            code = line(posted.get(f"window-{n}-code", ""))[:40]
            taken = frozenset(one["code"] for one in found)
            found.append({"code": code if code and code not in taken else _window_code(row["name"], n, taken), **row})
    return found


def _window_code(name: str, n: int, taken: frozenset[str]) -> str:
    return code_from(name, otherwise=f"window-{n}", taken=taken)


@dataclass(frozen=True, slots=True)
class Choice:
    """Something of a list: whether it is chosen, and what stands in the box beside it."""

    item: Any
    chosen: bool
    box: str


def read_groups(posted: Posted, codes: Sequence[str], before: Sequence[str]) -> list[str]:
    """Return the chosen groups in order: a group that is given another place moves there, the others make room."""
    old = {code: place for place, code in enumerate(before, start=1)}

    def key(code: str) -> float:
        place = read_number(posted.get(f"place-{code}", ""))
        if not isinstance(place, int | float):
            return 10_000.0 + old.get(code, 0)
        was = old.get(code)
        return place + (0.0 if was == place else 0.5 if was is not None and place > was else -0.5)

    return sorted((code for code in codes if posted.get(f"group-{code}") == "yes"), key=key)


def group_choices(groups: Sequence[Any], chosen: Sequence[str]) -> list[Choice]:
    """Return the groups with their places: the chosen ones first, in their order."""
    places = {code: place for place, code in enumerate(chosen, start=1)}
    ordered = sorted(groups, key=lambda group: places.get(group.code, 10_000 + group.position))
    return [Choice(group, group.code in places, str(places.get(group.code, ""))) for group in ordered]


def read_weights(posted: Posted, codes: Sequence[str]) -> list[Mapping[str, Any]]:
    """Return the habitats with a weight; a habitat whose box is empty is not in the season."""
    typed = {code: read_number(line(posted.get(f"weight-{code}", ""))) for code in codes}
    chosen = [code for code, weight in typed.items() if weight is not None]
    if posted.get("do") == "equal":
        return equal_weights(chosen or list(codes))
    return [{"code": code, "weight": typed[code]} for code in chosen]


def weight_choices(habitats: Sequence[Any], rows: Sequence[Mapping[str, Any]]) -> list[Choice]:
    """Return the habitats with what stands in their boxes."""
    weights = {row["code"]: row["weight"] for row in rows}
    return [Choice(one, one.code in weights, number_in_box(weights.get(one.code))) for one in habitats]


def sum_of_weights(rows: Sequence[Mapping[str, Any]]) -> float:
    """Return the sum of those weights that are numbers."""
    return round(sum(row["weight"] for row in rows if isinstance(row["weight"], int | float)), 6)


def read_welcome(posted: Posted) -> str:
    """Return the welcome with plain line ends, without signs that no database keeps."""
    text = posted.get("welcome", "")[:LONGEST_KEPT_TEXT].replace("\r\n", "\n").replace("\r", "\n")
    return "".join(sign for sign in text if not has_unseen_signs(sign)).strip()
