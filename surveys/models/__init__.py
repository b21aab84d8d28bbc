"""Tables and named constraints; no rules, no queries."""

from surveys.models.indices import ChangeValue, GroupsSeenValue, IndexValue, Run, UsualCatch
from surveys.models.jobs import Job
from surveys.models.log import Event
from surveys.models.people import Account, Appointment, Household
from surveys.models.releases import Release
from surveys.models.returns import Catch, Finding, KeptAnswer, PackedCatch, Return
from surveys.models.review import Correction, Query, Verdict
from surveys.models.seasons import Group, Habitat, Protocol, Region, Season, SeasonGroup, SeasonHabitat, Window
from surveys.models.sites import Site, SitePoint, Trap

__all__ = [
    "Account",
    "Appointment",
    "Catch",
    "ChangeValue",
    "Correction",
    "Event",
    "Finding",
    "Group",
    "GroupsSeenValue",
    "Habitat",
    "Household",
    "IndexValue",
    "Job",
    "KeptAnswer",
    "PackedCatch",
    "Protocol",
    "Query",
    "Region",
    "Release",
    "Return",
    "Run",
    "Season",
    "SeasonGroup",
    "SeasonHabitat",
    "Site",
    "SitePoint",
    "Trap",
    "UsualCatch",
    "Verdict",
    "Window",
]
