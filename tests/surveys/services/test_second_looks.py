"""Blind second looks: chance draws them, one person gives each, and only the queue changes a return."""

from __future__ import annotations

import hashlib
import threading
import uuid
from datetime import date
from typing import Any

import pytest
from django.db import connection
from scipy import stats

from surveys.errors import Conflict, NotAllowed, NotFound, Refusal, Stale
from surveys.models import Account, Catch, Event, Query, Return, Season, SecondLook
from surveys.queries.night import night_input
from surveys.queries.second_looks import second_looks_waiting
from surveys.services import second_looks
from surveys.services.intake import withdraw_return
from surveys.services.night import ask_for_night, run_night
from surveys.services.review import give_verdict
from surveys.services.second_looks import draw_second_looks, give_second_look
from surveys.vocabulary import Decision, QueryReason, ReturnState, VerdictReason
from tests.factories import make_coordinator, make_season, make_site, make_trap, send_return

pytestmark = pytest.mark.django_db(transaction=True)

SLIP, PLAUSIBLE = VerdictReason.COUNT_SLIP, VerdictReason.PLAUSIBLE_NIGHT


@pytest.fixture
def season() -> Season:
    return make_season()


def many(returns: int, *, region: str = "eastmark", state: str = "standing", **changes: Any) -> list[int]:
    """Return the numbers of as many copies of one return, with its catch, in a state."""
    report = send_return(make_trap(site=make_site(region=region)), screened=True, **changes)
    copies = Return.objects.bulk_create(
        [Return(**{**values_of(report), "uuid": uuid.uuid4(), "state": state}) for _ in range(returns)]
    )
    Return.objects.filter(pk=report.pk).update(state="withdrawn")
    caught = list(report.catches.values("group_id", "answer", "low", "high"))
    Catch.objects.bulk_create([Catch(report=copy, **one) for copy in copies for one in caught])
    return [copy.pk for copy in copies]


def values_of(report: Return) -> dict[str, object]:
    """Return the columns of a return but its number and what the database works out."""
    return {
        field.attname: getattr(report, field.attname)
        for field in Return._meta.concrete_fields
        if not field.primary_key and not field.generated
    }


def drawn(report: Return) -> SecondLook:
    """Draw a return whatever chance says."""
    report.refresh_from_db()
    return SecondLook.objects.create(report=report, season=report.season, state=report.state)


@pytest.fixture
def standing(season: Season) -> Return:
    report = send_return(make_trap(), screened=True)
    assert report.state == "standing"
    drawn(report)
    return report


@pytest.fixture
def upheld(season: Season) -> tuple[Return, Account]:
    """A return that waited and was let stand, with the one who decided."""
    report = send_return(make_trap(), screened=True, liquid="soap")
    first = make_coordinator("eastmark")
    give_verdict(by=first, uuid=report.uuid, version=report.version, decision=Decision.UPHELD, reason=PLAUSIBLE)
    drawn(report)
    return report, first


def by_the_published_hash(numbers: list[int], seed: str = "test-2026", share: float = 0.05) -> set[int]:
    """Choose by METHODS.md, section 11, written anew: 64 bits of SHA-256 as a fraction below the share."""
    return {number for number in numbers if published_fraction(number, seed) < share}


def published_fraction(number: int, seed: str = "test-2026") -> float:
    digest = hashlib.sha256(f"{len(seed)}:{seed}{len(str(number))}:{number}".encode()).hexdigest()
    return int(digest[:16], 16) / 16**16


def test_the_published_hash_draws_one_in_twenty_and_no_state_moves(season: Season) -> None:
    numbers = many(600)
    assert draw_second_looks(season=season) == SecondLook.objects.count()
    assert set(SecondLook.objects.values_list("pk", flat=True)) == by_the_published_hash(numbers)
    assert stats.binomtest(SecondLook.objects.count(), len(numbers), 0.05).pvalue > 1e-4  # scipy's exact test
    assert set(Return.objects.filter(pk__in=numbers).values_list("state", "version")) == {("standing", 2)}


def test_standing_and_upheld_returns_are_drawn_and_no_others(season: Season) -> None:
    numbers = {state: many(200, state=state) for state in ReturnState.values()}
    draw_second_looks(season=season)
    for state in ReturnState.values():
        found = set(SecondLook.objects.filter(pk__in=numbers[state]).values_list("pk", "state"))
        usual = by_the_published_hash(numbers[state]) if state in ("standing", "upheld") else set()
        assert found == {(number, state) for number in usual}


def test_a_draw_that_is_made_again_draws_the_same_and_nothing_more(season: Season) -> None:
    many(300)
    draw_second_looks(season=season)
    first = set(SecondLook.objects.values_list("pk", flat=True))
    assert first
    assert draw_second_looks(season=season) == 0
    assert Event.objects.filter(verb="second looks drawn").count() == 1, "nothing drawn is nothing to write down"
    SecondLook.objects.all().delete()
    draw_second_looks(season=season)
    assert set(SecondLook.objects.values_list("pk", flat=True)) == first


def test_a_night_that_is_run_again_draws_the_same(season: Season) -> None:
    many(120)
    job = ask_for_night(season=season, night=date(2026, 5, 9))[0]
    run = run_night(job_id=job.pk)
    assert run is not None
    first = set(SecondLook.objects.values_list("pk", flat=True))
    assert run.parameters["second_looks"] == {"drawn": len(first)}
    again = run_night(job_id=ask_for_night(season=season, night=date(2026, 5, 10))[0].pk)
    assert again is not None
    assert again.parameters["second_looks"] == {"drawn": 0}
    assert set(SecondLook.objects.values_list("pk", flat=True)) == first


def test_what_the_night_has_just_held_is_not_drawn() -> None:
    season = make_season(review_budget=1.0)
    numbers = many(200, catch=[{"group": "ground_beetles", "answer": "number", "count": 40}])
    run_night(job_id=ask_for_night(season=season, night=date(2026, 5, 9))[0].pk)
    held = set(Return.objects.filter(state="queried", pk__in=numbers).values_list("pk", flat=True))
    assert by_the_published_hash(sorted(held)), "some of them would have been drawn, had they stood"
    assert not SecondLook.objects.filter(pk__in=held).exists()


def test_a_region_gets_no_more_than_it_has_room_for_until_some_are_given(season: Season, monkeypatch) -> None:
    east, west = many(300), many(300, region="westmark")
    wanted = {name: by_the_published_hash(found) for name, found in (("east", east), ("west", west))}
    monkeypatch.setattr(second_looks, "MOST_WAITING", 3)
    assert draw_second_looks(season=season) == 6
    assert draw_second_looks(season=season) == 0
    looks = set(SecondLook.objects.values_list("pk", flat=True))
    # Those with the smallest fractions come first.
    for found, name in ((east, "east"), (west, "west")):
        here = looks & set(found)
        assert here == set(sorted(found, key=published_fraction)[:3])
        assert here <= wanted[name]
    give_second_look(
        by=make_coordinator(), uuid=Return.objects.get(pk=min(looks & set(east))).uuid, opinion=Decision.UPHELD,
        reason=PLAUSIBLE,
    )  # fmt: skip
    assert draw_second_looks(season=season) == 1
    assert SecondLook.objects.filter(pk__in=east).count() == 4


def test_a_return_stays_in_the_indices_while_its_second_look_waits(season: Season) -> None:
    report = send_return(make_trap(), screened=True)
    before = night_input(season).snapshot
    drawn(report)
    assert (before.returns, night_input(season).snapshot.digest) == (1, before.digest)


def test_an_opinion_that_lets_it_stand_is_written_down_and_changes_nothing(standing: Return) -> None:
    other = make_coordinator("eastmark")
    look = give_second_look(by=other, uuid=standing.uuid, opinion=Decision.UPHELD, reason=PLAUSIBLE)
    before = (standing.state, standing.version)
    standing.refresh_from_db()
    assert (standing.state, standing.version) == before
    assert (look.by, look.opinion, look.reason, look.state) == (other, "upheld", "plausible_night", "standing")
    assert look.looked_at is not None
    event = Event.objects.get(verb="second look given")
    assert (event.actor, event.subject_id, event.details) == (
        other.pk, standing.pk, {"opinion": "upheld", "reason": "plausible_night"},
    )  # fmt: skip


@pytest.mark.parametrize("opinion", [Decision.CORRECTED, Decision.DISCOUNTED])
def test_an_opinion_that_it_is_wrong_sends_it_to_the_queue_which_decides(
    upheld: tuple[Return, Account], opinion: Decision, season: Season
) -> None:
    report, first = upheld
    waited_for = list(report.queries.order_by("position").values_list("reason", flat=True))
    give_second_look(by=make_coordinator("eastmark"), uuid=report.uuid, opinion=opinion, reason=SLIP)
    report.refresh_from_db()
    assert (report.state, report.reason) == (ReturnState.QUERIED, QueryReason.SECOND_LOOK)
    listed = list(report.queries.order_by("position").values_list("position", "reason"))
    assert listed == list(enumerate(["second_look", *waited_for]))
    query = Query.objects.get(report=report, reason="second_look")
    assert opinion.label in query.sentence
    assert SLIP.label in query.sentence
    assert opinion.label not in query.gentle_sentence, "the household reads that it is looked at, not what was thought"
    assert night_input(season).snapshot.returns == 0
    give_verdict(by=first, uuid=report.uuid, version=report.version, decision=Decision.UPHELD, reason=PLAUSIBLE)
    assert draw_second_looks(season=season) == 0, "a return is looked at again once in its life"


def test_who_decided_about_a_return_cannot_give_its_second_look(upheld: tuple[Return, Account]) -> None:
    report, first = upheld
    with pytest.raises(NotAllowed, match="Somebody else must give the second look"):
        give_second_look(by=first, uuid=report.uuid, opinion=Decision.UPHELD, reason=PLAUSIBLE)
    assert SecondLook.objects.get().looked_at is None
    assert not Event.objects.filter(verb="second look given").exists()


def test_a_look_is_given_once_and_the_same_said_twice_changes_nothing(standing: Return) -> None:
    one, other = make_coordinator("eastmark"), make_coordinator("eastmark")
    give_second_look(by=one, uuid=standing.uuid, opinion=Decision.UPHELD, reason=PLAUSIBLE)
    give_second_look(by=one, uuid=standing.uuid, opinion=Decision.UPHELD, reason=PLAUSIBLE)
    for by, opinion in ((other, Decision.DISCOUNTED), (one, Decision.CORRECTED)):
        with pytest.raises(Stale, match="Yours is not needed"):
            give_second_look(by=by, uuid=standing.uuid, opinion=opinion, reason=SLIP)
    assert Event.objects.filter(verb="second look given").count() == 1
    standing.refresh_from_db()
    assert standing.state == "standing"


def test_two_people_at_once_make_one_opinion(standing: Return) -> None:
    people = [make_coordinator("eastmark") for _ in range(2)]
    together, outcomes = threading.Barrier(2), []

    def look(by: Account) -> None:
        together.wait()
        try:
            give_second_look(by=by, uuid=standing.uuid, opinion=Decision.DISCOUNTED, reason=SLIP)
            outcomes.append("given")
        except Refusal as refusal:
            outcomes.append(refusal.code)
        finally:
            connection.close()

    threads = [threading.Thread(target=look, args=[by]) for by in people]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["given", "stale"]
    assert Query.objects.filter(report=standing, reason="second_look").count() == 1


def test_a_drawn_return_that_is_taken_back_leaves_the_list_and_needs_no_look(standing: Return) -> None:
    other = make_coordinator("eastmark")
    assert second_looks_waiting(other) == [standing.uuid]
    withdraw_return(by=standing.trap.site.household.keeper, uuid=standing.uuid)
    assert second_looks_waiting(other) == []
    with pytest.raises(Conflict, match="It needs no second look"):
        give_second_look(by=other, uuid=standing.uuid, opinion=Decision.UPHELD, reason=PLAUSIBLE)


def test_one_that_is_not_drawn_and_one_of_another_region_are_not_there(standing: Return) -> None:
    plain = send_return(make_trap(), screened=True)
    for by, report in ((make_coordinator("eastmark"), plain), (make_coordinator("westmark"), standing)):
        with pytest.raises(NotFound):
            give_second_look(by=by, uuid=report.uuid, opinion=Decision.UPHELD, reason=PLAUSIBLE)
    assert SecondLook.objects.get().looked_at is None


def test_a_return_that_was_upheld_after_it_was_drawn_tells_of_the_upheld_ones(season: Season) -> None:
    report = send_return(make_trap(), screened=True, liquid="soap")
    SecondLook.objects.create(report=report, season=season, state="standing")
    give_verdict(
        by=make_coordinator("eastmark"), uuid=report.uuid, version=report.version, decision=Decision.UPHELD,
        reason=PLAUSIBLE,
    )  # fmt: skip
    other = make_coordinator("eastmark")
    assert give_second_look(by=other, uuid=report.uuid, opinion=Decision.UPHELD, reason=PLAUSIBLE).state == "upheld"
