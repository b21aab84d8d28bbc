"""Look-alikes told apart at the moment of doubt: one sentence for each pair, the same on every page.

What tells a pair apart is written from memory of general field guides.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from django.utils.translation import gettext_lazy as _


class Pair(NamedTuple):
    """Two groups that are taken for one another, and what tells them apart."""

    one: str
    other: str
    words: Any


PAIRS = (
    Pair("woodlice", "other_beetles", _("Woodlouse or beetle? A woodlouse has fourteen legs. A beetle has six.")),
    Pair(
        "woodlice",
        "landhoppers",
        _("Woodlouse or landhopper? A landhopper is flat from side to side, and it flicks away."),
    ),
    Pair(
        "landhoppers",
        "springtails",
        _("Landhopper or springtail? A landhopper is bigger and has far more than six legs."),
    ),
    Pair(
        "millipedes",
        "centipedes",
        _("Millipede or centipede? A millipede has two pairs of legs on most rings and is slow."),
    ),
    Pair("millipedes", "beetle_grubs", _("Millipede or beetle grub? A grub has six legs at most, all near its head.")),
    Pair("centipedes", "earwigs", _("Centipede or earwig? An earwig has six legs, and pincers at its tail.")),
    Pair("centipedes", "rove_beetles", _("Centipede or rove beetle? A rove beetle has six legs and short wing cases.")),
    Pair("spiders", "harvestmen", _("Spider or harvestman? A spider has a waist. A harvestman is one round piece.")),
    Pair("spiders", "mites", _("Spider or mite? A mite has no waist, and most are as small as a dot.")),
    Pair(
        "harvestmen",
        "flies",
        _("Harvestman or crane fly? A crane fly has wings and six legs. A harvestman has eight legs."),
    ),
    Pair(
        "mites",
        "springtails",
        _("Mite or springtail? A mite is round with eight legs. A springtail has feelers, and most jump."),
    ),
    Pair("false_scorpions", "mites", _("False scorpion or mite? A false scorpion has two pincers, held out in front.")),
    Pair(
        "springtails", "bristletails", _("Springtail or bristletail? A bristletail has two or three long thin tails.")
    ),
    Pair(
        "bristletails",
        "earwigs",
        _("Bristletail or earwig? An earwig has hard pincers. A bristletail has thin soft tails."),
    ),
    Pair(
        "earwigs",
        "rove_beetles",
        _("Earwig or rove beetle? An earwig has pincers at its tail. A rove beetle has none."),
    ),
    Pair(
        "crickets",
        "cockroaches",
        _("Cricket or cockroach? A cricket has big back legs to jump with. A cockroach is flat and runs."),
    ),
    Pair("crickets", "landhoppers", _("Cricket or landhopper? A cricket has six legs. A landhopper has far more.")),
    Pair(
        "cockroaches",
        "other_beetles",
        _("Cockroach or beetle? A cockroach hides its head under a shield. Its feelers are very long."),
    ),
    Pair(
        "cockroaches",
        "ground_beetles",
        _("Cockroach or ground beetle? You can see the head and jaws of a ground beetle from above."),
    ),
    Pair(
        "flat_bugs",
        "other_beetles",
        _("Bug or beetle? The wing cases of a beetle meet in a line. A bug has a triangle on its back."),
    ),
    Pair(
        "aphids_hoppers",
        "springtails",
        _("Aphid or springtail? An aphid is soft and round like a pear, and it has a beak."),
    ),
    Pair(
        "aphids_hoppers", "flies", _("Hopper or fly? A hopper holds its wings like a tent. A fly has two clear wings.")
    ),
    Pair(
        "ants",
        "rove_beetles",
        _("Ant or rove beetle? An ant has a thin waist and bent feelers. A rove beetle has no waist."),
    ),
    Pair("ants", "wasps_bees", _("Ant or wasp? An ant has a bump on its waist and bent feelers.")),
    Pair(
        "ants",
        "spiders",
        _("Ant or spider? An ant has six legs and two feelers. A spider has eight legs and no feelers."),
    ),
    Pair("ants", "flies", _("Ant with wings or fly? The ant has four wings and a waist. The fly has two wings.")),
    Pair(
        "wasps_bees",
        "flies",
        _("Wasp or fly? A wasp has four wings and a waist. A fly has two wings and no waist."),
    ),
    Pair(
        "ground_beetles",
        "other_beetles",
        _("Ground beetle or other beetle? A ground beetle has long legs and thin feelers, and it runs fast."),
    ),
    Pair(
        "carrion_beetles",
        "ground_beetles",
        _("Carrion beetle or ground beetle? The feelers of a carrion beetle end in a club."),
    ),
    Pair(
        "rove_beetles",
        "beetle_grubs",
        _("Rove beetle or grub? A rove beetle has short hard wing cases. A grub has none."),
    ),
    Pair("weevils", "other_beetles", _("Weevil or other beetle? A weevil has a snout, and bent feelers on it.")),
    Pair(
        "beetle_grubs",
        "caterpillars",
        _("Grub or caterpillar? A caterpillar has soft stumps under its back half. A grub has none."),
    ),
    Pair(
        "beetle_grubs",
        "fly_maggots",
        _("Grub or maggot? A grub has a hard head, and most have six legs. A maggot has neither."),
    ),
    Pair(
        "caterpillars",
        "fly_maggots",
        _("Caterpillar or maggot? A caterpillar has legs and a clear head. A maggot has neither."),
    ),
    Pair(
        "fly_maggots",
        "earthworms",
        _("Maggot or earthworm? A maggot is short and stays short. A worm gets long and thin."),
    ),
    Pair("snails", "slugs", _("Snail or slug? A snail has a shell that it can hide in.")),
    Pair(
        "slugs",
        "land_flatworms",
        _("Slug or flatworm? A slug has feelers on its head. A flatworm has none, and it is flat and sticky."),
    ),
    Pair("slugs", "earthworms", _("Slug or earthworm? A worm has rings all along and no feelers.")),
    Pair(
        "earthworms",
        "land_flatworms",
        _("Earthworm or flatworm? A worm has rings. A flatworm is smooth, flat and sticky."),
    ),
    Pair(
        "scorpions",
        "false_scorpions",
        _("Scorpion or false scorpion? A scorpion has a tail with a sting. A false one is tiny and has no tail."),
    ),
)

_BY_PAIR: Mapping[frozenset[str], Pair] = {frozenset((pair.one, pair.other)): pair for pair in PAIRS}


def hints_for(code: str) -> tuple[str, ...]:
    """Return what tells a group from each of its look-alikes, in the language of the page."""
    return tuple(str(pair.words) for pair in PAIRS if code in (pair.one, pair.other))


def telling(one: str, other: str) -> str:
    """Return what tells two groups apart, in the language of the page; empty where nothing is written."""
    pair = _BY_PAIR.get(frozenset((one, other)))
    return str(pair.words) if pair else ""
