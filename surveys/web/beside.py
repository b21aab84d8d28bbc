"""A night's catch beside comparable traps: words, a chart and its table, and nothing at all below the limits.

A band among traps, never a rank among people. Only where the band leaves out the middle is a difference told. With too
few traps of other households no number of theirs is shown, not even how many there are.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from surveys.methods.feedback import FEWEST_SITES, FEWEST_TRAPS, Basis, Beside, OwnCatch, place_beside
from surveys.methods.level_records import OPEN_ABOVE
from surveys.queries.feedback import others_of_the_season, own_catches
from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import USABLE_STATES, ReturnState, Standing
from surveys.web.words import say

#: Height of one row of a chart and of its scale, in em, and the room at both ends, in percent. Name, line and words
#: stand below each other, so that they fit a phone.
ROW_EM, SCALE_EM, LEFT, RIGHT = 4.9, 2.4, 4.0, 96.0
#: Households are numbered from 1, and one's own is not among those that are read: any other number will do.
_OWN = 0

#: Which traps a catch is set beside.
ALIKE: dict[Basis, Any] = {
    Basis.HABITAT_AND_SETTLING: _("same kind of place, hole just as old or new"),
    Basis.HABITAT: _("same kind of place"),
    Basis.ALL_HABITATS: _("all kinds of places"),
}
#: Where a band lies: its name in the style sheet, and its words. More, fewer, and not to be told apart.
PLACES: dict[str, Any] = {
    "more": _("more than most"),
    "fewer": _("fewer than most"),
    "alike": _("much like the others"),
    "few": _("too few traps yet"),
}
TOO_FEW = _("There are too few traps like yours yet. Look again when more nights have come in.")
#: Why a catch is not set beside others, by what stands in the way.
NOT_BESIDE: dict[str, Any] = {
    "waits": _("We set it beside other traps once a coordinator has looked at it."),
    "out": _("The trap was too different, so we do not set it beside other traps."),
    "gone": _("It is in no figure, so we do not set it beside other traps."),
    "empty": _("You counted no kind of animal, so there is nothing to set beside other traps."),
}


@dataclass(frozen=True, slots=True)
class Row:
    """One group of the comparison: words for all, places in percent and em for the drawing, None where too few."""

    code: str
    name: str
    soil_role: str
    caught: str
    any_caught: bool
    kind: str
    place: str
    sentences: str
    alike: str
    traps: int | None
    gardens: int | None
    name_y: float
    line_y: float
    words_y: float
    left: float | None
    right: float | None
    inner_left: float | None
    inner_right: float | None
    mark: float | None


def beside_shown(report: Any, lists: SeasonLists) -> dict[str, Any]:
    """Return what the page says of a catch beside others. At most four queries."""
    own = own_catches(report, _OWN)
    names = {group.code: group for group in lists.groups}
    if why := _in_the_way(report, own):
        return {"beside": [], "beside_told": NOT_BESIDE[why]}
    others = others_of_the_season(report, lists)
    placed = [(names[code], catch, place_beside(catch, others.of_group(code))) for code, catch in own.items()]
    return _told(placed)


def _in_the_way(report: Any, own: Mapping[str, OwnCatch]) -> str:
    if report.state == ReturnState.QUERIED:
        return "waits"
    if report.state not in {*USABLE_STATES, ReturnState.RECEIVED}:
        return "gone"
    if report.standing == Standing.OFF_PROTOCOL or not report.trap_nights:
        return "out"
    return "" if own else "empty"


def _told(placed: list[tuple[Any, OwnCatch, Beside]]) -> dict[str, Any]:
    if all(beside.basis == Basis.TOO_FEW for *_rest, beside in placed):
        return {"beside": [], "beside_told": TOO_FEW, "beside_needs": _needs()}
    # What was caught comes first and is drawn; what was not stands in the table alone.
    ordered = sorted(placed, key=lambda one: one[1].low == 0)
    rows = [_row(place, *one) for place, one in enumerate(ordered)]
    drawn = [row for row in rows if row.any_caught]
    return {
        "beside": rows,
        "beside_drawn": drawn,
        "beside_height": round(ROW_EM * len(drawn) + SCALE_EM, 2),
        "beside_scale_y": round(ROW_EM * len(drawn), 2),
        "beside_reading": reading(drawn or rows),
        "beside_needs": _needs() if any(row.kind == "few" for row in rows) else "",
    }


def _needs() -> str:
    return gettext("To set a trap beside others we need %(traps)s traps from %(gardens)s other gardens.") % {
        "traps": FEWEST_TRAPS,
        "gardens": FEWEST_SITES,
    }


def reading(rows: Iterable[Row]) -> str:
    """Return what the chart says, for those who would rather read, or cannot see."""
    by_kind: dict[str, list[str]] = {}
    for row in rows:
        by_kind.setdefault(row.kind, []).append(row.name)
    sentences = {
        "more": gettext("You caught more than most other traps of these: %(kinds)s."),
        "fewer": gettext("You caught fewer than most other traps of these: %(kinds)s."),
        "alike": gettext("You caught about as many as others of these: %(kinds)s."),
        "few": gettext("Too few other traps looked for these yet: %(kinds)s."),
    }
    return " ".join(sentences[kind] % {"kinds": ", ".join(by_kind[kind])} for kind in sentences if kind in by_kind)


def _row(position: int, group: Any, catch: OwnCatch, beside: Beside) -> Row:
    few = beside.basis == Basis.TOO_FEW
    kind = kind_of(beside)
    return Row(
        code=group.code,
        name=say(group.name),
        soil_role=say(group.soil_role),
        caught=caught_words(catch.low, catch.high),
        any_caught=catch.low > 0,
        kind=kind,
        place=str(PLACES[kind]),
        sentences="" if few else sentences_of(beside),
        alike="" if few else str(ALIKE[beside.basis]),
        traps=None if few else beside.traps,
        gardens=None if few else beside.sites,
        name_y=round(ROW_EM * position + 1.2, 2),
        line_y=round(ROW_EM * position + 2.2, 2),
        words_y=round(ROW_EM * position + 3.8, 2),
        left=_across(beside.about_low),
        right=_across(beside.about_high),
        inner_left=_across(beside.percentile_low),
        inner_right=_across(beside.percentile_high),
        mark=_across(_middle(beside)),
    )


def kind_of(beside: Beside) -> str:
    """Say where the band lies: it is told from the middle only where it leaves the middle out."""
    if beside.about_low is None or beside.about_high is None:
        return "few"
    if beside.about_low > 0.5:
        return "more"
    return "fewer" if beside.about_high < 0.5 else "alike"


def _middle(beside: Beside) -> float | None:
    if beside.percentile_low is None or beside.percentile_high is None:
        return None
    return (beside.percentile_low + beside.percentile_high) / 2


def _across(share: float | None) -> float | None:
    """Return a place on the scale in whole percent of it: finer than that is not known."""
    return None if share is None else round(LEFT + (RIGHT - LEFT) * round(share, 2), 2)


def caught_words(low: int, high: int) -> str:
    """Say how many were caught, as a family reads it."""
    if high == 0:
        return gettext("none")
    if high == OPEN_ABOVE:
        return gettext("%(low)s or more") % {"low": low}
    return str(low) if low == high else gettext("%(low)s to %(high)s") % {"low": low, "high": high}


def sentences_of(beside: Beside) -> str:
    """Say how many of the comparable traps caught fewer and more, in tenths."""
    if beside.rate_high == 0:
        return _in_tenths(_ALSO_NONE, beside.same or 0.0)
    if not beside.below and not beside.above:
        return gettext("All of these traps caught as many, as far as we can tell.")
    return f"{_in_tenths(_FEWER, beside.below or 0.0)} {_in_tenths(_MORE, beside.above or 0.0)}"


#: A share in words: none, very few, tenths, nearly all, all.
_FEWER = {
    "none": _("None of these traps caught fewer."),
    "very_few": _("Very few of these traps caught fewer."),
    "nearly_all": _("Nearly all of these traps caught fewer."),
    "all": _("All of these traps caught fewer."),
}
_MORE = {
    "none": _("None of these traps caught more."),
    "very_few": _("Very few of these traps caught more."),
    "nearly_all": _("Nearly all of these traps caught more."),
    "all": _("All of these traps caught more."),
}
_ALSO_NONE = {
    "none": _("All of these traps caught some."),
    "very_few": _("Very few of these traps caught none."),
    "nearly_all": _("Nearly all of these traps caught none too."),
    "all": _("None of these traps caught any."),
}


def _in_tenths(words: Mapping[str, Any], share: float) -> str:
    whole = int(share * 10 + 0.5)
    if share in (0.0, 1.0):
        return str(words["all" if share else "none"])
    if whole in (0, 10):
        return str(words["nearly_all" if whole else "very_few"])
    if words is _FEWER:
        return gettext("About %(n)s in 10 of these traps caught fewer.") % {"n": whole}
    if words is _MORE:
        return gettext("About %(n)s in 10 of these traps caught more.") % {"n": whole}
    return gettext("About %(n)s in 10 of these traps caught none too.") % {"n": whole}
