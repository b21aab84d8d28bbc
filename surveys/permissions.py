"""Who may do what: the only file that knows roles.

Two questions are answered here. *May this person come to this address at all?* (:func:`admits`,
asked of every address by its rule) and *which rows are theirs?* (``*_of`` functions, which the
queries build on: a foreign row is not forbidden, it is not there).
"""

from __future__ import annotations

from typing import TypeGuard

from django.contrib.auth.base_user import AbstractBaseUser
from django.contrib.auth.models import AnonymousUser
from django.db.models import QuerySet

from surveys.errors import NotAllowed
from surveys.models import Account, Household, Region, Return, Site, Trap
from surveys.vocabulary import Role, Word

Visitor = AbstractBaseUser | AnonymousUser


class Rule(Word):
    """Who an address is for. Every address names one of these."""

    ANYONE = "anyone", "anyone"
    SIGNED_IN = "signed_in", "anyone who is signed in"
    COORDINATOR = "coordinator", "coordinators"
    RESEARCHER = "researcher", "researchers, coordinators and operators"
    OPERATOR = "operator", "operators"


_ROLES_ADMITTED: dict[Rule, frozenset[Role]] = {
    Rule.COORDINATOR: frozenset({Role.COORDINATOR}),
    Rule.RESEARCHER: frozenset({Role.RESEARCHER, Role.COORDINATOR, Role.OPERATOR}),
    Rule.OPERATOR: frozenset({Role.OPERATOR}),
}


def is_account(visitor: Visitor) -> TypeGuard[Account]:
    """Say whether the visitor is signed in with an account that is in use."""
    return isinstance(visitor, Account) and visitor.is_active


def account_of(visitor: Visitor) -> Account:
    """Return the visitor as an account; refuse one who is not signed in."""
    if not is_account(visitor):
        raise NotAllowed("Sign in first.")
    return visitor


def roles_of(visitor: Visitor) -> frozenset[Role]:
    """Return the roles that the visitor is appointed to. One query, kept on the account."""
    if not is_account(visitor):
        return frozenset()
    kept: frozenset[Role] | None = getattr(visitor, "_roles", None)
    if kept is None:
        kept = frozenset(Role(role) for role in visitor.appointments.values_list("role", flat=True))
        visitor.__dict__["_roles"] = kept
    return kept


def admits(rule: Rule, visitor: Visitor) -> bool:
    """Say whether an address with this rule lets the visitor in."""
    if rule == Rule.ANYONE:
        return True
    if rule == Rule.SIGNED_IN:
        return is_account(visitor)
    return bool(roles_of(visitor) & _ROLES_ADMITTED[rule])


def regions_of(visitor: Visitor) -> QuerySet[Region]:
    """Return the regions in which the visitor is coordinator."""
    if not is_account(visitor):
        return Region.objects.none()
    appointed = visitor.appointments.filter(role=Role.COORDINATOR)
    if appointed.filter(region__isnull=True).exists():
        return Region.objects.all()
    return Region.objects.filter(appointment__in=appointed)


def households_of(visitor: Visitor) -> QuerySet[Household]:
    """Return the households and schools that the visitor keeps."""
    return Household.objects.filter(keeper=visitor) if is_account(visitor) else Household.objects.none()


def sites_of(visitor: Visitor) -> QuerySet[Site]:
    """Return the visitor's own sites."""
    return Site.objects.filter(household__in=households_of(visitor))


def traps_of(visitor: Visitor) -> QuerySet[Trap]:
    """Return the visitor's own traps."""
    return Trap.objects.filter(site__in=sites_of(visitor))


def returns_of(visitor: Visitor) -> QuerySet[Return]:
    """Return what was sent about the visitor's own traps."""
    return Return.objects.filter(trap__in=traps_of(visitor))


def returns_in_care_of(visitor: Visitor) -> QuerySet[Return]:
    """Return what was sent from the regions in which the visitor is coordinator."""
    return Return.objects.filter(trap__site__region__in=regions_of(visitor))
