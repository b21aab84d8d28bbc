"""The rule of each address, asked of :mod:`surveys.permissions`. Without a rule, nobody comes in."""

from __future__ import annotations

from functools import cache
from typing import Any

from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from surveys.errors import SecondFactorNeeded
from surveys.permissions import Rule, admits, awaits_second_factor

NO_FACTOR = (
    "This needs the second factor of your account, and the account has none yet. "
    "Set it up at /second-factor/new/, then get a new token with a code."
)


class NoRuleGiven(BasePermission):
    """Refuses everybody: the address does not say for whom it is."""

    def has_permission(self, request: Request, view: Any) -> bool:
        return False


@cache
def rule(which: Rule) -> type[BasePermission]:
    """Return the permission class of a rule. It carries the rule as ``rule``."""

    class FollowsRule(BasePermission):
        rule = which

        def has_permission(self, request: Request, view: Any) -> bool:
            if awaits_second_factor(which, request.user):
                raise SecondFactorNeeded(NO_FACTOR)
            return admits(which, request.user)

    return FollowsRule
