"""``python -m tests.hostile [--requests 10000] [--seed 1]``: send them, print what came of it, end with 1 on a fault."""

from __future__ import annotations

import argparse
from time import perf_counter

from tests.own_database import own_database


def main() -> None:
    """Play and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--requests", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with own_database("test_hostile"):
        from django.core.handlers.wsgi import WSGIHandler

        from tests.hostile.judging import Judge
        from tests.hostile.playing import play

        began, judge = perf_counter(), Judge()
        try:
            play(WSGIHandler(), requests=asked.requests, seed=asked.seed, judge=judge)
        except KeyboardInterrupt:
            print("stopped early")
        print("\n".join(judge.lines()))
        print(f"in {perf_counter() - began:.0f} s, seed {asked.seed}")
        for kind, found in judge.faults.items():
            for line in found[:15]:
                print(f"\n{kind}: {line}")
    raise SystemExit(not judge.clean or judge.sent < asked.requests)


if __name__ == "__main__":
    main()
