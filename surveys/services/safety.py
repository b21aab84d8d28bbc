"""The safety page of a region: each text is a new version with its date, and no version is ever changed."""

from __future__ import annotations

import unicodedata
from datetime import date

from django.db import transaction
from django.utils.translation import gettext

from surveys.errors import Fault, Faulty, NotFound
from surveys.models import Account, Region, SafetyPage
from surveys.permissions import regions_of
from surveys.services.events import write_event

#: Column ``text`` of :class:`SafetyPage`.
LONGEST_TEXT = 8000


def write_safety_page(*, by: Account, region: str, text: str, on: date) -> SafetyPage:
    """Add a version of a region's safety text; the same text sent twice in a row stays one version."""
    tidy = tidy_safety_text(text)
    with transaction.atomic(durable=True):
        place = regions_of(by).filter(code=region).first()
        if place is None:
            raise NotFound("There is no region in your care with this code.")
        # Two texts that come at the same moment are put one behind the other.
        Region.objects.select_for_update(no_key=True).get(pk=place.pk)
        latest = place.safety_pages.order_by("-id").first()
        if latest is not None and latest.text == tidy:
            return latest
        version = SafetyPage.objects.create(region=place, by=by, text=tidy, dated=on)
        write_event(by=by, verb="safety page written", subject=version, details={"region": place.code})
    return version


def tidy_safety_text(text: str) -> str:
    """Return the text with plain line ends; refuse one that is empty, too long or holds signs nobody can see."""
    tidy = "\n".join(line.rstrip() for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n")).strip()
    if fault := _fault_of(tidy):
        raise Faulty(gettext("The text could not be stored yet."), faults=(fault,))
    return tidy


def _fault_of(text: str) -> Fault | None:
    if not text:
        return _fault("empty", gettext("The text is empty. Write what people of your region must know."))
    if len(text) > LONGEST_TEXT:
        words = gettext("The text has {found} signs. At most {most} fit. Make it shorter.")
        return _fault("too_long", words.format(found=len(text), most=LONGEST_TEXT))
    if any(unicodedata.category(sign) in ("Cc", "Cs") and sign not in "\n\t" for sign in text):
        words = gettext("The text holds control signs that nobody can see. Type it anew, or paste it as plain text.")
        return _fault("unseen_signs", words)
    return None


def _fault(code: str, sentence: str) -> Fault:
    return Fault("/text", code, sentence)
