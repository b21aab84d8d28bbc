"""Everything that is stored about one person, table by table, for their own download.

Rows are found through the person's own account, households and traps only. Numbers that join tables inside the
database are left out: returns, traps and sites are named by their public ids. Passwords, tokens and codes are kept as
digests, which nobody can read back, so only their moments are listed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from allauth.account.models import EmailAddress
from django.contrib.sessions.models import Session
from django.db.models import F, Q, QuerySet
from django_otp.plugins.otp_static.models import StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice

from surveys.models import (
    Account,
    Catch,
    ClassCode,
    Correction,
    Draft,
    Event,
    Finding,
    Invitation,
    Lease,
    News,
    Opening,
    Query,
    Question,
    Release,
    ReleasedSite,
    Return,
    SafetyPage,
    SchoolClass,
    SecondLook,
    Sheet,
    Token,
    TrayPhoto,
    Undo,
    Verdict,
)
from surveys.models.returns import WORKED_COLUMNS
from surveys.permissions import households_of, sites_of, traps_of
from surveys.queries.people import sessions_of

#: Columns of a return that are shown under the name of what they point to, or that mean nothing outside.
_JOINED = {
    "id", "season", "trap", "sender", "habitat", "region", "region_id", "amends", "fingerprint", "screened_with",
    "compared_with", "known_findings",
}  # fmt: skip
_REPORTED = tuple(
    field.name
    for field in Return._meta.concrete_fields
    if field.name not in _JOINED and field.name not in set(WORKED_COLUMNS) | {"uuid"}
)
_WORKED = tuple(name for name in WORKED_COLUMNS if name not in _JOINED)


@dataclass(frozen=True, slots=True)
class Rows:
    """One table of a download: its name, its columns, and how its rows are read, as often as asked."""

    name: str
    columns: tuple[str, ...]
    read: Callable[[], Iterator[Sequence[Any]]]


def everything_about(account: Account) -> list[Rows]:
    """Return every table that says something about a person. Two queries, and one each time that a table is read.

    Traps and returns are named by their keys: "of these traps, or sent by this account" over subqueries reads all
    returns there are, for each table anew.
    """
    traps = list(traps_of(account).values_list("pk", flat=True))
    keys = list(Return.objects.filter(Q(trap__in=traps) | Q(sender=account)).values_list("pk", flat=True))
    returns = Return.objects.filter(pk__in=keys).order_by("pk")
    return [
        *_about_the_person(account),
        *_about_the_ground(account, traps),
        *_about_returns(returns, keys),
        _rows("questions", Question.objects.filter(report__in=keys), _QUESTION),
        _rows("questions_you_asked", Question.objects.filter(by=account), _QUESTION),
        _rows("verdicts_you_gave", Verdict.objects.filter(by=account), _VERDICT),
        _rows("verdicts_you_took_back", Undo.objects.filter(by=account), _UNDO),
        _rows("second_looks_you_gave", SecondLook.objects.filter(by=account), _SECOND_LOOK),
        _rows("returns_you_read_now", Lease.objects.filter(by=account), ("report__uuid", "taken_at", "until")),
        _rows("season_plans_you_made", account.season_plans.all(), ("public_id", "plan", "made_at", "changed_at")),
        _rows("safety_pages_you_wrote", SafetyPage.objects.filter(by=account), ("text", "dated", "written_at")),
        _rows("news_you_wrote", News.objects.filter(by=account), ("title", "text", "written_at", "taken_down_at")),
        _rows("what_you_did", Event.objects.filter(actor=account.pk), ("at", "verb", "subject", "details")),
    ]


def own_sheets(account: Account) -> QuerySet[Sheet]:
    """Return the spreadsheets of somebody's households whose content is still here. One query."""
    return Sheet.objects.filter(household__in=households_of(account), content__isnull=False).order_by("pk")


_QUESTION = ("report__uuid", "text", "asked_at", "answer", "answered_at")
_VERDICT = ("report__uuid", "decision", "reason", "note", "decided_at")
_UNDO = ("verdict__report__uuid", "undone_at", "note")
_TOKEN = ("name", "scopes", "created", "expiry", "last_used_at")
_EXPORT = ("public_id", "season__code", "table", "kind", "filters", "asked_at", "expires_at", "rows", "written_at")
_SECOND_LOOK = ("report__uuid", "opinion", "reason", "looked_at")


def _about_the_person(account: Account) -> list[Rows]:
    me = Account.objects.filter(pk=account.pk)
    mine = households_of(account)
    sheet = ("public_id", "household__alias", "kind", "name", "received_at", "state", "refusal", "rows", "rows_read")
    sheet_columns = (*sheet, "faults", "ready", "taken_at", "taken")
    code = ("school_class__pseudonym", "made_at", "expires_at", "ended_at")
    draft = ("uuid", "kind", "trap__public_id", "school_class__pseudonym", "answers", "begun_at", "saved_at")
    invitation = ("role", "region__code", "made_at", "expires_at")
    letter = ("kind", "due_at", "context", "written_at", "sent_at", "dropped_at", "problem")
    account_columns = (
        "email",
        "adult_confirmed_at",
        "created_at",
        "last_login",
        "language",
        "ledger_id",
        "dormancy_told_at",
        "morning_letter",
    )
    return [
        _rows("account", me, account_columns),
        _rows("mail_addresses", EmailAddress.objects.filter(user_id=account.pk), ("email", "verified", "primary")),
        _rows("roles", account.appointments.all(), ("role", "region__code", "appointed_at")),
        _rows("consents", account.consents.all(), ("version", "licence", "given_at", "withdrawn_at")),
        _rows("households", mine, ("public_id", "kind", "alias", "created_at")),
        _rows("classes", SchoolClass.objects.filter(household__in=mine), ("pseudonym", "created_at", "closed_at")),
        _rows("class_codes", ClassCode.objects.filter(school_class__household__in=mine), code),
        _rows("drafts", Draft.objects.filter(keeper=account), draft),
        _rows("spreadsheets", Sheet.objects.filter(household__in=mine), sheet_columns),
        _rows("letters", account.letters.all(), letter),
        _rows("tokens", Token.objects.filter(user=account), _TOKEN, "created"),
        _rows("exports", account.exports.all(), _EXPORT),
        _rows("releases_you_made", Release.objects.filter(by=account), ("version", "because", "published_at")),
        _rows("second_factor", TOTPDevice.objects.filter(user_id=account.pk), ("created_at", "last_used_at")),
        _rows("backup_codes", StaticToken.objects.filter(device__user_id=account.pk), ("device__created_at",)),
        _rows("invitations_to_you", Invitation.objects.filter(email=account.email), invitation),
        _rows("invitations_you_sent", account.invitations.all(), (*invitation, "taken_up_at", "called_back_at")),
        _rows("kept_answers", account.keptanswer_set.all(), ("route", "key", "status", "body", "kept_at")),
        Rows("sessions", ("ends_at",), lambda: _sessions(account)),
    ]


def _about_the_ground(account: Account, traps: list[int]) -> list[Rows]:
    site = (
        "public_id", "household__alias", "number", "region__code", "cell_code", "cell_latitude", "cell_longitude",
        "cell_uncertainty_m", "created_at", "point__latitude", "point__longitude", "point__kept_to_m",
    )  # fmt: skip
    trap = ("public_id", "site__public_id", "number", "habitat__code", "code", "plan_square", "created_at")
    opening = (
        "uuid", "trap__public_id", "set_at", "answers", "received_at", "looked_dusk_at", "looked_dawn_at", "ended_at",
        "ending", "report__uuid",
    )  # fmt: skip
    return [
        _rows("sites", sites_of(account), site),
        _rows("squares_that_releases_showed", _squares_shown(account), ("public_id", "release__version", "cell_code")),
        _rows("traps", traps_of(account), trap),
        _rows("openings", Opening.objects.filter(Q(trap__in=traps) | Q(by=account)), opening),
    ]


def _squares_shown(account: Account) -> QuerySet[ReleasedSite]:
    return ReleasedSite.objects.filter(public_id__in=sites_of(account).values("public_id"))


def _about_returns(returns: QuerySet[Return], keys: list[int]) -> list[Rows]:
    joined = ("uuid", "trap__public_id", "season__code", "habitat__code", "amends__uuid")
    query = ("report__uuid", "kind", "reason", "probability", "sentence", "gentle_sentence", "evidence", "raised_at")
    correction = ("report__uuid", "group__code", "answer", "low", "high", "column", "value", "made_at")
    photo = ("report__uuid", "width", "height", "received_at", "cropped_at")  # the pictures are files beside the tables
    of = {"report__in": keys}
    return [
        _rows("returns", returns, (*joined, *_REPORTED, *_WORKED)),
        _rows("catches", Catch.objects.filter(**of), ("report__uuid", "group__code", "answer", "low", "high")),
        _rows("findings", Finding.objects.filter(**of), ("report__uuid", "check_id", "outcome", "marks", "sentence")),
        _rows("why_returns_waited", Query.objects.filter(**of), query),
        _rows("verdicts", Verdict.objects.filter(**of), _VERDICT),
        _rows("verdicts_taken_back", Undo.objects.filter(verdict__report__in=keys), _UNDO),
        _rows("second_looks", SecondLook.objects.filter(**of), _SECOND_LOOK),
        _rows("corrections", Correction.objects.filter(**of), correction),
        _rows("tray_photos", TrayPhoto.objects.filter(**of), photo),
    ]


def _rows(name: str, found: QuerySet[Any], columns: tuple[str, ...], order: str = "pk") -> Rows:
    asked = [F(column) for column in columns]
    named = tuple(column.replace("__", "_") for column in columns)
    return Rows(name, named, lambda: found.order_by(order).values_list(*asked).iterator(chunk_size=2000))


def _sessions(account: Account) -> Iterator[Sequence[Any]]:
    keys = list(sessions_of(account))
    return Session.objects.filter(session_key__in=keys).order_by("expire_date").values_list("expire_date").iterator()
