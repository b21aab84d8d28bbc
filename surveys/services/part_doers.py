"""Who does the parts of a night's computing: this worker alone, in its own memory, unless the night says otherwise."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Protocol

from surveys.methods.side_by_side import results_in_order
from surveys.queries.night import NightInput
from surveys.queries.night_frames import ReadNight
from surveys.services.part_work import Given, as_text, work_on
from surveys.vocabulary import PartKind


class DoParts(Protocol):
    """Does parts of one kind and yields their results in the order given; calls ``still_ours``, which may raise."""

    def __call__(
        self, kind: PartKind, given: Sequence[Given], still_ours: Callable[[], None], /
    ) -> Iterator[dict[str, Any]]:
        """Yield a result for each of ``given``."""


def here(given: NightInput) -> DoParts:
    """Return what does all parts in this process, as many at a time as it has processors."""
    frames = ReadNight(given)

    def do(kind: PartKind, parts: Sequence[Given], still_ours: Callable[[], None]) -> Iterator[dict[str, Any]]:
        works = [work_on(frames, kind, one) for one in parts]
        for text in results_in_order(lambda work: as_text(work()), works, still_ours):
            yield json.loads(text)

    return do
