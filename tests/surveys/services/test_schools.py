"""Classes, codes, counts of a class, and a whole table sent at once."""

from __future__ import annotations

import hashlib
import uuid
from datetime import UTC, datetime, timedelta
from random import Random
from uuid import UUID

import pytest
from django.core.management import call_command
from django.utils import timezone

from surveys.errors import Conflict, Faulty, KeyReused, NotFound
from surveys.models import ClassCode, Draft, Event, Return, SchoolClass, Trap
from surveys.queries.schools import (
    ClassPass,
    class_behind,
    class_drafts,
    code_as_typed,
    code_digest,
    live_code_of,
    pass_of_code,
)
from surveys.services import schools
from surveys.services.schools import (
    FIRST,
    SECOND,
    CodeOver,
    add_class,
    close_class,
    end_class_code,
    make_class_code,
    make_pseudonym,
    save_class_draft,
    send_class_table,
)
from surveys.services.sent_returns import SentAnswer, SentReturn
from surveys.services.sites import CODE_SIGNS
from surveys.vocabulary import AnswerKind, DraftKind
from tests.factories import make_account, make_household, make_site, make_trap
from tests.surveys.web.classes import School, make_school, new_class

pytestmark = pytest.mark.django_db


@pytest.fixture
def school() -> School:
    return make_school()


def events() -> list[str]:
    return list(Event.objects.order_by("id").values_list("verb", flat=True))


def ticket_of(school: School, hours: int = 2) -> ClassPass:
    ticket = pass_of_code(school.code(hours), now=timezone.now())
    assert ticket is not None
    return ticket


# --- classes ----------------------------------------------------------------------------------------


def test_a_class_gets_a_name_of_two_words_and_a_number(school: School) -> None:
    first, second, number = school.school_class.pseudonym.split()
    assert first in FIRST
    assert second in SECOND
    assert 10 <= int(number) <= 99
    assert events()[-1] == "class added"


def test_the_words_of_the_names_are_many_and_all_different() -> None:
    assert len(set(FIRST)) == len(FIRST) == 20
    assert len(set(SECOND)) == len(SECOND) == 20
    assert all(word.isalpha() and word.istitle() for word in FIRST + SECOND)


def test_a_name_that_is_taken_is_not_given_again() -> None:
    first = make_pseudonym(Random(7), set())
    assert make_pseudonym(Random(7), {first}) != first


def test_the_same_class_added_twice_is_one_class(school: School) -> None:
    number = uuid.uuid4()
    for seed in (1, 2):
        made = add_class(by=school.teacher, household=school.household.public_id, uuid=number, rng=Random(seed))
        assert made.public_id == number
    assert SchoolClass.objects.count() == 2
    assert events().count("class added") == 2


def test_the_id_of_another_schools_class_is_refused(school: School) -> None:
    other = make_school(season=school.season)
    with pytest.raises(Conflict):
        add_class(
            by=other.teacher, household=other.household.public_id, uuid=school.school_class.public_id, rng=Random(1)
        )


def test_a_household_that_is_no_school_has_no_classes(school: School) -> None:
    household = make_household()
    with pytest.raises(NotFound):
        add_class(by=household.keeper, household=household.public_id, uuid=uuid.uuid4(), rng=Random(1))


def test_a_school_of_somebody_else_is_not_there(school: School) -> None:
    with pytest.raises(NotFound):
        add_class(by=make_account(), household=school.household.public_id, uuid=uuid.uuid4(), rng=Random(1))


def test_a_school_has_no_more_open_classes_than_a_page_holds(school: School, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schools, "MOST_CLASSES", 2)
    second = new_class(school.household)
    with pytest.raises(Conflict, match="2 open classes"):
        new_class(school.household)
    close_class(by=school.teacher, school_class=second.public_id)
    assert new_class(school.household).closed_at is None


def test_closing_ends_the_code_and_keeps_the_counts(school: School) -> None:
    ticket = ticket_of(school)
    save_class_draft(ticket=ticket, trap=school.traps[0].public_id, answers={"n_woodlice": "3"})
    closed = close_class(by=school.teacher, school_class=school.school_class.public_id)
    assert closed.closed_at is not None
    assert class_behind(ticket, now=timezone.now()) is None
    assert Draft.objects.count() == 1
    close_class(by=school.teacher, school_class=school.school_class.public_id)
    assert events().count("class closed") == 1


def test_a_closed_class_gets_no_code(school: School) -> None:
    close_class(by=school.teacher, school_class=school.school_class.public_id)
    with pytest.raises(Conflict):
        school.code()


# --- codes ------------------------------------------------------------------------------------------


def test_only_a_keyed_digest_of_a_code_is_kept(school: School) -> None:
    code = school.code()
    assert len(code) == 6
    assert set(code) <= set(CODE_SIGNS)
    row = ClassCode.objects.get()
    assert code not in (row.digest, *map(str, row.__dict__.values()))
    assert row.digest != hashlib.sha256(code.encode()).hexdigest()
    assert row.digest == code_digest(code)
    assert code not in str(list(Event.objects.values_list("details", flat=True)))


@pytest.mark.parametrize("hours", [1, 2, 3, 4])
def test_a_code_lives_for_the_hours_that_were_chosen(school: School, hours: int) -> None:
    code, now = school.code(hours), timezone.now()
    assert pass_of_code(code, now=now + timedelta(hours=hours, seconds=-5)) is not None
    assert pass_of_code(code, now=now + timedelta(hours=hours)) is None


@pytest.mark.parametrize("hours", [0, 5, 24, -1])
def test_other_hours_are_refused(school: School, hours: int) -> None:
    with pytest.raises(Faulty) as refusal:
        school.code(hours)
    assert [fault.pointer for fault in refusal.value.faults] == ["/hours"]
    assert ClassCode.objects.count() == 0


def test_a_new_code_ends_the_one_before(school: School) -> None:
    before, after = school.code(), school.code()
    assert pass_of_code(before, now=timezone.now()) is None
    assert pass_of_code(after, now=timezone.now()) is not None


def test_an_ended_code_opens_nothing_and_its_pass_neither(school: School) -> None:
    code = school.code()
    ticket = pass_of_code(code, now=timezone.now())
    assert ticket is not None
    for _ in range(2):
        end_class_code(by=school.teacher, school_class=school.school_class.public_id)
    now = timezone.now()
    assert pass_of_code(code, now=now) is None
    assert class_behind(ticket, now=now) is None
    assert live_code_of(school.school_class, now=now) is None
    assert events().count("class code ended") == 1


def test_nobody_else_makes_or_ends_a_code_or_closes_a_class(school: School) -> None:
    stranger, number = make_school(season=school.season).teacher, school.school_class.public_id
    school.code()
    with pytest.raises(NotFound):
        make_class_code(by=stranger, school_class=number, hours=2)
    with pytest.raises(NotFound):
        end_class_code(by=stranger, school_class=number)
    with pytest.raises(NotFound):
        close_class(by=stranger, school_class=number)
    assert live_code_of(school.school_class, now=timezone.now()) is not None


TYPED = {"as it is": "{}", "small": "{lower}", "in two parts": "{first} {last}", "with a dash": " {first}-{last}. "}


@pytest.mark.parametrize("pattern", TYPED.values(), ids=TYPED.keys())
def test_a_code_may_be_typed_in_many_ways(school: School, pattern: str) -> None:
    code = school.code()
    typed = pattern.format(code, lower=code.lower(), first=code[:3], last=code[3:])
    ticket = pass_of_code(typed, now=timezone.now())
    assert ticket is not None
    assert ticket.school_class == school.school_class.public_id


def test_letters_that_look_like_digits_are_read_as_digits() -> None:
    assert code_as_typed("oO iI-lL") == "001111"


@pytest.mark.parametrize("typed", ["", " ", "12345", "1234567", "\x00" * 6, "'; --  ", "🦋🦋🦋🦋🦋🦋", "A" * 10_000])
def test_what_is_no_code_opens_nothing(school: School, typed: str) -> None:
    school.code()
    assert pass_of_code(typed, now=timezone.now()) is None


def test_no_code_of_a_school_that_nobody_keeps_opens_anything(school: School) -> None:
    code = school.code()
    school.household.keeper = None
    school.household.save()
    assert pass_of_code(code, now=timezone.now()) is None


# --- what a class counts ----------------------------------------------------------------------------


def test_a_class_count_is_a_draft_of_its_teacher(school: School) -> None:
    draft = save_class_draft(ticket=ticket_of(school), trap=school.traps[0].public_id, answers={"n_woodlice": "3"})
    assert draft is not None
    assert (draft.keeper, draft.school_class, draft.trap) == (school.teacher, school.school_class, school.traps[0])
    assert (draft.kind, draft.answers) == (DraftKind.COUNT, {"n_woodlice": "3"})
    assert list(class_drafts(school.teacher, school.school_class.public_id)) == [draft]
    assert Return.objects.count() == 0


def test_further_answers_join_the_count_of_the_day_row_by_row(school: School) -> None:
    ticket, trap = ticket_of(school), school.traps[0].public_id
    save_class_draft(ticket=ticket, trap=trap, answers={"n_woodlice": "3", "n_spiders": "1"})
    save_class_draft(ticket=ticket, trap=trap, answers={"n_spiders": "2", "n_woodlice": ""})
    save_class_draft(ticket=ticket, trap=trap, answers={"n_spiders": "2"})
    assert Draft.objects.get().answers == {"n_spiders": "2"}
    assert events().count("class count begun") == 1


def test_the_count_of_another_day_is_another_draft(school: School) -> None:
    ticket, trap = ticket_of(school), school.traps[0].public_id
    save_class_draft(ticket=ticket, trap=trap, answers={"n_woodlice": "3"})
    Draft.objects.update(begun_at=timezone.now() - timedelta(days=1))
    save_class_draft(ticket=ticket, trap=trap, answers={"n_woodlice": "4"})
    assert sorted(draft.answers["n_woodlice"] for draft in Draft.objects.all()) == ["3", "4"]


def test_nothing_typed_begins_no_count(school: School) -> None:
    assert (
        save_class_draft(ticket=ticket_of(school), trap=school.traps[0].public_id, answers={"n_woodlice": ""}) is None
    )
    assert Draft.objects.count() == 0


def test_hostile_text_is_kept_short_and_without_nul(school: School) -> None:
    answers = {"n_woodlice": "<script>\x00" + "9" * 5000}
    draft = save_class_draft(ticket=ticket_of(school), trap=school.traps[0].public_id, answers=answers)
    assert draft is not None
    draft.refresh_from_db()
    assert draft.answers["n_woodlice"].startswith("<script>99")
    assert len(draft.answers["n_woodlice"]) <= 2000


def test_a_trap_of_another_school_is_not_there(school: School) -> None:
    foreign = make_trap(site=make_site(household=make_household()))
    with pytest.raises(NotFound):
        save_class_draft(ticket=ticket_of(school), trap=foreign.public_id, answers={"n_woodlice": "3"})
    assert Draft.objects.count() == 0


def test_nothing_is_kept_once_the_code_is_over(school: School) -> None:
    ticket = ticket_of(school)
    ClassCode.objects.update(
        made_at=timezone.now() - timedelta(hours=3), expires_at=timezone.now() - timedelta(hours=1)
    )
    with pytest.raises(CodeOver):
        save_class_draft(ticket=ticket, trap=school.traps[0].public_id, answers={"n_woodlice": "3"})


def test_a_pass_with_another_end_opens_nothing(school: School) -> None:
    ticket = ticket_of(school)
    longer = ClassPass(ticket.school_class, ticket.expires_at + timedelta(hours=9))
    assert class_behind(longer, now=timezone.now()) is None


# --- the table --------------------------------------------------------------------------------------

SET_AT, EMPTIED_AT = datetime(2026, 5, 2, 10, tzinfo=UTC), datetime(2026, 5, 3, 10, tzinfo=UTC)


def sent_of(trap: Trap, table: UUID, count: int = 3) -> SentReturn:
    return SentReturn(
        uuid=uuid.uuid5(table, trap.public_id.hex),
        trap=trap.public_id,
        set_at=SET_AT,
        emptied_at=EMPTIED_AT,
        habitat=trap.habitat.code,
        answers=(SentAnswer("woodlice", AnswerKind.NUMBER, count),),
        fields={"mouth_mm": 75.0, "rim": "flush", "cover": "present", "liquid": "nothing", "trap_state": "intact"},
    )


def send(school: School, table: UUID, sent: list[SentReturn], read_at: datetime | None = None) -> list[str]:
    return send_class_table(
        by=school.teacher,
        school_class=school.school_class.public_id,
        table=table,
        sent=sent,
        read_at=read_at or timezone.now(),
    )


def test_a_table_is_stored_whole_with_one_event_and_its_drafts_go(school: School) -> None:
    save_class_draft(ticket=ticket_of(school), trap=school.traps[0].public_id, answers={"n_woodlice": "3"})
    table = uuid.uuid4()
    stored = send(school, table, [sent_of(trap, table) for trap in school.traps])
    assert len(stored) == Return.objects.count() == 2
    assert {str(report.uuid) for report in Return.objects.all()} == set(stored)
    assert Draft.objects.count() == 0
    assert events().count("returns received") == 1
    call_command("check_log")


def test_the_same_table_sent_again_makes_no_second_set(school: School) -> None:
    table = uuid.uuid4()
    sent = [sent_of(trap, table) for trap in school.traps]
    assert send(school, table, sent) == send(school, table, sent)
    assert Return.objects.count() == 2
    assert events().count("returns received") == 1


def test_another_table_under_the_same_id_is_refused(school: School) -> None:
    table = uuid.uuid4()
    send(school, table, [sent_of(school.traps[0], table)])
    with pytest.raises(KeyReused):
        send(school, table, [sent_of(school.traps[0], table, count=4)])
    assert Return.objects.count() == 1


def test_one_bad_return_holds_all_back_and_the_mended_table_goes_in(school: School) -> None:
    table = uuid.uuid4()
    foreign = make_trap(site=make_site(household=make_household()))
    save_class_draft(ticket=ticket_of(school), trap=school.traps[0].public_id, answers={"n_woodlice": "3"})
    with pytest.raises(Faulty) as refusal:
        send(school, table, [sent_of(school.traps[0], table), sent_of(foreign, table)])
    assert [fault.pointer for fault in refusal.value.faults] == ["/returns/1"]
    assert (Return.objects.count(), Draft.objects.count()) == (0, 1)
    assert len(send(school, table, [sent_of(school.traps[0], table)])) == 1


def test_what_the_class_saved_after_the_table_was_opened_stays(school: School) -> None:
    before = timezone.now()
    save_class_draft(ticket=ticket_of(school), trap=school.traps[0].public_id, answers={"n_woodlice": "3"})
    table = uuid.uuid4()
    send(school, table, [sent_of(school.traps[0], table)], read_at=before)
    assert Draft.objects.count() == 1


def test_drafts_of_other_traps_and_classes_stay(school: School) -> None:
    ticket = ticket_of(school)
    other = ticket_of(School(**{**school.__dict__, "school_class": new_class(school.household)}))
    save_class_draft(ticket=ticket, trap=school.traps[1].public_id, answers={"n_woodlice": "3"})
    save_class_draft(ticket=other, trap=school.traps[0].public_id, answers={"n_woodlice": "3"})
    table = uuid.uuid4()
    send(school, table, [sent_of(school.traps[0], table)])
    assert Draft.objects.count() == 2


def test_a_table_of_somebody_elses_class_is_not_there(school: School) -> None:
    other, table = make_school(season=school.season), uuid.uuid4()
    with pytest.raises(NotFound):
        send_class_table(
            by=other.teacher,
            school_class=school.school_class.public_id,
            table=table,
            sent=[sent_of(other.traps[0], table)],
            read_at=timezone.now(),
        )
    assert Return.objects.count() == 0
