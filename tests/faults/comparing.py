"""What the database holds against what the clients were told, row by row, and one night against a calm one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import psycopg

from tests.faults.sending import Sending

EVENTS = """
SELECT subject_id FROM surveys_event WHERE verb = 'return received'
UNION ALL
SELECT jsonb_array_elements_text(details -> 'returns')::bigint FROM surveys_event WHERE verb = 'returns received'
"""
VALUES = """
SELECT r.code, g.code, w.code, v.rim_exponent, v.label, v.estimate, v.low, v.high, v.sites, v.site_nights, v.returns,
    v.trap_nights, v.more_sites_needed
FROM surveys_indexvalue v JOIN surveys_run u ON u.id = v.run_id AND u.state = 'published'
JOIN surveys_region r ON r.id = v.region_id JOIN surveys_group g ON g.id = v.group_id
JOIN surveys_window w ON w.id = v.window_id ORDER BY 1, 2, 3, 4
"""
SEEN = """
SELECT r.code, s.label, s.sites, s.site_nights, s.groups_seen, s.figures::text FROM surveys_groupsseenvalue s
JOIN surveys_run u ON u.id = s.run_id AND u.state = 'published' JOIN surveys_region r ON r.id = s.region_id ORDER BY 1
"""
STATES = "SELECT uuid::text, state, version, probability, rank, urgent, reason FROM surveys_return ORDER BY 1"
RUN = "SELECT night, seed, snapshot_hash, method_version, code_version FROM surveys_run WHERE state = 'published'"


@dataclass
class Comparison:
    """Figures of one comparison; every list but ``told`` should be empty."""

    returns: int = 0
    acknowledged: int = 0
    lost: list[str] = field(default_factory=list)
    twice: list[str] = field(default_factory=list)
    half: list[str] = field(default_factory=list)
    stuck: list[str] = field(default_factory=list)
    given_up: list[str] = field(default_factory=list)
    silent: list[str] = field(default_factory=list)


def ask(address: str, question: str) -> list[tuple[Any, ...]]:
    """Return the rows of a question to a database."""
    with psycopg.connect(address) as line:
        return line.execute(question).fetchall()


def compare(address: str, sendings: Sequence[Sending], ledger: Sequence[dict[str, Any]]) -> Comparison:
    """Hold the database against the ledger and against everything that was ever sent."""
    from surveys.services.jobs import MOST_ATTEMPTS

    found = Comparison()
    by_key = {one.key: one for one in sendings}
    rows = ask(address, "SELECT id, uuid::text FROM surveys_return")
    of_uuid: dict[str, list[int]] = {}
    for number, uuid in rows:
        of_uuid.setdefault(uuid, []).append(number)
    found.returns = len(rows)
    told: set[str] = set()
    for line in ledger:
        told |= {one["id"] for one in by_key[line["key"]].returns}
    found.acknowledged = len(told)
    found.lost = sorted(told - of_uuid.keys())
    ever_sent = {one["id"] for sending in sendings for one in sending.returns}
    found.twice = [
        f"{uuid}: {len(ids)} rows" for uuid, ids in of_uuid.items() if len(ids) != 1 or uuid not in ever_sent
    ]
    found.half = _half_written(address, sendings, of_uuid)
    kept = Counter(ask(address, "SELECT account_id, route, key FROM surveys_keptanswer"))
    found.twice += [f"key {key}: {n} answers" for (_, _, key), n in kept.items() if n != 1]
    keys = {key for _, _, key in kept}
    found.lost += [f"answer to key {line['key']}" for line in ledger if line["key"] not in keys]
    jobs = ask(address, "SELECT kind, key, state, attempts, left(problem, 200) FROM surveys_job WHERE state <> 'done'")
    found.stuck = [
        f"{kind} {key}: {state}, attempt {n}: {why}" for kind, key, state, n, why in jobs if state != "failed"
    ]
    found.given_up = [f"{kind} {key}: attempt {n}: {why}" for kind, key, state, n, why in jobs if state == "failed"]
    found.silent = [
        f"{kind} {key}" for kind, key, state, n, why in jobs if state == "failed" and (n < MOST_ATTEMPTS or not why)
    ]
    found.stuck += [
        f"return {uuid}" for (uuid,) in ask(address, "SELECT uuid FROM surveys_return WHERE state = 'received'")
    ]
    return found


def _half_written(address: str, sendings: Sequence[Sending], of_uuid: dict[str, list[int]]) -> list[str]:
    """Return every return that is there without all of its catches, findings or its one event, or of a torn sending."""
    catches: dict[int, set[tuple[Any, ...]]] = {}
    for report, group, answer, low in ask(
        address,
        "SELECT c.report_id, g.code, c.answer, c.low FROM surveys_catch c JOIN surveys_group g ON g.id = c.group_id",
    ):
        catches.setdefault(report, set()).add((group, answer, low))
    # A night packs the catches of a return into its row as well; the rows stay.
    findings: dict[int, set[tuple[Any, ...]]] = {}
    for report, check, outcome in ask(address, "SELECT report_id, check_id, outcome FROM surveys_found"):
        findings.setdefault(report, set()).add((check, outcome))
    events = Counter(row[0] for row in ask(address, EVENTS))
    answers = {
        one["id"]: one
        for (body,) in ask(address, "SELECT body FROM surveys_keptanswer WHERE route = 'send_return'")
        for one in [body]
    }
    wrong = []
    for sending in sendings:
        there = [one for one in sending.returns if one["id"] in of_uuid]
        if len(there) not in (0, len(sending.returns)):
            wrong.append(f"sending {sending.key}: {len(there)} of {len(sending.returns)} returns")
        for one in there:
            number = of_uuid[one["id"]][0]
            sent = {(c["group"], c["answer"], _low(c)) for c in one["catch"]}
            if catches.get(number, set()) != sent:
                wrong.append(f"return {one['id']}: its catch is not what was sent")
            if events[number] != 1:
                wrong.append(f"return {one['id']}: {events[number]} events")
            if sending.path == "returns":
                answer = answers.get(one["id"])
                if answer is None:
                    wrong.append(f"return {one['id']}: stored without its answer")
                elif findings.get(number, set()) != {(f["check_id"], f["outcome"]) for f in answer["findings"]}:
                    wrong.append(f"return {one['id']}: its findings are not those that were answered")
    return wrong


def _low(answer: dict[str, Any]) -> int | None:
    if answer["answer"] == "class":
        return int(answer["class"].removeprefix("c").split("to")[0])  # as the class says: c4to7
    return {"number": answer.get("count"), "none_seen": 0}.get(answer["answer"])


def differences(one: str, other: str) -> list[str]:
    """Return in which of their published figures two databases differ, to the last digit."""
    questions = {"index": VALUES, "groups seen": SEEN, "states and ranks": STATES, "run": RUN}
    return [name for name, question in questions.items() if ask(one, question) != ask(other, question)]
