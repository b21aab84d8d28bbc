"""The changes of a run, and the seasons that they are taken from."""

from __future__ import annotations

from django.db.models import QuerySet

from surveys.models import ChangeValue, Run


def change_values(run: Run) -> QuerySet[ChangeValue]:
    """Return the changes of a run: region, group, window, then as caught before adjusted. One query."""
    return (
        ChangeValue.objects.filter(run=run)
        .select_related("region", "group", "window")
        .order_by("region__position", "group__position", "window__first_day", "adjusted", "id")
    )


def base_titles(run: Run, group: str) -> list[str]:
    """Return the titles of the seasons that a group's changes are taken from, oldest first. No query."""
    described = run.parameters.get("change") or {}
    titles = {one["season"]: one["title"] for one in described.get("earlier", [])}
    return [titles[code] for code in described.get("groups", {}).get(group, {}).get("base", [])]
