"""What a coordinator does about a case, in words, by what marked it."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _

from surveys.queries.cases import Case
from surveys.vocabulary import Closing, Liquid, QueryReason, Release

_ANTIFREEZE = _(
    "A preservative or antifreeze can kill a cat, a dog or a hedgehog. Write to the household at once: lid on, cup out "
    "of reach of pets, nothing poured away on the ground. Tell the welfare contact."
)
_LIQUID = _(
    "Something was in the cup that should be dry. Ask the household to lift the cup, rinse it and leave it empty. Then "
    "set the return aside if the liquid is certain."
)
_VERTEBRATE = _(
    "A larger animal was in the cup. Ask at once if it could leave and if it was hurt. Pass a hurt one on to the "
    "welfare contact. Do not tell anybody the place."
)
_NOT_RELEASED = _("The animals were not let go. Ask the household to let them go now, in the shade, near the trap.")
_LEFT_OPEN = _(
    "The trap was left open, so animals still fall in. Ask the household to put a lid on it or fill the hole."
)
_TOO_LONG = _("The trap was open for too long. Ask how the animals were, and what kept the household from coming.")
_READ = _(
    "Read the return and what the household wrote. If an animal or a person may be in need, tell the welfare contact."
)


def what_to_do(case: Case) -> list[Any]:
    """Return what to do about a case, the most pressing first; at least one sentence."""
    report = case.report
    liquids = set(Liquid.values()) - {Liquid.NOTHING, Liquid.STANDING_WATER}
    found = (
        (report.liquid == Liquid.PRESERVATIVE, _ANTIFREEZE),
        (report.vertebrate_seen == "yes", _VERTEBRATE),
        (report.liquid in liquids - {Liquid.PRESERVATIVE} or QueryReason.LIQUID_WORDS in case.reasons, _LIQUID),
        (report.release == Release.NOT_RELEASED, _NOT_RELEASED),
        (report.closing == Closing.LEFT_OPEN, _LEFT_OPEN),
        ("exposure" in case.checks, _TOO_LONG),
    )
    return [words for applies, words in found if applies] or [_READ]
