"""The rule of each address, asked of :mod:`surveys.permissions`. Without a rule, nobody comes in."""

from __future__ import annotations

from functools import cache
from typing import Any

from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from surveys.permissions import Rule, admits


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
            return admits(which, request.user)

    return FollowsRule
