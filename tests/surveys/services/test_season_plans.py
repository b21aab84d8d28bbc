"""A plan is begun, saved in any order, opened once and whole, and closed; two people at once lose nothing."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable
from datetime import date
from typing import Any

import psycopg
import pytest
from django.db import connection, transaction

from surveys.errors import Conflict, Faulty, NotAllowed, NotFound, Refusal, Stale
from surveys.models import Account, Event, Protocol, Region, Season, SeasonPlan
from surveys.queries.season_plans import draft_of
from surveys.services.season_plans import begin_plan, drop_plan, open_season, save_section
from surveys.services.seasons import close_season, install_season, put_together
from surveys.vocabulary import PlanSection
from tests.factories import make_account, make_coordinator, make_operator, make_researcher, make_season, square
from tests.journeys.conftest import database_address
from tests.surveys.plans.drafts import collection, feature, new_limits, whole_boundaries, whole_plan

pytestmark = pytest.mark.django_db

TODAY = date(2027, 1, 10)


def save(plan: SeasonPlan, by: Account, section: PlanSection, **part: Any) -> SeasonPlan:
    """Save a section as somebody who has just read it."""
    fresh = SeasonPlan.objects.get(pk=plan.pk)
    seen = draft_of(fresh).mark(section)
    return save_section(by=by, public_id=plan.public_id, section=section, part=part, seen=seen)


def fill(by: Account, **changes: Any) -> SeasonPlan:
    """Return a plan in which nothing is left to do, saved section by section."""
    plan, whole = begin_plan(by=by), whole_plan() | changes
    name = {key: whole[key] for key in ("code", "title", "organiser", "contact", "opens_on", "closes_on", "time_zone", "licence", "tray_photos", "review_budget")}  # fmt: skip
    save(plan, by, PlanSection.TEXTS, welcome=whole["welcome"])
    save(plan, by, PlanSection.REGIONS, boundaries=changes.get("boundaries", whole_boundaries()))
    save(plan, by, PlanSection.PROTOCOL, protocol=whole["protocol"], limits=changes.get("limits", {}))
    save(plan, by, PlanSection.HABITATS, habitats=whole["habitats"])
    save(plan, by, PlanSection.GROUPS, groups=whole["groups"])
    save(plan, by, PlanSection.WEEKS, windows=whole["windows"])
    return save(plan, by, PlanSection.NAME, **name)


def opened(plan: SeasonPlan, by: Account) -> Season:
    """Open a plan as somebody who has just read it."""
    return open_season(by=by, public_id=plan.public_id, version=plan.version, today=TODAY)


@pytest.fixture
def lead() -> Account:
    make_season()  # brings groups, habitats and protocol version 1
    return make_coordinator()


def test_a_plan_becomes_a_season_whole_with_one_event(lead: Account) -> None:
    plan = fill(lead)
    before = Event.objects.count()
    season = opened(plan, lead)
    assert Event.objects.count() == before + 1
    event = Event.objects.latest("id")
    assert (event.verb, event.subject_id, event.actor) == ("season opened", season.pk, lead.pk)
    assert event.details == {"regions": 2, "groups": 2, "habitats": 2, "windows": 2, "plan": plan.pk}
    season.refresh_from_db()
    assert (season.code, season.state, season.welcome) == ("merrow-2027", "open", "Glad you are here.")
    assert season.time_zone == "Atlantic/Reykjavik"
    assert [row.group.code for row in season.seasongroup_set.order_by("position")] == ["woodlice", "spiders"]
    assert {row.habitat.code: row.weight for row in season.seasonhabitat_set.all()} == {
        "short_lawn": 0.6,
        "hedge_base": 0.4,
    }
    assert [window.code for window in season.windows.order_by("first_day")] == ["spring", "summer"]
    assert {region.code for region in season.regions.all()} == {"eastmark", "westmark"}
    assert Region.objects.count() == 2
    plan.refresh_from_db()
    assert plan.opened_as == season


def test_a_new_protocol_version_is_stored_with_the_season(lead: Account) -> None:
    season = opened(fill(lead, limits=new_limits()), lead)
    assert season.protocol.version == "2"
    assert season.protocol.agreed_on == date(2027, 1, 5) or str(season.protocol.agreed_on) == "2027-01-05"
    assert Protocol.objects.count() == 2


def test_an_unfinished_plan_is_refused_with_all_that_is_to_do_and_nothing_is_stored(lead: Account) -> None:
    plan = fill(lead, title="", groups=[], limits=new_limits(version="1"))
    with pytest.raises(Faulty) as refusal:
        opened(plan, lead)
    assert [fault.pointer for fault in refusal.value.faults] == ["/name", "/groups", "/protocol"]
    assert Season.objects.count() == 1
    assert Protocol.objects.count() == 1


def test_what_is_only_worth_a_look_does_not_stand_in_the_way(lead: Account) -> None:
    left = {"type": "Polygon", "coordinates": [[[0, 0], [0.5, 0], [0.5, 0.4], [0.4, 0.4], [0.4, 0.6], [0.5, 0.6], [0.5, 1], [0, 1], [0, 0]]]}  # fmt: skip
    right = {"type": "Polygon", "coordinates": [[[0.5, 0], [1, 0], [1, 1], [0.5, 1], [0.5, 0]]]}
    plan = fill(lead, boundaries=collection(feature("a", "A", left), feature("b", "B", right)))
    assert opened(plan, lead).regions.count() == 2


def test_a_fault_in_the_middle_of_opening_leaves_nothing(lead: Account, monkeypatch: pytest.MonkeyPatch) -> None:
    from surveys.services import season_plans

    def fail(**_: Any) -> None:
        raise RuntimeError("the log is away")

    monkeypatch.setattr(season_plans, "write_event", fail)
    plan = SeasonPlan.objects.create(plan=whole_plan(), boundaries=whole_boundaries(), limits=new_limits())
    with pytest.raises(RuntimeError):
        opened(plan, lead)
    assert Season.objects.count() == Protocol.objects.count() == 1
    plan.refresh_from_db()
    assert plan.opened_as is None


def test_opening_twice_gives_the_same_season_and_one_event(lead: Account) -> None:
    plan = fill(lead)
    assert opened(plan, lead) == opened(plan, lead)
    assert Event.objects.filter(verb="season opened", details__plan=plan.pk).count() == 1


def test_a_plan_that_moved_since_it_was_read_is_not_opened(lead: Account) -> None:
    plan = fill(lead)
    save(plan, make_coordinator(), PlanSection.TEXTS, welcome="Another one.")
    with pytest.raises(Stale):
        opened(plan, lead)
    assert Season.objects.count() == 1


def test_the_second_to_save_a_section_is_told_and_the_first_one_stands(lead: Account) -> None:
    plan = begin_plan(by=lead)
    seen = draft_of(plan).mark(PlanSection.TEXTS)
    save_section(by=lead, public_id=plan.public_id, section=PlanSection.TEXTS, part={"welcome": "First."}, seen=seen)
    with pytest.raises(Stale):
        save_section(by=make_coordinator(), public_id=plan.public_id, section=PlanSection.TEXTS, part={"welcome": "Second."}, seen=seen)  # fmt: skip
    plan.refresh_from_db()
    assert plan.plan["welcome"] == "First."


def test_two_people_in_two_sections_do_not_get_in_each_others_way(lead: Account) -> None:
    plan = begin_plan(by=lead)
    draft = draft_of(plan)
    for section, part in ((PlanSection.TEXTS, {"welcome": "First."}), (PlanSection.GROUPS, {"groups": ["spiders"]})):
        save_section(by=lead, public_id=plan.public_id, section=section, part=part, seen=draft.mark(section))
    plan.refresh_from_db()
    assert (plan.plan["welcome"], plan.plan["groups"], plan.version) == ("First.", ["spiders"], 3)


def test_saving_the_same_twice_is_one_version_and_one_event(lead: Account) -> None:
    plan = begin_plan(by=lead)
    seen = draft_of(plan).mark(PlanSection.GROUPS)
    for _ in range(2):
        save_section(
            by=lead, public_id=plan.public_id, section=PlanSection.GROUPS, part={"groups": ["spiders"]}, seen=seen
        )
    assert Event.objects.filter(verb="season plan saved").count() == 1


def test_a_section_keeps_nothing_of_another(lead: Account) -> None:
    plan = save(begin_plan(by=lead), lead, PlanSection.TEXTS, welcome="Hello.", code="smuggled", limits={"x": 1})
    assert "code" not in plan.plan
    assert plan.limits == {}


def test_a_copy_of_a_season_comes_a_year_later(lead: Account) -> None:
    plan = begin_plan(by=lead, copy_of="test-2026")
    assert (plan.plan["code"], plan.plan["title"]) == ("test-2027", "Test count 2027")
    assert (plan.plan["opens_on"], plan.plan["windows"][0]["first_day"]) == ("2027-01-01", "2027-04-01")
    assert opened(plan, lead).code == "test-2027"


def test_an_opened_and_a_dropped_plan_are_worked_on_no_more(lead: Account) -> None:
    plan = fill(lead)
    opened(plan, lead)
    with pytest.raises(Conflict):
        save(plan, lead, PlanSection.TEXTS, welcome="Too late.")
    with pytest.raises(Conflict):
        drop_plan(by=lead, public_id=plan.public_id)
    other = begin_plan(by=lead)
    drop_plan(by=lead, public_id=other.public_id)
    for act in (lambda: save(other, lead, PlanSection.TEXTS, welcome="x"), lambda: drop_plan(by=lead, public_id=other.public_id), lambda: opened(other, lead)):  # fmt: skip
        with pytest.raises(NotFound):
            act()


@pytest.mark.parametrize("who", ["coordinator of a region", "household", "researcher", "operator"])
def test_nobody_but_a_coordinator_of_all_regions_plans_opens_or_closes(lead: Account, who: str) -> None:
    plan = fill(lead)
    people: dict[str, Callable[[], Account]] = {
        "coordinator of a region": lambda: make_coordinator("eastmark"), "household": make_account,
        "researcher": make_researcher, "operator": make_operator,
    }  # fmt: skip
    other = people[who]()
    acts: list[Callable[[], Any]] = [
        lambda: begin_plan(by=other), lambda: save(plan, other, PlanSection.TEXTS, welcome="x"),
        lambda: drop_plan(by=other, public_id=plan.public_id), lambda: opened(plan, other),
        lambda: close_season(by=other, code="test-2026"),
    ]  # fmt: skip
    for act in acts:
        with pytest.raises(NotAllowed):
            act()
    assert Season.objects.filter(state="open").count() == 1


def test_closing_is_one_event_and_the_second_asking_changes_nothing(lead: Account) -> None:
    for _ in range(2):
        assert close_season(by=lead, code="test-2026").state == "closed"
    assert Event.objects.filter(verb="season closed").count() == 1
    with pytest.raises(NotFound):
        close_season(by=lead, code="nowhere")


def test_installing_a_region_in_use_with_another_boundary_is_refused_in_words() -> None:
    make_season()
    plan = whole_plan() | {"habitats": [{"code": "other", "weight": 1}]}
    moved = collection(feature("eastmark", "Eastmark", square(-18, 51, side=0.5)))
    with pytest.raises(Refusal) as refusal:
        install_season(by=None, plan=plan, boundaries=moved)
    assert refusal.value.sentence.endswith("A change is a new version: give it a new code such as eastmark-2.")
    assert not Season.objects.filter(code="merrow-2027").exists()
    assert install_season(by=None, plan=plan, boundaries=whole_boundaries()).regions.count() == 2


# --- at the same moment -------------------------------------------------------------------------------


def at_once(*acts: Callable[[], Any]) -> list[Any]:
    """Run acts in threads of their own that start together; return what each gave or raised."""
    barrier, results = threading.Barrier(len(acts)), [None] * len(acts)

    def run(n: int, act: Callable[[], Any]) -> None:
        barrier.wait()
        try:
            results[n] = act()
        except Refusal as refusal:
            results[n] = refusal
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=pair) for pair in enumerate(acts)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return results


@pytest.mark.django_db(transaction=True)
def test_two_people_open_the_same_plan_at_once_and_there_is_one_season() -> None:
    make_season()
    first, second = make_coordinator(), make_coordinator()
    plan = fill(first)
    found = at_once(lambda: opened(plan, first), lambda: opened(plan, second))
    assert found[0] == found[1]
    assert Season.objects.filter(code="merrow-2027").count() == 1
    assert Event.objects.filter(verb="season opened", details__plan=plan.pk).count() == 1


@pytest.mark.django_db(transaction=True)
def test_two_plans_with_one_code_opened_at_once_become_one_season_and_one_refusal() -> None:
    make_season()
    lead = make_coordinator()
    plans = [fill(lead), fill(lead)]
    found = at_once(*(lambda plan=plan: opened(plan, lead) for plan in plans))
    assert sorted(type(one).__name__ for one in found) == ["Faulty", "Season"]
    assert Season.objects.filter(code="merrow-2027").count() == 1


@pytest.mark.django_db(transaction=True)
def test_two_people_save_the_same_section_at_once_and_one_is_told() -> None:
    make_season()
    lead = make_coordinator()
    plan = begin_plan(by=lead)
    seen = draft_of(plan).mark(PlanSection.TEXTS)
    found = at_once(
        *(
            lambda text=text: save_section(by=lead, public_id=plan.public_id, section=PlanSection.TEXTS, part={"welcome": text}, seen=seen)
            for text in ("First.", "Second.")
        )
    )  # fmt: skip
    assert sorted(type(one).__name__ for one in found) == ["SeasonPlan", "Stale"]
    saved = next(one for one in found if isinstance(one, SeasonPlan))
    plan.refresh_from_db()
    assert plan.plan["welcome"] == saved.plan["welcome"]


@pytest.mark.django_db(transaction=True)
def test_who_stores_a_return_in_a_region_does_not_wait_for_the_season_that_is_opened_there() -> None:
    """A return looks at its region when it is committed, holding the log, for which the opening waits: neither could go on."""
    make_season()
    plan = whole_plan() | {"habitats": [{"code": "other", "weight": 1}]}
    install_season(by=None, plan=plan, boundaries=whole_boundaries())
    with transaction.atomic(), psycopg.connect(database_address()) as other:
        put_together(plan=plan | {"code": "merrow-2028"}, boundaries=whole_boundaries())
        found = other.execute("SELECT code FROM surveys_region FOR KEY SHARE NOWAIT").fetchall()
    assert ("eastmark",) in found


def test_a_plan_that_is_not_there_is_not_found(lead: Account) -> None:
    with pytest.raises(NotFound):
        open_season(by=lead, public_id=uuid.uuid4(), version=1, today=TODAY)
