"""The same bulk file posted twenty times in parallel: as many rows as the file has.

``python -m tests.faults.same_file`` on a cluster and a web server of two processes of its own. Half of the posts carry
the same Idempotency-Key, as a client that sends again does; half carry one of their own, as twenty people do who send
the same file. What is answered with *still being worked on* is sent again.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import threading
import time
import uuid
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx

from tests.faults.comparing import ask
from tests.faults.sending import make_gardeners, make_sendings
from tests.faults.stack import Stack

COUNTS = """
SELECT (SELECT count(*) FROM surveys_return), (SELECT count(DISTINCT uuid) FROM surveys_return),
    (SELECT count(*) FROM surveys_catch), (SELECT sum(jsonb_array_length(details -> 'returns')) FROM surveys_event
    WHERE verb = 'returns received')
"""


def main() -> None:
    """Play it and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--posts", type=int, default=20)
    parser.add_argument("--rows", type=int, default=200)
    asked = parser.parse_args()
    with Stack(workers=0, beats=0) as stack:
        sys.exit(play(stack, asked.posts, asked.rows))


def play(stack: Stack, posts: int, rows: int) -> int:
    """Play it on a stack. Returns 0 where there are as many rows as in the file, each whole."""
    from tests.factories import make_season

    make_season()
    (gardener,) = make_gardeners(1)
    draw = random.Random(4)
    body = {"returns": [one for sending in make_sendings([gardener], rows, draw) for one in sending.returns]}
    stack.start("web")
    stack.wait_for_web()
    same = str(uuid.uuid4())
    keys = [same if n % 2 else str(uuid.uuid4()) for n in range(posts)]
    together = threading.Barrier(posts)

    def post(key: str) -> tuple[str, list[int], Any]:
        seen: list[int] = []
        headers = {"Authorization": f"Bearer {gardener.token}", "Idempotency-Key": f'"{key}"'}
        with httpx.Client(timeout=120) as client:
            together.wait()
            while True:
                answer = client.post(f"http://{stack.web}/api/v1/returns/batch", json=body, headers=headers)
                seen.append(answer.status_code)
                if answer.status_code != 409:
                    return key, seen, answer.json()
                time.sleep(0.2)

    with ThreadPoolExecutor(posts) as crowd:
        answers = list(crowd.map(post, keys))
    stored, different, catches, events = ask(stack.environment["DATABASE_URL"], COUNTS)[0]
    statuses = Counter(code for _, seen, _ in answers for code in seen)
    told = Counter((body.get("stored"), body.get("already_here")) for _, _, body in answers)
    under_one_key = {json.dumps(body, sort_keys=True) for key, _, body in answers if key == same}
    print(f"{'posts, rows of the file':40}{posts}, {len(body['returns'])}")
    print(f"{'answers':40}{dict(statuses)}")
    print(f"{'told (stored, already here)':40}{dict(told)}")
    print(f"{'different answers under one key':40}{len(under_one_key)}")
    print(f"{'rows stored, different ids':40}{stored}, {different}")
    print(f"{'answers of rows, returns in events':40}{catches}, {events}", flush=True)
    fine = stored == different == events == len(body["returns"]) and catches == 6 * stored and len(under_one_key) == 1
    by_key = {key: body.get("stored", 0) for key, _, body in answers}
    return 0 if fine and set(statuses) <= {200, 409} and sum(by_key.values()) == stored else 1


if __name__ == "__main__":
    main()
