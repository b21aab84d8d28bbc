"""What signing in notes in the session, so that a page can show it without asking the database."""

from __future__ import annotations

from django.http import HttpRequest

from surveys.permissions import account_of
from surveys.queries.people import mail_is_confirmed
from surveys.queries.schools import own_schools

#: Kept in the session of somebody whose mail address is not confirmed, for the line that asks for it on every page.
UNCONFIRMED = "mail_unconfirmed"
#: Kept in the session of somebody who keeps a school, for the link to the classes on every page.
KEEPS_SCHOOL = "keeps_school"


def note_account(request: HttpRequest) -> None:
    """Note what every page shows of the account that has just signed in. Two queries."""
    account = account_of(request.user)
    noted = {UNCONFIRMED: not mail_is_confirmed(account), KEEPS_SCHOOL: own_schools(account).exists()}
    for name, holds in noted.items():
        if holds:
            request.session[name] = True
        else:
            request.session.pop(name, None)
