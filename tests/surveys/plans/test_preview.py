"""Counting what another protocol would have done to returns. Expected counts by hand from the tables of both versions."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from surveys.methods.protocol import Limits
from surveys.methods.records import Report
from surveys.plans.preview import Tally
from surveys.plans.ranges import put_ranges
from tests.factories import protocol
from tests.surveys.methods.protocol_return import GOOD


def report(**changes: Any) -> Report:
    """Return a return to protocol in every answer, but for the changes."""
    return replace(GOOD, **changes)


def test_each_return_is_counted_once_by_what_it_was_and_would_be() -> None:
    """Mouths of 75 (fine), 92 (carried), 105 and 58 (out), against a version whose widest mouth is 90 instead of 100."""
    before = Limits.from_mapping(protocol())
    after = Limits.from_mapping(put_ranges(protocol(), {"mouth_width-3-high": "90", "mouth_width-5-low": "90"}))
    tally = Tally()
    for mouth, usable in ((75.0, True), (92.0, True), (92.0, False), (105.0, True), (58.0, True)):
        tally.add(report(mouth_mm=mouth), before, after, usable=usable)
    plain = tally.as_plain()
    assert plain["moves"] == [
        ["adjusted", "off_protocol", 2], ["off_protocol", "off_protocol", 2], ["to_protocol", "to_protocol", 1],
    ]  # fmt: skip
    assert plain["changed"] == [["mouth_width", "offset", "out", 2]]
    assert (plain["returns"], plain["inside"], plain["leaving"], plain["entering"]) == (5, 2, 1, 0)


def test_a_wider_version_lets_returns_in_and_a_hold_is_counted() -> None:
    """A cup of 55 mm is out below 60; below 50 in the new one. 160 mm deep: looked at first, then only noted."""
    before = Limits.from_mapping(protocol())
    typed = {"cup_depth-2-low": "50", "cup_depth-4-high": "50", "cup_depth-3-high": "170", "cup_depth-5-low": "170"}
    after = Limits.from_mapping(put_ranges(protocol(), typed))
    tally = Tally()
    for depth in (55.0, 160.0):
        tally.add(report(depth_mm=depth), before, after, usable=True)
    assert (tally.entering, tally.leaving, tally.held_before, tally.held_after) == (1, 0, 1, 0)
    assert dict(tally.changed) == {("cup_depth", "out", "covariate"): 1, ("cup_depth", "hold", "note"): 1}


def test_the_same_version_changes_nothing() -> None:
    limits = Limits.from_mapping(protocol())
    tally = Tally()
    tally.add(report(mouth_mm=105.0, liquid="soap"), limits, limits, usable=True)
    assert tally.as_plain()["changed"] == []
    assert (tally.leaving, tally.entering) == (0, 0)
