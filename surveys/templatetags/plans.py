"""Boxes of a plan's forms: each knows its own faults, whose names are made from its place."""

from __future__ import annotations

from typing import Any

from django import template

from surveys.plans.ranges import CASES
from surveys.web.words import say

register = template.Library()


@register.inclusion_tag("plans/box.html")
def box_of(kind: str, n: Any, key: str, *, label: str, value: Any, faults: dict[str, list[str]]) -> dict[str, Any]:
    """Show the box ``kind-n-key`` with its label and its faults."""
    name = f"{kind}-{n}-{key}" if key else f"{kind}-{n}"
    return {"id": name, "label": say(label), "value": value or "", "wrong": faults.get(name), "width": "in-row-box"}


@register.inclusion_tag("plans/limit_box.html")
def limit_box(
    name: str, word: str, *, value: str, before: str, case: str, check: Any, faults: dict[str, list[str]]
) -> dict[str, Any]:
    """Show the box of one limit with the older one below it."""
    wrong = faults.get(name)
    return {"name": name, "word": word, "value": value, "before": before, "case": case, "check": check, "wrong": wrong}


@register.inclusion_tag("plans/text_box.html")
def text_of(one: Any, faults: dict[str, list[str]]) -> dict[str, Any]:
    """Show the box of one sentence."""
    return {"one": one, "case": CASES.get(one.case, one.case.replace("_", " ")), "wrong": faults.get(one.name)}
