"""What is still to do before a season can be opened: all of it at once, section by section."""

from __future__ import annotations

import zoneinfo
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import timedelta
from functools import lru_cache
from typing import Any

from surveys.plans.boundaries import CODE, LONGEST_CODE, faults_of_regions
from surveys.plans.ranges_checks import faults_of_ranges
from surveys.plans.records import Known, PlanDraft, PlanFault, _, has_unseen_signs, read_day
from surveys.plans.weeks import faults_of_weeks, unread_day
from surveys.vocabulary import Licence, PlanSection

LONGEST_TITLE, LONGEST_CONTACT, LONGEST_WELCOME = 120, 200, 2000
#: A survey year with a month on either side; longer than this is a slip in a year.
LONGEST_SEASON = timedelta(days=430)
#: Weights typed with two digits behind the point may miss 1 by this. Own choice.
WEIGHTS_SLACK = 0.005


def check_plan(draft: PlanDraft, known: Known) -> tuple[PlanFault, ...]:
    """Return everything that is still to do, in the order of the sections; nothing means: it can be opened."""
    checks = (_name, faults_of_weeks, _groups, _habitats, faults_of_ranges, faults_of_regions, _texts)
    return tuple(fault for check in checks for fault in check(draft, known))


def can_open(faults: tuple[PlanFault, ...]) -> bool:
    """Say whether nothing of what was found stands in the way."""
    return not any(fault.blocks for fault in faults)


@lru_cache(maxsize=1)
def time_zones() -> frozenset[str]:
    """Return the names of the time zones there are."""
    return frozenset(zoneinfo.available_timezones())


# --- name and dates -----------------------------------------------------------------------------------


def _name(draft: PlanDraft, known: Known) -> Iterator[PlanFault]:
    plan = draft.plan
    yield from _code(_text(plan, "code"), known)
    yield from _line(
        plan, "title", LONGEST_TITLE, _("There is no title yet. Write the name of the count, with its year.")
    )
    yield from _line(
        plan, "organiser", LONGEST_TITLE, _("There is no organiser yet. Write the office that answers for the count.")
    )
    yield from _contact(plan)
    yield from _dates(plan, known)
    if _text(plan, "time_zone") not in time_zones():
        yield _fault(
            "time_zone",
            _("The time zone {found} is not known. Choose one such as Europe/Dublin."),
            found=_text(plan, "time_zone") or "-",
        )
    if plan.get("licence") not in Licence.values():
        yield _fault("licence", _("There is no licence yet. Choose the one under which the data are published."))
    budget = plan.get("review_budget")
    if not _is_share(budget) or budget == 0:
        yield _fault(
            "review_budget",
            _(
                "The share of returns that people can read is not a number above 0 and up to 100 "
                "percent. Write one such as 5."
            ),
        )


def _code(code: str, known: Known) -> Iterator[PlanFault]:
    if not code:
        yield _fault(
            "code", _("There is no code yet. Write a short one, such as merrow-2027. It stands in addresses and files.")
        )
    elif not CODE.match(code) or len(code) > LONGEST_CODE:
        yield _fault(
            "code",
            _(
                "The code {code} cannot be used. Use small letters, digits and hyphens, at most 40, "
                "such as merrow-2027."
            ),
            code=code,
        )
    elif code in known.season_codes:
        yield _fault("code", _("There is a season with the code {code} already. Choose another."), code=code)


def _line(plan: Mapping[str, Any], key: str, longest: int, missing: str) -> Iterator[PlanFault]:
    text = _text(plan, key)
    if not text:
        yield _fault(key, missing)
    elif len(text) > longest:
        yield _fault(
            key,
            _("This has {found} signs, and at most {most} fit: {text}. Make it shorter."),
            found=len(text),
            most=longest,
            text=text[:40] + "…",
        )


def _contact(plan: Mapping[str, Any]) -> Iterator[PlanFault]:
    text = _text(plan, "contact")
    is_mail = "@" in text.strip("@") and " " not in text
    if not (is_mail or text.startswith("https://")) or len(text) > LONGEST_CONTACT:
        yield _fault(
            "contact",
            _(
                "The contact {found} is neither an email address nor a web address that begins with "
                "https. Write one that people may use."
            ),
            found=text[:60] or "-",
        )


def _dates(plan: Mapping[str, Any], known: Known) -> Iterator[PlanFault]:
    opens, closes = read_day(plan.get("opens_on")), read_day(plan.get("closes_on"))
    for key, day in (("opens_on", opens), ("closes_on", closes)):
        if day is None:
            yield from unread_day(key, plan.get(key))
    if closes is not None and closes < known.today:
        yield _fault(
            "closes_on", _("The season closes on {day}, which is over. Choose a later day."), day=closes.isoformat()
        )
    if opens is None or closes is None:
        return
    if closes < opens:
        yield _fault(
            "closes_on",
            _("The season closes on {closes}, before it opens on {opens}. Look at both days."),
            opens=opens.isoformat(),
            closes=closes.isoformat(),
        )
    elif closes - opens > LONGEST_SEASON:
        yield _fault(
            "closes_on",
            _("The season would be open for {days} days. A season is one survey year. Look at both years."),
            days=(closes - opens).days,
        )


# --- groups, habitats, texts --------------------------------------------------------------------------


def _groups(draft: PlanDraft, known: Known) -> Iterator[PlanFault]:
    codes = draft.plan.get("groups") or []
    section = PlanSection.GROUPS
    if not codes:
        yield PlanFault(
            section,
            "no_groups",
            _("No group is chosen yet. Choose those that people should look for."),
            target="groups",
        )
    for code, times in Counter(map(str, codes)).items():
        if code not in known.groups:
            yield PlanFault(
                section,
                "unknown_group",
                _("There is no group with the code {code}. Choose from the list."),
                {"code": code},
                target="groups",
            )
        elif times > 1:
            yield PlanFault(
                section, "group_twice", _("The group {code} stands on the list twice."), {"code": code}, target="groups"
            )


def _habitats(draft: PlanDraft, known: Known) -> Iterator[PlanFault]:
    rows = draft.plan.get("habitats") or []
    if not rows:
        yield _habitat(
            "no_habitats", _("No habitat is chosen yet. Give each habitat of the count its weight."), "habitats"
        )
        return
    codes = Counter(str(row.get("code")) for row in rows)
    for code, times in codes.items():
        if code not in known.habitats:
            yield _habitat(
                "unknown_habitat",
                _("There is no habitat with the code {code}. Choose from the list."),
                "habitats",
                code=code,
            )
        elif times > 1:
            yield _habitat("habitat_twice", _("The habitat {code} stands on the list twice."), "habitats", code=code)
    odd = [row for row in rows if not _is_share(row.get("weight"))]
    for row in odd:
        yield _habitat(
            "weight",
            _("The weight {found} is not a number from 0 to 1. Write a share, such as 0.2."),
            f"weight-{row.get('code')}",
            found=str(row.get("weight"))[:20] or "-",
        )
    total = sum(row["weight"] for row in rows if row not in odd)
    if not odd and abs(total - 1) > WEIGHTS_SLACK + 1e-9:
        yield _habitat(
            "weights_sum",
            _("The weights sum to {found}, and to 1 they should. Change some, or make them equal."),
            "habitats",
            found=f"{total:.3f}",
        )


def _texts(draft: PlanDraft, _known: Known) -> Iterator[PlanFault]:
    text = str(draft.plan.get("welcome") or "")
    if len(text) > LONGEST_WELCOME:
        yield PlanFault(
            PlanSection.TEXTS,
            "too_long",
            _("The welcome has {found} signs. At most {most} fit. Make it shorter."),
            {"found": len(text), "most": LONGEST_WELCOME},
            target="welcome",
        )
    if has_unseen_signs(text.replace("\r", "")):
        yield PlanFault(
            PlanSection.TEXTS,
            "unseen_signs",
            _("The welcome holds control signs that nobody can see. Type it anew, or paste it as plain text."),
            target="welcome",
        )


def _text(plan: Mapping[str, Any], key: str) -> str:
    found = plan.get(key)
    return found.strip() if isinstance(found, str) else ""


def _is_share(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= 1


def _fault(target: str, text: str, /, **values: str | int) -> PlanFault:
    return PlanFault(PlanSection.NAME, target, text, values, target=target)


def _habitat(code: str, text: str, target: str, /, **values: str | int) -> PlanFault:
    return PlanFault(PlanSection.HABITATS, code, text, values, target=target)
