"""A night looks again at what is compared with something else than before, at nothing else, and misses none of it."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from celery.exceptions import SoftTimeLimitExceeded
from django.db.models import F

from surveys.errors import NotFound
from surveys.models import Event, Query, Return, Season, SitePoint, Trap, UsualCatch
from surveys.queries.comparisons import due_returns
from surveys.queries.indices import usual_generation
from surveys.queries.screening import screening_cases
from surveys.queries.seasons import lists_of
from surveys.queries.usual import baseline
from surveys.services import night, screening_again
from surveys.services import screening as arrivals
from surveys.services.night import run_night
from surveys.services.screening import Reason, screen_cases, screen_received
from surveys.services.usual import learn_what_is_usual
from surveys.services.worked import MOVED, move_return
from surveys.vocabulary import QueryKind, QueryReason
from tests.factories import ApiClient, make_season, make_trap, return_payload
from tests.several_seasons import ask_once, catch_of, make_gardens, run_once

DANGER = Reason(QueryKind.PROTOCOL, QueryReason.WELFARE, 1.0, "A sentence.", "A gentle one.", {})

pytestmark = pytest.mark.django_db(transaction=True)


def send(trap: Trap, day: int, **caught: Any) -> Return:
    """Send one return of a night, counted from the first of May on; it is screened at once."""
    begun = datetime(2026, 5, 1, 17, tzinfo=UTC) + timedelta(days=day - 1)
    payload = return_payload(
        trap,
        set_at=begun.isoformat(),
        emptied_at=(begun + timedelta(days=1)).isoformat(),
        note=caught.pop("note", ""),
        catch=catch_of(**caught),
    )
    assert ApiClient(trap.site.household.keeper).send("returns", payload).status_code == 201
    while screen_received(most=50):
        pass
    return Return.objects.get(uuid=payload["id"])


def move(report: Return, to: str) -> None:
    report.refresh_from_db()
    move_return(report, to)  # type: ignore[arg-type]
    report.save(update_fields=MOVED)


def due(season: Season) -> set[int]:
    return set(due_returns(lists_of(season), usual_generation(season)).tolist())


def two_traps_of_two_gardens() -> tuple[Season, list[Trap]]:
    season = make_season(review_budget=1e-9)  # nothing is held, so that states move only where a test moves them
    gardens = make_gardens(2)
    border = [make_trap(site=one.site, habitat="hedge_base") for one in gardens]
    return season, [gardens[0], border[0], gardens[1], border[1]]


def keys(reports: Sequence[Return]) -> set[int]:
    return {report.pk for report in reports}


def test_a_night_in_which_nothing_is_new_screens_nothing() -> None:
    season, traps = two_traps_of_two_gardens()
    for day in (3, 4, 5):
        for trap in traps:
            send(trap, day, woodlice=day, spiders=1)
    first = run_once(season)
    assert first.parameters["screening"]["screened"] == 12, "the first night knows what is usual, as arrivals did not"
    scored = list(Return.objects.order_by("pk").values_list("screened_with", "compared_with", "rank"))
    second = run_once(season)
    assert second.parameters["usual"]["news"] == 0
    assert second.parameters["screening"]["screened"] == 0
    assert list(Return.objects.order_by("pk").values_list("screened_with", "compared_with", "rank")) == scored


def test_whoever_is_compared_with_a_return_is_looked_at_again_when_it_changes() -> None:
    season, traps = two_traps_of_two_gardens()
    sent = {(number, day): send(traps[number], day, woodlice=2) for day in (3, 4) for number in range(4)}
    run_once(season)
    assert due(season) == set()
    # One more of the night of the fourth: its sibling of that night knew nothing of it. It was itself screened just now.
    late = send(traps[1], 4, woodlice=9)
    assert due(season) == keys([sent[0, 4], sent[1, 4]])
    run_once(season)
    assert due(season) == set()
    # Set aside: it tells nothing of its site any more, to all that came after it there.
    move(sent[0, 3], "queried")
    move(sent[0, 3], "discounted")
    assert due(season) == keys([sent[0, 4], sent[1, 4], late]), "its sibling of that night is told nothing by its state"
    run_once(season)
    # Taken back: nobody's neighbour any more, of those after it and of its night.
    move(sent[1, 4], "withdrawn")
    assert due(season) == keys([sent[0, 4], late])
    run_once(season)
    assert due(season) == set()


def test_news_of_what_is_usual_is_a_matter_of_its_own_stratum() -> None:
    season, traps = two_traps_of_two_gardens()
    far = make_gardens(1, region="westmark")
    sent = [send(trap, day, woodlice=2) for day in (3, 4) for trap in (*traps, *far)]
    run_once(season)
    UsualCatch.objects.filter(region__code="westmark", window__code="spring").update(since=99)
    UsualCatch.objects.update(generation=99)  # another generation is another reading
    assert due(season) == keys([report for report in sent if report.trap.site.region.code == "westmark"])


def test_what_is_no_news_is_kept_to_the_last_digit_and_what_is_takes_its_place() -> None:
    season, traps = two_traps_of_two_gardens()
    for day in range(2, 12):
        for trap in traps:
            send(trap, day, woodlice=3 + day % 3, spiders=1)
    learn_what_is_usual(season=season, generation=1)
    columns = ("region", "window", "habitat", "group", "mean", "size", "site_shape", "since")
    before = sorted(UsualCatch.objects.values_list(*columns))
    send(traps[0], 12, woodlice=4, spiders=1)
    assert learn_what_is_usual(season=season, generation=2)["news"] == 0
    assert sorted(UsualCatch.objects.values_list(*columns)) == before
    for day in range(13, 23):
        for trap in traps:
            send(trap, day, woodlice=40, spiders=1)
    Return.objects.update(state="upheld")  # so many are a matter for a person, who lets them stand
    told = learn_what_is_usual(season=season, generation=3)
    assert 0 < told["news"] <= told["strata"]
    woodlice = UsualCatch.objects.get(
        region__code="eastmark", window__code="spring", habitat__code="short_lawn", group__code="woodlice"
    )
    was = next(
        row[4]
        for row in before
        if row[:4] == (woodlice.region_id, woodlice.window_id, woodlice.habitat_id, woodlice.group_id)
    )
    assert woodlice.since == 3
    assert woodlice.mean > 1.2 * was


@pytest.mark.parametrize("seed", [1, 2])
def test_nights_of_changes_leave_what_screening_everything_would_give(seed: int) -> None:
    """Weeks of sendings, verdicts and takings back: at the end each score is that of a screening from the start."""
    season, traps = two_traps_of_two_gardens()
    drawn = random.Random(seed)  # a world for a test
    sent: list[Return] = []
    nights = []
    stood = []
    for day in range(18, 58):  # from May into the weeks between two windows, and the summer
        for trap in drawn.sample(traps, 2):
            count = drawn.choice([0, 1, 2, 3, 5, 8, 300])
            sent.append(send(trap, day, woodlice=count, spiders=drawn.choice([None, 0, 1, 40]), springtails=count // 2))
        if day % 4 == 0:
            report = drawn.choice(sent)
            report.refresh_from_db()
            if report.state == "standing":
                move(report, "withdrawn" if day % 8 else "queried")
        if day % 5 == 0 or day == 57:
            nights.append(run_once(season).parameters["screening"]["screened"])
            stood.append(Return.objects.filter(season=season, state__in=["standing", "queried"]).count())
    assert sum(nights) < 0.8 * sum(stood), "most nights left much of it alone"
    lists, generation = lists_of(season), usual_generation(season)
    rows = list(
        Return.objects.filter(season=season, state__in=["standing", "queried"])
        .select_related("trap__site__point", "habitat")
        .order_by("pk")
    )
    cases = screening_cases(rows, lists=lists, generation=generation)
    assert len(cases) == len(rows) > 40
    last_news, exact = baseline(lists, generation).since.max(), 0
    for case, screening in zip(cases, screen_cases(cases), strict=True):
        assert (case.row.rank > 0, case.row.certain) == (screening.rank > 0, screening.certain)
        if case.row.screened_with < last_news:  # of rival habitats, or of earlier nights of its site
            assert case.row.probability == pytest.approx(screening.probability, abs=0.05)
            continue
        exact += 1
        assert case.row.probability == screening.probability
        # What a slip would do to the region is kept while its effort has changed by less than about a tenth.
        assert case.row.rank == pytest.approx(screening.rank, rel=0.11)
    assert exact > 10
    assert any(row.rank > 0 for row in rows)
    assert due(season) == set()


def test_a_return_that_was_taken_back_meanwhile_is_left_out_of_its_batch() -> None:
    season, traps = two_traps_of_two_gardens()
    reports = [send(trap, 3, woodlice=1) for trap in traps]
    rows: list[Any] = list(Return.objects.select_related("trap__site__point", "habitat").order_by("pk"))
    move(reports[1], "withdrawn")
    cases = screening_cases(rows, lists=lists_of(season), generation=0)
    assert [case.row.pk for case in cases] == [reports[0].pk, reports[2].pk, reports[3].pk]
    for report in (reports[0], reports[2], reports[3]):
        move(report, "withdrawn")
    assert screening_cases(rows, lists=lists_of(season), generation=0) == []
    assert np.array_equal(due_returns(lists_of(season), 0), [])


def test_a_night_that_gave_way_looks_again_at_what_changed_meanwhile(monkeypatch: pytest.MonkeyPatch) -> None:
    """What arrives while a night waits for its second turn is screened on what that night learned, as all others are."""
    season, traps = two_traps_of_two_gardens()
    sent = [send(trap, 3, woodlice=2) for trap in (traps[0], traps[2])]
    job_id = ask_once(season)

    def gives_way(*_: Any, **__: Any) -> Any:
        raise SoftTimeLimitExceeded

    with monkeypatch.context() as patched:
        patched.setattr(screening_again, "_hold_within_budget", gives_way)
        with pytest.raises(SoftTimeLimitExceeded):
            run_night(job_id=job_id)
    assert due(season) == set()
    late = [send(traps[1], 3, woodlice=5), send(traps[0], 3, woodlice=9)]
    assert {report.screened_with for report in late} == {job_id}
    assert due(season) == keys([sent[0], late[0]])
    assert run_night(job_id=job_id) is not None
    assert due(season) == set()


def test_an_odd_return_stops_no_night_and_waits_for_a_person(monkeypatch: pytest.MonkeyPatch) -> None:
    season, traps = two_traps_of_two_gardens()
    sent = [send(trap, 3, woodlice=2, spiders=1) for trap in traps]
    odd, as_ever = sent[1], arrivals.screen_cases

    def falls_over(cases: Any) -> Any:
        if any(case.row.pk == odd.pk for case in cases):
            raise FloatingPointError("an odd return")
        return as_ever(cases)

    with monkeypatch.context() as patched:
        patched.setattr(arrivals, "screen_cases", falls_over)
        assert run_once(season).parameters["screening"]["screened"] == 4
        odd.refresh_from_db()
        assert (odd.state, odd.reason) == ("queried", "not_screened")
        assert Query.objects.get(report=odd).reason == "not_screened"
        assert run_once(season).parameters["screening"]["screened"] == 1
        assert Query.objects.count() == 1
    assert due(season) == {odd.pk}, "it is tried each night, and read once whatever was wrong is mended"
    assert run_once(season).parameters["screening"]["screened"] == 1
    assert due(season) == set()
    told = [event.details for event in Event.objects.filter(verb="returns scored").order_by("pk")]
    assert told == [{"returns": 3, "unreadable": [odd.pk]}, {"returns": 0, "unreadable": [odd.pk]}, {"returns": 1}]


def test_an_odd_return_among_the_most_pressing_waits_for_a_person(monkeypatch: pytest.MonkeyPatch) -> None:
    season = make_season(review_budget=0.9)
    traps = make_gardens(3)
    sent = [send(trap, 3, woodlice=2) for trap in traps]
    Return.objects.update(state="standing", urgent=True)
    Query.objects.all().delete()
    odd, as_ever = sent[1], screening_again.screen_cases

    def falls_over(cases: Any) -> Any:
        if any(case.row.pk == odd.pk for case in cases):
            raise FloatingPointError("an odd return")
        return as_ever(cases)

    monkeypatch.setattr(screening_again, "screen_cases", falls_over)
    monkeypatch.setattr(screening_again, "reasons_to_ask", lambda *_: [DANGER])
    assert run_once(season).parameters["screening"]["held"] == 3
    assert dict(Query.objects.values_list("report", "reason")) == {
        sent[0].pk: "welfare", odd.pk: "not_screened", sent[2].pk: "welfare",
    }  # fmt: skip
    assert set(Return.objects.values_list("state", flat=True)) == {"queried"}


def test_a_time_that_is_up_says_nothing_about_a_return(monkeypatch: pytest.MonkeyPatch) -> None:
    make_season()
    trap = make_trap()
    payload = return_payload(trap)
    assert ApiClient(trap.site.household.keeper).send("returns", payload).status_code == 201

    def time_is_up(cases: Any) -> Any:
        raise SoftTimeLimitExceeded

    with monkeypatch.context() as patched:
        patched.setattr(arrivals, "screen_cases", time_is_up)
        with pytest.raises(SoftTimeLimitExceeded):
            screen_received(most=5)
    assert Return.objects.get().state == "received"


def test_a_night_that_is_begun_again_after_its_screening_does_not_screen_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else whoever came after a return that was just held would be screened a night too early."""
    season = make_season(review_budget=0.3)
    site = make_gardens(1)[0].site
    traps = [make_trap(site=site) for _ in range(3)]
    sent = [send(trap, day, woodlice=2, spiders=1) for day in (3, 4, 5) for trap in traps]
    # As a night may find them: nobody was asked yet, and one of the first would move its region most.
    Return.objects.update(state="standing", urgent=False)
    Query.objects.all().delete()
    Return.objects.filter(pk=sent[0].pk).update(urgent=True)
    job_id = ask_once(season)

    def killed(**_: Any) -> Any:
        raise SoftTimeLimitExceeded

    with monkeypatch.context() as patched:
        patched.setattr(night, "draw_second_looks", killed)
        patched.setattr(screening_again, "reasons_to_ask", lambda *_: [DANGER])
        with pytest.raises(SoftTimeLimitExceeded):
            run_night(job_id=job_id)
    sent[0].refresh_from_db()
    assert sent[0].state == "queried"
    later = due(season)
    assert later, "those that came after it are compared with something else now"
    scored = list(Return.objects.order_by("pk").values_list("screened_at", "compared_with", "state"))
    run = run_night(job_id=job_id)
    assert run is not None
    assert run.parameters["screening"] == {**run.parameters["screening"], "screened": 9}
    assert list(Return.objects.order_by("pk").values_list("screened_at", "compared_with", "state")) == scored
    assert due(season) == later
    assert run_once(season).parameters["screening"]["screened"] == len(later)


def test_whose_note_or_fine_place_was_forgotten_is_looked_at_again() -> None:
    season, traps = two_traps_of_two_gardens()
    sent = [send(trap, 3, woodlice=2, note="by the pond" if trap == traps[0] else "") for trap in traps]
    run_once(season)
    Return.objects.update(note="")
    assert due(season) == keys(sent[:1])
    run_once(season)
    SitePoint.objects.filter(site=traps[2].site).update(latitude=F("latitude") + 0.003)
    assert due(season) == keys(sent[2:])


def test_what_was_learned_before_effort_was_kept_stands_for_a_night_a_return() -> None:
    """As the release before wrote it, while it still ran beside this one."""
    season, traps = two_traps_of_two_gardens()
    for day in (3, 4):
        for trap in traps:
            send(trap, day, woodlice=2)
    generation = run_once(season).job_id
    lists = lists_of(season)
    learned = baseline(lists, generation)
    UsualCatch.objects.update(since=0, trap_nights=0)
    baseline.cache_clear()
    before = baseline(lists, generation)
    assert np.array_equal(before.nights, learned.nights), "each of these was a night of one trap"
    assert set(before.since.ravel()) == {generation}


def test_what_is_usual_no_more_is_not_taken_for_planning_values() -> None:
    season, traps = two_traps_of_two_gardens()
    send(traps[0], 3, woodlice=2)
    learn_what_is_usual(season=season, generation=5)
    learn_what_is_usual(season=season, generation=6)
    baseline.cache_clear()
    with pytest.raises(NotFound, match="not kept any more"):
        baseline(lists_of(season), 5)
