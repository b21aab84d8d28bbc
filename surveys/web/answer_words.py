"""What the pages say that answer outside any view: English, marked for translation, shown through ``say``."""

from __future__ import annotations

from django.utils.translation import gettext_noop as _

#: Code of the problem, title and sentence of each status.
ANSWER_WORDS = {
    400: ("faulty-request", _("The request could not be read"), _("Go back and try once more.")),
    403: ("not-allowed", _("This page is not open to you"), _("You may not see this page with this account.")),
    404: ("not-found", _("There is nothing here"), _("There is nothing at this address. It may have moved.")),
    500: (
        "server-error",
        _("Something went wrong here"),
        _("It was not your doing. What you typed may not have been saved."),
    ),
}
#: A form whose token is not the one of the session any more, or that came from another site.
STALE_FORM = (
    "not-allowed",
    _("This form was not sent"),
    _("This form could not be checked, perhaps because you signed in or out in another tab."),
)
