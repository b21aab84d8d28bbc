"""What the protocol check found, told to a family: what it means, and what to do next time.

One sentence or two for each check and outcome, without numbers, so that they can be translated and outlive a version
of the protocol. The precise sentence that is stored with a finding stands in a fold at the end of the page.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Protocol, TypeVar

from django.utils.translation import gettext_lazy as _

from surveys.methods.protocol_checks_list import ALL_CHECKS
from surveys.vocabulary import USABLE_STATES, Outcome, ReturnState, Standing


class Found(Protocol):
    """A finding, as far as its words hang on it."""

    @property
    def check_id(self) -> str: ...
    @property
    def outcome(self) -> str: ...


OfFound = TypeVar("OfFound", bound=Found)

_CUP: dict[tuple[str, str], Any] = {
    ("mouth_width", "offset"): _(
        "Your cup is a little wider or narrower than ours. We can allow for that. Your night counts."
    ),
    ("mouth_width", "out"): _(
        "Your cup is too wide or too narrow to compare. Other cups catch other animals. Try another cup next time."
    ),
    ("mouth_width", "note"): _("We do not know how wide your cup is. Measure across the inside of the top."),
    ("cup_depth", "covariate"): _("Your cup is low. Some animals climb out of it. We can allow for that."),
    ("cup_depth", "out"): _("Your cup is too low. Too many animals climb out of it. Use a deeper cup next time."),
    ("cup_depth", "hold"): _("Your cup is very deep. A mouse or a frog may not get out of it. Use a lower cup."),
    ("cup_depth", "note"): _("Look at how deep your cup is. Too deep a cup traps frogs. Measure it next time."),
    ("cup_material", "covariate"): _("More animals climb out of metal. We allow for that. Plastic is best."),
    ("cup_material", "note"): _("Smooth hard plastic is best. Glass can break, and card gets soft."),
    ("cup_wall", "note"): _("A clean, smooth wall works best. Wipe the cup before you set it."),
    ("cup_colour", "covariate"): _("A bright cup draws in more animals. We allow for that. Use a clear or brown cup."),
    ("cup_colour", "note"): _("We do not know the colour of your cup. Tell us next time."),
    ("cup_nesting", "covariate"): _("Two cups are better than one. You lift one out and need not dig again."),
    ("cup_nesting", "note"): _("We do not know if you used one cup or two. Tell us next time."),
    ("rim", "out"): _("The rim stood too high. Animals walk around it. Set it level with the soil next time."),
    ("rim", "note"): _("The rim should sit level with the soil. Press soil up to it next time."),
    ("rim_gap", "note"): _("Small animals fall into a gap around the rim. Pack it with soil by hand next time."),
    ("cover", "covariate"): _("The trap had no good cover, but the night was dry. Put a cover on sticks next time."),
    ("cover", "out"): _("The trap had no good cover, and it was wet. Wet cups catch badly. Put a cover on next time."),
    ("cover", "hold"): _("The trap had no good cover. Tell us if it rained. Put a cover on sticks next time."),
    ("cover", "note"): _("We do not know if the trap had a rain cover. Put one on sticks each time."),
    ("cover_kind", "note"): _("We do not know if light comes through the cover. Tell us next time."),
    ("cover_gap", "covariate"): _(
        "The gap under the cover was a bit too small or too big. We allow for that. A finger's width is about right."
    ),
    ("cover_gap", "out"): _("The gap under the cover was too small. Big beetles cannot get in. Lift it next time."),
    ("cover_gap", "note"): _("Look at the gap under the cover. If it is too high, rain and toads get in."),
    ("cover_width", "note"): _("The cover should reach well past the cup. Then slanting rain stays out."),
    ("guard", "covariate"): _("A stick helps frogs out, but small animals climb it too. A mesh is better."),
    ("guard", "note"): _("A fine mesh keeps mice and frogs out. If you have none, look at dusk and at dawn."),
    ("refuge", "out"): _("Moss or leaves came up to the rim. Animals climb out on them. Use a small pinch next time."),
    ("refuge", "note"): _("Animals in the cup need a place to hide. Add a pinch of damp moss next time."),
    ("liquid", "hold"): _(
        "There was something in the cup that must not be there. It can kill animals and pets, and hurt people. "
        "Close the trap now and keep pets away. Wash your hands. Then ask your coordinator what to do."
    ),
    ("liquid", "out"): _("The cup was not dry. We keep your night, but it does not count. Next time use a dry cup."),
    ("liquid", "note"): _("The cup must stay dry. Animals can drown in a little water. Use a wider cover next time."),
    ("drain_holes", "out"): _("The holes in the cup were too big. Small animals crawl out. Use tiny holes or none."),
    ("drain_holes", "note"): _("We do not know if the cup had holes. Tell us next time."),
}

_PLACE: dict[tuple[str, str], Any] = {
    ("settling", "covariate"): _(
        "The hole was freshly dug. Fresh holes catch in their own way. We allow for that. "
        "Let it rest with the lid on next time."
    ),
    ("settling", "note"): _("We do not know how long the trap had been in the soil. Write down when you dig it in."),
    ("hole_reuse", "covariate"): _("We do not know if the hole was new or old. We allow for that."),
    ("same_place", "note"): _("If the trap has moved to a new place, add it as a new trap."),
    ("disturbance", "covariate"): _("The ground near the trap was worked on. That stirs animals up. We allow for it."),
    ("disturbance", "note"): _("Feet near the trap stir animals up. Stay a step away from it next time."),
    ("pesticide", "note"): _("Poison near the trap can mean fewer animals. Wait some weeks before the next night."),
    ("traps_open", "note"): _("Tell us how many traps were open. A few more traps tell us more."),
    ("spacing", "note"): _("Traps that stand close share their animals. Set them some big steps apart next time."),
    ("traps_pooled", "covariate"): _("More than one trap is on one list. We allow for that. One list each is best."),
    ("traps_pooled", "hold"): _("We cannot tell how many traps this list is about. Send us the right number."),
    ("traps_pooled", "note"): _("We do not know how many traps this list is about. Tell us if you can."),
    ("habitat", "hold"): _("We do not know where the trap stood, and we never guess. Choose the place that fits best."),
    ("ground_cover", "note"): _("Look at the ground by the trap. Tell us how much of it is covered with plants."),
    ("vegetation", "note"): _("Look at the plants by the trap. Tell us how high they are."),
}

_NIGHT: dict[tuple[str, str], Any] = {
    ("time_order", "hold"): _("The trap was emptied before it was set. Look at both dates and times again."),
    ("exposure", "offset"): _(
        "The trap was open for a bit more or less than a day and a night. We can allow for that. Your night counts."
    ),
    ("exposure", "out"): _(
        "The trap was not open for one day and one whole night. So we cannot compare it. "
        "Set it one afternoon and empty it the next."
    ),
    ("time_precision", "hold"): _("We need the time of day as well as the date. Send us both times."),
    ("time_precision", "note"): _("We do not know how exact your times are. Look at a clock next time."),
    ("looks", "note"): _("Look at the trap at dusk and early in the morning. A shrew needs food every few hours."),
    ("temperature", "note"): _("We take the warmth of the night from a weather station. You need not do a thing."),
    ("rain", "note"): _("In hard rain a cup can fill up, and animals drown. Wait for a better night next time."),
    ("wind", "note"): _("We do not know how windy it was. Tell us next time."),
    ("ground_wetness", "note"): _("Touch the ground next time. Tell us if it is dry, damp or wet."),
    ("weather_limits", "note"): _("On very hot or cold days animals suffer in the cup. Look at the forecast first."),
    ("season_window", "note"): _("Your night was not in the weeks of this season. We keep it and show it on its own."),
}

_CATCH: dict[tuple[str, str], Any] = {
    ("trap_state", "out"): _(
        "The trap was lost, flooded or dug up. That is bad luck. We do not know what was in it, so it is no zero. "
        "Try again."
    ),
    ("trap_state", "note"): _("The trap did not look quite as you set it. Pack the soil firmly next time."),
    ("counted_in", "covariate"): _("Animals hide in the cup while you count. Tip them into a white tray next time."),
    ("counted_in", "note"): _("A white tray with tall sides is the best place to count in."),
    ("exact_counts", "note"): _("Count small crowds one by one. For a big crowd, a range is fine."),
    ("groups_answered", "note"): _("What you left blank counts as unknown. It does not count as none."),
    ("remains_seen", "note"): _("Loose legs or wings mean that someone was hungry. More moss to hide in helps."),
    ("vertebrate_seen", "hold"): _(
        "A larger animal was in the cup. An adult with gloves lays the cup on its side under thick plants and lets it "
        "walk out. Close the trap now. Your coordinator will be in touch."
    ),
    ("vertebrate_seen", "note"): _("We do not know if a mouse or a frog was in the cup. Tell us if you can."),
    ("release", "note"): _("Let the animals go within the hour, in the shade, a big step from the trap."),
    ("closing", "note"): _("Animals still fall into an open trap. Put a lid on it now, or lift it and fill the hole."),
}

#: One short text for each check and each outcome that a protocol version gives it.
WORDS: dict[tuple[str, str], Any] = {**_CUP, **_PLACE, **_NIGHT, **_CATCH}

#: Where a later version of the protocol gives a check an outcome that it had not before.
OTHERWISE: dict[str, Any] = {
    Outcome.FINE.value: _("This was just as we ask."),
    Outcome.NOTE.value: _("There is a small thing to look at next time."),
    Outcome.OFFSET.value: _("This was a little different. We can allow for that."),
    Outcome.COVARIATE.value: _("This was a little different. We can allow for that."),
    Outcome.HOLD.value: _("Your coordinator looks at this before it counts."),
    Outcome.OUT.value: _("This was too different to compare. We keep your night, but it does not count."),
}


def kind_words(finding: Found) -> str:
    """Return what a finding means and what to do next time, in the language of the page."""
    return str(WORDS.get((finding.check_id, finding.outcome)) or OTHERWISE[finding.outcome])


#: The first answer that each check reads: its own.
_ASKS = {check.id: check.asks[0] for check in ALL_CHECKS}
#: What no form asks a family: where the answer is missing, they are not told of it.
NEVER_ASKED = frozenset({"hole_reuse"})

#: A state in two or three words, as a family reads it.
STATES: dict[str, Any] = {
    ReturnState.RECEIVED: _("has arrived"),
    ReturnState.STANDING: _("in the figures"),
    ReturnState.QUERIED: _("waiting for a coordinator"),
    ReturnState.UPHELD: _("in the figures"),
    ReturnState.CORRECTED: _("put right, in the figures"),
    ReturnState.DISCOUNTED: _("kept, not in the figures"),
    ReturnState.WITHDRAWN: _("no longer in use"),
}
STANDINGS: dict[str, Any] = {
    Standing.TO_PROTOCOL: _("set just as we ask"),
    Standing.ADJUSTED: _("set a little differently"),
    Standing.OFF_PROTOCOL: _("set too differently to compare"),
}


def is_untold(finding: Found, report: Any) -> bool:
    """Say whether a finding is about an answer that is missing from a return."""
    return _missing(report, _ASKS.get(finding.check_id))


def told(findings: Iterable[OfFound], report: Any) -> list[OfFound]:
    """Return the findings that a family hears of: all, but for a missing answer to what no form asks."""
    return [one for one in findings if not _is_never_asked(one, report)]


def differs_in_nothing_told(report: Any) -> bool:
    """Say whether a return is adjusted for nothing else than answers that no form asks for."""
    carried = [one for one in report.findings.all() if one.outcome in (Outcome.OFFSET, Outcome.COVARIATE)]
    return report.standing == Standing.ADJUSTED and not told(carried, report)


def state_told(report: Any) -> str:
    """Return the state of a return for its family. One that is off protocol is in no figure, even if it is usable."""
    kept_only = report.standing == Standing.OFF_PROTOCOL and report.state in USABLE_STATES
    return str(STATES[ReturnState.DISCOUNTED if kept_only else report.state])


def standing_told(report: Any) -> str:
    """Return in a few words how a trap was set, for its family. Reads the findings of the return."""
    return str(STANDINGS[Standing.TO_PROTOCOL if differs_in_nothing_told(report) else report.standing])


def _is_never_asked(finding: Found, report: Any) -> bool:
    return _ASKS.get(finding.check_id) in NEVER_ASKED and is_untold(finding, report)


def _missing(report: Any, answer: str | None) -> bool:
    return answer is not None and getattr(report, answer, None) in (None, "")
