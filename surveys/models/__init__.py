"""Tables and named constraints; no rules, no queries."""

from surveys.models.indices import ChangeValue, GroupsSeenValue, IndexValue, Run, UsualCatch
from surveys.models.jobs import Job, JobColumn, JobPart
from surveys.models.letters import Letter
from surveys.models.log import Event
from surveys.models.openings import Opening
from surveys.models.people import Account, Appointment, Consent, Erasure, Household, Invitation
from surveys.models.photos import TrayPhoto
from surveys.models.regions import News, SafetyPage
from surveys.models.releases import Export, Release, ReleasedCell, ReleasedSite, Token
from surveys.models.returns import Catch, Finding, FindingRow, KeptAnswer, KnownFinding, PackedCatch, Return
from surveys.models.review import Correction, Lease, Query, Question, SecondLook, Undo, Verdict
from surveys.models.schools import ClassCode, Draft, SchoolClass
from surveys.models.seasons import (
    Group,
    Habitat,
    Protocol,
    Region,
    Season,
    SeasonGroup,
    SeasonHabitat,
    SeasonPlan,
    Window,
)
from surveys.models.sheets import Sheet
from surveys.models.sites import Site, SitePoint, Trap

__all__ = [
    "Account",
    "Appointment",
    "Catch",
    "ChangeValue",
    "ClassCode",
    "Consent",
    "Correction",
    "Draft",
    "Erasure",
    "Event",
    "Export",
    "Finding",
    "FindingRow",
    "Group",
    "GroupsSeenValue",
    "Habitat",
    "Household",
    "IndexValue",
    "Invitation",
    "Job",
    "JobColumn",
    "JobPart",
    "KeptAnswer",
    "KnownFinding",
    "Lease",
    "Letter",
    "News",
    "Opening",
    "PackedCatch",
    "Protocol",
    "Query",
    "Question",
    "Region",
    "Release",
    "ReleasedCell",
    "ReleasedSite",
    "Return",
    "Run",
    "SafetyPage",
    "SchoolClass",
    "Season",
    "SeasonGroup",
    "SeasonHabitat",
    "SeasonPlan",
    "SecondLook",
    "Sheet",
    "Site",
    "SitePoint",
    "Token",
    "Trap",
    "TrayPhoto",
    "Undo",
    "UsualCatch",
    "Verdict",
    "Window",
]
