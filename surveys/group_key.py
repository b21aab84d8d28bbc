"""Which group is it? A key of questions that a nine-year-old answers by looking.

Pure: questions and answers are data, and a few small functions walk them. Every answer leads to another question or
to an end: the code of a group, :data:`COULD_NOT_TELL` or :data:`NOT_LISTED`. "I cannot see that" is an answer too.

The order of the questions and the characters they ask for are our own, written from memory of general field guides.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

FIRST = "legs"
COULD_NOT_TELL = "could_not_tell"
NOT_LISTED = "not_listed"


def _(text: str) -> str:
    """Mark a text for the translators; the page sets it in the reader's language."""
    return text


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer to a question: its words, where it leads, and the drawing beside it."""

    words: str
    leads_to: str
    drawing: str


@dataclass(frozen=True, slots=True)
class Ask:
    """One question: what to look at, the answers, and where "I cannot see that" leads."""

    name: str
    words: str
    hint: str
    choices: tuple[Choice, ...]
    unsure: str

    @property
    def ways(self) -> tuple[str, ...]:
        """Every place this question leads to, that of "I cannot see that" last."""
        return (*(choice.leads_to for choice in self.choices), self.unsure)


_ASKED = (
    Ask(
        "legs",
        _("How many legs does it have?"),
        _("Count the legs on one side, then double it. Feelers on the head are not legs."),
        (
            Choice(_("No legs"), "shell", "key_no_legs"),
            Choice(_("Six legs"), "back_end", "key_six_legs"),
            Choice(_("Eight legs"), "pincers", "key_eight_legs"),
            Choice(_("More than eight"), "many_legs", "key_many_legs"),
        ),
        "looks_like",
    ),
    Ask(
        "looks_like",
        _("What does it look like most?"),
        _("Choose the one that comes close."),
        (
            Choice(_("A worm or a slug"), "shell", "key_no_legs"),
            Choice(_("A beetle, fly or ant"), "back_end", "key_six_legs"),
            Choice(_("A spider"), "pincers", "key_eight_legs"),
            Choice(_("A tiny dot or crumb"), "crumb", "key_crumb"),
        ),
        COULD_NOT_TELL,
    ),
    # --- no legs ---------------------------------------------------------------------------------
    Ask(
        "shell",
        _("Does it carry a shell?"),
        _("An empty shell is not counted."),
        (
            Choice(_("Yes, a shell to hide in"), "snails", "snails"),
            Choice(_("No shell"), "rings", "slugs"),
        ),
        "rings",
    ),
    Ask(
        "rings",
        _("Are there rings all along its body?"),
        _("Rings look like the folds of a hose. Use a lens if you have one."),
        (
            Choice(_("Yes, rings"), "ringed", "key_rings"),
            Choice(_("No, it is smooth or only a bit rough"), "feelers", "key_smooth"),
        ),
        "feelers",
    ),
    Ask(
        "feelers",
        _("Does it have feelers on its head?"),
        _("Wait a little. It may have pulled them in."),
        (
            Choice(_("Yes, four soft feelers"), "slugs", "key_slug_head"),
            Choice(_("No feelers at all"), "flat_body", "key_flatworm_head"),
        ),
        "flat_body",
    ),
    Ask(
        "flat_body",
        _("How thick is its body?"),
        _("Look at it from the side."),
        (
            Choice(_("Plump, with a flat foot under it"), "slugs", "key_plump"),
            Choice(_("Flat and sticky, like a ribbon"), "land_flatworms", "key_ribbon"),
        ),
        COULD_NOT_TELL,
    ),
    Ask(
        "ringed",
        _("What do you see at its head end?"),
        _("The head end goes first when it moves."),
        (
            Choice(_("A hard brown head"), "beetle_grubs", "key_hard_head"),
            Choice(_("No clear head. Short and pale or grey"), "fly_maggots", "fly_maggots"),
            Choice(_("No clear head. Long and thin, pink or brown"), "earthworms", "earthworms"),
        ),
        "ringed_moves",
    ),
    Ask(
        "ringed_moves",
        _("How does it move?"),
        _("Watch it for a minute."),
        (
            Choice(_("It gets long and thin, then short and thick"), "earthworms", "key_stretch"),
            Choice(_("It wriggles or rolls, and stays short"), "fly_maggots", "key_wriggle"),
        ),
        COULD_NOT_TELL,
    ),
    # --- more than eight legs --------------------------------------------------------------------
    Ask(
        "many_legs",
        _("What shape is it?"),
        _("Look at it from above."),
        (
            Choice(_("Long and thin, with legs all along"), "leg_pairs", "key_many_legs"),
            Choice(_("Oval, with hard plates"), "plates", "woodlice"),
            Choice(_("Like a tiny shrimp, flat from side to side"), "landhoppers", "landhoppers"),
            Choice(_("Soft like a worm, with stumps for back legs"), "caterpillars", "caterpillars"),
        ),
        "many_moves",
    ),
    Ask(
        "many_moves",
        _("Touch it softly with a brush. What does it do?"),
        _("Do not touch hairy ones. Hairs can itch and burn."),
        (
            Choice(_("It flicks itself away"), "landhoppers", "key_flick"),
            Choice(_("It rolls up or walks off slowly"), "plates", "key_ball"),
            Choice(_("It runs off fast"), "leg_pairs", "key_run"),
        ),
        COULD_NOT_TELL,
    ),
    Ask(
        "plates",
        _("Count the legs on one side. How many are there?"),
        _("Turn it over with a brush, or look through a clear cup."),
        (
            Choice(_("Seven"), "woodlice", "key_seven_legs"),
            Choice(_("Far more than seven"), "millipedes", "key_pill_legs"),
        ),
        "plates_colour",
    ),
    Ask(
        "plates_colour",
        _("What are its plates like?"),
        _("Some millipedes are short and roll up like woodlice."),
        (
            Choice(_("Grey or brown, with small plates at the tail"), "woodlice", "key_woodlouse_tail"),
            Choice(_("Black and shiny, with one big plate at the tail"), "millipedes", "key_pill_tail"),
        ),
        COULD_NOT_TELL,
    ),
    Ask(
        "leg_pairs",
        _("Look at one ring in the middle. How many legs does it have?"),
        _("A lens helps here."),
        (
            Choice(_("Two legs on each side"), "millipedes", "key_two_pairs"),
            Choice(_("One leg on each side"), "centipedes", "key_one_pair"),
        ),
        "long_moves",
    ),
    Ask(
        "long_moves",
        _("How does it move?"),
        _("Watch it for a minute."),
        (
            Choice(_("Fast, and it bends from side to side"), "centipedes", "centipedes"),
            Choice(_("Slow and smooth. It may curl up"), "millipedes", "key_curled"),
        ),
        COULD_NOT_TELL,
    ),
    # --- eight legs ------------------------------------------------------------------------------
    Ask(
        "pincers",
        _("Does it have pincers in front, like a crab?"),
        _("Do not touch it. If it has a tail with a sting, call an adult."),
        (
            Choice(_("No pincers"), "waist", "spiders"),
            Choice(_("Pincers, and no tail. Tiny"), "false_scorpions", "false_scorpions"),
            Choice(_("Pincers, and a long tail with a sting"), "scorpions", "scorpions"),
        ),
        "waist",
    ),
    Ask(
        "waist",
        _("Is its body in one part or in two?"),
        _("Look for a thin waist."),
        (
            Choice(_("Two parts, with a waist"), "spiders", "key_two_parts"),
            Choice(_("One round part"), "leg_length", "key_one_part"),
        ),
        "leg_length",
    ),
    Ask(
        "leg_length",
        _("How long are its legs?"),
        _("Think of its body as one step."),
        (
            Choice(_("Many steps long, and thin as a thread"), "harvestmen", "harvestmen"),
            Choice(_("One or two steps long"), "round_size", "key_middle_legs"),
            Choice(_("Very short"), "round_size", "mites"),
        ),
        "round_size",
    ),
    Ask(
        "round_size",
        _("How big is its body?"),
        _("Hold a pin beside it."),
        (
            Choice(_("As small as the head of a pin"), "mites", "key_crumb"),
            Choice(_("Bigger, with a waist after all"), "spiders", "key_two_parts"),
            Choice(_("Bigger, and round without a waist"), "harvestmen", "key_one_part"),
        ),
        COULD_NOT_TELL,
    ),
    # --- six legs --------------------------------------------------------------------------------
    Ask(
        "back_end",
        _("Look at its back end and its back legs. What do you see?"),
        _("Use a lens if it is small."),
        (
            Choice(_("Pincers at the tail"), "earwigs", "key_tail_pincers"),
            Choice(_("Two or three long thin tails"), "bristletails", "key_thin_tails"),
            Choice(_("Big strong back legs for jumping"), "crickets", "key_jumping_legs"),
            Choice(_("None of these"), "back", "key_plain_end"),
        ),
        "back",
    ),
    Ask(
        "back",
        _("What covers its back?"),
        _("Look from above."),
        (
            Choice(_("Stiff covers over all of its back"), "covers", "key_full_covers"),
            Choice(_("Very short covers, and a long bare tail"), "rove_beetles", "key_short_covers"),
            Choice(_("Thin soft wings"), "wings", "key_soft_wings"),
            Choice(_("No wings and no covers"), "no_wings", "key_no_wings"),
        ),
        "six_moves",
    ),
    Ask(
        "six_moves",
        _("How does it get away?"),
        _("Watch it. Touch it softly with a brush."),
        (
            Choice(_("It pops or jumps"), "crumb", "key_pop"),
            Choice(_("It flies"), "wings", "key_fly"),
            Choice(_("It runs fast"), "beetle_shape", "key_run"),
            Choice(_("It crawls slowly"), "no_wings", "key_crawl"),
        ),
        COULD_NOT_TELL,
    ),
    Ask(
        "covers",
        _("Look at its head, and just behind it. What do you see?"),
        _("Look from above and from the side."),
        (
            Choice(_("A long snout"), "weevils", "key_snout"),
            Choice(_("A triangle on the back, and covers that cross"), "flat_bugs", "key_triangle"),
            Choice(_("The head hides under a shield. Long feelers"), "cockroaches", "key_shield"),
            Choice(_("None of these. The covers meet in a line"), "beetle_shape", "key_full_covers"),
        ),
        "beetle_shape",
    ),
    Ask(
        "beetle_shape",
        _("It is a beetle. Which one is most like it?"),
        _("Watch how it walks as well."),
        (
            Choice(_("A shiny runner with long legs and thin feelers"), "ground_beetles", "ground_beetles"),
            Choice(_("Big, flat or with orange bands. Feelers like clubs"), "carrion_beetles", "carrion_beetles"),
            Choice(_("Round, hairy, or slow. Not like the other two"), "other_beetles", "other_beetles"),
        ),
        "beetle_moves",
    ),
    Ask(
        "beetle_moves",
        _("How does the beetle move?"),
        _("Watch it for a minute."),
        (
            Choice(_("It runs fast on long legs"), "ground_beetles", "key_run"),
            Choice(_("It walks slowly, or it flies"), "other_beetles", "key_crawl"),
        ),
        COULD_NOT_TELL,
    ),
    Ask(
        "wings",
        _("What are its wings like?"),
        _("Do not touch it, as it may sting."),
        (
            Choice(_("Two clear wings"), "flies", "key_two_wings"),
            Choice(_("Four clear wings"), "elbow", "key_four_wings"),
            Choice(_("Held over the back like a tent. Small"), "aphids_hoppers", "key_tent"),
            Choice(_("Dusty, and you cannot see through them"), NOT_LISTED, "key_dusty"),
        ),
        "wing_waist",
    ),
    Ask(
        "wing_waist",
        _("Does it have a thin waist?"),
        _("Look at the middle of its body."),
        (
            Choice(_("Yes, a thin waist"), "elbow", "key_waist"),
            Choice(_("No waist"), "flies", "key_no_waist"),
        ),
        COULD_NOT_TELL,
    ),
    Ask(
        "elbow",
        _("Look at its feelers and its waist. What are they like?"),
        _("Look from the side. Do not touch it, as it may sting."),
        (
            Choice(_("Feelers bent like an elbow, and a bump on the waist"), "ants", "key_elbow"),
            Choice(_("Feelers straight or softly curved, and no bump"), "wasps_bees", "key_straight"),
        ),
        COULD_NOT_TELL,
    ),
    Ask(
        "no_wings",
        _("What shape is it?"),
        _("Look from above."),
        (
            Choice(_("Long and soft, like a worm with legs"), "stumps", "key_soft_long"),
            Choice(_("With a thin waist"), "elbow", "ants"),
            Choice(_("Flat and oval"), "flat_oval", "key_flat_oval"),
            Choice(_("A tiny dot or crumb"), "crumb", "key_crumb"),
        ),
        "crumb",
    ),
    Ask(
        "stumps",
        _("What is its back half like?"),
        _("Do not touch hairy ones. Hairs can itch and burn."),
        (
            Choice(_("Soft stumps under it. It holds on with them"), "caterpillars", "key_stumps"),
            Choice(_("Legs only near the head. It may curl like a C"), "beetle_grubs", "beetle_grubs"),
        ),
        COULD_NOT_TELL,
    ),
    Ask(
        "flat_oval",
        _("Where is its head?"),
        _("Look from above."),
        (
            Choice(_("Hidden under a shield. Long feelers"), "cockroaches", "key_shield"),
            Choice(_("Easy to see, with a beak folded under it"), "flat_bugs", "key_beak"),
        ),
        COULD_NOT_TELL,
    ),
    Ask(
        "crumb",
        _("Touch it softly with a brush. What does it do, and what is its shape?"),
        _("Use a lens. It is very small."),
        (
            Choice(_("It pops away"), "springtails", "key_pop"),
            Choice(_("It walks, and is long like a grain"), "springtails", "key_grain"),
            Choice(_("It walks, and is a round dot. Often red or brown"), "mites", "mites"),
            Choice(_("It is soft and fat like a pear, or shaped like a wedge"), "aphids_hoppers", "aphids_hoppers"),
        ),
        COULD_NOT_TELL,
    ),
)

KEY: Mapping[str, Ask] = {ask.name: ask for ask in _ASKED}

#: What is said at each end that is a group.
ENDS: Mapping[str, str] = {
    "woodlice": _("It is a woodlouse."),
    "landhoppers": _("It is a landhopper."),
    "millipedes": _("It is a millipede."),
    "centipedes": _("It is a centipede."),
    "spiders": _("It is a spider."),
    "harvestmen": _("It is a harvestman."),
    "mites": _("It is a mite or a tick."),
    "false_scorpions": _("It is a false scorpion."),
    "springtails": _("It is a springtail."),
    "bristletails": _("It is a bristletail, a silverfish or a two-tail."),
    "earwigs": _("It is an earwig."),
    "crickets": _("It is a cricket or a grasshopper."),
    "cockroaches": _("It is a cockroach."),
    "flat_bugs": _("It is a flat bug."),
    "aphids_hoppers": _("It is an aphid or a hopper."),
    "ants": _("It is an ant."),
    "wasps_bees": _("It is a wasp or a bee."),
    "ground_beetles": _("It is a ground beetle."),
    "rove_beetles": _("It is a rove beetle."),
    "carrion_beetles": _("It is a carrion beetle."),
    "weevils": _("It is a weevil."),
    "other_beetles": _("It is one of the other beetles."),
    "beetle_grubs": _("It is a beetle grub."),
    "caterpillars": _("It is a caterpillar."),
    "flies": _("It is a fly or a gnat."),
    "fly_maggots": _("It is a fly maggot."),
    "snails": _("It is a snail."),
    "slugs": _("It is a slug."),
    "earthworms": _("It is an earthworm."),
    "land_flatworms": _("It is a land flatworm."),
    "scorpions": _("It is a scorpion."),
}


def is_end(name: str) -> bool:
    """Say whether a name is an end of the key: a group, "could not tell" or "not listed"."""
    return name in ENDS or name in (COULD_NOT_TELL, NOT_LISTED)


def is_trail(names: Sequence[str], end: str) -> bool:
    """Say whether ``names`` is a walk from the first question that leads to ``end`` by given answers."""
    steps = [*names, end]
    if steps[0] != FIRST or not all(name in KEY for name in names):
        return False
    return all(there in KEY[here].ways for here, there in zip(names, steps[1:], strict=True))


def trails(here: str = FIRST, so_far: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Yield every walk through the key, from the first question to an end."""
    if is_end(here):
        yield (*so_far, here)
        return
    for way in dict.fromkeys(KEY[here].ways):
        yield from trails(way, (*so_far, here))
