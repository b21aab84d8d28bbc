"""Short sentences for families about their catch: grade 5 words, "about" where a number is not sure, never a rank."""

from __future__ import annotations

import math

from surveys.methods.feedback import FEWEST_SITES, FEWEST_TRAPS, Basis, Beside, Caution, HabitatRate

LIKE_IT = {
    Basis.HABITAT_AND_SETTLING: "traps like it",
    Basis.HABITAT: "traps in the same kind of place",
    Basis.ALL_HABITATS: "traps in all kinds of places",
}

CAUTIONS = {
    Caution.ONE_HABITAT: "All your traps stood in one kind of place. Try a second one next time.",
    Caution.ONE_NIGHT: "This is one night only. One night can be luck.",
    Caution.FEW_NIGHTS: "These are few nights. A lucky night can still change the picture.",
    Caution.DIFFERENT_NIGHTS: "Your traps were open on different nights. The weather may explain the difference.",
    Caution.SETTLING_DIFFERS: "Some holes were freshly dug and some were not. That changes the catch.",
    Caution.ENOUGH_NIGHTS: "Several nights say more than one. It is still only one garden.",
}


def say_catch(rate_low: float, rate_high: float, group: str) -> str:
    """Say the rate per trap-night; ``group`` is the group's name in the plural, as a family reads it."""
    if rate_high == 0:
        return f"Your trap caught no {group}."
    if math.isinf(rate_high):
        return f"Your trap caught {number(rate_low)} or more {group} a night."
    if rate_low == rate_high:
        return f"Your trap caught {number(rate_low)} {group} a night."
    return f"Your trap caught {number(rate_low)} to {number(rate_high)} {group} a night."


def say_beside(beside: Beside, group: str) -> str:
    """Say how a catch lies beside comparable traps, in two or three short sentences.

    Parameters: ``beside``; ``group`` in the plural. Returns: text. Raises: nothing.
    """
    start = say_catch(beside.rate_low, beside.rate_high, group)
    if beside.percentile_low is None or beside.percentile_high is None:
        return f"{start} {say_too_few(beside)}"
    like = LIKE_IT[beside.basis]
    if beside.rate_high == 0:
        return f"{start} So did {of_traps(beside.same or 0.0, like)}."
    below, above = of_traps(beside.below or 0.0, like), tenths(beside.above or 0.0)
    return f"{start} {capital(below)} caught fewer. {capital(above)} caught more."


def say_too_few(beside: Beside) -> str:
    """Say why there is no comparison yet."""
    return (
        f"We need {FEWEST_TRAPS} traps from {FEWEST_SITES} other gardens to compare. "
        f"So far there are {beside.traps} from {beside.sites}. Look again later."
    )


def say_habitat(rate: HabitatRate, place: str, group: str) -> str:
    """Say one habitat's rate; ``place`` is the habitat as a family reads it, as in "under the hedge"."""
    if rate.rate_high == 0:
        return f"{place}: no {group}."
    if math.isinf(rate.rate_high):
        return f"{place}: {number(rate.rate_low)} or more {group} a night."
    if rate.rate_low == rate.rate_high:
        return f"{place}: {number(rate.rate_low)} {group} a night."
    return f"{place}: {number(rate.rate_low)} to {number(rate.rate_high)} {group} a night."


def tenths(share: float) -> str:
    """Put a share into tenths: "about 6 in 10", with words at both ends."""
    whole = math.floor(share * 10 + 0.5)
    if share == 0:
        return "none"
    if share == 1:
        return "all"
    if whole == 0:
        return "very few"
    return "nearly all" if whole == 10 else f"about {whole} in 10"


def of_traps(share: float, traps: str) -> str:
    """Put a share before its traps: "about 6 in 10 traps like it", "all of the traps like it"."""
    return f"{tenths(share)} of the {traps}" if share in (0, 1) else f"{tenths(share)} {traps}"


def number(rate: float) -> str:
    """Write a rate with one decimal, none where it is whole or large."""
    rounded = round(rate, 1)
    if rounded == 0 < rate:
        return "less than 0.1"
    return f"{rounded:.0f}" if rounded >= 20 or rounded == int(rounded) else f"{rounded:.1f}"


def capital(words: str) -> str:
    """Begin with a capital."""
    return words[:1].upper() + words[1:]
