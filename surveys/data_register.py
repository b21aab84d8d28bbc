"""The data register: everything that is kept about people, why, how long, and who sees it.

Pure words. A test compares it with the tables: a new table or column about people without a line here fails.
The sentences are shown on the privacy page, so they are written for a parent.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Kept:
    """One group of columns of one table, named ``application.table``."""

    part: str
    table: str
    columns: tuple[str, ...]
    what: str
    why: str
    how_long: str
    who_sees: str


_ACCOUNT_LIFE = "Until you erase your account, or 25 months after you last used it."
_YOU = "Only you."
_YOU_AND_OFFICE = "You, and the coordinator of your region."
_SERVICE = "Nobody reads it. Only the service uses it."
_UNLINKED = "It stays when your account is erased. By then nothing links it to you."

_PERSON = "You and your account"
_GROUND = "Your garden and your traps"
_COUNTS = "What you counted, and what became of it"
_TALK = "What you and the office wrote"
_MACHINE = "What the service needs to run"
#: The parts in which the register is shown.
PARTS = (_PERSON, _GROUND, _COUNTS, _TALK, _MACHINE)

REGISTER: tuple[Kept, ...] = (
    Kept(
        _PERSON,
        "surveys.account",
        ("id", "email", "password", "is_active", "last_login", "created_at"),
        "Your mail address, your password in a form that cannot be read back, and when you last signed in",
        "To let you in and nobody else, and to write to you about your traps.",
        _ACCOUNT_LIFE,
        "You see your address. Nobody can see your password.",
    ),
    Kept(
        _PERSON,
        "surveys.account",
        ("adult_confirmed_at", "language", "dormancy_told_at", "morning_letter"),
        "When you said that you are an adult, the language you read, when we told you that your account sleeps, and "
        "whether a coordinator wants a letter each morning",
        "Accounts are for adults. Pages and mail come in your language.",
        _ACCOUNT_LIFE,
        _YOU,
    ),
    Kept(
        _PERSON,
        "surveys.account",
        ("ledger_id",),
        "A random number of your account",
        "If an old copy of the service has to be brought back, it lets us erase you once more.",
        "For ever, but alone: once you are erased, nothing says whose number it was.",
        _SERVICE,
    ),
    Kept(
        _PERSON,
        "account.emailaddress",
        ("id", "user", "email", "verified", "primary"),
        "Whether your mail address was confirmed",
        "Reminders go only to an address that is known to be yours.",
        _ACCOUNT_LIFE,
        _YOU,
    ),
    Kept(
        _PERSON,
        "surveys.consent",
        ("id", "account", "version", "licence", "given_at", "withdrawn_at"),
        "Which consent text you agreed to, when, and when you took it back",
        "Without your yes, your counts are in no table that we publish.",
        _ACCOUNT_LIFE,
        _YOU,
    ),
    Kept(
        _PERSON,
        "surveys.household",
        ("id", "public_id", "keeper", "kind", "alias", "created_at"),
        "Your household or school: its public name, which we made up, and which of the two it is",
        "Others know you by this name only.",
        "The link to you and the name go when you erase your account. A row without a name stays, so that the counts "
        "still have a garden.",
        "Anyone who can see your returns: you, and the coordinator of your region.",
    ),
    Kept(
        _PERSON,
        "surveys.appointment",
        ("id", "account", "role", "region", "appointed_at"),
        "That you are a coordinator, a researcher or an operator",
        "It says what you may do here.",
        _ACCOUNT_LIFE,
        "You, the operator, and the coordinators of your region and of all regions.",
    ),
    Kept(
        _PERSON,
        "surveys.invitation",
        (
            "id", "email", "role", "region", "digest", "by", "made_at", "expires_at", "taken_up_at", "called_back_at",
        ),
        "That a coordinator invited your mail address to a task",
        "To send you the link, and to let in nobody but you.",
        "The address goes when you take it up, when it is called back, or after a week.",
        "You, and the coordinators who may invite.",
    ),
    Kept(
        _PERSON,
        "surveys.schoolclass",
        ("id", "public_id", "household", "pseudonym", "created_at", "closed_at"),
        "Classes of a school, under names that we made up",
        "So that a teacher can tell the counts of two classes apart. Nothing about a pupil is kept.",
        _ACCOUNT_LIFE,
        "The teacher.",
    ),
    Kept(
        _GROUND,
        "surveys.sitepoint",
        ("site", "latitude", "longitude", "kept_to_m"),
        "The point of your garden on the map, as finely as you chose",
        "To tell sunset from sunrise, and to notice a slip in the place.",
        _ACCOUNT_LIFE,
        _YOU_AND_OFFICE,
    ),
    Kept(
        _GROUND,
        "surveys.site",
        (
            "id", "public_id", "household", "number", "region", "cell_code", "cell_latitude", "cell_longitude",
            "cell_uncertainty_m", "created_at",
        ),
        "Your garden: its region, and the large square of the map in which it lies",
        "Counts are compared between gardens and regions.",
        _UNLINKED,
        "Everybody sees the square, where enough gardens share it. Nobody sees that it is yours.",
    ),
    Kept(
        _GROUND,
        "surveys.trap",
        ("id", "public_id", "site", "number", "habitat", "code", "created_at"),
        "Your traps: a number, a short code, and the ground each is in",
        "A count means little without the place where the cup stood.",
        _UNLINKED,
        _YOU_AND_OFFICE,
    ),
    Kept(
        _GROUND,
        "surveys.trap",
        ("plan_square",),
        "Where a trap stands on the plan that you drew",
        "So that you find it again in the dark.",
        _ACCOUNT_LIFE,
        _YOU,
    ),
    Kept(
        _GROUND,
        "surveys.opening",
        (
            "id", "uuid", "trap", "by", "fingerprint", "set_at", "answers", "received_at", "looked_dusk_at",
            "looked_dawn_at", "ended_at", "ending", "report",
        ),
        "When you set a trap, how, when you looked, and how it ended",
        "To remind you to look and to empty it: no animal waits longer than a day.",
        _UNLINKED,
        _YOU_AND_OFFICE,
    ),
    Kept(
        _COUNTS,
        "surveys.draft",
        ("id", "uuid", "keeper", "school_class", "kind", "trap", "opening", "answers", "begun_at", "saved_at"),
        "Answers that you have not sent yet",
        "So that nothing is lost when the signal is.",
        "90 days after you last changed them, or until you send them.",
        "Only you. In a school, the class that is filling them in.",
    ),
    Kept(
        _COUNTS,
        "surveys.sheet",
        (
            "id", "public_id", "household", "kind", "name", "content", "received_at", "job", "state", "refusal", "rows",
            "rows_read", "faults", "ready", "marked", "taken_at", "taken",
        ),
        "A spreadsheet that you sent",
        "To show you what is wrong with it before anything is taken in.",
        "What is in it: one day. That it came: until you erase your account.",
        _YOU,
    ),
    Kept(
        _COUNTS,
        "surveys.return",
        ("note",),
        "Notes that you typed",
        "They can explain a strange count.",
        _ACCOUNT_LIFE,
        _YOU_AND_OFFICE,
    ),
    Kept(
        _COUNTS,
        "surveys.return",
        ("sender",),
        "That a return came from you",
        "To show you your own returns.",
        _ACCOUNT_LIFE,
        _YOU_AND_OFFICE,
    ),
    Kept(
        _COUNTS,
        "surveys.return",
        (
            "id", "uuid", "season", "trap", "received_at", "fingerprint", "amends", "set_at", "emptied_at", "night",
            "time_precision", "habitat", "mouth_mm", "depth_mm", "material", "wall", "colour", "nesting", "rim",
            "rim_gap", "cover", "cover_kind", "cover_gap_mm", "cover_width_mm", "guard", "guard_hole_mm", "refuge",
            "liquid", "water_mm", "drain_holes", "settled_h", "hole_reuse", "disturbance", "pesticide", "looks",
            "traps_open", "spacing_m", "traps_pooled", "ground_cover", "vegetation", "temp_min_c", "temp_max_c",
            "temp_source", "rain", "wind", "ground", "trap_state", "counted_in", "looked_for_all", "remains_seen",
            "vertebrate_seen", "release", "closing",
        ),
        "Your returns: when the trap stood, how it was set, and what the night was like",
        "This is the survey.",
        _UNLINKED,
        "You and the coordinator see all of it. With your yes, everybody sees the parts that the codebook calls open.",
    ),
    Kept(
        _COUNTS,
        "surveys.return",
        (
            "state", "version", "moved_at", "standing", "exposure_h", "whole_nights", "trap_nights", "rim_ratio",
            "fresh", "probability", "damage", "rank", "urgent", "certain", "screened_at", "screened_with",
            "region", "reason", "pressing",
        ),
        "What the service worked out from a return, and whether a person must look at it",
        "So that a slip does not become a finding.",
        _UNLINKED,
        _YOU_AND_OFFICE,
    ),
    Kept(
        _COUNTS,
        "surveys.trayphoto",
        ("id", "public_id", "report", "picture", "width", "height", "received_at", "cropped_at"),
        "A photo of the tray, if you sent one. We paint it anew, so that nothing hides in it",
        "A picture can settle a strange count.",
        "Until you or the coordinator delete it, you take the return back, or you erase your account.",
        _YOU_AND_OFFICE,
    ),
    Kept(
        _COUNTS,
        "surveys.catch",
        ("id", "report", "group", "answer", "low", "high"),
        "What you counted",
        "This is the survey.",
        _UNLINKED,
        "With your yes, everybody.",
    ),
    Kept(
        _COUNTS,
        "surveys.finding",
        ("id", "report", "check_id", "outcome", "marks", "sentence"),
        "What was not quite as asked in a return",
        "So that you know what counted, and why.",
        _UNLINKED,
        _YOU_AND_OFFICE,
    ),
    Kept(
        _COUNTS,
        "surveys.query",
        (
            "id", "report", "kind", "reason", "position", "probability", "sentence", "gentle_sentence", "evidence",
            "raised_at",
        ),
        "Why a return waits for a person. It can name words of your note, or the point of your garden",
        "A person must see what is strange before deciding.",
        "The reason stays. The words and the point go when you erase your account.",
        _YOU_AND_OFFICE,
    ),
    Kept(
        _COUNTS,
        "surveys.correction",
        ("id", "verdict", "report", "group", "answer", "low", "high", "column", "value", "made_at"),
        "A number or a time that a coordinator put right",
        "What you sent stays beside it.",
        _UNLINKED,
        _YOU_AND_OFFICE,
    ),
    Kept(
        _TALK,
        "surveys.verdict",
        ("id", "report", "by", "decision", "reason", "note", "decided_at", "report_version", "together"),
        "What a coordinator decided about a return, who it was, and the note beside it",
        "Every decision is on record.",
        "The decision stays. The note goes when you erase your account, and the name when the coordinator does.",
        _YOU_AND_OFFICE,
    ),
    Kept(
        _TALK,
        "surveys.undo",
        ("id", "verdict", "by", "undone_at", "note"),
        "That a decision was taken back, by whom, and the note beside it",
        "Every change of mind is on record too.",
        "It stays with the decision. The note goes when you erase your account, the name when the coordinator does.",
        _YOU_AND_OFFICE,
    ),
    Kept(
        _TALK,
        "surveys.secondlook",
        ("report", "season", "drawn_at", "state", "by", "opinion", "reason", "looked_at"),
        "That a return was looked at a second time, and what was thought of it",
        "It shows how good our looking is.",
        _UNLINKED,
        "The coordinators.",
    ),
    Kept(
        _TALK,
        "surveys.lease",
        ("report", "by", "taken_at", "until"),
        "That a coordinator reads a return at this moment",
        "So that two people do not work on the same one.",
        "Until it is given back, and a day at most.",
        "The coordinators.",
    ),
    Kept(
        _TALK,
        "surveys.seasonplan",
        (
            "id", "public_id", "plan", "boundaries", "limits", "version", "by", "made_at", "changed_at", "opened_as",
            "dropped_at",
        ),
        "Who plans the next season",
        "A plan has an owner.",
        "The plan stays. The link to you goes when you erase your account.",
        "The coordinators.",
    ),
    Kept(
        _TALK,
        "surveys.question",
        ("id", "report", "by", "text", "asked_at", "answer", "answered_at"),
        "Questions from a coordinator, and your answers",
        "To clear up a strange count.",
        _ACCOUNT_LIFE,
        _YOU_AND_OFFICE,
    ),
    Kept(
        _TALK,
        "surveys.letter",
        (
            "id", "key", "account", "opening", "kind", "due_at", "context", "written_at", "attempts", "sent_at",
            "dropped_at", "problem",
        ),
        "Mail that we sent or will send you. It names no place and no person",
        "To remind you of a trap, once.",
        _ACCOUNT_LIFE,
        _YOU,
    ),
    Kept(
        _TALK,
        "surveys.safetypage",
        ("id", "region", "by", "text", "dated", "written_at"),
        "Who wrote the safety page of a region",
        "A safety page has an owner.",
        "The text stays. The link to you goes when you erase your account.",
        "Everybody sees the text. Nobody sees who wrote it.",
    ),
    Kept(
        _TALK,
        "surveys.news",
        ("id", "region", "by", "title", "text", "written_at", "taken_down_at"),
        "Who wrote the news of a region",
        "News has an owner.",
        "The text stays. The link to you goes when you erase your account.",
        "Everybody sees the text. Nobody sees who wrote it.",
    ),
    Kept(
        _MACHINE,
        "account.emailconfirmation",
        ("id", "email_address", "created", "sent", "key"),
        "Links to confirm a mail address",
        "None are made here: we send a code instead. The table came with a library and stays empty.",
        _ACCOUNT_LIFE,
        _SERVICE,
    ),
    Kept(
        _MACHINE,
        "sessions.session",
        ("session_key", "session_data", "expire_date"),
        "That your browser is signed in",
        "So that you need not type your password on every page.",
        "14 days, or until you sign out.",
        _SERVICE,
    ),
    Kept(
        _MACHINE,
        "otp_totp.totpdevice",
        (
            "id", "user", "name", "confirmed", "key", "step", "t0", "digits", "tolerance", "drift", "last_t",
            "throttling_failure_timestamp", "throttling_failure_count", "created_at", "last_used_at",
        ),
        "If you are a coordinator or an operator: the secret that you share with your app, and when it was last used",
        "So that a stolen password alone does not open the desk.",
        "Until you set up a new one, it is reset, or your account is erased.",
        _SERVICE,
    ),
    Kept(
        _MACHINE,
        "otp_static.staticdevice",
        (
            "id", "user", "name", "confirmed", "throttling_failure_timestamp", "throttling_failure_count", "created_at",
            "last_used_at",
        ),
        "That you have backup codes, and when you last used one",
        "They let you in when your phone is lost.",
        "As long as the secret of your app.",
        _SERVICE,
    ),
    Kept(
        _MACHINE,
        "otp_static.statictoken",
        ("id", "device", "token"),
        "Backup codes that you have not used, in a form that cannot be read back",
        "To tell a right one from a wrong one.",
        "Until you use them or make new ones.",
        _SERVICE,
    ),
    Kept(
        _MACHINE,
        "surveys.token",
        ("user", "digest", "token_key", "created", "expiry", "name", "scopes", "last_used_at"),
        "Tokens of the API, in a form that cannot be read back: what you call them, what they are for, and when they "
        "were last used",
        "So that a program of yours can send counts in your name.",
        "As long as you said, a year at most, or until you end them.",
        _YOU,
    ),
    Kept(
        _MACHINE,
        "surveys.export",
        (
            "id", "public_id", "by", "season", "job", "table", "kind", "filters", "asked_at", "expires_at", "rows",
            "size_bytes", "sha256", "written_at",
        ),
        "If you are a researcher: which tables you asked for",
        "To write the file that you fetch.",
        "Seven days.",
        _YOU,
    ),
    Kept(
        _MACHINE,
        "surveys.release",
        (
            "id", "season", "version", "number", "run", "job", "by", "because", "replaces", "state", "manifest",
            "summary", "sha256", "frozen_at", "published_at", "withdrawn_at", "withdrawn_because",
        ),
        "If you lead the office: that you made a data release, by account number",
        "So that the office knows who to ask.",
        "For ever. Once you are erased, the number is gone.",
        "The operator. The release does not name you.",
    ),
    Kept(
        _MACHINE,
        "surveys.releasedsite",
        ("id", "public_id", "release", "region", "cell_code"),
        "Which map square a data release showed for a garden, under its random number",
        "A later release must not give away more than the first one did.",
        "For ever, as the release is. Once you are erased, nothing links it to you.",
        "Anyone. It stands in the release.",
    ),
    Kept(
        _MACHINE,
        "surveys.erasure",
        ("id", "ledger_id", "erased_at"),
        "That some account was erased: a random number and a moment",
        "If an old copy of the service has to be brought back, the account is erased once more.",
        "For ever. It does not say who it was.",
        _SERVICE,
    ),
    Kept(
        _MACHINE,
        "surveys.classcode",
        ("id", "school_class", "digest", "made_at", "expires_at", "ended_at"),
        "Codes that let a class type its counts, in a form that cannot be read back",
        "A class needs no account.",
        _ACCOUNT_LIFE,
        _SERVICE,
    ),
    Kept(
        _MACHINE,
        "surveys.keptanswer",
        ("id", "account", "route", "key", "fingerprint", "status", "body", "kept_at"),
        "What the service answered when a program sent counts in your name",
        "If the line drops, sending again gets the same answer and stores nothing twice.",
        "30 days.",
        _SERVICE,
    ),
    Kept(
        _MACHINE,
        "surveys.event",
        ("id", "at", "actor", "verb", "subject", "subject_id", "details", "request_id", "previous", "digest"),
        "That something was done, by account number",
        "So that nothing can be changed in secret. It holds no address, no name, no place and no text of yours.",
        "For ever. Once you are erased, the number leads to nobody.",
        "The operator.",
    ),
)  # fmt: skip

#: Tables that say nothing about anybody, and what they hold.
ABOUT_NOBODY: dict[str, str] = {
    "surveys.protocol": "how a trap is set",
    "surveys.group": "animal groups",
    "surveys.habitat": "kinds of ground",
    "surveys.region": "regions",
    "surveys.season": "seasons",
    "surveys.season_regions": "regions of a season",
    "surveys.seasongroup": "groups of a season",
    "surveys.seasonhabitat": "habitats of a season",
    "surveys.window": "periods of a season",
    "surveys.job": "background work",
    "surveys.jobpart": "parts of a night that is being computed, dropped with it",
    "surveys.jobcolumn": "numbers that the parts of a night are computed from, dropped with it",
    "surveys.run": "computations of a night",
    "surveys.indexvalue": "figures of regions",
    "surveys.changevalue": "figures of regions",
    "surveys.groupsseenvalue": "figures of regions",
    "surveys.usualcatch": "what traps usually catch",
    "surveys.releasedcell": "published sums of map squares, each of five gardens or more",
    "surveys.packedcatch": "counts, packed to be read fast",
    "auth.permission": "unused words of a library",
    "auth.group": "unused words of a library",
    "auth.group_permissions": "unused words of a library",
    "contenttypes.contenttype": "names of tables",
}
