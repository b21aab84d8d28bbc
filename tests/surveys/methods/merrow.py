"""The season of the Merrow Isles for tests of the simulator."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import numpy as np

from surveys.methods.simulation import simulate_season, world_from_mappings

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"
AS_OF = datetime(2026, 11, 1, tzinfo=UTC)


def read(name):
    """Return one fixture file as plain values."""
    return json.loads((FIXTURES / name).read_text(encoding="utf-8"))


@lru_cache
def merrow_world():
    """Return the world of the demonstration."""
    return world_from_mappings(
        read("reference/groups.json"),
        read("reference/habitats.json"),
        read("demo/season.json"),
        read("demo/merrow.geojson"),
    )


@lru_cache
def merrow_season():
    """Return one simulated season of it, made once."""
    return simulate_season(merrow_world(), rng=np.random.default_rng(7), households=120, schools=6, as_of=AS_OF)
