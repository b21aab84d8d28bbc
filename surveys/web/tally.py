"""The tally: a row for each group with plus and minus, a range for a crowd, and the answers that are no number.

A blank, a zero and "did not look" are three things. Rows are made here for a family's own count and for a
class's; what changes them are the functions below, so that a press without a script does what one with it does.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils.translation import gettext, ngettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from surveys.permissions import Rule
from surveys.vocabulary import MOST_ANIMALS, AnswerKind, Tier
from surveys.web.access import page
from surveys.web.catches import OFFERED_CLASSES, OTHER_ANSWERS
from surveys.web.drawings import drawing_of
from surveys.web.empty_trap import sent_before, way_of
from surveys.web.emptying_words import lost_words
from surveys.web.hints import hints_for
from surveys.web.kinds import BITES
from surveys.web.moments import read_whole
from surveys.web.shown import Shown
from surveys.web.steps import CHECK, Way, keep
from surveys.web.words import say

#: Up to here animals are counted one by one; above it a range will do. Reference: protocol version 1, counting.
COUNTED_TO = 20
#: Which rows the last "none of the rest" set, so that it can be taken back.
REST = "rest"
_SIGNS = ("n", "c", "a")


@dataclass(frozen=True, slots=True)
class Row:
    """One group of the tally, ready to be drawn."""

    code: str
    name: str
    how_to_tell: str
    drawing: str | None
    hints: tuple[str, ...]
    number: str
    classes: tuple[tuple[str, str, bool], ...]
    others: tuple[tuple[str, str, bool], ...]
    before: str
    fault: str
    many: bool
    bites: bool

    @property
    def answered(self) -> bool:
        """Say whether the row has an answer of any kind."""
        return self.before != "||"


@dataclass(frozen=True, slots=True)
class Tally:
    """The rows of a list of groups: the core ones first, the extra ones under "more kinds"."""

    core: tuple[Row, ...]
    extra: tuple[Row, ...]
    extra_open: bool
    answered: int
    total: int
    rest: int
    set_as_rest: int
    rest_codes: str


def make_tally(
    groups: Sequence[Any], answers: Mapping[str, str], faults: Mapping[str, str], *, more: bool = False
) -> Tally:
    """Return the tally of a list of groups with what was answered and what is wrong."""
    rows = {group.code: _row(group, answers, faults) for group in groups}
    core = tuple(rows[group.code] for group in groups if group.tier == Tier.CORE)
    extra = tuple(rows[group.code] for group in groups if group.tier != Tier.CORE)
    answered = sum(row.answered for row in rows.values())
    return Tally(
        core=core or extra,
        extra=extra if core else (),
        extra_open=more or any(row.answered or row.fault for row in extra),
        answered=answered,
        total=len(rows),
        rest=len(rows) - answered,
        set_as_rest=len(_still_rest(answers)),
        rest_codes=" ".join(_still_rest(answers)),
    )


def step_row(code: str, by: int, answers: Mapping[str, str]) -> dict[str, str]:
    """Return the row's answers after one press of plus or minus.

    From 1, minus goes back to a blank and not to 0: a zero is said on purpose. A range or another answer
    gives way to the number. What cannot be read as a count stays, to be mended.
    """
    typed = answers.get(f"n_{code}", "").strip()
    count = read_whole(typed) if typed else 0
    if count is None:
        return {}
    after = min(max(count + by, 0), MOST_ANIMALS)
    if not typed and by < 0:
        return {}
    return {f"n_{code}": str(after) if after else "", f"c_{code}": "", f"a_{code}": ""}


def none_of_the_rest(groups: Iterable[Any], answers: Mapping[str, str]) -> dict[str, str]:
    """Return the answers that set every untouched row to "saw none", and the note of which ones they were."""
    codes = [group.code for group in groups if _state(group.code, answers) == "||"]
    return {**{f"a_{code}": AnswerKind.NONE_SEEN.value for code in codes}, REST: " ".join(codes)}


def take_rest_back(answers: Mapping[str, str]) -> dict[str, str]:
    """Return the answers that make blank again what the last "none of the rest" set and nobody touched since."""
    return {**{f"a_{code}": "" for code in _still_rest(answers)}, REST: ""}


def changed_rows(groups: Iterable[Any], given: QueryDict, kept: Mapping[str, str]) -> dict[str, str]:
    """Return the answers of those rows that this form changed since it was shown.

    A row carries what it showed (``w_<code>``), so that an old tab does not overwrite the rows that a newer
    one filled in. A form without it, as one of the page without a signal, means every row that it names.
    """
    found: dict[str, str] = {}
    for group in groups:
        code = group.code
        names = [f"{sign}_{code}" for sign in _SIGNS]
        # Beside a number none of the other answers is chosen, and then a browser does not send that box.
        now = {name: str(given.get(name, "")).strip()[:40] for name in names}
        touched = any(name in given for name in names) and _state(code, now) != given.get(f"w_{code}")
        if touched and _state(code, now) != _state(code, kept):
            found.update(now)
    if "rest_set" in given:
        listed = {group.code for group in groups}
        found[REST] = " ".join(code for code in str(given["rest_set"]).split() if code in listed)
    return found


def _still_rest(answers: Mapping[str, str]) -> list[str]:
    codes = answers.get(REST, "").split()
    return [code for code in codes if _state(code, answers) == f"||{AnswerKind.NONE_SEEN.value}"]


def _state(code: str, answers: Mapping[str, str]) -> str:
    """Return all that is answered for a group, in one line; ``||`` is a blank."""
    return "|".join(answers.get(f"{sign}_{code}", "").strip() for sign in _SIGNS)


def _row(group: Any, answers: Mapping[str, str], faults: Mapping[str, str]) -> Row:
    number = answers.get(f"n_{group.code}", "").strip()
    chosen, other = answers.get(f"c_{group.code}", ""), answers.get(f"a_{group.code}", "")
    count = read_whole(number)
    return Row(
        code=group.code,
        name=say(group.name),
        how_to_tell=say(group.how_to_tell),
        drawing=drawing_of(group.code),
        hints=hints_for(group.code),
        number=number,
        classes=tuple((word.value, say(word.label), word.value == chosen) for word in OFFERED_CLASSES),
        # "Left blank" is what a row is that has no answer of any kind.
        others=tuple((value, words, value == other and not (number or chosen)) for value, words in _other_words()),
        before=_state(group.code, answers),
        fault=faults.get(f"n_{group.code}", ""),
        many=bool(chosen) or (count is not None and count > COUNTED_TO),
        bites=group.code in BITES,
    )


def _other_words() -> tuple[tuple[str, str], ...]:
    none_seen, did_not_look, could_not_tell = (one.value for one in OTHER_ANSWERS)
    return (
        (none_seen, gettext("Saw none")),
        (did_not_look, gettext("Did not look")),
        (could_not_tell, gettext("Could not tell")),
        ("", gettext("Left blank")),
    )


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def count_step(request: HttpRequest, draft: uuid.UUID) -> HttpResponse:
    """Show the tally with what is kept, or keep what was pressed and go on."""
    if (sent := sent_before(request, draft)) is not None:
        return sent
    way = way_of(request, draft)
    if way is None:
        return render(request, "field/no_season.html", {})
    return _pressed(request, way) if request.method == "POST" else _shown(request, way, {})


def _pressed(request: HttpRequest, way: Way) -> HttpResponse:
    """Keep the rows, do what the button says, and come back to the row it stands in, or go on."""
    groups, given = way.lists.groups, request.POST
    way = keep(request, way, changed_rows(groups, given, way.answers))
    verb, _, code = given.get("step", "").partition(":")
    if verb in ("plus", "minus") and any(group.code == code for group in groups):
        return _stepped(request, way, code, 1 if verb == "plus" else -1)
    if (which := given.get("which")) is not None:
        here = f"{way.to('tally')}#row-{which}" if which else way.to("tally")
        return redirect(f"{reverse('which-group')}?{_query(back=here)}")
    if (rest := given.get("rest")) in (AnswerKind.NONE_SEEN, "undo"):
        keep(request, way, take_rest_back(way.answers) if rest == "undo" else none_of_the_rest(groups, way.answers))
        return _back_to(request, way, "the-rest")
    return _back_to(request, way, "tally") if given.get("go") == "keep" else _gone_on(request, way)


def _stepped(request: HttpRequest, way: Way, code: str, by: int) -> HttpResponse:
    """Count one more or one less; what cannot be read as a count is named."""
    made = step_row(code, by, way.answers)
    faults = way.faults_of(_question(way))
    if not made and f"n_{code}" in faults:
        return _shown(request, way, {f"n_{code}": faults[f"n_{code}"]})
    keep(request, way, made)
    return _back_to(request, way, f"row-{code}", code)


def _gone_on(request: HttpRequest, way: Way) -> HttpResponse:
    faults = way.faults_of(_question(way))
    if faults:
        return _shown(request, way, faults)
    return redirect(way.to(CHECK) if request.GET.get("change") == "1" else way.to(way.after("tally")))


def _question(way: Way) -> Any:
    return way.question("tally")


def _back_to(request: HttpRequest, way: Way, place: str, code: str = "") -> HttpResponse:
    extra = {group.code for group in way.lists.groups if group.tier != Tier.CORE}
    query = {"more": "1"} if code in extra or request.GET.get("more") == "1" else {}
    if request.GET.get("change") == "1":
        query["change"] = "1"
    mark = f"?{_query(**query)}" if query else ""
    return redirect(f"{way.to('tally')}{mark}#{place}")


def _query(**given: str) -> str:
    named = QueryDict(mutable=True)
    named.update(given)
    return named.urlencode(safe="/")


def _shown(request: HttpRequest, way: Way, faults: Mapping[str, str]) -> HttpResponse:
    question = _question(way)
    lost = question.skip(way.answers)
    changing = request.GET.get("change") == "1"
    earlier = way.before("tally")
    tally = make_tally(way.lists.groups, way.answers, faults, more=request.GET.get("more") == "1")
    shown = {
        "tally": tally,
        "action": request.get_full_path(),
        "back": way.to(CHECK) if changing else (way.to(earlier) if earlier else None),
        "lost": lost_words() if lost else "",
        "onward": way.to(CHECK) if changing else way.to(way.after("tally")),
        "answered": gettext("%(number)d of %(all)d rows answered") % {"number": tally.answered, "all": tally.total},
        "rest_words": rest_words(tally.rest),
        "key": reverse("which-group"),
        "safety": f"{reverse('safety', args=[way.trap.site.region.code])}#own" if way.trap else "",
        "fault_list": [Shown(sentence, name) for name, sentence in faults.items()],
        "most": COUNTED_TO,
    }
    return render(request, "field/tally.html", shown, status=422 if faults else 200)


def rest_words(rows: int) -> str:
    """Return the words of the button that sets the untouched rows to "saw none"."""
    return ngettext(
        "None of the rest: set %(rows)d row to Saw none", "None of the rest: set %(rows)d rows to Saw none", rows
    ) % {"rows": rows}


urlpatterns = [
    path("my/traps/count/<uuid:draft>/", count_step, name="count-step"),
]
