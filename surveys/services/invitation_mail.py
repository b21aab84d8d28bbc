"""The mail with the link of an invitation: handed in once, outside any transaction, and never tried again.

The link is not stored, so nobody can send it a second time: an invitation whose mail was lost is called back.
"""

from __future__ import annotations

import logging
from smtplib import SMTPException

from django.core.mail import EmailMessage
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.translation import override

from surveys.models import Account
from surveys.services.appointments import Invited
from surveys.services.letter_texts import address_of
from surveys.vocabulary import Language, LetterKind

log = logging.getLogger(__name__)


def send_invitation(*, invited: Invited, language: Language) -> bool:
    """Send the link to the address that was invited, in its reader's language if that is known; say whether it went."""
    mail = _compose(invited, language)
    try:
        mail.send()
    except (SMTPException, OSError) as fault:
        log.error("an invitation could not be handed in (%s)", type(fault).__name__)
        return False
    return True


def link_of(invited: Invited) -> str:
    """Return the whole address behind an invitation."""
    return address_of(reverse("invitation", args=[invited.link]))


def _compose(invited: Invited, language: Language) -> EmailMessage:
    first = invited.invitations[0]
    known = Account.objects.filter(email=first.email).values_list("language", flat=True).first()
    shown = {
        "role": first.get_role_display(),
        "regions": [one.region.name for one in invited.invitations if one.region],
        "until": first.expires_at,
        "link": link_of(invited),
    }
    with override(known or language):
        text = render_to_string(f"letters/{LetterKind.INVITATION}.txt", shown).strip()
    subject, body = text.split("\n", 1)
    headers = {"Auto-Submitted": "auto-generated"}  # RFC 3834, section 5: keeps absence notes from answering
    return EmailMessage(" ".join(subject.split()), body.strip() + "\n", to=[first.email], headers=headers)
