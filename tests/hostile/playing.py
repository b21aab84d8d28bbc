"""The three sources one after the other, until so many requests are sent."""

from __future__ import annotations

import json
from itertools import islice
from random import Random
from typing import Any

import hypothesis
from hypothesis import HealthCheck, Phase, Verbosity, given
from hypothesis import strategies as st

from tests.architecture.test_addresses import ADDRESSES
from tests.factories import return_payload
from tests.hostile import described
from tests.hostile.judging import Judge
from tests.hostile.making import Maker, twisted
from tests.hostile.sending import send
from tests.pages import ROLES, World

#: How many operations the description has, each asked in two ways: what a share of requests is divided by.
WAYS = 2
ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=40),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=8,
)
WRITES = sorted(name for name, line in ADDRESSES.items() if name.startswith("api-") and set(line[1]) & {"POST", "PUT"})


def play(application: Any, *, requests: int, seed: int, judge: Judge) -> Judge:
    """Send ``requests`` hostile requests: six tenths of the corpus, one tenth made up, three tenths described."""
    maker = Maker(World(), Random(seed))
    operations = sum(len(item) for item in described_paths().values())
    examples = max(requests * 3 // 10 // (operations * WAYS), 1)
    described.play(application, maker, judge, examples=examples)
    made_up(application, maker, judge, examples=requests // 10)
    for wire in islice(maker.requests(), max(requests - judge.sent, 0)):
        judge.look(wire, send(application, wire))
    return judge


def described_paths() -> dict[str, Any]:
    """Return the paths of the description, each with its methods."""
    from tests.hostile.judging import description

    return {
        path: {m: op for m, op in item.items() if m in ("get", "put", "post", "delete", "patch")}
        for path, item in description()["paths"].items()
    }


def made_up(application: Any, maker: Maker, judge: Judge, *, examples: int) -> None:
    """Send bodies that hypothesis makes up: any JSON, or a right return in which one member is any JSON."""
    good = return_payload(maker.world.trap)
    body = ANY_JSON.map(lambda value: json.dumps(value).encode()) | st.builds(
        lambda name, value: twisted(good, name, value), st.sampled_from(sorted(good)), ANY_JSON
    )

    @hypothesis.seed(20260502)
    @hypothesis.settings(
        max_examples=examples, deadline=None, database=None, phases=[Phase.generate], verbosity=Verbosity.quiet,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(name=st.sampled_from(WRITES), role=st.sampled_from(ROLES), sent=body)
    def one(name: str, role: str, sent: bytes) -> None:
        wire = maker.one(name, role, body=sent)
        judge.look(wire, send(application, wire))

    one()
