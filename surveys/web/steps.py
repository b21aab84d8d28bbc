"""One question after the other: where somebody is, what comes next, and what was answered so far.

Each step is an address of its own and shows what is kept, so that the browser's Back works; nothing is
lost when a page is closed. Answers are kept as they were typed, the wrong ones too.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.translation import gettext

from surveys.permissions import account_of
from surveys.queries.seasons import SeasonLists
from surveys.services.drafts import keep_answers
from surveys.vocabulary import DraftKind
from surveys.web.asking import UNKNOWN, UNTOLD, Asked, Reading, question_of
from surveys.web.catches import read_catch
from surveys.web.moments import frame_of, read_moment
from surveys.web.shown import Shown
from surveys.web.words import say

#: The step after the last question: every answer once more, before it is sent.
CHECK = "check"


class Choice(NamedTuple):
    """One answer to press: its value, its words, whether it is the one that is kept, and why it cannot be had."""

    value: str
    words: str
    chosen: bool = False
    closed: str = ""
    address: str = ""


class Told(NamedTuple):
    """One line of the page that shows every answer: its question, its words, and where to change it."""

    name: str
    question: str
    answer: str
    address: str
    fault: str = ""
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Way:
    """Somebody's way through the questions of one draft, with all that the pages need to know."""

    kind: DraftKind
    uuid: uuid.UUID
    answers: dict[str, str]
    questions: tuple[Asked, ...]
    address: str
    traps: tuple[Any, ...]
    lists: SeasonLists
    now: datetime
    read: Callable[[dict[str, str]], Reading[Any]]
    opening: Any = None

    @property
    def zone(self) -> ZoneInfo:
        """The time zone of the season."""
        return ZoneInfo(self.lists.season.time_zone)

    def asked(self) -> list[Asked]:
        """Return the questions that these answers lead past."""
        return [question for question in self.questions if not question.skip(self.answers)]

    def question(self, name: str) -> Asked | None:
        """Return a question by the name of its step."""
        return next((one for one in self.questions if one.name == name), None)

    def to(self, name: str, *, changing: bool = False) -> str:
        """Return the address of a step."""
        kwargs: dict[str, Any] = {"draft": self.uuid, "step": name}
        if name == "tally":
            path = reverse("count-step", kwargs={"draft": self.uuid})
        else:
            path = reverse(self.address, kwargs=kwargs)
        return f"{path}?change=1" if changing else path

    def after(self, name: str) -> str:
        """Return the name of the step after this one."""
        order = [one.name for one in self.questions]
        rest = self.questions[order.index(name) + 1 :]
        return next((one.name for one in rest if not one.skip(self.answers)), CHECK)

    def before(self, name: str) -> str | None:
        """Return the name of the step before this one; None at the first."""
        order = [one.name for one in self.questions]
        earlier = self.questions if name == CHECK else self.questions[: order.index(name)]
        return next((one.name for one in reversed(earlier) if not one.skip(self.answers)), None)

    def next_open(self) -> str:
        """Return the first step without an answer, or the page that shows them all."""
        return next((one.name for one in self.asked() if not self.has_answer(one)), CHECK)

    def has_answer(self, question: Asked) -> bool:
        """Say whether something was answered, right or wrong. A note may stay empty, a tally must not."""
        if question.kind == "tally":
            return any(self.answers.get(f"{sign}_{g.code}") for g in self.lists.groups for sign in "nca")
        if question.kind == "note":
            return question.name in self.answers
        return any(self.answers.get(name, "").strip() for name in question.fields)

    @property
    def trap(self) -> Any:
        """The trap that the way is about, if anybody has said so."""
        return self.opening.trap if self.opening else trap_among(self.traps, self.answers)

    def reading(self) -> Reading[Any]:
        """Read all answers, under the id of the draft."""
        return self.read({**self.answers, "id": str(self.uuid)})

    def faults_of(self, question: Asked) -> dict[str, str]:
        """Return what is wrong with the answer to one question."""
        found = self.reading().faults
        return {name: said for name, said in found.items() if question_of(name, (question,)) is question}


def trap_among(traps: Iterable[Any], answers: Mapping[str, str]) -> Any:
    """Return the trap that the answers name, or None."""
    return next((one for one in traps if str(one.public_id) == answers.get("trap")), None)


def keep(request: HttpRequest, way: Way, answers: Mapping[str, str]) -> Way:
    """Keep answers in the draft, and return the way as it is then."""
    draft = keep_answers(by=account_of(request.user), uuid=way.uuid, kind=way.kind, answers=answers)
    return _with(way, dict(draft.answers))


def _with(way: Way, answers: dict[str, str]) -> Way:
    parts = {name: getattr(way, name) for name in Way.__slots__}
    return Way(**{**parts, "answers": answers})


def moment_now(name: str, way: Way) -> dict[str, str]:
    """Return the four boxes of a moment, filled with this minute by the season's clock."""
    local = way.now.astimezone(way.zone)
    return {
        f"{name}_day": str(local.day),
        f"{name}_month": date_format(local, "F"),
        f"{name}_year": str(local.year),
        f"{name}_time": local.strftime("%H:%M"),
    }


def posted(request: HttpRequest, question: Asked, way: Way) -> dict[str, str]:
    """Return what was posted about one question, and about those that came by link."""
    if "now" in request.POST and question.kind == "moment":
        found = moment_now(question.name, way)
    else:
        found = {name: str(request.POST[name]) for name in question.fields if name in request.POST}
    carried = {name: str(request.POST[name]) for name in ("trap", "opening") if request.POST.get(name)}
    return {**carried, **found}


def shown_step(request: HttpRequest, way: Way, question: Asked, faults: Mapping[str, str], **more: Any) -> HttpResponse:
    """Show one question with what is kept, and with what is wrong with it."""
    changing = request.GET.get("change") == "1"
    kept = way.has_answer(question)
    boxes = way.answers if kept or question.kind != "moment" else {**way.answers, **moment_now(question.name, way)}
    # Which trap it is mostly comes by itself, so it is not counted among the questions.
    asked = [one for one in way.asked() if one.kind != "trap"]
    earlier = way.before(question.name)
    shown: dict[str, Any] = {
        "question": question,
        "heading": str(question.heading),
        "number": asked.index(question) + 1 if question in asked else None,
        "of": len(asked),
        "action": way.to(question.name, changing=changing),
        "back": way.to(CHECK) if changing else (way.to(earlier) if earlier else None),
        "onward": way.to(CHECK) if changing else way.to(way.after(question.name)),
        "kept": kept,
        "answers": {**boxes, **{name: value for name, value in more.pop("carried", {}).items() if name not in boxes}},
        "value": way.answers.get(question.name, ""),
        "choices": more.pop("choices", None) or choices_of(question, way.answers),
        "unknown": UNKNOWN,
        "clock": way.now.astimezone(way.zone),
        "faults": dict(faults),
        "fault_list": [Shown(sentence, name) for name, sentence in faults.items()],
        "season": way.lists.season,
        **more,
    }
    return render(request, "field/question.html", shown, status=422 if faults else 200)


def shown_check(request: HttpRequest, way: Way, *, refused: str = "", tried: bool = False, **more: Any) -> HttpResponse:
    """Show every answer in words before it is sent; with ``tried`` also what is wrong with them."""
    lines = told(way)
    faults = [Shown(line.fault, f"change-{line.name}") for line in lines if line.fault] if tried else []
    shown = {
        "lines": lines,
        "open": [line for line in lines if line.fault],
        "action": way.to(CHECK),
        "back": way.to(way.before(CHECK) or CHECK),
        "refused": refused,
        "fault_list": faults,
        **more,
    }
    return render(request, "field/check.html", shown, status=422 if refused or faults else 200)


def choices_of(question: Asked, answers: Mapping[str, str]) -> list[Choice]:
    """Return the answers to press, in the language of the page."""
    given = answers.get(question.name, "")
    listed = [Choice(value, say(str(label)), value == given) for value, label in question.options]
    if question.unknown and question.kind == "choice":
        listed.append(Choice(UNKNOWN, gettext("I do not know"), given == UNKNOWN))
    return listed


def told(way: Way) -> list[Told]:
    """Return every answer in words, with what is wrong and where to change it."""
    faults = way.reading().faults
    listed = []
    for question in way.asked():
        wrong = [said for name, said in faults.items() if question_of(name, (question,)) is question]
        if not wrong and question.kind == "tally":
            lines = counted_in_words(way)
            listed.append(Told(question.name, str(question.heading), "", way.to("tally", changing=True), "", lines))
            continue
        words = "" if wrong else answer_in_words(question, way)
        address = way.to(question.name, changing=True)
        listed.append(Told(question.name, str(question.heading), words, address, " ".join(wrong)))
    return listed


def answer_in_words(question: Asked, way: Way) -> str:
    """Return one answer as a sentence of the page; only of answers that can be read."""
    given = way.answers.get(question.name, "").strip()
    if given == UNKNOWN:
        return gettext("I do not know")
    if question.kind == "moment":
        at = read_moment(way.answers, question.name, "", frame_of(way.lists), {})
        return date_and_time(at) if at else ""
    if question.kind == "measure":
        return gettext("%(number)s mm") % {"number": given.removesuffix("mm").strip()}
    if question.kind == "trap":
        return _trap_in_words(question, given, way)
    if question.kind == "note":
        return given or gettext("Nothing to add")
    return next((say(str(label)) for value, label in question.options if value == given), "")


def date_and_time(at: datetime) -> str:
    """Return a moment as its own clock shows it."""
    return f"{date_format(at, gettext('j F Y'))}, {at.strftime('%H:%M')}"


def trap_words(trap: Any) -> str:
    """Return what a family calls a trap: its site where there may be several, its number, its habitat."""
    return gettext("Site %(site)d, trap %(trap)d: %(habitat)s") % {
        "site": trap.site.number,
        "trap": trap.number,
        "habitat": say(trap.habitat.label),
    }


def _trap_in_words(question: Asked, given: str, way: Way) -> str:
    if question.name == "opening":
        if way.opening is None or given == UNTOLD:
            return gettext("I set it without telling you")
        at = date_and_time(way.opening.set_at.astimezone(way.zone))
        return gettext("%(trap)s, open since %(at)s") % {"trap": trap_words(way.opening.trap), "at": at}
    trap = next((one for one in way.traps if str(one.public_id) == given), None)
    return trap_words(trap) if trap else ""


def counted_in_words(way: Way) -> tuple[str, ...]:
    """Return the tally in words: what was counted line by line, the rest by how many kinds."""
    caught = {one.group: one for one in read_catch(way.answers, way.lists.groups, {}, may_be_empty=True)}
    lines, rest = [], {"none_seen": 0, "did_not_look": 0, "could_not_tell": 0, "": 0}
    for group in way.lists.groups:
        one = caught.get(group.code)
        if one is not None and one.count is not None:
            lines.append(gettext("%(kind)s: %(count)d") % {"kind": say(group.name), "count": one.count})
        elif one is not None and one.count_class is not None:
            lines.append(
                gettext("%(kind)s: %(range)s") % {"kind": say(group.name), "range": say(one.count_class.label)}
            )
        else:
            rest[one.kind.value if one is not None else ""] += 1
    for value, words in (
        ("none_seen", gettext("Saw none")),
        ("did_not_look", gettext("Did not look")),
        ("could_not_tell", gettext("Could not tell")),
        ("", gettext("Left blank")),
    ):
        if rest[value]:
            lines.append(gettext("%(answer)s: %(number)d kinds") % {"answer": words, "number": rest[value]})
    return tuple(lines)
