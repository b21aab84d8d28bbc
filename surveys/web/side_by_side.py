"""A household's own places side by side over a season: a chart for one group, a table for all, and a caution."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext, ngettext
from django.utils.translation import gettext_lazy as _

from surveys.methods.feedback import Caution, HabitatRate, OwnCatch, OwnHabitats, own_habitats
from surveys.methods.level_records import OPEN_ABOVE
from surveys.web.beside import LEFT, RIGHT, ROW_EM, SCALE_EM
from surveys.web.charts import scale_ticks, words_of

#: What to bear in mind, as in the methods (``feedback_words.py``), to be translated.
CAUTIONS: dict[Caution, Any] = {
    Caution.ONE_HABITAT: _("All your traps stood in one kind of place. Try a second one next time."),
    Caution.ONE_NIGHT: _("This is one night only. One night can be luck."),
    Caution.FEW_NIGHTS: _("These are few nights. A lucky night can still change the picture."),
    Caution.DIFFERENT_NIGHTS: _("Your traps were open on different nights. The weather may explain the difference."),
    Caution.SETTLING_DIFFERS: _("Some holes were freshly dug and some were not. That changes the catch."),
    Caution.ENOUGH_NIGHTS: _("Several nights say more than one. It is still only one garden."),
}
#: Colours of Okabe and Ito for so many habitats; each row has its words as well.
COLOURS = 7


@dataclass(frozen=True, slots=True)
class NightMark:
    """One trap's night in the drawing: from where to where, in percent; the end is that of the scale for "or more"."""

    left: float
    right: float


@dataclass(frozen=True, slots=True)
class Place:
    """One habitat: its words and its drawing, in percent and em."""

    name: str
    words: str
    nights: str
    colour: int
    name_y: float
    line_y: float
    words_y: float
    left: float
    right: float
    mark: float
    night_marks: tuple[NightMark, ...]


def places_shown(catches: Sequence[OwnCatch], names: Mapping[int, str]) -> dict[str, Any]:
    """Return the chart of one group: its habitats, the scale, the reading and the caution. No query."""
    found = own_habitats(catches)
    ticks = scale_ticks(_highest(catches, found))
    rows = [_place(row, rate, catches, names, ticks[-1]) for row, rate in enumerate(found.habitats)]
    bottom = round(ROW_EM * len(rows), 2)
    return {
        "places": rows,
        "ticks": [(f"{tick:g}", _across(tick, ticks[-1]), _side(n, len(ticks))) for n, tick in enumerate(ticks)],
        "scale_y": bottom,
        "height": round(bottom + SCALE_EM, 2),
        "caution": CAUTIONS[found.caution],
    }


def table_shown(
    by_group: Mapping[str, Sequence[OwnCatch]], groups: Sequence[Any], habitats: Sequence[int]
) -> list[tuple[Any, list[str]]]:
    """Return a row for each group that was looked for: its rate in each habitat, in words. No query."""
    rows = []
    for group in groups:
        if catches := by_group.get(group.code):
            rates = {rate.habitat: rate_words(rate) for rate in own_habitats(catches).habitats}
            rows.append((group, [rates.get(habitat, "") for habitat in habitats]))
    return rows


def rate_words(rate: HabitatRate) -> str:
    """Say a rate per night as a family reads it: with a range where a class left one."""
    if math.isinf(rate.rate_high):
        return gettext("%(low)s or more") % {"low": words_of(rate.rate_low)}
    low, high = words_of(rate.rate_low), words_of(rate.rate_high)
    return low if low == high else gettext("%(low)s to %(high)s") % {"low": low, "high": high}


def _place(row: int, rate: HabitatRate, catches: Sequence[OwnCatch], names: Mapping[int, str], top: float) -> Place:
    ends = (rate.rate_low, min(rate.rate_high, top))
    own = [catch for catch in catches if catch.habitat == rate.habitat]
    return Place(
        name=names.get(rate.habitat) or gettext("place not told"),
        words=gettext("%(rate)s a night") % {"rate": rate_words(rate)},
        nights=ngettext("%(n)s night", "%(n)s nights", rate.nights) % {"n": rate.nights},
        colour=row % COLOURS + 1,
        name_y=round(ROW_EM * row + 1.2, 2),
        line_y=round(ROW_EM * row + 2.2, 2),
        words_y=round(ROW_EM * row + 3.8, 2),
        left=_across(ends[0], top),
        right=_across(ends[1], top),
        mark=_across((ends[0] + ends[1]) / 2, top),
        night_marks=tuple(_night(catch, top) for catch in own),
    )


def _night(catch: OwnCatch, top: float) -> NightMark:
    high = top if catch.high == OPEN_ABOVE else catch.high / catch.effort
    return NightMark(_across(catch.low / catch.effort, top), _across(high, top))


def _highest(catches: Sequence[OwnCatch], found: OwnHabitats) -> float:
    nights = [(catch.low if catch.high == OPEN_ABOVE else catch.high) / catch.effort for catch in catches]
    rates = [rate.rate_low if math.isinf(rate.rate_high) else rate.rate_high for rate in found.habitats]
    return max([*nights, *rates], default=0.0)


def _across(value: float, top: float) -> float:
    return round(LEFT + (RIGHT - LEFT) * min(value, top) / top, 2)


def _side(place: int, count: int) -> str:
    return {0: "start", count - 1: "end"}.get(place, "middle")
