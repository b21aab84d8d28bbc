"""Groups of animals for the pages that help to name one."""

from __future__ import annotations

from dataclasses import dataclass

from surveys.errors import NotFound
from surveys.models import Group
from surveys.queries.seasons import current_season, lists_of


@dataclass(frozen=True, slots=True)
class KindFound:
    """A group, those it is taken for in the order of its list, and whether the season asks for it."""

    group: Group
    look_alikes: tuple[Group, ...]
    asked_for: bool


def asked_groups() -> tuple[Group, ...]:
    """Return the groups of the season that is on or was last; all known ones before a season. At most six queries."""
    season = current_season()
    return lists_of(season).groups if season else tuple(Group.objects.order_by("position", "code"))


def known_groups() -> tuple[Group, ...]:
    """Return every group that the service knows, in order. One query."""
    return tuple(Group.objects.order_by("position", "code"))


def kind_by_code(code: str) -> KindFound:
    """Return one group and those it is taken for. At most eight queries."""
    group = Group.objects.filter(code=code).first()
    if group is None:
        raise NotFound(f"There is no group with the code {code!r}. The page of all groups lists them.")
    found = {each.code: each for each in Group.objects.filter(code__in=group.look_alikes)}
    alike = tuple(found[each] for each in group.look_alikes if each in found)
    return KindFound(group, alike, any(each.pk == group.pk for each in asked_groups()))
