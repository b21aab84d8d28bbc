"""Which case an answer is: one small question per check, without any outcome.

Most checks are a word of a closed list or a range of one number; those that weigh several answers
against each other have a function of their own here. A missing answer is the case "unknown", and no
answer, however odd, raises.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from surveys.methods.daylight import Nights, Sky
from surveys.methods.protocol_checks_list import UNKNOWN, Check
from surveys.methods.protocol_limits import Limits
from surveys.methods.records import Report
from surveys.vocabulary import AnswerKind, Cover, Guard, HoleReuse, Liquid, Looks, Rain, TemperatureSource, TrapState


@dataclass(frozen=True, slots=True)
class Opening:
    """How long the trap was open (elapsed hours, clock changes included), and its nights."""

    hours: float
    nights: Nights


#: Words of the closed lists, gathered once.
_RAIN, _LOOKS = tuple(Rain.values()), tuple(Looks.values())
_TEMPERATURE_SOURCES = tuple(TemperatureSource.values())
_NAMED_LIQUIDS = frozenset(Liquid.values()) - {Liquid.NOTHING, Liquid.STANDING_WATER}
_PLACES = {HoleReuse.SAME_HOLE.value: "same_place", HoleReuse.NEW_HOLE.value: "new_place"}

Cases = tuple[str, ...]
Finder = Callable[[Report, Limits, Opening], Cases]


def find_cases(check: Check, report: Report, limits: Limits, opening: Opening) -> Cases:
    """Return the cases of one check, at least one."""
    if finder := _FINDERS.get(check.id):
        return finder(report, limits, opening)
    answer = getattr(report, check.asks[0])
    if check.banded:
        return (limits.rule(check.id).case_of(answer) or UNKNOWN,)
    return (_known_word(check, answer),)


def _known_word(check: Check, answer: object) -> str:
    """Return the answer if it is a word of the check's list, else "unknown"."""
    return answer if isinstance(answer, str) and answer in check.cases else UNKNOWN


def _is_uncovered(report: Report, limits: Limits) -> bool:
    """Say whether the trap had no cover in effect: none, one too high, or one that was lost."""
    too_high = limits.rule("cover_gap").case_of(report.cover_gap_mm) == "too_high"
    return report.cover == Cover.ABSENT or too_high or report.trap_state == TrapState.COVER_LOST


def _find_cover(report: Report, limits: Limits, _: Opening) -> Cases:
    """Say whether the trap was covered, and what fell on it if it was not."""
    if _is_uncovered(report, limits):
        return (f"absent_{report.rain if report.rain in _RAIN else 'rain_unknown'}",)
    return ("present" if report.cover == Cover.PRESENT else UNKNOWN,)


def _find_cover_kind(report: Report, _: Limits, __: Opening) -> Cases:
    """Ask for the kind of cover only where there was one."""
    if report.cover == Cover.ABSENT:
        return ("no_cover",)
    return (report.cover_kind if report.cover_kind in {"opaque", "clear"} else UNKNOWN,)


def _find_cover_gap(report: Report, limits: Limits, _: Opening) -> Cases:
    """Ask for the gap only where there was a cover."""
    if report.cover == Cover.ABSENT:
        return ("no_cover",)
    return (limits.rule("cover_gap").case_of(report.cover_gap_mm) or UNKNOWN,)


def _find_cover_width(report: Report, limits: Limits, _: Opening) -> Cases:
    """Compare the cover with the mouth plus a margin on each side."""
    if report.cover == Cover.ABSENT:
        return ("no_cover",)
    if report.cover_width_mm is None or report.mouth_mm is None:
        return (UNKNOWN,)
    least = report.mouth_mm + 2.0 * limits.rule("cover_width").number("margin_each_side_mm")
    return ("wide_enough" if report.cover_width_mm >= least else "narrow",)


def _find_guard(report: Report, limits: Limits, _: Opening) -> Cases:
    """Judge a mesh by its holes, and an open mouth by the looks it got."""
    if report.guard == Guard.MESH:
        return (limits.rule("guard").case_of(report.guard_hole_mm) or "mesh_unmeasured",)
    if report.guard == Guard.NO_GUARD:
        return ("no_guard_looked" if report.looks == Looks.DUSK_AND_DAWN else "no_guard",)
    return ("escape_stick" if report.guard == Guard.ESCAPE_STICK else UNKNOWN,)


def _find_liquid(report: Report, limits: Limits, _: Opening) -> Cases:
    """Take a named liquid at its word; otherwise let a measured depth of water speak."""
    if report.liquid in _NAMED_LIQUIDS:
        return (report.liquid,)
    if report.liquid == Liquid.STANDING_WATER or (report.water_mm or 0.0) > 0.0:
        return (limits.rule("liquid").case_of(report.water_mm) or "water_unmeasured",)
    return (Liquid.NOTHING if report.liquid == Liquid.NOTHING else UNKNOWN,)


def _find_same_place(report: Report, _: Limits, __: Opening) -> Cases:
    """A new hole may be a new place; only the household knows how far it is from the old one."""
    return (_PLACES.get(report.hole_reuse or "", UNKNOWN),)


def _find_spacing(report: Report, limits: Limits, _: Opening) -> Cases:
    """A single trap has no other one near it."""
    if report.traps_open == 1 and report.spacing_m is None:
        return ("single_trap",)
    return (limits.rule("spacing").case_of(report.spacing_m) or UNKNOWN,)


def _find_habitat(report: Report, _: Limits, __: Opening) -> Cases:
    """Any habitat of the season will do; a blank is none."""
    return ("answered" if report.habitat and report.habitat.strip() else UNKNOWN,)


def _find_time_order(_: Report, __: Limits, opening: Opening) -> Cases:
    """An exposure takes time."""
    return ("forward" if opening.hours > 0.0 else "backward",)


def _find_exposure(_: Report, limits: Limits, opening: Opening) -> Cases:
    """Hours first where they alone decide, then the nights, then the band of hours."""
    band = limits.rule("exposure").case_of(opening.hours) or UNKNOWN
    if opening.hours <= 0.0:
        return ("backward",)
    if band in {"too_short", "long", "too_long"}:
        return (band,)
    if opening.nights.whole == 1:
        return (band,)
    return ("two_nights" if opening.nights.whole > 1 else _night_missing(opening.nights.sky),)


def _night_missing(sky: Sky) -> str:
    """Say why there was no whole night: cut by the hours, or no sunset or sunrise at all."""
    return "night_cut" if sky == Sky.ORDINARY else sky.value


def _find_looks(report: Report, limits: Limits, opening: Opening) -> Cases:
    """No look at all weighs more the longer the trap was open."""
    if report.looks == Looks.NO_LOOK and opening.hours >= limits.rule("looks").number("no_look_long_h"):
        return ("no_look_long",)
    return (report.looks if report.looks in _LOOKS else UNKNOWN,)


def _find_temperature(report: Report, _: Limits, __: Opening) -> Cases:
    """Both temperatures, the lower one below, and where they come from."""
    if report.temp_min_c is None or report.temp_max_c is None:
        return (UNKNOWN,)
    if report.temp_min_c > report.temp_max_c:
        return ("swapped",)
    return (report.temp_source if report.temp_source in _TEMPERATURE_SOURCES else "source_unknown",)


def _find_weather_limits(report: Report, limits: Limits, _: Opening) -> Cases:
    """A night can be both too hot and too cold; it is suitable only when both ends are known."""
    rule = limits.rule("weather_limits")
    found = []
    if report.temp_max_c is not None and report.temp_max_c > rule.number("hottest_c"):
        found.append("too_hot")
    if report.temp_min_c is not None and report.temp_min_c < rule.number("coldest_c"):
        found.append("too_cold")
    if found:
        return tuple(found)
    return (UNKNOWN if report.temp_max_c is None or report.temp_min_c is None else "suitable",)


def _find_season_window(report: Report, _: Limits, __: Opening) -> Cases:
    """The whole exposure lies between the season's first and last instant, ends included."""
    if report.set_at < report.season_opens:
        return ("before",)
    return ("after" if report.emptied_at > report.season_closes else "inside",)


def _find_exact_counts(report: Report, limits: Limits, _: Opening) -> Cases:
    """A class is too soon when all of it could have been counted; the open class has no highest count."""
    if not any(answer.known for answer in report.answers):
        return (UNKNOWN,)
    exact_to = limits.rule("exact_counts").number("exact_to")
    classes = [answer for answer in report.answers if answer.kind == AnswerKind.CLASS and answer.known]
    found = []
    if any(answer.high is not None and answer.high <= exact_to for answer in classes):
        found.append("class_too_soon")
    if any(answer.high is None for answer in classes):
        found.append("open_class")
    return tuple(found) or ("exact",)


def _find_groups_answered(report: Report, _: Limits, __: Opening) -> Cases:
    """Without any answer the question whether all were looked for is idle."""
    if not report.answers:
        return ("no_answers",)
    return (report.looked_for_all if report.looked_for_all in {"yes", "no"} else UNKNOWN,)


_FINDERS: dict[str, Finder] = {
    "cover": _find_cover,
    "cover_kind": _find_cover_kind,
    "cover_gap": _find_cover_gap,
    "cover_width": _find_cover_width,
    "guard": _find_guard,
    "liquid": _find_liquid,
    "same_place": _find_same_place,
    "spacing": _find_spacing,
    "habitat": _find_habitat,
    "time_order": _find_time_order,
    "exposure": _find_exposure,
    "looks": _find_looks,
    "temperature": _find_temperature,
    "weather_limits": _find_weather_limits,
    "season_window": _find_season_window,
    "exact_counts": _find_exact_counts,
    "groups_answered": _find_groups_answered,
}
