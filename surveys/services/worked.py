"""The worked half of a return: its state, and what the protocol check works out."""

from __future__ import annotations

from django.utils import timezone

from surveys import lifecycle
from surveys.methods.records import ProtocolResult
from surveys.models import Return
from surveys.vocabulary import ReturnState

#: Columns that :func:`move_return` sets.
MOVED = ("state", "version", "moved_at")
#: Columns that :func:`work_out` sets.
WORKED_OUT = ("standing", "exposure_h", "whole_nights", "trap_nights", "rim_ratio", "fresh")


def work_out(report: Return, result: ProtocolResult) -> None:
    """Write what the protocol check worked out onto a return. Nothing is saved here."""
    for column in WORKED_OUT:
        setattr(report, column, getattr(result, column))


def move_return(report: Return, to: ReturnState) -> None:
    """Move a locked return to the state ``to`` under a new version. Nothing is saved here.

    Raises :class:`surveys.lifecycle.CannotMove` where ``to`` may not follow.
    """
    report.state = lifecycle.move(report.state, to)
    report.version += 1
    report.moved_at = timezone.now()
