"""The chance to see a change, in sentences, as a table and as a chart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from surveys.methods.design import nights_for_power, power_at, power_of_change, sites_for_power
from surveys.methods.design_records import DesignComponents, DesignSettings, PowerFigure, SurveyPlan
from surveys.methods.design_scatter import index_scatter
from surveys.methods.gates import MOST_SITES_ASKED
from surveys.queries.where_next import Footing
from surveys.web.power_chart import chance_by_gardens
from surveys.web.svg_frame import Chart

#: The usual aim: four times in five. Cohen (1988) Statistical Power Analysis, 2.4 (from memory).
WANTED = 0.8
SETTINGS = DesignSettings()
FEWEST_GARDENS = 2
#: Points of a curve, and how far it goes beyond what is needed.
POINTS, BEYOND = 12, 1.4
#: As far as a curve goes where no number of gardens is enough.
FAR = 400


@dataclass(frozen=True, slots=True)
class Power:
    """What a plan can see of one loss: chance with the gardens of now (None: too few to be shown), gardens for 80 %."""

    loss: int
    chance: float | None
    code: str
    needed: int | None


@dataclass(frozen=True, slots=True)
class PowerShown:
    """What the page says: sentences, the table's rows in words, the chart, and what it all rests on."""

    sentences: tuple[str, ...]
    rows: tuple[tuple[str, str, str], ...]
    chart: Chart
    rests_on: tuple[str, ...]


def power_shown(
    base: Footing, region: str, *, losses: Sequence[int], loss: int, nights: int, base_seasons: int
) -> PowerShown:
    """Return what the page says of the chance to see a loss. No query; a tenth of a second, kept for later."""
    plans = {one: _plan(base, one, nights, base_seasons) for one in losses}
    found = {one: _power(one, base.gardens, base.components, plan) for one, plan in plans.items()}
    return PowerShown(
        sentences=tuple(_sentences(found[loss], base, plans[loss])),
        rows=tuple(
            (_("{loss} %").format(loss=one.loss), _chance_cell(one.chance), _needed_cell(one.needed))
            for one in found.values()
        ),
        chart=_chart(found[loss], base, plans[loss]),
        rests_on=tuple(_rests_on(base, region)),
    )


def _plan(base: Footing, loss: int, nights: int, base_seasons: int) -> SurveyPlan:
    return SurveyPlan(nights, nights, base_seasons, base.rate, 1.0 - loss / 100.0)


@lru_cache(maxsize=512)
def _power(loss: int, gardens: int, components: DesignComponents, plan: SurveyPlan) -> Power:
    found = sites_for_power(WANTED, components, plan, SETTINGS)
    needed = found.sites if found else None
    if gardens < FEWEST_GARDENS:
        return Power(loss, None, "few_sites", needed)
    figure = power_of_change(min(gardens, MOST_SITES_ASKED), components, plan, SETTINGS)
    return Power(loss, chance_of(figure), figure.code, needed)


def chance_of(figure: PowerFigure) -> float | None:
    """Return the chance that the index shows the change; None where its gate would not let it be shown at all."""
    return figure.power if figure.code == "planned" else None


@lru_cache(maxsize=512)
def _nights_needed(gardens: int, components: DesignComponents, plan: SurveyPlan) -> int | None:
    found = nights_for_power(WANTED, gardens, components, plan, SETTINGS)
    return found[0] if found else None


def _sentences(found: Power, base: Footing, plan: SurveyPlan) -> list[str]:
    return [_now_words(found, base), _needed_words(found, base), _nights_words(found, base, plan)]


def _now_words(found: Power, base: Footing) -> str:
    if base.gardens == 0:
        return _("No garden has sent a return from there yet, so no change can be seen.")
    if found.chance is None:
        reason = {
            "few_sites": _("A change is shown from {gardens} gardens on.").format(gardens=SETTINGS.gate_sites),
            "few_animals": _("They would catch too few of these animals to show a change."),
            "few_effective_sites": _("Too much of the catch comes from a few of them to show a change."),
        }[found.code]
        words = ngettext(
            "With today's {n} garden, no change can be seen.",
            "With today's {n} gardens, no change can be seen.",
            base.gardens,
        )
        return f"{words.format(n=base.gardens)} {reason}"
    words = ngettext(
        "If today's {n} garden takes part again, the chance to see it is {chance}.",
        "If today's {n} gardens take part again, the chance to see it is {chance}.",
        base.gardens,
    )
    return words.format(n=base.gardens, chance=in_100(found.chance))


def _needed_words(found: Power, base: Footing) -> str:
    if found.needed is None:
        return _("No number of gardens makes it likely with so few nights and animals.")
    more = found.needed - base.gardens
    if more <= 0:
        return _("For a chance of 80 in 100 it takes {needed} gardens, so there are enough.").format(
            needed=found.needed
        )
    return ngettext(
        "For a chance of 80 in 100 it takes {needed} gardens: {more} more.",
        "For a chance of 80 in 100 it takes {needed} gardens: {more} more.",
        more,
    ).format(needed=found.needed, more=more)


def _nights_words(found: Power, base: Footing, plan: SurveyPlan) -> str:
    """Say what more nights would do, where gardens are too few and there are some."""
    enough = found.needed is not None and found.needed <= base.gardens
    if enough or base.gardens < FEWEST_GARDENS:
        return ""
    nights = _nights_needed(min(base.gardens, MOST_SITES_ASKED), base.components, plan)
    if nights is None:
        return _("More nights in today's gardens are not enough.")
    return _("Or it takes {nights} nights in each of today's gardens, in each season.").format(nights=nights)


def _chart(found: Power, base: Footing, plan: SurveyPlan) -> Chart:
    top = round(max(BEYOND * (found.needed or FAR / BEYOND), BEYOND * base.gardens, 2 * SETTINGS.gate_sites))
    curve = _curve(min(top, MOST_SITES_ASKED), base.gardens, found.needed, base.components, plan)
    return chance_by_gardens(loss=found.loss, curve=curve, now=base.gardens, needed=found.needed, wanted=WANTED)


@lru_cache(maxsize=256)
def _curve(
    top: int, now: int, needed: int | None, components: DesignComponents, plan: SurveyPlan
) -> tuple[tuple[int, float | None], ...]:
    """Return gardens with their chance: evenly apart, and those of now and those needed among them."""
    scatter = index_scatter(components, plan, SETTINGS)
    first = SETTINGS.gate_sites
    even = {round(first + (top - first) * place / (POINTS - 1)) for place in range(POINTS)}
    wanted = sorted(even | {one for one in (now, needed) if one and FEWEST_GARDENS <= one <= top})
    return tuple((sites, chance_of(power_at(sites, scatter, plan, SETTINGS))) for sites in wanted)


def _rests_on(base: Footing, region: str) -> list[str]:
    rate = {
        "region": _("The catch: the season's own figure of {region}, {rate} per trap-night."),
        "other_regions": _(
            "The catch: {region} shows no figure yet, so we take the mean of the regions that do, {rate} per "
            "trap-night."
        ),
        "planning": _("The catch: no region shows a figure yet, so we take a planning value, {rate} per trap-night."),
    }[base.rate_from].format(region=region, rate=number_format(float(f"{base.rate:.2g}")))
    unequal = {
        "season": _("How much gardens and nights differ: from this season's own returns."),
        "leaning": _(
            "How much gardens and nights differ: from this season's own returns, which lean on planning values because "
            "few gardens had such animals."
        ),
        "planning": _("How much gardens and nights differ: planning values, as no night has learned it yet."),
    }[base.components_from]
    return [
        rate,
        unequal,
        _("How much a garden changes from year to year: a planning value."),
        _("All gardens come back, each with the same number of nights. Invite more, as some will not."),
    ]


def in_100(chance: float) -> str:
    """Return a chance as so many in a hundred, never as none and never as all."""
    if chance < 0.01:
        return _("less than 1 in 100")
    if chance > 0.99:
        return _("more than 99 in 100")
    return _("{n} in 100").format(n=round(100 * chance))


def _chance_cell(chance: float | None) -> str:
    return _("none: not shown") if chance is None else in_100(chance)


def _needed_cell(needed: int | None) -> str:
    return _("no number is enough") if needed is None else str(needed)
