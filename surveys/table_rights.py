"""What the running service may do to each table: the list that ``manage.py grant_rights`` turns into GRANTs.

The tables belong to the role that migrates. Pages, workers and commands come as another one, which may do what stands
here and nothing else: it owns nothing, so it can neither drop nor alter a table, nor empty it, nor switch off a
trigger (PostgreSQL manual, "Privileges": those rights come with owning). What only grows, only grows for it even where
a trigger were missing. A test holds this list against the tables.

Source of the rule: ASVS 5.0.0, 13.2 (services run with the least privileges that they need).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Rights:
    """What may be done beside reading. ``update`` holds ``*`` for every column, or the columns that may change."""

    insert: bool = True
    update: tuple[str, ...] = ("*",)
    delete: bool = False


_READ = Rights(insert=False, update=())
_GROW = Rights(update=())
_CHANGE = Rights()
_COME_AND_GO = Rights(update=(), delete=True)
_ANY = Rights(delete=True)

#: What the service works out about a return, or learns of it later. All else in the row is what was sent.
WORKED_OUT_OF_A_RETURN = (
    "state", "version", "moved_at", "standing", "exposure_h", "whole_nights", "trap_nights", "rim_ratio", "fresh",
    "probability", "damage", "rank", "urgent", "certain", "screened_at", "screened_with", "compared_with", "region_id",
    "reason", "pressing",
)  # fmt: skip

#: Of which the service draws keys itself, for the many rows of a COPY. It cannot set them: that comes with UPDATE.
DRAWN_FROM = ("surveys_return_id_seq",)

#: What the service may have done as the owner of the tables: each takes nothing from whoever calls it (migration 0021).
FUNCTIONS = ("begin_counts_of_a_season", "measure_counts")

RIGHTS: dict[str, Rights] = {
    # What only grows: the log, what was sent, what was decided, what was told.
    "surveys_event": _GROW,
    "surveys_erasure": _GROW,
    "surveys_catch": _GROW,
    "surveys_finding": _GROW,
    "surveys_knownfinding": _GROW,
    "surveys_found": _READ,
    "surveys_correction": _GROW,
    "surveys_releasedsite": _GROW,
    "surveys_releasedcell": _GROW,
    # An erasure empties a note and forgets who sent; nothing else of what was sent ever changes.
    "surveys_return": Rights(update=(*WORKED_OUT_OF_A_RETURN, "sender_id", "note")),
    "surveys_verdict": Rights(update=("note", "by_id")),
    "surveys_undo": Rights(update=("note", "by_id")),
    "surveys_query": Rights(update=("position", "sentence", "gentle_sentence", "evidence")),
    "surveys_secondlook": Rights(update=("by_id", "opinion", "reason", "looked_at", "state")),
    "surveys_release": Rights(update=("state", "withdrawn_at", "withdrawn_because", "by_id")),
    # What is agreed on for a season. Triggers freeze it once the season is open.
    "surveys_protocol": _GROW,
    "surveys_group": _CHANGE,
    "surveys_habitat": _CHANGE,
    "surveys_region": _CHANGE,
    "surveys_season": Rights(update=("state",)),
    "surveys_season_regions": _GROW,
    "surveys_seasongroup": _GROW,
    "surveys_seasonhabitat": _GROW,
    "surveys_window": _GROW,
    "surveys_seasonplan": _CHANGE,
    # What a night computes: shown by a switch of state, never rewritten.
    "surveys_run": _CHANGE,
    "surveys_indexvalue": _GROW,
    "surveys_changevalue": _GROW,
    "surveys_groupsseenvalue": _GROW,
    "surveys_usualcatch": _COME_AND_GO,
    "surveys_packedcatch": _CHANGE,
    # Gardens and traps stay; an erasure makes them nobody's.
    "surveys_household": _CHANGE,
    "surveys_site": _CHANGE,
    "surveys_sitepoint": _CHANGE,
    "surveys_trap": _CHANGE,
    "surveys_opening": _CHANGE,
    "surveys_safetypage": _CHANGE,
    "surveys_news": _CHANGE,
    "surveys_invitation": _CHANGE,
    # What goes when its time is over, or with an account.
    "surveys_account": _ANY,
    "surveys_appointment": _ANY,
    "surveys_consent": _ANY,
    "surveys_draft": _ANY,
    "surveys_export": _ANY,
    "surveys_job": _ANY,
    "surveys_jobpart": _ANY,
    "surveys_jobcolumn": _ANY,
    "surveys_keptanswer": _ANY,
    "surveys_lease": _ANY,
    "surveys_letter": _ANY,
    "surveys_question": _ANY,
    "surveys_schoolclass": _ANY,
    "surveys_classcode": _ANY,
    "surveys_sheet": _ANY,
    "surveys_token": _ANY,
    "surveys_trayphoto": _ANY,
    "django_session": _ANY,
    "account_emailaddress": _ANY,
    "account_emailconfirmation": _ANY,
    "otp_totp_totpdevice": _ANY,
    "otp_static_staticdevice": _ANY,
    "otp_static_statictoken": _ANY,
    # Of the framework: written by migrations only. Its groups and permissions have no use here.
    "django_migrations": _READ,
    "django_content_type": _READ,
    "auth_permission": _READ,
    "auth_group": _READ,
    "auth_group_permissions": _READ,
}
