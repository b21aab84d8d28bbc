"""Who may do what: the only file that knows roles.

Two questions are answered here. *May this person come to this address at all?* (:func:`admits`,
asked of every address by its rule) and *which rows are theirs?* (``*_of`` functions, which the
queries build on: a foreign row is not forbidden, it is not there).

What coordinators and operators may do, they may once they have given their second factor: in this session of a
browser, or for the token that a program shows.
"""

from __future__ import annotations

from typing import TypeGuard

from django.contrib.auth.base_user import AbstractBaseUser
from django.contrib.auth.models import AnonymousUser
from django.db.models import Q, QuerySet
from django_otp.plugins.otp_totp.models import TOTPDevice

from surveys.errors import NotAllowed
from surveys.models import Account, Appointment, Household, Region, Return, SecondLook, Site, Trap
from surveys.vocabulary import Role, TokenScope, Word

Visitor = AbstractBaseUser | AnonymousUser


class Rule(Word):
    """Who an address is for. Every address names one of these."""

    ANYONE = "anyone", "anyone"
    SIGNED_IN = "signed_in", "anyone who is signed in"
    COORDINATOR = "coordinator", "coordinators"
    RESEARCHER = "researcher", "researchers, coordinators and operators"
    OPERATOR = "operator", "operators"
    OFFICE = "office", "coordinators and operators"
    LEAD = "lead", "coordinators of all regions, and operators"
    PLANNER = "planner", "coordinators of all regions"
    APPOINTED = "appointed", "coordinators and operators, before they have given their second factor"


#: Roles that count once their holder has given the second factor.
GUARDED = frozenset({Role.COORDINATOR, Role.OPERATOR})
_ROLES_ADMITTED: dict[Rule, frozenset[Role]] = {
    Rule.COORDINATOR: frozenset({Role.COORDINATOR}),
    Rule.RESEARCHER: frozenset({Role.RESEARCHER, Role.COORDINATOR, Role.OPERATOR}),
    Rule.OPERATOR: frozenset({Role.OPERATOR}),
    Rule.OFFICE: GUARDED,
    Rule.LEAD: GUARDED,
    Rule.PLANNER: frozenset({Role.COORDINATOR}),
}

#: Who may make tokens for a use.
_RULE_OF_SCOPE: dict[TokenScope, Rule] = {
    TokenScope.SEND: Rule.SIGNED_IN,
    TokenScope.READ_DATA: Rule.RESEARCHER,
    TokenScope.DESK: Rule.OFFICE,
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
    return frozenset(role for role, _ in _appointed_to(visitor))


def may_appoint(visitor: Visitor) -> bool:
    """Say whether the visitor may invite to roles and end them: a coordinator of all regions, or an operator."""
    return bool(_leading_roles(visitor))


def may_plan_seasons(visitor: Visitor) -> bool:
    """Say whether the visitor may plan, open and close seasons: a coordinator of all regions."""
    return Role.COORDINATOR in _leading_roles(visitor)


def may_appoint_to(visitor: Visitor, role: Role) -> bool:
    """Say whether the visitor may invite to a role and end it: operators are in the hands of operators alone."""
    return may_appoint(visitor) and (role != Role.OPERATOR or Role.OPERATOR in roles_of(visitor))


def may_reset_factor_of(visitor: Visitor, other: Account) -> bool:
    """Say whether the visitor may take a lost second factor off somebody: never off oneself, as one has it."""
    if not is_account(visitor) or visitor.pk == other.pk:
        return False
    held = roles_of(other)
    return bool(held) and all(may_appoint_to(visitor, role) for role in held)


def has_second_factor(account: Account) -> bool:
    """Say whether the account has set up its second factor. One query."""
    return bool(TOTPDevice.objects.filter(user_id=account.pk, confirmed=True).exists())


def is_verified(visitor: Visitor) -> bool:
    """Say whether the visitor has given the second factor. No query on a page, one for a token.

    A session remembers the factor that was given (the middleware of django-otp notes it on the account). A token of
    an account that has one was given for a code: what was made before the factor ended with its setting up.
    """
    if not is_account(visitor):
        return False
    if getattr(visitor, "came_by_token", False):
        return has_second_factor(visitor)
    return getattr(visitor, "otp_device", None) is not None


def admits(rule: Rule, visitor: Visitor) -> bool:
    """Say whether an address with this rule lets the visitor in."""
    if rule == Rule.ANYONE:
        return True
    if rule == Rule.SIGNED_IN:
        return is_account(visitor)
    if rule == Rule.APPOINTED:
        return bool(roles_of(visitor) & GUARDED)
    fitting = _roles_that_open(rule, visitor)
    return bool(fitting - GUARDED) or (bool(fitting) and is_verified(visitor))


def awaits_second_factor(rule: Rule, visitor: Visitor) -> bool:
    """Say whether nothing but the second factor keeps the visitor from an address with this rule."""
    open_without = (Rule.ANYONE, Rule.SIGNED_IN, Rule.APPOINTED)
    return rule not in open_without and bool(_roles_that_open(rule, visitor)) and not admits(rule, visitor)


def _roles_that_open(rule: Rule, visitor: Visitor) -> frozenset[Role]:
    held = _leading_roles(visitor) if rule in (Rule.LEAD, Rule.PLANNER) else roles_of(visitor)
    return held & _ROLES_ADMITTED[rule]


def _leading_roles(visitor: Visitor) -> frozenset[Role]:
    """Return the roles of the visitor that are for all regions and let appoint others."""
    return frozenset(role for role, region in _appointed_to(visitor) if region is None and role in GUARDED)


def _appointed_to(visitor: Visitor) -> frozenset[tuple[Role, int | None]]:
    """Return role and region of each of the visitor's appointments. One query, kept on the account."""
    if not is_account(visitor):
        return frozenset()
    kept: frozenset[tuple[Role, int | None]] | None = getattr(visitor, "_appointed_to", None)
    if kept is None:
        rows = visitor.appointments.values_list("role", "region_id")
        kept = frozenset((Role(role), region) for role, region in rows)
        visitor.__dict__["_appointed_to"] = kept
    return kept


def scopes_open_to(visitor: Visitor) -> tuple[TokenScope, ...]:
    """Return what a token of the visitor may be made for: as far as the roles go. One query, kept on the account.

    A token of a coordinator without a second factor opens nothing at the desk: its rule is asked first.
    """
    if not is_account(visitor):
        return ()
    return tuple(
        scope for scope, rule in _RULE_OF_SCOPE.items() if rule == Rule.SIGNED_IN or _roles_that_open(rule, visitor)
    )


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
    """Return what was sent about the visitor's own traps. One query for the traps.

    Keys and no subquery: PostgreSQL puts no more than eight tables into the best order (its ``join_collapse_limit``).
    With what a page shows beside a return there are more, and it would read all returns before it looks whose they are.
    """
    return Return.objects.filter(trap__in=list(traps_of(visitor).values_list("pk", flat=True)))


def returns_in_care_of(visitor: Visitor) -> QuerySet[Return]:
    """Return what was sent from the regions in which the visitor is coordinator."""
    keys = region_keys_of(visitor)
    return Return.objects.all() if keys is None else Return.objects.filter(region__in=keys)


def second_looks_in_care_of(visitor: Visitor) -> QuerySet[SecondLook]:
    """Return the blind second looks at what was sent from the regions in which the visitor is coordinator."""
    keys = region_keys_of(visitor)
    return SecondLook.objects.all() if keys is None else SecondLook.objects.filter(report__region__in=keys)


def region_keys_of(visitor: Visitor) -> tuple[int, ...] | None:
    """Return the keys of the regions in which the visitor is coordinator; None for all. No query beside the roles'.

    Keys and no subquery: the queue of a region is then read in order from its index.
    """
    named = [region for role, region in _appointed_to(visitor) if role == Role.COORDINATOR]
    return None if None in named else tuple(sorted(key for key in named if key is not None))


def appointments_seen_by(visitor: Visitor) -> QuerySet[Appointment]:
    """Return the appointments that the visitor may know of.

    All of them for somebody who may appoint; for a coordinator those of the own regions, and who cares for all.
    """
    if may_appoint(visitor):
        return Appointment.objects.all()
    of_regions = Q(region__in=regions_of(visitor)) | Q(region__isnull=True, role=Role.COORDINATOR)
    return Appointment.objects.filter(of_regions) if roles_of(visitor) & GUARDED else Appointment.objects.none()
