"""Walking through the question pages without a script: what a browser would post, and what a page says."""

from __future__ import annotations

import re
import uuid
from datetime import datetime, timedelta
from html import unescape
from typing import Any

from django.test import Client
from django.utils import timezone

from surveys.models import Opening, Trap
from surveys.services.drafts import keep_answers
from surveys.services.openings import SentOpening, set_trap
from surveys.vocabulary import DraftKind

#: Answers to the questions about a cup, in their order.
CUP = {
    "mouth_mm": "75", "rim": "flush", "cover": "present", "refuge": "moss_or_grass", "liquid": "nothing",
    "settled_h": "48",
}  # fmt: skip


def client_of(trap: Trap) -> Client:
    """Return a browser in which the keeper of a trap is signed in."""
    client = Client()
    client.force_login(trap.site.household.keeper)
    return client


def open_trap(trap: Trap, *, hours: float = 24, **fields: Any) -> Opening:
    """Set a trap so many hours ago."""
    sent = SentOpening(
        uuid=uuid.uuid4(),
        trap=trap.public_id,
        set_at=(timezone.now() - timedelta(hours=hours)).replace(second=0, microsecond=0),
        fields={"mouth_mm": 75.0, "rim": "flush", "cover": "present", "liquid": "nothing", **fields},
    )
    return set_trap(by=trap.site.household.keeper, sent=sent)


def moment(name: str, at: datetime) -> dict[str, str]:
    """Return the boxes of a moment as a family types them; the zone of the test season is UTC all year."""
    return {
        f"{name}_day": str(at.day), f"{name}_month": at.strftime("%B"), f"{name}_year": str(at.year),
        f"{name}_time": at.strftime("%H:%M"),
    }  # fmt: skip


def begin(trap: Trap, kind: DraftKind, answers: dict[str, str]) -> str:
    """Keep a draft as if its pages had been walked through; return the address of the page of all answers."""
    draft = keep_answers(by=trap.site.household.keeper, uuid=uuid.uuid4(), kind=kind, answers=answers)
    return f"/my/traps/{kind.value}/{draft.uuid}/check/"


def main_of(page: str) -> str:
    """Return the main part of a page, without the band on top and what stands at the foot."""
    return page.split("<main", 1)[1].split("</main>", 1)[0]


def forms(page: str) -> list[tuple[str, dict[str, str]]]:
    """Return the forms of the main part of a page: the address of each and its hidden boxes."""
    found = []
    for form in re.findall(r"<form\b.*?</form>", main_of(page), re.DOTALL):
        action = re.search(r'action="([^"]*)"', form)
        hidden = re.findall(r'<input type="hidden"\s+name="([^"]*)"\s+value="([^"]*)"', form)
        found.append((unescape(action.group(1)) if action else "", dict(hidden)))
    return found


def answer(client: Client, page: Any, **given: str) -> Any:
    """Post the first form of a page with these answers; return the redirect or the page with faults."""
    action, hidden = forms(page.content.decode())[0]
    return client.post(action, {**hidden, **given})


def follow(client: Client, response: Any) -> Any:
    """Follow one redirect."""
    assert response.status_code == 302, response.content.decode()[:3000]
    return client.get(response["Location"].split("#")[0])


def heading(page: Any) -> str:
    """Return the heading of a page."""
    found = re.search(r"<h1[^>]*>(.*?)</h1>", page.content.decode(), re.DOTALL)
    return " ".join(unescape(found.group(1)).split()) if found else ""


def words(page: Any) -> str:
    """Return the words of the main part of a page, in one line."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", main_of(page.content.decode()))).split())


def walk_to_check(client: Client, page: Any, **changes: str) -> Any:
    """Answer the questions about the cup; return the page of all answers."""
    for name, value in {**CUP, **changes}.items():
        page = follow(client, answer(client, page, **{name: value}))
    return page
