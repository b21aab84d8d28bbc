"""Real programs for the tests of this folder."""

from tests.journeys.conftest import crew

__all__ = ["crew"]
