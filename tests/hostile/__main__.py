"""``python -m tests.hostile [--requests 10000] [--seed 1]``: send them, print what came of it, end with 1 on a fault."""

from __future__ import annotations

import argparse
import logging
import os
from time import perf_counter


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--requests", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "project.settings.test")
    import django

    import tests.services  # noqa: F401  # brings the database and the broker

    django.setup()
    from django.core.handlers.wsgi import WSGIHandler
    from django.db import connection

    from tests.hostile.playing import play

    logging.disable(logging.ERROR)  # ten thousand refusals are thousands of lines
    before = connection.settings_dict["NAME"]
    connection.settings_dict["TEST"]["NAME"] = "test_hostile"
    connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        began = perf_counter()
        judge = play(WSGIHandler(), requests=asked.requests, seed=asked.seed)
        print("\n".join(judge.lines()))
        print(f"in {perf_counter() - began:.0f} s, seed {asked.seed}")
        for kind, found in judge.faults.items():
            for line in found[:15]:
                print(f"\n{kind}: {line}")
    finally:
        connection.creation.destroy_test_db(before, verbosity=0)
    raise SystemExit(not judge.clean)


if __name__ == "__main__":
    main()
