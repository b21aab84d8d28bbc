"""The table of a class: every cell read, read back in words, and sent once."""

from __future__ import annotations

import re
import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
from django.core.cache import cache
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from surveys.models import Catch, Draft, Event, Group, Return, SeasonGroup
from surveys.queries.schools import pass_of_code
from surveys.queries.seasons import _lists_of, season_as
from surveys.services.once import Once
from surveys.services.openings import SentOpening, set_trap
from surveys.services.schools import save_class_draft
from surveys.vocabulary import ReturnState, TrapState
from tests.factories import make_site, make_trap
from tests.frozen import thawed
from tests.surveys.web.classes import School, cell, make_school, new_class, table, ticked
from tests.surveys.web.sending import summary_links, title_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def school() -> School:
    return make_school()


@pytest.fixture
def client(school: School) -> Client:
    return school.client


def path(school: School) -> str:
    return f"{school.path}table/"


def count(school: School, n: int, **answers: str) -> Draft:
    """Let the class count one trap."""
    ticket = pass_of_code(school.code(), now=timezone.now())
    assert ticket is not None
    draft = save_class_draft(ticket=ticket, trap=school.traps[n].public_id, answers=answers)
    assert draft is not None
    return draft


def filled(school: School) -> dict[str, str]:
    """Return cells of two traps, one of each kind."""
    one, two = school.traps[:2]
    return {
        cell(one, "woodlice"): "12", cell(one, "millipedes"): "0", cell(one, "centipedes"): "-",
        cell(one, "spiders"): "?", cell(one, "springtails"): "16-31",
        cell(two, "woodlice"): "128+",
    }  # fmt: skip


def words_of(page: str) -> str:
    """Return what a page says, tags taken out."""
    return " ".join(re.sub(r"<[^>]+>", " ", page.split("<main")[1]).split())


def test_every_cell_is_read_back_in_words_before_anything_is_sent(school: School, client: Client) -> None:
    answer = client.post(path(school), table(filled(school)))
    said = words_of(answer.content.decode())
    assert answer.status_code == 200
    for words in (
        "Nothing is sent yet. This is what will be sent: 2 returns, one for each trap.",
        "Opened 2 May 2026, 10:00 Emptied 3 May 2026, 10:00",
        "Trap 1 Short lawn. Found: just as it was set.",
        "Woodlice 12",
        "Springtails 16 to 31",
        "Looked, and there were none Millipedes",
        "Did not look Centipedes",
        "Could not tell Spiders",
        "Left empty, not known Ground beetles",
        "Trap 2 Hedge base.",
        "Woodlice 128 or more",
        "Send all 2 returns",
    ):
        assert words in said
    assert Return.objects.count() == 0


def test_what_was_looked_over_is_sent_whole(school: School, client: Client) -> None:
    client.post(path(school), table(filled(school)))
    page = client.post(path(school), table(filled(school))).content.decode()
    answer = client.post(path(school), {**ticked(page), "step": "send"})
    assert (answer.status_code, answer["Location"]) == (302, school.path)
    assert "2 returns have arrived." in client.get(school.path).content.decode()
    one, two = Return.objects.order_by("trap__number")
    assert (one.set_at, one.emptied_at) == (datetime(2026, 5, 2, 10, tzinfo=UTC), datetime(2026, 5, 3, 10, tzinfo=UTC))
    assert (one.rim, one.cover, one.liquid, one.mouth_mm, one.trap_state) == (
        "flush",
        "present",
        "nothing",
        75,
        "intact",
    )
    assert one.habitat == school.traps[0].habitat
    assert list(one.catches.order_by("group__position").values_list("group__code", "answer", "low", "high")) == [
        ("woodlice", "number", 12, 12),
        ("millipedes", "none_seen", 0, 0),
        ("centipedes", "did_not_look", None, None),
        ("spiders", "could_not_tell", None, None),
        ("springtails", "class", 16, 31),
    ]
    assert list(two.catches.values_list("group__code", "low", "high")) == [("woodlice", 128, None)]
    assert one.state == ReturnState.RECEIVED


def test_a_double_tap_and_a_late_second_send_make_no_second_set(school: School, client: Client) -> None:
    sent = table(filled(school), step="send")
    for _ in range(3):
        assert client.post(path(school), sent)["Location"] == school.path
    assert Return.objects.count() == 2
    assert Catch.objects.count() == 6
    assert Event.objects.filter(verb="returns received").count() == 1


def test_a_table_that_was_sent_and_then_changed_is_refused_and_kept(school: School, client: Client) -> None:
    sent = table(filled(school), step="send")
    client.post(path(school), sent)
    changed = {**sent, cell(school.traps[0], "woodlice"): "13"}
    answer = client.post(path(school), changed)
    assert answer.status_code == 409
    assert "This table was sent before" in answer.content.decode()
    assert ticked(answer.content.decode())[cell(school.traps[0], "woodlice")] == "13"
    assert Return.objects.count() == 2


def test_change_something_brings_the_table_back_as_it_was(school: School, client: Client) -> None:
    sent = table(filled(school))
    page = client.post(path(school), sent).content.decode()
    back = ticked(client.post(path(school), {**ticked(page), "step": "change"}).content.decode())
    assert {name: back[name] for name in sent if name not in ("step", "read_at")} == {
        name: value for name, value in sent.items() if name not in ("step", "read_at")
    }


def test_none_of_the_rest_is_ticked_for_one_trap_and_no_other(school: School, client: Client) -> None:
    one, two = school.traps
    ticked = {cell(one, "woodlice"): "2", f"r_{one.code}": "yes", cell(two, "woodlice"): "1"}
    client.post(path(school), table(ticked, step="send"))
    first, second = Return.objects.order_by("trap__number")
    assert first.catches.filter(answer="none_seen").count() == 5
    assert second.catches.count() == 1


def test_an_empty_column_is_left_out_and_said(school: School, client: Client) -> None:
    page = client.post(path(school), table({cell(school.traps[0], "woodlice"): "2"})).content.decode()
    assert "Nothing is typed for these, so they are left out: Trap 2." in words_of(page)
    client.post(path(school), {**ticked(page), "step": "send"})
    assert Return.objects.get().trap == school.traps[0]


def test_a_trap_may_differ_in_how_it_was_found(school: School, client: Client) -> None:
    one, two = school.traps
    typed = table({cell(one, "woodlice"): "2", f"s_{two.code}": "dug_up"}, release="within_the_hour")
    assert "Found: dug up." in words_of(client.post(path(school), typed).content.decode())
    client.post(path(school), {**typed, "step": "send"})
    first, second = Return.objects.order_by("trap__number")
    assert (first.trap_state, first.release) == ("intact", "within_the_hour")
    assert (second.trap_state, second.release, second.catches.count()) == (TrapState.DUG_UP, None, 0)


def test_a_cup_of_another_width_is_told_in_the_table_and_sent_with_its_own_trap(school: School, client: Client) -> None:
    typed = table({**filled(school), f"w_{school.traps[1].code}": "82,5 mm"})
    page = client.post(path(school), typed).content.decode()
    said = words_of(page)
    assert "How wide is the cup? 75 mm" in said
    assert said.count("The cup of this trap differs: 82.5 mm.") == 1
    client.post(path(school), {**ticked(page), "step": "send"})
    assert list(Return.objects.order_by("trap__number").values_list("mouth_mm", flat=True)) == [75, 82.5]


def test_a_width_that_is_not_known_for_one_trap_is_not_that_of_the_others(school: School, client: Client) -> None:
    typed = table({**filled(school), f"w_{school.traps[0].code}": "?"})
    said = words_of(client.post(path(school), typed).content.decode())
    assert "The cup of this trap differs: I do not know." in said
    client.post(path(school), {**typed, "step": "send"})
    assert list(Return.objects.order_by("trap__number").values_list("mouth_mm", flat=True)) == [None, 75]


@pytest.mark.parametrize("typed", ["wide", "5000", "-3", "<b>", "\x00"])
def test_a_wrong_width_of_one_trap_is_named_and_kept(school: School, client: Client, typed: str) -> None:
    target = f"w_{school.traps[1].code}"
    answer = client.post(path(school), table({**filled(school), target: typed}))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert summary_links(page) == [target]
    assert "Trap 2: " in page
    assert f'id="{target}"' in page
    assert f'aria-describedby="f-{target}"' in page
    assert "<b>" not in page
    assert Return.objects.count() == 0


def test_a_width_alone_is_no_return(school: School, client: Client) -> None:
    typed = table({cell(school.traps[0], "woodlice"): "2", f"w_{school.traps[1].code}": "80"})
    page = words_of(client.post(path(school), typed).content.decode())
    assert "Nothing is typed for these, so they are left out: Trap 2." in page


def test_the_table_says_where_counts_are_kept_and_where_a_trap_goes_that_differs(
    school: School, client: Client
) -> None:
    page = words_of(client.get(path(school)).content.decode())
    assert "What your class saved stays with us until you send it." in page
    assert "Leave its column empty, and send that trap alone." in page
    assert "0 or none" in page


def test_the_word_none_in_a_cell_is_a_trap_that_was_looked_through(school: School, client: Client) -> None:
    client.post(path(school), table({cell(school.traps[0], "spiders"): "None"}, step="send"))
    assert list(Return.objects.get().catches.values_list("group__code", "answer")) == [("spiders", "none_seen")]


def test_counts_of_a_lost_trap_are_doubted_in_words(school: School, client: Client) -> None:
    one = school.traps[0]
    page = client.post(path(school), table({cell(one, "woodlice"): "2", f"s_{one.code}": "kicked"})).content.decode()
    assert "This trap was lost, but there are counts for it." in page


def test_an_animal_with_a_backbone_is_asked_for_above_the_counts(school: School, client: Client) -> None:
    rows = client.get(path(school)).content.decode().split("<tbody>")[1]
    assert rows.index('id="g-backbone"') < rows.index('id="g-woodlice"')


def test_an_animal_with_a_backbone_is_said_of_its_own_trap(school: School, client: Client) -> None:
    one, two = school.traps
    typed = {cell(one, "woodlice"): "2", f"v_{one.code}": "yes", cell(two, "woodlice"): "2"}
    client.post(path(school), table(typed, step="send"))
    assert list(Return.objects.order_by("trap__number").values_list("vertebrate_seen", flat=True)) == ["yes", None]


def test_what_is_told_besides_is_sent_with_each_return(school: School, client: Client) -> None:
    more = {
        "looks": "dusk_and_dawn",
        "release": "later",
        "closing": "lidded",
        "rain": "dry",
        "refuge": "unknown",
        "settled_h": "48",
    }
    client.post(path(school), table(filled(school), step="send", **more))
    for report in Return.objects.all():
        assert (report.looks, report.release, report.closing) == ("dusk_and_dawn", "later", "lidded")
        assert (report.rain, report.refuge, report.settled_h) == ("dry", None, 48)


def test_a_width_may_be_unknown_and_a_typed_one_comes_first(school: School, client: Client) -> None:
    unknown = {**table(filled(school)), "mouth_mm": ["", "unknown"]}
    assert "How wide is the cup? I do not know" in words_of(client.post(path(school), unknown).content.decode())
    both = {**table(filled(school), step="send"), "mouth_mm": ["75 mm", "unknown"]}
    assert "How wide is the cup? 75 mm" in words_of(
        client.post(path(school), {**both, "step": "check"}).content.decode()
    )
    client.post(path(school), both)
    assert set(Return.objects.values_list("mouth_mm", flat=True)) == {75}


def test_a_table_that_is_being_sent_at_this_moment_is_kept(
    school: School, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Once, "_lock", lambda once: False)
    answer = client.post(path(school), table(filled(school), step="send"))
    assert answer.status_code == 409
    assert "press Send once more" in answer.content.decode()
    assert ticked(answer.content.decode())[cell(school.traps[0], "woodlice")] == "12"


@pytest.mark.django_db(transaction=True)
def test_two_taps_at_the_same_moment_make_one_set() -> None:
    school = make_school()
    sent = table(filled(school), step="send")

    def tap(_n: int) -> int:
        try:
            return school.client.post(path(school), sent).status_code
        finally:
            connection.close()

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(tap, range(4)))
    assert set(answers) <= {302, 409}
    assert 302 in answers
    assert Return.objects.count() == 2


# --- faults -----------------------------------------------------------------------------------------

WRONG = {
    "no day": ({"set_day": ""}, ["set_day"]),
    "no such day": ({"set_day": "31", "set_month": "april"}, ["set_day"]),
    "no time": ({"emptied_time": "noon"}, ["emptied_time"]),
    "a year long past": ({"set_year": "1999"}, ["set_year"]),
    "emptied before it was opened": ({"emptied_day": "1"}, ["emptied_day"]),
    "still to come": ({"emptied_month": "12", "emptied_year": "2027"}, ["emptied_day"]),
    "no width": ({"mouth_mm": ""}, ["mouth_mm"]),
    "a width in words": ({"mouth_mm": "wide"}, ["mouth_mm"]),
    "a width beyond": ({"mouth_mm": "5000"}, ["mouth_mm"]),
    "no rim": ({"rim": None}, ["rim"]),
    "a rim that is none": ({"rim": "<b>"}, ["rim"]),
    "no cover": ({"cover": None}, ["cover"]),
    "no liquid": ({"liquid": ""}, ["liquid"]),
    "no state": ({"trap_state": None}, ["trap_state"]),
    "a further answer that is none": ({"looks": "\x00"}, ["looks"]),
}


@pytest.mark.parametrize(("change", "targets"), WRONG.values(), ids=WRONG.keys())
@pytest.mark.parametrize("step", ["check", "send"])
def test_each_wrong_shared_answer_is_named_alone_and_all_is_kept(
    school: School, client: Client, change: dict[str, str | None], targets: list[str], step: str
) -> None:
    cells = filled(school)
    answer = client.post(path(school), table(cells, **change, step=step))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == targets
    assert all(f'id="{target}"' in page for target in targets)
    came = ticked(page)
    assert {name: came[name] for name in cells} == cells
    assert Return.objects.count() == 0


@pytest.mark.parametrize("typed", ["many", "16-32", "100001", "-3", "<script>alert(1)</script>", "\x00", "１２"])
def test_a_wrong_cell_is_named_with_trap_and_group_and_linked(school: School, client: Client, typed: str) -> None:
    target = cell(school.traps[1], "spiders")
    answer = client.post(path(school), table({**filled(school), target: typed}))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert summary_links(page) == [target]
    assert "Trap 2, Spiders: " in page
    assert f'aria-describedby="f-{target}"' in page
    assert f'id="{target}"' in page
    assert "<script>alert" not in page
    assert "\x00" not in page


def test_all_faults_are_told_at_once(school: School, client: Client) -> None:
    wrong = {cell(trap, "woodlice"): "x" for trap in school.traps}
    page = client.post(path(school), table(wrong, rim=None, set_day="")).content.decode()
    assert summary_links(page) == ["set_day", "rim", *wrong]


def test_an_empty_table_is_nothing_to_send(school: School, client: Client) -> None:
    page = client.post(path(school), table()).content.decode()
    assert summary_links(page) == [cell(school.traps[0], "woodlice")]


def test_a_season_that_is_over_refuses_the_whole_table_and_keeps_it(school: School, client: Client) -> None:
    school.season.state = "closed"
    school.season.save()
    answer = client.post(path(school), table(filled(school), step="send"))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "Nothing was sent yet." in page
    assert "Trap 1: No season is open" in page
    assert ticked(page)[cell(school.traps[0], "woodlice")] == "12"
    assert Return.objects.count() == 0


def test_boxes_that_are_none_of_the_table_are_left_alone(school: School, client: Client) -> None:
    foreign = make_trap(site=make_site())
    hostile = {
        cell(foreign, "woodlice"): "3",
        "t_x_y": "3",
        "state": "upheld",
        "sender": "1",
        "part": "99999",
        "id": "\x00",
    }
    client.post(path(school), table({**filled(school), **hostile}, step="send"))
    assert {report.trap for report in Return.objects.all()} == set(school.traps)


def test_a_school_without_traps_is_sent_to_its_sites() -> None:
    school = make_school(traps=0)
    answer = school.client.get(path(school))
    assert answer.status_code == 200
    assert "There is no trap yet." in answer.content.decode()
    assert school.client.post(path(school), table()).status_code == 422


# --- filled beforehand ------------------------------------------------------------------------------


def test_a_table_is_filled_from_what_the_class_counted_and_says_so(school: School, client: Client) -> None:
    count(school, 0, n_woodlice="7", c_springtails="c16to31", a_spiders="none_seen", a_centipedes="did_not_look")
    page = client.get(path(school)).content.decode()
    came, one = ticked(page), school.traps[0]
    assert [came[cell(one, code)] for code in ("woodlice", "springtails", "spiders", "centipedes", "millipedes")] == [
        "7", "16-31", "0", "-", "",
    ]  # fmt: skip
    assert page.count('class="from-class"') == 4
    assert page.count("from the class") == 1
    assert came["emptied_day"] == str(timezone.now().day)
    again = client.post(path(school), {**came, "set_day": ""}).content.decode()
    assert again.count('class="from-class"') == 4


def test_sending_takes_the_drafts_away_that_were_in_the_table(school: School, client: Client) -> None:
    count(school, 0, n_woodlice="7")
    came = ticked(client.get(path(school)).content.decode())
    count(school, 1, n_woodlice="1")
    sent = table({**filled(school), "read_at": came["read_at"]}, step="check")
    page = client.post(path(school), sent).content.decode()
    assert page.count("The class has saved this trap again since") == 1
    client.post(path(school), {**ticked(page), "step": "send"})
    assert [draft.trap for draft in Draft.objects.all()] == [school.traps[1]]


@pytest.mark.parametrize("read_at", ["", "yesterday", "\x00", "2999-01-01T00:00:00", "0001-01-01T00:00:00+00:00"])
def test_a_form_that_cannot_say_when_it_was_filled_takes_no_draft_away(
    school: School, client: Client, read_at: str
) -> None:
    count(school, 0, n_woodlice="7")
    client.post(path(school), table({**filled(school), "read_at": read_at}, step="send"))
    assert Draft.objects.count() == 1


def test_the_counts_of_an_earlier_day_are_asked_for_by_day(school: School, client: Client) -> None:
    count(school, 0, n_woodlice="7")
    earlier = timezone.now() - timedelta(days=3)
    Draft.objects.update(begun_at=earlier)
    count(school, 0, n_woodlice="9")
    page = client.get(path(school)).content.decode()
    assert ticked(page)[cell(school.traps[0], "woodlice")] == "9"
    assert f"?day={earlier.date().isoformat()}" in page
    older = ticked(client.get(f"{path(school)}?day={earlier.date().isoformat()}").content.decode())
    assert older[cell(school.traps[0], "woodlice")] == "7"
    assert ticked(client.get(f"{path(school)}?day=never").content.decode())[cell(school.traps[0], "woodlice")] == "9"


def test_counts_of_another_class_do_not_fill_this_table(school: School, client: Client) -> None:
    other = School(**{**school.__dict__, "school_class": new_class(school.household)})
    count(other, 0, n_woodlice="7")
    assert ticked(client.get(path(school)).content.decode())[cell(school.traps[0], "woodlice")] == ""


def test_traps_that_stand_open_give_the_shared_answers_and_are_ended_by_the_table(
    school: School, client: Client
) -> None:
    set_at = timezone.now().replace(second=0, microsecond=0) - timedelta(hours=24)
    fields = {"mouth_mm": 80.0, "rim": "flush", "cover": "present", "liquid": "nothing"}
    opening = set_trap(by=school.teacher, sent=SentOpening(uuid.uuid4(), school.traps[0].public_id, set_at, fields))
    came = ticked(client.get(path(school)).content.decode())
    assert (came["set_day"], came["set_month"], came["set_time"]) == (
        str(set_at.day), str(set_at.month), f"{set_at:%H:%M}",
    )  # fmt: skip
    assert (came["mouth_mm"], came["rim"], came["cover"]) == ("80", "flush", "present")
    now = timezone.now()
    emptied = {"emptied_day": str(now.day), "emptied_month": str(now.month), "emptied_time": f"{now:%H:%M}"}
    sent = {**came, **emptied, "trap_state": "intact", cell(school.traps[0], "woodlice"): "3", "step": "send"}
    assert client.post(path(school), sent).status_code == 302
    opening.refresh_from_db()
    assert opening.report == Return.objects.get()


def test_an_open_trap_with_another_cup_brings_its_own_width(school: School, client: Client) -> None:
    for n, width in enumerate((80.0, 65.0)):
        set_at = timezone.now() - timedelta(hours=24 - n)
        sent = SentOpening(uuid.uuid4(), school.traps[n].public_id, set_at, {"mouth_mm": width})
        set_trap(by=school.teacher, sent=sent)
    came = ticked(client.get(path(school)).content.decode())
    assert came["mouth_mm"] == "80"
    assert came[f"w_{school.traps[0].code}"] == ""
    assert came[f"w_{school.traps[1].code}"] == "65"


# --- large schools ----------------------------------------------------------------------------------


def more_groups(school: School, number: int) -> None:
    """Bring the season's list to so many groups."""
    for n in range(SeasonGroup.objects.filter(season=school.season).count(), number):
        like = Group.objects.order_by("position")[0]
        like.pk, like.code, like.name, like.position = None, f"group_{n}", f"Group {n}", 100 + n
        like.save()
        with thawed():
            SeasonGroup.objects.create(season=school.season, group=like, position=100 + n)
    _lists_of.cache_clear()


def test_twelve_traps_and_thirty_groups_cost_no_more_than_two_and_six() -> None:
    school = make_school(traps=2)
    client, costs = school.client, []
    for traps, groups in ((2, 6), (12, 30)):
        more_groups(school, groups)
        while len(school.traps) < traps:
            school.traps.append(make_trap(site=school.site))
        codes = list(SeasonGroup.objects.order_by("position").values_list("group__code", flat=True))
        cells = {cell(trap, code): "3" for trap in school.traps for code in codes}
        assert len(cells) == traps * groups
        cost = []
        for step in ("look", "check", "send"):
            cache.clear()
            _lists_of.cache_clear()
            season_as.cache_clear()
            with CaptureQueriesContext(connection) as seen:
                if step == "look":
                    assert client.get(path(school)).content.decode().count(' id="t_') == traps * groups
                else:
                    assert client.post(path(school), table(cells, step=step)).status_code in (200, 302)
            # What was never found before becomes known, which is asked for once and for all.
            cost.append(sum("surveys_knownfinding" not in one["sql"] for one in seen))
        costs.append(cost)
    assert costs[0] == costs[1]
    assert max(costs[1]) <= 45
    assert Return.objects.count() == 14


def test_more_traps_than_a_page_holds_go_to_a_second_part(monkeypatch: pytest.MonkeyPatch) -> None:
    from surveys.web import class_table

    monkeypatch.setattr(class_table, "MOST_TRAPS", 2)
    school = make_school(traps=3)
    client = school.client
    first, second = (client.get(f"{path(school)}?part={part}").content.decode() for part in (0, 1))
    assert cell(school.traps[0], "woodlice") in first
    assert cell(school.traps[2], "woodlice") not in first
    assert cell(school.traps[2], "woodlice") in second
    client.post(path(school), table({cell(school.traps[2], "woodlice"): "3"}, part="1", step="send"))
    assert Return.objects.get().trap == school.traps[2]
    for part in ("x", "-1", "²", "9999", "9" * 5000):
        assert client.get(path(school), {"part": part}).status_code == 200


def test_traps_of_two_sites_are_named_with_their_site(school: School, client: Client) -> None:
    make_trap(site=make_site(household=school.household))
    page = client.get(path(school)).content.decode()
    assert "Site 1, trap 1" in page
    assert "Site 2, trap 1" in page


def test_without_a_season_there_is_no_table(school: School, client: Client) -> None:
    with thawed():
        school.season.state = "draft"
        school.season.save()
    assert client.get(path(school)).status_code == 404
