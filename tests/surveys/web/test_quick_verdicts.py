"""The verdicts that are one press: which is offered first, and by which key."""

from __future__ import annotations

import pytest

from surveys.vocabulary import QueryReason
from surveys.web.quick_verdicts import quick_verdicts


def offered(reason: str | None) -> list[tuple[str, str, str]]:
    """Return key, decision and reason of each button, in their order."""
    found = quick_verdicts(reason, readings=(), answered=False)
    return [(one.key, one.decision.value, one.reason.value) for one in found]


@pytest.mark.parametrize("reason", ["safety", "liquid_words"])
def test_a_return_with_a_liquid_is_first_of_all_set_aside(reason: str) -> None:
    assert offered(reason) == [("3", "discounted", "liquid_used"), ("1", "upheld", "plausible_night")]
    stands = quick_verdicts(reason, readings=(), answered=False)[1]
    assert stands.fits == "If the cup was dry after all"


@pytest.mark.parametrize("reason", sorted({None, *QueryReason.values()} - {"safety", "liquid_words"}, key=str))
def test_every_other_return_is_first_of_all_let_stand(reason: str | None) -> None:
    assert [key for key, _, _ in offered(reason)] == ["1", "3"]
    assert all(one.fits == "" for one in quick_verdicts(reason, readings=(), answered=False))
