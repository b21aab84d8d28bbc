"""The table of a class read back in words: every trap and every shared answer, before anything is sent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from django.utils.translation import gettext

from surveys.queries.seasons import SeasonLists
from surveys.services.sent_returns import SentReturn
from surveys.vocabulary import LOST_STATES, AnswerKind, TrapState, YesNo
from surveys.web.asking import UNKNOWN
from surveys.web.class_cells import said_aloud
from surveys.web.class_table_form import FIRST, MORE, STATE, Answers, Reading, column_name, trap_words
from surveys.web.words import say


@dataclass(frozen=True, slots=True)
class Told:
    """One trap as it will be sent, in words: ``counted`` by group, the other answers by kind."""

    label: str
    habitat: str
    state: str
    width: str
    backbone: bool
    counted: tuple[tuple[str, str], ...]
    none_seen: str
    did_not_look: str
    could_not_tell: str
    blank: str
    lost_but_counted: bool
    changed_since: bool


def read_back(
    reading: Reading, answers: Answers, lists: SeasonLists, several: bool, changed: frozenset[str]
) -> list[Told]:
    """Return every cell of every trap in words. ``changed`` holds codes of traps that the class saved again since."""
    names = {group.code: say(group.name) for group in lists.groups}
    return [
        _told(
            sent,
            names,
            label=trap_words(trap, several),
            habitat=say(trap.habitat.label),
            width=_width_words(answers.get(column_name("w", trap), ""), sent),
            changed_since=trap.code in changed,
        )
        for sent, trap in zip(reading.sent, reading.traps, strict=True)
    ]


def shared_words(answers: Answers) -> list[tuple[str, str]]:
    """Return the shared answers in words: question and answer; the two moments are shown beside them."""
    found: list[tuple[str, str]] = []
    for question in (*FIRST, STATE, *MORE):
        given = answers.get(question.name, "").strip()
        if question in MORE and not given:
            continue
        if question.options:
            label = next((str(words) for value, words in question.options if value == given), "")
            words = say(label) or gettext("I do not know")
        else:
            words = (
                gettext("I do not know")
                if given == UNKNOWN
                else gettext("%(width)s mm") % {"width": given.removesuffix("mm").rstrip(" .")}
            )
        found.append((str(question.heading), words))
    return found


def _told(
    sent: SentReturn, names: Mapping[str, str], *, label: str, habitat: str, width: str, changed_since: bool
) -> Told:
    of_kind = {
        kind: ", ".join(names[one.group] for one in sent.answers if one.kind == kind)
        for kind in (AnswerKind.NONE_SEEN, AnswerKind.DID_NOT_LOOK, AnswerKind.COULD_NOT_TELL)
    }
    counted = tuple((names[one.group], said_aloud(one)) for one in sent.answers if one.kind not in of_kind)
    answered = {one.group for one in sent.answers}
    state = TrapState(sent.fields["trap_state"])
    return Told(
        label=label,
        habitat=habitat,
        state=say(state),
        width=width,
        backbone=sent.fields.get("vertebrate_seen") == YesNo.YES,
        counted=counted,
        none_seen=of_kind[AnswerKind.NONE_SEEN],
        did_not_look=of_kind[AnswerKind.DID_NOT_LOOK],
        could_not_tell=of_kind[AnswerKind.COULD_NOT_TELL],
        blank=", ".join(name for code, name in names.items() if code not in answered),
        lost_but_counted=state in LOST_STATES and bool(sent.answers),
        changed_since=changed_since,
    )


def _width_words(typed: str, sent: SentReturn) -> str:
    """Return the width of a cup that differs from the others, in words; empty where it does not."""
    if not typed.strip():
        return ""
    width = sent.fields.get("mouth_mm")
    return gettext("I do not know") if width is None else gettext("%(width)s mm") % {"width": f"{width:g}"}
