"""The numbers, names and words of why a return waits, each in a sentence of the page's language.

Names of groups and places stand where no language bends them. Every function takes the evidence that screening wrote
beside the query, as :mod:`surveys.methods` writes it, and the lists of the season.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

from django.utils.formats import date_format
from django.utils.translation import gettext

from surveys.methods.level_records import OPEN_ABOVE
from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import GroundCover, QueryReason, TrapState, VegetationHeight
from surveys.web.beside import caught_words
from surveys.web.words import say

Evidence = Mapping[str, Any]


def _kind(code: str, lists: SeasonLists) -> str:
    return next((say(group.name) for group in lists.groups if group.code == code), code.replace("_", " "))


def _place(code: str, lists: SeasonLists) -> str:
    return next((say(habitat.label) for habitat in lists.habitats if habitat.code == code), code.replace("_", " "))


def _sent(numbers: Evidence) -> str:
    return caught_words(numbers["low"], OPEN_ABOVE if numbers["high"] is None else numbers["high"])


def _usual(numbers: Evidence) -> str:
    """Return the range that nine in ten such traps stay in."""
    most = numbers["quantiles"]["0.9"]
    return gettext("up to %(number)d") % {"number": most} if most else gettext("hardly any")


def _quoted(words: Sequence[str]) -> str:
    return ", ".join(f"“{word}”" for word in words[:4])


def _named(evidence: Evidence, name: str) -> int:
    value: float = {one["name"]: one["value"] for one in evidence["numbers"]}[name]
    return round(value)


# --- one sentence for each reason ------------------------------------------------------------------


def _ten_times(evidence: Evidence, lists: SeasonLists) -> str:
    numbers, count = evidence["numbers"][0], evidence["alternative"]["count"]
    return gettext(
        "%(kind)s: you sent %(sent)s. Most traps like yours catch %(usual)s. Look at your sheet again: was it "
        "%(count)d? If not, tell us. Big nights do happen."
    ) % {"kind": _kind(numbers["group"], lists), "sent": _sent(numbers), "usual": _usual(numbers), "count": count}


def _unusually_many(evidence: Evidence, lists: SeasonLists) -> str:
    numbers = evidence["numbers"][0]
    return gettext(
        "%(kind)s: you sent %(sent)s. Most traps like yours catch %(usual)s. That would be a big night! "
        "Look at your sheet once more."
    ) % {"kind": _kind(numbers["group"], lists), "sent": _sent(numbers), "usual": _usual(numbers)}


def _look_alikes(evidence: Evidence, lists: SeasonLists) -> str:
    one, other = evidence["numbers"][:2]
    first, second = _kind(one["group"], lists), _kind(other["group"], lists)
    parts = {"first": first, "sent": _sent(one), "second": second, "other": _sent(other)}
    if "swapped" in evidence["alternative"]:
        return (
            gettext(
                "You sent this. %(first)s: %(sent)s. %(second)s: %(other)s. The two look much alike. "
                "Look again: might it be the other way round?"
            )
            % parts
        )
    return (
        gettext(
            "You sent this. %(first)s: %(sent)s. %(second)s: %(other)s. The two look much alike. "
            "Look again: might some belong to the other group?"
        )
        % parts
    )


def _row_slip(evidence: Evidence, lists: SeasonLists) -> str:
    return gettext(
        "From this row on, your numbers look as if they slipped by one row: %(kind)s. Lay your sheet beside the form. "
        "Look at each row again."
    ) % {"kind": _kind(evidence["alternative"]["from_group"], lists)}


def _lost_trap(evidence: Evidence, lists: SeasonLists) -> str:
    if "trap_state" in evidence:
        return gettext(
            "You told us how you found the trap: %(state)s. Then animals may have got out. So we cannot say that there "
            "were none. Was the cup still a good trap in the morning?"
        ) % {"state": say(TrapState(evidence["trap_state"]))}
    return gettext(
        "You found no animals at all. Traps like yours catch about %(number)d. That can happen. "
        "Was the cup still in its place, upright and dry inside?"
    ) % {"number": _named(evidence, "expected_in_all")}


def _pooled(evidence: Evidence, lists: SeasonLists) -> str:
    return gettext(
        "You sent %(sent)d animals for one trap. Traps like yours catch about %(usual)d. Did you add up %(traps)d "
        "traps? Tell us how many. That is fine, and your counts still help."
    ) % {
        "sent": _named(evidence, "sent"),
        "usual": _named(evidence, "expected"),
        "traps": evidence["alternative"]["traps"],
    }


def _small_missed(evidence: Evidence, lists: SeasonLists) -> str:
    missed = evidence["alternative"]["not_looked_for"]
    return gettext(
        "You found none of these: %(kinds)s. They are tiny and easy to miss. Did you look for them on a white tray? "
        "If not, answer Did not look. That is fine."
    ) % {"kinds": ", ".join(_kind(code, lists) for code in missed)}


def _impossible(evidence: Evidence, lists: SeasonLists) -> str:
    over = [f"{_kind(one['group'], lists)}: {one['low']}" for one in evidence["numbers"][:4]]
    all_of_them = gettext("%(number)d animals in all") % {"number": round(evidence["macro_total"])}
    return gettext(
        "That is more than one small cup can hold (%(told)s). Look at your numbers again. "
        "Was it a nest or a swarm? Tell us. That is worth knowing."
    ) % {"told": "; ".join(over) or all_of_them}


def _liquid(evidence: Evidence, lists: SeasonLists) -> str:
    return gettext(
        "Your note says: %(words)s. We use a dry, empty cup. Liquids and bait can kill pets and wild animals. "
        "Was something in the cup? Then put the lid on. Pour nothing on the ground or down a drain. "
        "Ask your coordinator what to do with it."
    ) % {"words": _quoted(evidence["words"])}


def _welfare(evidence: Evidence, lists: SeasonLists) -> str:
    return gettext(
        "Your note says: %(words)s. Was an animal with a backbone in the cup or near it? Tell us, so that we can help."
    ) % {"words": _quoted(evidence["words"])}


def _round_numbers(evidence: Evidence, lists: SeasonLists) -> str:
    if "words" not in evidence:
        return ""
    return gettext(
        "Your note says: %(words)s. A good guess is fine. Then choose a range next time, such as 16 to 31."
    ) % {"words": _quoted(evidence["words"])}


def _wrong_habitat(evidence: Evidence, lists: SeasonLists) -> str:
    here = _place(evidence["habitat"] or "", lists)
    if "words" in evidence:
        plants = {**dict(GroundCover.choices()), **dict(VegetationHeight.choices())}
        told = _quoted([say(plants[word]) for word in evidence["words"]])
        return gettext(
            "You put this trap here: %(here)s. But you said this of the plants around it: %(plants)s. "
            "Look again: where did this trap stand?"
        ) % {"here": here, "plants": told}
    there = _place(evidence["alternative"]["habitat"], lists)
    if not here:
        return gettext("Your catch looks like one from here: %(there)s. Where did this trap stand?") % {"there": there}
    return gettext(
        "Your catch looks more like one from here: %(there)s. You put this trap here: %(here)s. "
        "Look again: where did this trap stand?"
    ) % {"there": there, "here": here}


def _day_month(evidence: Evidence, lists: SeasonLists) -> str:
    days = [datetime.fromisoformat(evidence["alternative"][name]) for name in ("set_at", "emptied_at")]
    set_on, emptied_on = (date_format(day, gettext("j F Y")) for day in days)
    return gettext(
        "Your dates do not fit this season. Did you mean %(set_on)s to %(emptied_on)s? "
        "Look at the day and the month again."
    ) % {"set_on": set_on, "emptied_on": emptied_on}


#: What is told of each reason that has numbers, words or places in it; empty where there are none.
TELLING: dict[str, Callable[[Evidence, SeasonLists], str]] = {
    QueryReason.TEN_TIMES: _ten_times,
    QueryReason.UNUSUALLY_MANY: _unusually_many,
    QueryReason.LOOK_ALIKES: _look_alikes,
    QueryReason.ROW_SLIP: _row_slip,
    QueryReason.LOST_TRAP_ZEROS: _lost_trap,
    QueryReason.TRAPS_POOLED: _pooled,
    QueryReason.SMALL_MISSED: _small_missed,
    QueryReason.IMPOSSIBLE_COUNT: _impossible,
    QueryReason.LIQUID_WORDS: _liquid,
    QueryReason.WELFARE: _welfare,
    QueryReason.ROUND_NUMBERS: _round_numbers,
    QueryReason.WRONG_HABITAT: _wrong_habitat,
    QueryReason.DAY_MONTH_SWAPPED: _day_month,
}
