"""The groups of animals: a page for each, with its drawing, how to tell it, and its look-alikes beside it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext_lazy as _

from surveys.permissions import Rule
from surveys.queries.kinds import KindFound, asked_groups, kind_by_code
from surveys.vocabulary import Tier
from surveys.web.access import page
from surveys.web.drawings import drawing_of
from surveys.web.hints import telling


class Notes(NamedTuple):
    """What the list of groups does not hold: how it moves, how to care for it, and what else counts here."""

    moves: Any
    care: Any = ""
    also: Any = ""


class Beside(NamedTuple):
    """A look-alike: its group, its drawing, and what tells the two apart."""

    group: Any
    drawing: str | None
    words: str


_STINGS = _("It may sting. Do not touch it, and keep your face away. An adult tips it out.")
_NIPS = _("It may nip. Move it with a soft brush or a spoon.")

#: How each group moves is that of the reference list, in a sentence; cautions as in the guide. From memory of
#: general field guides.
NOTES: Mapping[str, Notes] = {
    "woodlice": Notes(_("It walks slowly. Some roll up into a ball.")),
    "landhoppers": Notes(_("It jumps. It flicks its body and is gone.")),
    "millipedes": Notes(
        _("It walks slowly and smoothly. It often curls up."),
        _("Some let out a brown juice that stains. Wash your hands after."),
        _("Short shiny ones that roll up are pill millipedes. They count here too."),
    ),
    "centipedes": Notes(
        _("It runs fast and bends from side to side. It can climb out."),
        _("Big ones can bite. Do not touch it."),
    ),
    "spiders": Notes(
        _("It runs fast and can climb out."),
        _("Do not touch it. Some spiders bite. Read the safety page of your region first."),
    ),
    "harvestmen": Notes(
        _("It walks on long thin legs and can climb out."), _("Its legs break off with ease. Use a soft brush.")
    ),
    "mites": Notes(
        _("It walks slowly."),
        _("Ticks are here too. Look for ticks on your skin when you are done."),
    ),
    "false_scorpions": Notes(_("It walks slowly, and backs off when it is touched.")),
    "springtails": Notes(_("Most pop into the air when they are touched. Some only walk.")),
    "bristletails": Notes(_("It runs fast. Some of them jump.")),
    "earwigs": Notes(_("It runs fast and can climb out."), _("The pincers can nip a little. Use a soft brush.")),
    "crickets": Notes(_("It jumps far."), _("Count these first. Use a tray with tall sides.")),
    "cockroaches": Notes(
        _("It runs fast and hides."), "", _("Termites count here too. They are pale, soft, and have no waist.")
    ),
    "flat_bugs": Notes(_("It walks or runs."), _("Some can prick with their beak. Do not pick it up.")),
    "aphids_hoppers": Notes(_("Some jump, some fly, and greenfly walk slowly.")),
    "ants": Notes(
        _("It runs and can climb out."),
        _("Some ants bite or sting. Use a soft brush."),
        _("Ants with wings count here too."),
    ),
    "wasps_bees": Notes(_("It flies off. Tiny ones may only walk."), _STINGS),
    "ground_beetles": Notes(_("It runs fast on long legs."), _NIPS),
    "rove_beetles": Notes(
        _("It runs fast, bends its tail up, and can fly or climb out."),
        _("It may nip, and the juice of some burns the skin. Do not touch it. Use a brush."),
    ),
    "carrion_beetles": Notes(_("It walks and can fly off."), _("It often smells bad. Wash your hands after.")),
    "weevils": Notes(_("It walks slowly. It may lie still and play dead.")),
    "other_beetles": Notes(
        _("Most walk slowly. Some fly off."), _("The juice of some burns the skin. Use a soft brush.")
    ),
    "beetle_grubs": Notes(_("It crawls slowly or lies curled up.")),
    "caterpillars": Notes(
        _("It crawls slowly. Some hump their back as they walk."),
        _("Do not touch hairy ones. Their hairs can itch and burn."),
        _("The young of sawflies look the same. Count them here."),
    ),
    "flies": Notes(_("It flies off. Count it first."), "", _("Gnats, midges and crane flies count here too.")),
    "fly_maggots": Notes(_("It wriggles slowly.")),
    "snails": Notes(_("It glides slowly and can climb out."), _("Wash your hands after. Do not count empty shells.")),
    "slugs": Notes(_("It glides slowly on slime and can climb out."), _("Wash your hands after.")),
    "earthworms": Notes(
        _("It gets long and thin, then short and thick."), _("Keep it damp and in the shade, as it dries out fast.")
    ),
    "land_flatworms": Notes(
        _("It glides slowly. It is sticky."),
        _("Do not touch it with bare hands. Keep it apart, and tell your coordinator at once."),
    ),
    "scorpions": Notes(
        _("It runs, and it can sting."),
        _("Adults only. Do not touch it. Step back. Look under the cup as well, as it may sit there."),
    ),
}


#: These may bite or sting, which ones depends on where one lives: their pages lead to the safety pages.
BITES = frozenset({"centipedes", "spiders", "ants", "wasps_bees", "scorpions"})


@page(Rule.ANYONE)
def kinds(request: HttpRequest) -> HttpResponse:
    """List the groups that the season asks for."""
    groups = asked_groups()
    drawn = [(group, drawing_of(group.code)) for group in groups]
    tiers = [[row for row in drawn if row[0].tier == tier] for tier in (Tier.CORE, Tier.EXTRA)]
    return render(request, "guide/kinds.html", {"core": tiers[0], "extra": tiers[1]})


@page(Rule.ANYONE)
def kind(request: HttpRequest, code: str) -> HttpResponse:
    """Show one group."""
    found = kind_by_code(code)
    context = {"group": found.group, "drawing": drawing_of(code), "asked_for": found.asked_for, "bites": code in BITES}
    return render(request, "guide/kind.html", context | {"notes": NOTES.get(code), "alike": beside(found)})


def beside(found: KindFound) -> list[Beside]:
    """Return a group's look-alikes with their drawings and what tells them apart."""
    code = found.group.code
    return [Beside(each, drawing_of(each.code), telling(code, each.code)) for each in found.look_alikes]
