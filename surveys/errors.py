"""Refusals, in words for the person who can act, with a machine code beside them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with what was sent: where (a JSON Pointer), a code, a sentence."""

    pointer: str
    code: str
    sentence: str


class Refusal(Exception):
    """A rule said no. Carries a code, one sentence, and the faults behind it if there are any."""

    code = "refused"

    def __init__(self, sentence: str, *, code: str | None = None, faults: tuple[Fault, ...] = ()) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.code = code or self.code
        self.faults = faults


class Faulty(Refusal):
    """What was sent cannot be stored as it is: every fault is listed."""

    code = "faulty"


class NotAllowed(Refusal):
    """The person may see this, but may not do that."""

    code = "not_allowed"


class SecondFactorNeeded(NotAllowed):
    """The account has the role, but nobody has given its second factor."""

    code = "second_factor_needed"


class ScopeNeeded(NotAllowed):
    """The account may do this, but the token that came is for other uses."""

    code = "scope_needed"


class CodeNeeded(Refusal):
    """The password is right, and the account has a second factor: its code is missing."""

    code = "code_needed"


class WrongCode(Refusal):
    """A code of the second factor that is not right, old, or used before."""

    code = "wrong_code"


class TooSoon(Refusal):
    """The last code was wrong: the next one is looked at after ``wait_s`` seconds."""

    code = "too_soon"

    def __init__(self, sentence: str, *, wait_s: int) -> None:
        super().__init__(sentence)
        self.wait_s = wait_s


class NotFound(Refusal):
    """No such thing, or none that this person may know of."""

    code = "not_found"


class Conflict(Refusal):
    """The request contradicts what is already stored."""

    code = "conflict"


class Stale(Refusal):
    """Somebody else moved the record since it was read."""

    code = "stale"


class StillRunning(Refusal):
    """The same request is being worked on at this moment."""

    code = "still_running"


class KeyReused(Refusal):
    """An idempotency key came back with another request behind it."""

    code = "key_reused"
