"""Public names for households and schools: made here, so that nobody types a real name."""

from __future__ import annotations

from random import Random

FIRST = (
    "Amber", "Ashen", "Bramble", "Bronze", "Clover", "Copper", "Dappled", "Dusky", "Earthen", "Fern", "Flint", "Hazel",
    "Heather", "Ivory", "Lantern", "Lichen", "Mossy", "Oaken", "Pebble", "Quiet", "Rowan", "Russet", "Silver", "Slate",
    "Sorrel", "Starlit", "Thistle", "Twilight", "Velvet", "Willow",
)  # fmt: skip
SECOND = (
    "Acorn", "Beetle", "Burrow", "Cricket", "Dusk", "Earwig", "Garden", "Glade", "Harvest", "Hedge", "Hollow", "Lawn",
    "Leaf", "Log", "Meadow", "Millipede", "Moth", "Night", "Orchard", "Path", "Puddle", "Root", "Shrew", "Slug",
    "Snail", "Spider", "Stone", "Toadstool", "Trowel", "Woodlouse",
)  # fmt: skip


def make_alias(rng: Random) -> str:
    """Return a fresh public name such as "Mossy Lantern 4821". One of 8.1 million."""
    return f"{rng.choice(FIRST)} {rng.choice(SECOND)} {rng.randint(1000, 9999)}"
