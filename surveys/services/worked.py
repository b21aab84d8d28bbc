"""The worked half of a return: its state, and what the protocol check works out."""

from __future__ import annotations

from collections.abc import Sequence

from django.db import connection
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


def save_together(rows: Sequence[Return], columns: Sequence[str]) -> None:
    """Save some columns of many returns in one statement.

    Django's own ``bulk_update`` writes a CASE for every value, which took longer than all of screening.
    """
    if not rows:
        return
    by_name = {field.name: field for field in Return._meta.concrete_fields}
    fields = [by_name[name] for name in ("id", *columns)]
    values = [[field.get_db_prep_save(getattr(row, field.attname), connection) for row in rows] for field in fields]
    told = ", ".join(f"%s::{field.db_type(connection)}[]" for field in fields)
    names = ", ".join(str(field.column) for field in fields)
    sets = ", ".join(f"{field.column} = told.{field.column}" for field in fields[1:])
    with connection.cursor() as cursor:
        cursor.execute(
            f"UPDATE surveys_return r SET {sets} FROM unnest({told}) AS told ({names}) WHERE r.id = told.id",  # noqa: S608
            values,
        )
