"""How to set a trap, with drawings; and the pages of the groups that may fall in."""

from __future__ import annotations

from typing import Any, NamedTuple

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils.translation import gettext_lazy as _

from surveys.permissions import Rule
from surveys.queries.safety import regions_with_dates
from surveys.web.access import page
from surveys.web.kinds import kind, kinds


class Step(NamedTuple):
    """One step: its drawing, its title, what to do, and what to watch out for."""

    drawing: str
    title: Any
    words: Any
    watch: Any


#: The numbers are those of protocol version 1.
STEPS = (
    Step(
        "guide_place",
        _("Choose the place"),
        _("Ask the owner of the ground. Choose a spot where nobody walks, such as lawn, hedge or border."),
        _("Keep traps 2 metres apart. Stay away from ponds, mouse holes, pipes, cables, lamps and pumps."),
    ),
    Step(
        "guide_dig",
        _("Dig a small hole"),
        _("An adult digs with a hand trowel. Make the hole as deep as the cup, about 10 cm."),
        _("Never use a spade or a fork. Stop at anything hard, at tape, at sand or at glass."),
    ),
    Step(
        "guide_cups",
        _("Put two cups in"),
        _("Use two clean cups, one inside the other. They are 75 mm wide and 100 mm deep."),
        _("65 to 90 mm wide is fine too. Do not go deeper than 120 mm, so that a frog or mouse can get out."),
    ),
    Step(
        "guide_rim",
        _("Set the rim level"),
        _("The rim is level with the soil, or just below. Press soil up to it by hand."),
        _("Leave no step and no gap. Small animals turn back at a rim that sticks up."),
    ),
    Step(
        "guide_lid",
        _("Put a lid on and wait"),
        _("Leave a tight lid on for 48 hours. Then the ground is calm again."),
        _("Do not walk close to it. Soil that was just dug makes some animals run about."),
    ),
    Step(
        "guide_moss",
        _("Open it and add moss"),
        _("One afternoon, take the lid off. Add a small pinch of damp moss or dry grass to hide in."),
        _("The moss must not reach the rim. The cup stays dry: never any liquid, bait, soap or antifreeze."),
    ),
    Step(
        "guide_cover",
        _("Put the cover on"),
        _("Set a flat cover on three sticks, 2 cm above the ground. Write down the time."),
        _("It must reach 3 cm past the cup on each side. Weigh it down, so that wind does not take it."),
    ),
    Step(
        "guide_look",
        _("Look at dusk and at dawn"),
        _("Look in at dusk and early next morning. Lift the cover and put it back."),
        _(
            "A shrew must eat every few hours. "
            "If you cannot look, let all animals go, put the lid on, and try another day."
        ),
    ),
    Step(
        "guide_lift",
        _("Lift it after 24 hours"),
        _("Take the inner cup out the next afternoon, 24 hours after you opened it. Write down the time."),
        _("Never leave it open longer. An adult lifts it and looks first."),
    ),
    Step(
        "guide_tray",
        _("Tip it into a white tray"),
        _("Tip the cup gently into a white tray with tall sides, in the shade. Pull the moss apart over it."),
        _("Use a soft brush or a spoon, not your fingers. Some animals nip or sting."),
    ),
    Step(
        "guide_count",
        _("Count each group"),
        _("Count the big and the fast ones first. Write down none if you looked and saw none."),
        _("A blank is not a none. If you could not tell, say so."),
    ),
    Step(
        "guide_let_go",
        _("Let them all go"),
        _("Let them go within the hour. Choose a shady spot in the same garden, 1 metre away or more."),
        _("Keep none and kill none. Let big hunters go apart from the small ones."),
    ),
    Step(
        "guide_fill",
        _("Close the trap"),
        _("Put the lid on for next time. Or lift both cups, fill the hole and press it firm."),
        _("Never leave an open cup behind. Wash your hands with soap."),
    ),
)


@page(Rule.ANYONE)
def guide(request: HttpRequest) -> HttpResponse:
    """Show how to set a trap."""
    return render(request, "guide/guide.html", {"steps": STEPS, "regions": regions_with_dates()})


urlpatterns = [
    path("guide/", guide, name="guide"),
    path("kinds/", kinds, name="kinds"),
    path("kinds/<slug:code>/", kind, name="kind"),
]
