"""What one household's page costs in a big season: reading the catches of others of the nearest nights, and placing.

``python -m tests.benchmarks.household_feedback`` on the database that ``tests.benchmarks.large_season`` fills. Prints
the median and the slowest of several returns, once with catches that are packed (as after a night) and once without.
"""

from __future__ import annotations

import argparse
from statistics import median
from time import perf_counter
from typing import Any

from tests.benchmarks.large_season import build, use_large_database


def timed_pages(season: Any, pages: int) -> tuple[float, float, int]:
    """Return the median and the slowest seconds of so many returns, and how many returns of others were read at most."""
    from surveys.models import Return
    from surveys.queries.feedback import others_of_the_season
    from surveys.queries.returns import returns_with_everything
    from surveys.queries.seasons import lists_of
    from surveys.web.beside import beside_shown

    lists = lists_of(season)
    last = Return.objects.filter(season=season).order_by("-id").values_list("id", flat=True).first() or 0
    first = Return.objects.filter(season=season).order_by("id").values_list("id", flat=True).first() or 0
    keys = [first + (last - first) * place // pages for place in range(pages)]
    seconds, most = [], 0
    for key in keys:
        report = returns_with_everything([key]).get()
        started = perf_counter()
        beside_shown(report, lists)
        seconds.append(perf_counter() - started)
        most = max(most, len(others_of_the_season(report, lists).household))
    return median(seconds), max(seconds), most


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--returns", type=int, default=1_000_000)
    parser.add_argument("--gardens", type=int, default=40_000)
    parser.add_argument("--pages", type=int, default=15)
    chosen = parser.parse_args()
    use_large_database()
    season = build(chosen.returns, chosen.gardens)
    from surveys.models import PackedCatch
    from surveys.services.packing import pack_catches

    for packed in (False, True):
        if packed:
            pack_catches(season=season, still_ours=lambda: None)
        middle, slowest, most = timed_pages(season, chosen.pages)
        print(
            f"{PackedCatch.objects.count():>9,} of {chosen.returns:,} packed: median {middle:.3f} s, "
            f"slowest {slowest:.3f} s, at most {most:,} returns read",
            flush=True,
        )


if __name__ == "__main__":
    main()
