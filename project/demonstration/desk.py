"""Works the queue as a coordinator would who has looked at every tray: she knows the truth."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import httpx
from tqdm import tqdm

from project.demonstration.sending import wire_answers
from project.demonstration.world import Merrow
from surveys.errors import Refusal
from surveys.methods.simulation import SimulatedReturn
from surveys.vocabulary import Decision, VerdictReason

#: Slips whose counts can be put right; the others are set aside.
_MENDABLE: Mapping[str, VerdictReason] = {
    "ten_times": VerdictReason.COUNT_SLIP,
    "doubled_digit": VerdictReason.COUNT_SLIP,
    "impossible_count": VerdictReason.COUNT_SLIP,
    "row_slip": VerdictReason.WRONG_ROW,
    "look_alikes": VerdictReason.GROUPS_SWAPPED,
}
_SET_ASIDE: Mapping[str, VerdictReason] = {
    "date_off_by_days": VerdictReason.DATE_SLIP,
    "twelve_hours_off": VerdictReason.DATE_SLIP,
    "day_month_swapped": VerdictReason.DATE_SLIP,
    "lost_trap_zeros": VerdictReason.TRAP_LOST,
    "liquid_words": VerdictReason.LIQUID_USED,
    "traps_pooled": VerdictReason.TRAPS_POOLED,
    "sent_twice": VerdictReason.SENT_TWICE,
}


def verdict_on(one: SimulatedReturn) -> dict[str, Any]:
    """Return the verdict of somebody who knows what really lay in the tray."""
    if one.slip is None:
        return {"decision": Decision.UPHELD.value, "reason": VerdictReason.PLAUSIBLE_NIGHT.value}
    if one.slip in _MENDABLE:
        sent = {answer.group: answer for answer in one.answers}
        changed = [answer for answer in one.true_answers if sent.get(answer.group) not in (None, answer)]
        if changed:
            return {
                "decision": Decision.CORRECTED.value,
                "reason": _MENDABLE[one.slip].value,
                "catch": wire_answers(changed),
            }
    reason = _SET_ASIDE.get(one.slip, VerdictReason.NOT_EXPLAINED)
    return {"decision": Decision.DISCOUNTED.value, "reason": reason.value}


def work_queue(merrow: Merrow, address: str) -> dict[str, int]:
    """Decide everything that waits, as each coordinator of the season. Returns how often each way."""
    known = {str(one.uuid): one for one in merrow.simulated.returns}
    counts: dict[str, int] = {}
    for coordinator in merrow.people["coordinators"]:
        with httpx.Client(base_url=f"{address}/api/v1/", timeout=60) as client:
            code = merrow.factors[coordinator["email"]].own_code
            _sign_in(client, coordinator["email"], merrow.people["password"], code)
            for report in tqdm(_waiting(client), desc=f"the desk of {coordinator['email']}", unit="return"):
                decision = _decide(client, report["id"], verdict_on(known[report["id"]]))
                counts[decision] = counts.get(decision, 0) + 1
    return counts


def _sign_in(client: httpx.Client, email: str, password: str, code: str) -> None:
    given = {"email": email, "password": password, "code": code}
    answer = client.post("tokens", json=given).raise_for_status().json()
    client.headers["Authorization"] = f"Bearer {answer['token']}"


def _waiting(client: httpx.Client) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    following: str | None = "queue?limit=200"
    while following:
        page = client.get(following).raise_for_status().json()
        rows.extend(page["items"])
        following = page["next"]
    return rows


def _decide(client: httpx.Client, report: str, verdict: Mapping[str, Any]) -> str:
    record = client.get(f"queue/{report}").raise_for_status()
    answer = client.post(f"queue/{report}/verdicts", json=verdict, headers={"If-Match": record.headers["ETag"]})
    if answer.status_code != 201:
        raise Refusal(f"The API answered {answer.status_code} to a verdict: {answer.text[:600]}")
    return str(verdict["decision"])
