"""The page behind each problem code of the API: what it means and what to do."""

from __future__ import annotations

from typing import NamedTuple

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from surveys.errors import NotFound
from surveys.permissions import Rule
from surveys.web.access import page


class Explanation(NamedTuple):
    """A problem's title, what it means, and what to do about it."""

    title: str
    meaning: str
    remedy: str


PAGES: dict[str, Explanation] = {
    "faulty-request": Explanation(
        "The request could not be read",
        "A header, a parameter or the JSON itself is not as this address expects it. Nothing was stored.",
        "Read the list of errors in the answer, mend each one, and send the request again.",
    ),
    "not-signed-in": Explanation(
        "This needs a token",
        "The request came without a token, or with one that has run out or was taken back.",
        "Ask for a token at /api/v1/tokens and send it as: Authorization: Bearer <token>.",
    ),
    "code-needed": Explanation(
        "This account needs a code, too",
        "The email address and the password are right, and the account has a second factor. The code was missing.",
        "Send the code that the authenticator app shows, or a backup code, as `code` beside the password.",
    ),
    "wrong-code": Explanation(
        "This code is not right",
        "The code is wrong, too old, or was used before. Each code works once.",
        "Wait until the app shows the next code, and send that one. Check that the clock of the phone is right.",
    ),
    "second-factor-needed": Explanation(
        "Set up the second factor first",
        "The account has the role, but no second factor yet. Coordinators and operators need one.",
        "Sign in on the pages, set it up at /second-factor/new/, then get a new token with a code.",
    ),
    "scope-needed": Explanation(
        "This token is for other uses",
        "The account may do this, but the token was made for other uses. The answer names the one that is missing.",
        "Make a token for this use, at /api/v1/tokens with `scopes` or on the page of your account, and send that one.",
    ),
    "not-allowed": Explanation(
        "This is not yours to do",
        "The token is good, but its account may not do this here.",
        "Use an account with the role that is needed, or ask the coordinator of your region.",
    ),
    "not-found": Explanation(
        "There is nothing here",
        "There is nothing at this address, or nothing that this account may know of.",
        "Check the identifier. Lists such as /api/v1/seasons show the codes there are.",
    ),
    "method-not-allowed": Explanation(
        "This address does not do that",
        "The address is right, but it does not answer to this method.",
        "The Allow header of the answer lists the methods that work here.",
    ),
    "not-acceptable": Explanation(
        "No form of answer fits",
        "The Accept header leaves out every form that this address can answer in.",
        "Ask for application/json, or leave the header out.",
    ),
    "conflict": Explanation(
        "This contradicts what is stored",
        "The request is well formed, but the record is in a state that does not allow it, or the name is taken.",
        "Load the record again, see where it stands, and decide anew.",
    ),
    "still-running": Explanation(
        "The same request is being worked on",
        "A request with this Idempotency-Key arrived a moment ago and is not finished.",
        "Wait for the seconds in Retry-After and send it again with the same key. It will be stored once.",
    ),
    "stale": Explanation(
        "Somebody was faster",
        "The record has changed since you read it, so the version in If-Match is an old one.",
        "Load the record again and send your change with the new ETag.",
    ),
    "too-large": Explanation(
        "The request is too large",
        "The body is larger than is read at all. Nothing was stored.",
        "Send the returns in smaller lots. A tray photo may have 10 MB.",
    ),
    "no-such-bytes": Explanation(
        "The file has no such bytes",
        "The Range header asks for bytes behind the end of the file.",
        "Content-Range says how many bytes there are. If you have them all, you are done.",
    ),
    "unsupported-media-type": Explanation(
        "The request is of another kind",
        "The Content-Type of the request is one that this address does not read.",
        "Send JSON with Content-Type: application/json. A tray photo is sent as it is, as image/jpeg, image/png or "
        "image/webp.",
    ),
    "faulty-content": Explanation(
        "Some of what was sent cannot be taken",
        "The JSON was read, but some values in it cannot be stored. None of this request was stored.",
        "Each entry in errors has a pointer to its place and a sentence. Mend all of them and send once more.",
    ),
    "key-reused": Explanation(
        "This key belongs to another request",
        "The Idempotency-Key was used before, with other content behind it.",
        "Make a fresh key for each new request. Keep the old key only to repeat the very same one.",
    ),
    "precondition-required": Explanation(
        "Say which version you have read",
        "A change to a record needs the version it is based on, so that nobody's work is lost.",
        "Read the record, take its ETag, and send it back in If-Match.",
    ),
    "quota-exceeded": Explanation(
        "Too many requests",
        "More requests came than are allowed in this time. Nothing of this request was stored.",
        "Wait for the seconds in Retry-After. The RateLimit header shows how many are left.",
    ),
    "withdrawn": Explanation(
        "This release was withdrawn",
        "Something in the files of this release was wrong, so they are not sent any more. The answer says what.",
        "Use the version that the answer names, and cite that one. If you have the old files, read why they were "
        "withdrawn before you go on with them.",
    ),
    "server-error": Explanation(
        "Something went wrong here",
        "The fault is ours. It was written down under the request's number.",
        "Send the same request again with the same Idempotency-Key. If it fails again, tell us the number.",
    ),
    "unavailable": Explanation(
        "The service is not ready",
        "The service could not reach its database at that moment, or the database took too long. Nothing was stored.",
        "Wait for the seconds in Retry-After and send the request again.",
    ),
}

#: Problems that the files of releases have, and no address of the API.
OF_FILES = frozenset({"withdrawn"})


@page(Rule.ANYONE)
def problem(request: HttpRequest, code: str) -> HttpResponse:
    """Explain one problem code."""
    if code not in PAGES:
        raise NotFound(f"There is no problem with the code {code!r}.")
    return render(request, "problem.html", {"code": code, "problem": PAGES[code]})
