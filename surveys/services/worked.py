"""The worked half of a return: what the protocol check works out, written onto the row."""

from __future__ import annotations

from surveys.methods.records import ProtocolResult
from surveys.models import Return

#: Columns that :func:`work_out` sets.
WORKED_OUT = ("standing", "exposure_h", "whole_nights", "trap_nights", "rim_ratio", "fresh")


def work_out(report: Return, result: ProtocolResult) -> None:
    """Write what the protocol check worked out onto a return. Nothing is saved here."""
    for column in WORKED_OUT:
        setattr(report, column, getattr(result, column))
