"""Inviting, taking up, calling back, ending: who may, once, for one address, and what is left of it anywhere."""

from __future__ import annotations

import json
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from io import StringIO
from typing import Any

import pytest
from allauth.account.models import EmailAddress
from django.core.management import CommandError, call_command
from django.db import connection

from surveys.errors import Conflict, Faulty, NotAllowed, NotFound, Refusal
from surveys.models import Account, Appointment, Event, Invitation
from surveys.permissions import appointments_seen_by, regions_of, roles_of
from surveys.queries.appointments import invitations_of, open_invitations
from surveys.services.appointments import (
    Invited,
    call_back_invitation,
    invite,
    revoke_appointment,
    take_up_invitation,
)
from surveys.services.erasure import erase_account
from surveys.services.people import appoint
from surveys.services.retention import keep_house
from surveys.vocabulary import Role
from tests.factories import (
    make_account,
    make_coordinator,
    make_operator,
    make_researcher,
    make_season,
)

pytestmark = pytest.mark.django_db(transaction=True)

NOW = datetime(2026, 5, 4, 9, tzinfo=UTC)
ADDRESS = "new@test.example"


@pytest.fixture
def lead() -> Account:
    make_season()
    return make_coordinator()


def invited(by: Account | None, *regions: str, role: Role = Role.COORDINATOR, email: str = ADDRESS) -> Invited:
    """Invite an address: to the named regions, or to all of them."""
    return invite(by=by, email=email, role=role, regions=regions or None, now=NOW)


def held(account: Account) -> list[tuple[str, str]]:
    """Return role and region of what somebody holds."""
    rows = account.appointments.order_by("role", "region__code").values_list("role", "region__code")
    return [(role, region or "all") for role, region in rows]


def codes(refusal: Refusal) -> list[str]:
    return [fault.code for fault in refusal.faults]


# --- inviting ------------------------------------------------------------------------------------


def test_one_link_invites_to_several_regions_and_is_stored_nowhere(lead: Account) -> None:
    made = invited(lead, "eastmark", "westmark")
    assert [one.region.code for one in made.invitations if one.region] == ["eastmark", "westmark"]
    assert len(made.link) >= 43  # 256 bits in base 64 (RFC 4648, section 5): 43 signs
    with connection.cursor() as cursor:
        cursor.execute("SELECT row_to_json(i)::text FROM surveys_invitation i")
        assert not [row for row in cursor.fetchall() if made.link in row[0]]
    assert Event.objects.get(verb="invited").details == {"role": "coordinator", "regions": ["eastmark", "westmark"]}


def test_no_event_holds_an_address(lead: Account) -> None:
    made = invited(lead, "eastmark")
    take_up_invitation(by=make_account(email=ADDRESS), link=made.link, now=NOW)
    again = invited(lead, "westmark", email="other@test.example")
    call_back_invitation(by=lead, invitation=again.invitations[0].pk, now=NOW)
    assert "test.example" not in json.dumps(list(Event.objects.values_list("verb", "details")))


@pytest.mark.parametrize("who", ["regional", "researcher", "family"])
def test_who_may_not_appoint_invites_nobody(lead: Account, who: str) -> None:
    by = {"regional": lambda: make_coordinator("eastmark"), "researcher": make_researcher, "family": make_account}[
        who
    ]()
    with pytest.raises(NotAllowed):
        invited(by, "eastmark")
    assert Invitation.objects.count() == 0


def test_an_operator_is_invited_by_operators_only(lead: Account) -> None:
    with pytest.raises(NotAllowed):
        invited(lead, role=Role.OPERATOR)
    invited(make_operator(), role=Role.OPERATOR)


@pytest.mark.parametrize("email", ["", "nobody", "a@b", "two@test.example, three@test.example", "a\0@test.example"])
def test_what_is_no_mail_address_is_refused(lead: Account, email: str) -> None:
    with pytest.raises(Faulty) as refused:
        invited(lead, "eastmark", email=email)
    assert codes(refused.value) == ["not_a_mail_address"]


def test_regions_must_be_chosen_and_known(lead: Account) -> None:
    for regions, code in (((), "empty"), (("eastmark", "nowhere"), "unknown_region")):
        with pytest.raises(Faulty) as refused:
            invite(by=lead, email=ADDRESS, role=Role.COORDINATOR, regions=regions, now=NOW)
        assert codes(refused.value) == [code]


def test_all_faults_are_told_at_once(lead: Account) -> None:
    with pytest.raises(Faulty) as refused:
        invite(by=lead, email="nobody", role=Role.COORDINATOR, regions=(), now=NOW)
    assert codes(refused.value) == ["not_a_mail_address", "empty"]


def test_who_holds_it_or_is_invited_to_it_is_not_invited_again(lead: Account) -> None:
    east = make_coordinator("eastmark")
    with pytest.raises(Faulty) as refused:
        invited(lead, "eastmark", email=east.email.upper())
    assert codes(refused.value) == ["holds_it"]
    invited(lead, "westmark", email=east.email)
    with pytest.raises(Faulty) as refused:
        invited(lead, "westmark", email=east.email)
    assert codes(refused.value) == ["invited_already"]
    # Once it is over, there is a new one.
    invite(by=lead, email=east.email, role=Role.COORDINATOR, regions=["westmark"], now=NOW + timedelta(days=7))


# --- taking up -----------------------------------------------------------------------------------


def test_the_account_of_the_address_takes_up_all_of_it_and_the_address_is_forgotten(lead: Account) -> None:
    made = invited(lead, "eastmark", "westmark")
    account = make_account(email=ADDRESS)
    take_up_invitation(by=account, link=made.link, now=NOW + timedelta(days=6))
    assert held(account) == [("coordinator", "eastmark"), ("coordinator", "westmark")]
    assert set(Invitation.objects.values_list("email", flat=True)) == {""}
    event = Event.objects.get(verb="invitation taken up")
    assert (event.actor, event.details["regions"]) == (account.pk, ["eastmark", "westmark"])


def test_all_regions_and_researcher_are_taken_up_without_a_region(lead: Account) -> None:
    account = make_account(email=ADDRESS)
    for role in (Role.COORDINATOR, Role.RESEARCHER):
        take_up_invitation(by=account, link=invited(lead, role=role).link, now=NOW)
    assert held(account) == [("coordinator", "all"), ("researcher", "all")]
    assert regions_of(account).count() == 2


@pytest.mark.parametrize(
    ("days", "stands"), [(timedelta(days=7) - timedelta(seconds=1), True), (timedelta(days=7), False)]
)
def test_a_link_works_for_seven_days(lead: Account, days: timedelta, stands: bool) -> None:
    made, account = invited(lead, "eastmark"), make_account(email=ADDRESS)
    if stands:
        take_up_invitation(by=account, link=made.link, now=NOW + days)
    else:
        with pytest.raises(Conflict):
            take_up_invitation(by=account, link=made.link, now=NOW + days)
    assert bool(held(account)) is stands


def test_another_address_gets_nothing_and_leaves_the_link_whole(lead: Account) -> None:
    made = invited(lead, "eastmark")
    thief, account = make_account(email="thief@test.example"), make_account(email=ADDRESS)
    with pytest.raises(NotAllowed):
        take_up_invitation(by=thief, link=made.link, now=NOW)
    assert held(thief) == []
    take_up_invitation(by=account, link=made.link, now=NOW)


def test_an_address_that_is_not_confirmed_gets_nothing_yet(lead: Account) -> None:
    made, account = invited(lead, "eastmark"), make_account(email=ADDRESS)
    EmailAddress.objects.filter(user=account).update(verified=False)
    with pytest.raises(Conflict) as refused:
        take_up_invitation(by=account, link=made.link, now=NOW)
    assert (refused.value.code, held(account)) == ("mail_not_confirmed", [])


def test_pressing_twice_is_pressing_once_and_a_used_link_gives_nobody_else_anything(lead: Account) -> None:
    made, account = invited(lead, "eastmark"), make_account(email=ADDRESS)
    for _ in range(2):
        take_up_invitation(by=account, link=made.link, now=NOW)
    assert held(account) == [("coordinator", "eastmark")]
    assert Event.objects.filter(verb="invitation taken up").count() == 1
    with pytest.raises(Conflict):
        take_up_invitation(by=make_account(), link=made.link, now=NOW)


def test_a_used_link_does_not_bring_back_what_was_ended(lead: Account) -> None:
    made, account = invited(lead, "eastmark"), make_account(email=ADDRESS)
    take_up_invitation(by=account, link=made.link, now=NOW)
    revoke_appointment(by=lead, appointment=account.appointments.get().pk)
    with pytest.raises(Conflict):
        take_up_invitation(by=account, link=made.link, now=NOW)
    assert held(account) == []


def test_an_unknown_link_is_not_there(lead: Account) -> None:
    for link in ("", "x", "a" * 43, "\0"):
        with pytest.raises(NotFound):
            take_up_invitation(by=lead, link=link, now=NOW)


def test_a_link_of_somebody_who_may_not_invite_any_more_opens_nothing(lead: Account) -> None:
    made, account = invited(lead, "eastmark"), make_account(email=ADDRESS)
    revoke_appointment(by=make_operator(), appointment=lead.appointments.get().pk)
    with pytest.raises(Conflict) as refused:
        take_up_invitation(by=account, link=made.link, now=NOW)
    assert (refused.value.code, held(account)) == ("inviter_gone", [])


def test_eight_at_once_take_it_up_once(lead: Account) -> None:
    made, account = invited(lead, "eastmark", "westmark"), make_account(email=ADDRESS)
    barrier = threading.Barrier(8)

    def press(_: int) -> int:
        try:
            barrier.wait()
            return len(take_up_invitation(by=Account.objects.get(pk=account.pk), link=made.link, now=NOW))
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as threads:
        assert list(threads.map(press, range(8))) == [2] * 8
    assert held(account) == [("coordinator", "eastmark"), ("coordinator", "westmark")]
    assert Event.objects.filter(verb="invitation taken up").count() == 1


# --- calling back --------------------------------------------------------------------------------


def test_an_invitation_that_was_called_back_opens_nothing_and_its_address_is_gone(lead: Account) -> None:
    made, account = invited(lead, "eastmark"), make_account(email=ADDRESS)
    for _ in range(2):
        call_back_invitation(by=lead, invitation=made.invitations[0].pk, now=NOW)
    assert Event.objects.filter(verb="invitation called back").count() == 1
    assert Invitation.objects.get().email == ""
    with pytest.raises(Conflict):
        take_up_invitation(by=account, link=made.link, now=NOW)


def test_one_region_is_called_back_and_the_other_stands(lead: Account) -> None:
    made, account = invited(lead, "eastmark", "westmark"), make_account(email=ADDRESS)
    call_back_invitation(by=lead, invitation=made.invitations[0].pk, now=NOW)
    take_up_invitation(by=account, link=made.link, now=NOW)
    assert held(account) == [("coordinator", "westmark")]


def test_who_may_not_invite_calls_nothing_back(lead: Account) -> None:
    made = invited(lead, "eastmark")
    with pytest.raises(NotAllowed):
        call_back_invitation(by=make_coordinator("eastmark"), invitation=made.invitations[0].pk, now=NOW)
    with pytest.raises(NotFound):
        call_back_invitation(by=lead, invitation=987654, now=NOW)


def test_what_was_taken_up_is_not_called_back(lead: Account) -> None:
    made = invited(lead, "eastmark")
    take_up_invitation(by=make_account(email=ADDRESS), link=made.link, now=NOW)
    with pytest.raises(Conflict):
        call_back_invitation(by=lead, invitation=made.invitations[0].pk, now=NOW)


# --- ending --------------------------------------------------------------------------------------


def test_a_lead_ends_an_appointment_and_it_is_gone_at_once(lead: Account) -> None:
    east = make_coordinator("eastmark")
    revoke_appointment(by=lead, appointment=east.appointments.get().pk)
    assert not roles_of(Account.objects.get(pk=east.pk))
    event = Event.objects.get(verb="appointment ended")
    assert (event.actor, event.subject_id) == (lead.pk, east.pk)
    assert event.details == {"role": "coordinator", "regions": ["eastmark"]}


def test_what_is_ended_already_is_not_there(lead: Account) -> None:
    pk = make_coordinator("eastmark").appointments.get().pk
    revoke_appointment(by=lead, appointment=pk)
    with pytest.raises(NotFound):
        revoke_appointment(by=lead, appointment=pk)


@pytest.mark.parametrize("who", ["regional", "researcher", "family"])
def test_who_may_not_appoint_ends_nothing(lead: Account, who: str) -> None:
    by = {"regional": lambda: make_coordinator("eastmark"), "researcher": make_researcher, "family": make_account}[
        who
    ]()
    with pytest.raises(NotAllowed):
        revoke_appointment(by=by, appointment=lead.appointments.get().pk)
    assert held(lead) == [("coordinator", "all")]


def test_nobody_takes_the_last_key_out_of_their_own_hand(lead: Account) -> None:
    make_coordinator()  # another lead may do it, and one cannot do it oneself
    with pytest.raises(Conflict) as refused:
        revoke_appointment(by=lead, appointment=lead.appointments.get().pk)
    assert refused.value.code == "own_last_lead"
    appoint(by=None, account=lead, role=Role.OPERATOR)
    revoke_appointment(by=lead, appointment=lead.appointments.get(role=Role.COORDINATOR).pk)
    with pytest.raises(Conflict):
        revoke_appointment(by=lead, appointment=lead.appointments.get().pk)


def test_an_operator_is_ended_by_operators_only(lead: Account) -> None:
    operator = make_operator()
    with pytest.raises(NotAllowed):
        revoke_appointment(by=lead, appointment=operator.appointments.get().pk)
    revoke_appointment(by=make_operator(), appointment=operator.appointments.get().pk)


def test_of_two_who_end_each_other_at_once_one_stays(lead: Account) -> None:
    other = make_coordinator()
    pairs = [(lead, other), (other, lead)]
    barrier = threading.Barrier(2)

    def end(pair: tuple[Account, Account]) -> Any:
        by, whose = pair
        appointment = whose.appointments.get().pk
        barrier.wait()
        try:
            return revoke_appointment(by=by, appointment=appointment)
        except Refusal as refusal:
            return refusal
        finally:
            connection.close()

    with ThreadPoolExecutor(2) as threads:
        outcomes = list(threads.map(end, pairs))
    assert Appointment.objects.count() == 1
    assert sorted(isinstance(one, NotAllowed) for one in outcomes) == [False, True]


# --- who sees whom -------------------------------------------------------------------------------


def test_each_sees_the_people_that_are_theirs_to_see(lead: Account) -> None:
    """By hand: leads and operators see all; a coordinator her regions' and who cares for all; others nobody."""
    east, west, researcher, operator = (
        make_coordinator("eastmark"), make_coordinator("westmark"), make_researcher(), make_operator(),
    )  # fmt: skip
    everybody = {lead, east, west, researcher, operator}
    seen = {
        "lead": {one.account for one in appointments_seen_by(lead)},
        "operator": {one.account for one in appointments_seen_by(operator)},
        "east": {one.account for one in appointments_seen_by(east)},
        "west": {one.account for one in appointments_seen_by(west)},
        "researcher": {one.account for one in appointments_seen_by(researcher)},
        "family": {one.account for one in appointments_seen_by(make_account())},
    }
    assert seen == {
        "lead": everybody, "operator": everybody, "east": {east, lead}, "west": {west, lead}, "researcher": set(),
        "family": set(),
    }  # fmt: skip


def test_open_invitations_are_for_those_who_may_invite(lead: Account) -> None:
    invited(lead, "eastmark")
    assert [open_invitations(by, now=NOW).count() for by in (lead, make_operator(), make_coordinator("eastmark"))] == [
        1, 1, 0,
    ]  # fmt: skip
    assert open_invitations(lead, now=NOW + timedelta(days=7)).count() == 0


# --- what is left --------------------------------------------------------------------------------


@pytest.mark.parametrize(("days", "forgotten"), [(timedelta(days=7) - timedelta(seconds=1), 0), (timedelta(days=7), 1)])
def test_the_address_of_an_invitation_that_is_over_is_forgotten(lead: Account, days: timedelta, forgotten: int) -> None:
    invited(lead, "eastmark")
    assert keep_house(now=NOW + days)["invitations forgotten"] == forgotten
    assert (Invitation.objects.get().email == "") is bool(forgotten)
    assert keep_house(now=NOW + days)["invitations forgotten"] == 0


def test_an_erased_account_is_in_no_invitation_and_its_own_open_ones_end(lead: Account) -> None:
    account = make_account(email=ADDRESS)
    to_her, by_lead = invited(lead, "eastmark"), invited(lead, "westmark", email="third@test.example")
    erase_account(account=account, by=account)
    assert not Invitation.objects.filter(email=ADDRESS).exists()
    anew = make_account(email=ADDRESS)
    with pytest.raises(Conflict):
        take_up_invitation(by=anew, link=to_her.link, now=NOW)
    erase_account(account=lead, by=lead)
    with pytest.raises(Conflict):
        take_up_invitation(by=make_account(email="third@test.example"), link=by_lead.link, now=NOW)
    assert set(Invitation.objects.values_list("email", "by")) == {("", None)}


# --- on the machine itself -----------------------------------------------------------------------


def test_the_first_coordinator_of_all_regions_is_invited_on_the_machine() -> None:
    make_season()
    said = StringIO()
    call_command("invite", ADDRESS, "coordinator", stdout=said)
    link = said.getvalue().strip().rstrip("/").rsplit("/", 1)[1]
    account = make_account(email=ADDRESS)
    take_up_invitation(by=account, link=link, now=invitations_of(link)[0].made_at)
    assert held(account) == [("coordinator", "all")]


def test_the_command_says_what_is_wrong() -> None:
    make_season()
    with pytest.raises(CommandError, match="One of these regions is not known here"):
        call_command("invite", ADDRESS, "coordinator", "--region", "nowhere")
    with pytest.raises(CommandError, match="There is no account with the email address"):
        call_command("reset_second_factor", ADDRESS)
