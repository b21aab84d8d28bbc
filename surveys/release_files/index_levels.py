"""The level of one group in one season of a release: a part of its index series.

It reads the columns that it needs and no more, so that a season of a million returns fits into little memory. A part
is a function of what it is given: who does it, and beside what, moves no digit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from surveys.methods.indices import estimate_level
from surveys.methods.level_records import LevelInput, LevelResult, LevelSettings
from surveys.methods.season_frame import LevelRows, SeasonList
from surveys.methods.season_index import RIM_EXPONENTS
from surveys.release_files.index_columns import OF_CHANGE, Columns


@dataclass(frozen=True, slots=True)
class LevelPart:
    """The level of a ``group``, by its place on the lists of the ``season`` of that number."""

    columns: Columns
    season: int
    lists: SeasonList
    group: int
    settings: LevelSettings


def find_level(part: LevelPart) -> dict[int, LevelResult]:
    """Estimate the level of a group under every rim exponent, as a night does that holds no shared parts."""
    given = _level_rows(part)
    return {exponent: estimate_level(given.pop(exponent), part.settings) for exponent in RIM_EXPONENTS}


def _level_rows(part: LevelPart) -> dict[int, LevelInput]:
    """Return the rows of a group by rim exponent; they share all that does not depend on it."""
    frame = part.columns.frame(part.season, part.group, leave_out=OF_CHANGE)
    first = LevelRows(frame, part.lists).of_group(0, rim_exponent=RIM_EXPONENTS[0])
    known = frame.known(0)
    return {
        exponent: replace(first, effort=(frame.trap_nights * frame.rim_ratio**exponent)[known])
        for exponent in RIM_EXPONENTS
    }
