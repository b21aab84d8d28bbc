"""Antifreeze, soap or bait in a cup: what a family is told the moment it says so, and as long as it stands."""

from __future__ import annotations

from django.utils.translation import gettext

from surveys.vocabulary import Liquid

#: The page that stands between such an answer and the next question.
LIQUID_STOP = "liquid-stop"
#: What may stand in an open cup: nothing, or a little rain.
HARMLESS = frozenset({Liquid.NOTHING, Liquid.STANDING_WATER})
DANGERS = frozenset(Liquid.values()) - HARMLESS


def is_danger(liquid: str | None) -> bool:
    """Say whether what stands in a cup can hurt animals, pets or people."""
    return liquid in DANGERS


def liquid_words(liquid: str | None) -> list[str]:
    """Return what to do now about what stands in a cup; nothing where it is harmless or not known."""
    if not is_danger(liquid):
        return []
    return [danger_words(), poison_words()] if is_poison(liquid) else [danger_words()]


def is_poison(liquid: str | None) -> bool:
    """Say whether what stands in a cup is poison to whoever licks it."""
    return liquid == Liquid.PRESERVATIVE


def danger_words() -> str:
    """Return what to do now about a liquid or a bait."""
    return gettext(
        "Put the lid on the cup now and keep children and pets away. Antifreeze can kill a cat or a dog from one lick. "
        "Soap and bait kill small animals. An adult takes the cup out. Pour nothing on the ground or down a drain. "
        "Wash your hands."
    )


def poison_words() -> str:
    """Return whom to call where somebody touched antifreeze or another poison."""
    return gettext("Has a pet or a child touched it? Call a vet, or your poison line or emergency number, now.")
