"""Pupils behind a code: their own count, and nothing else."""

from __future__ import annotations

import re
import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import pytest
from django.core.cache import cache
from django.db import connection
from django.test import Client
from django.utils import timezone

from surveys.models import ClassCode, Draft, Event, Return
from surveys.services.schools import close_class, end_class_code
from surveys.web import class_tries
from tests.architecture.test_addresses import walk
from tests.factories import PASSWORD, make_site, make_trap
from tests.reading import grade_of, sentences_of
from tests.surveys.web.classes import School, make_school, new_class
from tests.surveys.web.sending import boxes, summary_links, title_of

pytestmark = pytest.mark.django_db
PATH, TRAPS = "/class", "/class/traps/"


@pytest.fixture
def school() -> School:
    return make_school()


@pytest.fixture
def pupil(school: School) -> Client:
    return school.pupil()


@pytest.fixture
def few_tries(monkeypatch: pytest.MonkeyPatch) -> int:
    """Let an address type four wrong codes in an hour."""
    monkeypatch.setattr(class_tries, "WRONG_CODES_PER_HOUR", 4)
    return 4


def count_path(school: School, n: int = 0) -> str:
    return f"{TRAPS}{school.traps[n].public_id}/"


def expire() -> None:
    now = timezone.now()
    ClassCode.objects.update(made_at=now - timedelta(hours=3), expires_at=now - timedelta(minutes=1))


# --- the code ---------------------------------------------------------------------------------------


def test_pages_of_a_class_offer_its_name_and_the_way_out_and_nothing_for_adults_or_programs(
    school: School, pupil: Client
) -> None:
    for path in (PATH, TRAPS, count_path(school)):
        page = pupil.get(path).content.decode()
        for words in ("Sign in", "Join", "Codebook", "API description", "Methods"):
            assert f">{words}</a>" not in page, (path, words)
    for path in (PATH, TRAPS):
        band = pupil.get(path).content.decode().split("<main")[0]
        assert school.school_class.pseudonym in band
        assert "Leave the class" in band
    assert "Leave the class" not in Client().get(PATH).content.decode()


def test_a_code_lets_a_class_in_without_account_or_name(school: School, pupil: Client) -> None:
    page = pupil.get(TRAPS).content.decode()
    assert school.school_class.pseudonym in page
    assert "Trap 1" in page
    assert "Trap 2" in page
    assert "sessionid" not in pupil.cookies
    assert Event.objects.filter(actor__isnull=False).exclude(actor=school.teacher.pk).count() == 0


def test_the_pass_is_signed_shut_to_scripts_and_holds_the_class_and_the_end_only(school: School) -> None:
    from django.core import signing

    client = Client()
    answer = client.post(PATH, {"code": school.code()})
    cookie = answer.cookies["trapnight-class"]
    assert cookie["httponly"] is True
    assert cookie["samesite"] == "Lax"
    row = ClassCode.objects.get()
    assert signing.loads(cookie.value, salt="surveys.class-pass") == [
        school.school_class.public_id.hex,
        row.expires_at.isoformat(),
    ]


WRONG = {
    "nothing": "",
    "spaces": "   ",
    "too short": "ABC",
    "no such code": "ZZZZZZ",
    "NUL": "\x00" * 6,
    "a tag": "<b>x",
}


@pytest.mark.parametrize("typed", WRONG.values(), ids=WRONG.keys())
def test_a_wrong_code_is_named_and_opens_nothing(school: School, typed: str) -> None:
    school.code()
    client = Client()
    answer = client.post(PATH, {"code": typed})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == ["code"]
    assert "<b>x" not in page
    assert client.get(TRAPS)["Location"] == PATH


def test_a_code_that_is_over_opens_nothing(school: School) -> None:
    code = school.code()
    expire()
    assert Client().post(PATH, {"code": code}).status_code == 422


def test_a_code_that_was_ended_or_whose_class_was_closed_opens_nothing(school: School) -> None:
    code = school.code()
    end_class_code(by=school.teacher, school_class=school.school_class.public_id)
    assert Client().post(PATH, {"code": code}).status_code == 422
    code = school.code()
    close_class(by=school.teacher, school_class=school.school_class.public_id)
    assert Client().post(PATH, {"code": code}).status_code == 422


def test_guessing_ends_after_so_many_wrong_codes_even_for_a_right_one(school: School, few_tries: int) -> None:
    code, client = school.code(), Client()
    answers = [client.post(PATH, {"code": "ZZZZZZ"}).status_code for _ in range(few_tries + 3)]
    assert answers == [422] * few_tries + [429] * 3
    assert client.post(PATH, {"code": code}).status_code == 429
    assert client.get(TRAPS)["Location"] == PATH
    # Another address is another matter.
    assert Client(REMOTE_ADDR="192.0.2.7").post(PATH, {"code": code}).status_code == 302


def test_guessing_on_the_page_of_a_trap_is_counted_too(school: School, few_tries: int) -> None:
    client = Client()
    for _ in range(few_tries):
        assert client.post(count_path(school), {"code": "ZZZZZZ"}).status_code == 422
    assert client.post(count_path(school), {"code": school.code(), "n_woodlice": "3"}).status_code == 429
    assert Draft.objects.count() == 0


def test_the_code_of_a_trap_is_told_from_a_wrong_one_and_is_no_guess(school: School, few_tries: int) -> None:
    code, client = school.traps[0].code, Client()
    for typed in (code, f" {code[:3].lower()}-{code[3:].lower()} ", *[code] * few_tries):
        answer = client.post(PATH, {"code": typed})
        page = answer.content.decode()
        assert answer.status_code == 422
        assert "This is the code of a trap, from the paper. Type the code on the board." in page
        assert summary_links(page) == ["code"]
    assert client.get(TRAPS)["Location"] == PATH
    assert client.post(PATH, {"code": school.code()}).status_code == 302


def test_the_code_of_a_trap_leads_a_class_that_is_in_to_its_count(school: School, pupil: Client) -> None:
    assert pupil.post(PATH, {"code": school.traps[1].code})["Location"] == count_path(school, 1)
    foreign = make_trap(site=make_site())
    assert pupil.post(PATH, {"code": foreign.code}).status_code == 422


def test_the_code_of_a_trap_leads_its_keeper_to_its_page(school: School) -> None:
    trap = school.traps[0]
    assert school.client.post(PATH, {"code": trap.code})["Location"] == f"/my/traps/{trap.public_id}/"
    other = make_school(season=school.season).client
    assert other.post(PATH, {"code": trap.code}).status_code == 422


def test_the_code_of_a_trap_saves_no_count_and_loses_none(school: School, few_tries: int) -> None:
    client = Client()
    for _ in range(few_tries + 2):
        answer = client.post(count_path(school), {"code": school.traps[0].code, "n_woodlice": "3"})
        assert answer.status_code == 422
        assert "This is the code of a trap" in answer.content.decode()
        assert 'name="n_woodlice" value="3"' in answer.content.decode()
    assert Draft.objects.count() == 0


def test_letters_that_are_taken_for_others_are_put_right_in_the_code_of_a_trap(school: School) -> None:
    trap = school.traps[0]
    trap.code = "0V1X01"
    trap.save()
    assert "This is the code of a trap" in Client().post(PATH, {"code": "OUIXOL"}).content.decode()


def test_right_codes_use_nothing_up(school: School, few_tries: int) -> None:
    code = school.code()
    for _ in range(few_tries + 5):
        assert Client().post(PATH, {"code": code}).status_code == 302


def test_a_cache_that_is_away_locks_no_class_out(school: School, monkeypatch: pytest.MonkeyPatch) -> None:
    def away(*args: Any, **kwargs: Any) -> Any:
        raise ConnectionError

    monkeypatch.setattr(cache, "incr", away)
    assert Client().post(PATH, {"code": school.code()}).status_code == 302


def test_who_is_signed_in_stays_signed_in(school: School) -> None:
    other = make_school(season=school.season)
    client = other.client
    assert client.post(PATH, {"code": school.code()}).status_code == 302
    assert client.get(TRAPS).status_code == 200
    assert client.get(other.path).status_code == 200
    assert client.post("/class/leave")["Location"] == PATH
    assert client.get(TRAPS)["Location"] == PATH
    assert client.get(other.path).status_code == 200


@pytest.mark.parametrize("value", ["", "x", "W10:1:x", "\x00", "a" * 5000])
def test_a_made_up_pass_opens_nothing(school: School, value: str) -> None:
    client = Client()
    client.cookies["trapnight-class"] = value
    assert client.get(TRAPS)["Location"] == PATH
    assert client.get(count_path(school))["Location"] == PATH
    assert client.post(count_path(school), {"n_woodlice": "3"}).status_code == 403
    assert Draft.objects.count() == 0


# --- counting ---------------------------------------------------------------------------------------


def test_a_trap_is_named_by_number_and_square_and_never_by_its_place(school: School, pupil: Client) -> None:
    trap = school.traps[0]
    trap.plan_square = "C4"
    trap.save()
    pages = [pupil.get(path).content.decode() for path in (TRAPS, count_path(school))]
    for page in (re.sub(r"<svg.*?</svg>", "", drawn, flags=re.DOTALL) for drawn in pages):
        assert "Square C4 on the plan" in page
        for secret in ("51.5", "17.5", school.site.cell_code, school.household.alias, school.teacher.email, trap.code):
            assert secret not in page
    assert "Eastmark" not in "".join(pages)


def test_a_count_is_saved_for_the_teacher_in_words(school: School, pupil: Client) -> None:
    answer = pupil.post(count_path(school), {"n_woodlice": "3", "a_spiders": "none_seen", "go": "on"})
    assert (answer.status_code, answer["Location"]) == (302, TRAPS)
    page = pupil.get(TRAPS).content.decode()
    assert "Trap 1 is saved for your teacher. Your teacher looks at it and sends it." in page
    assert page.count("Saved today") == 1
    assert "A saved count is kept for your teacher, and not on this screen." in page
    draft = Draft.objects.get()
    assert draft.answers == {"n_woodlice": "3", "a_spiders": "none_seen"}
    assert (draft.keeper, draft.school_class, draft.trap) == (school.teacher, school.school_class, school.traps[0])
    assert Return.objects.count() == 0
    again = boxes(pupil.get(count_path(school)).content.decode())
    assert again["n_woodlice"] == "3"
    assert again["a_spiders"] == "none_seen"


def test_before_anything_is_saved_the_list_of_traps_speaks_of_no_saved_count(school: School, pupil: Client) -> None:
    assert "A saved count" not in pupil.get(TRAPS).content.decode()
    assert "At the end, press Save for my teacher." in pupil.get(count_path(school)).content.decode()


def test_a_double_tap_is_one_count(school: School, pupil: Client) -> None:
    for _ in range(2):
        pupil.post(count_path(school), {"n_woodlice": "3", "go": "on"})
    assert Draft.objects.count() == 1


def test_plus_and_minus_work_without_a_script_and_come_back_to_the_row(school: School, pupil: Client) -> None:
    path = count_path(school)
    for _ in range(3):
        answer = pupil.post(path, {"step": "plus:woodlice"})
        assert answer["Location"] == f"{path}#row-woodlice"
    pupil.post(path, {"step": "minus:woodlice"})
    assert boxes(pupil.get(path).content.decode())["n_woodlice"] == "2"


def test_none_of_the_rest_is_a_press_and_can_be_taken_back(school: School, pupil: Client) -> None:
    path = count_path(school)
    pupil.post(path, {"n_woodlice": "3", "rest": "none_seen"})
    answers = Draft.objects.get().answers
    assert answers["a_spiders"] == "none_seen"
    assert "a_woodlice" not in answers
    pupil.post(path, {"rest": "undo"})
    assert Draft.objects.get().answers == {"n_woodlice": "3"}


FAULTY = {
    "words": ({"n_woodlice": "many"}, ["n_woodlice"]),
    "too many": ({"n_woodlice": "100001"}, ["n_woodlice"]),
    "two answers": ({"n_spiders": "3", "a_spiders": "none_seen"}, ["n_spiders"]),
    "a tag": ({"n_woodlice": "<script>alert(1)</script>"}, ["n_woodlice"]),
    "nothing": ({}, ["n_woodlice"]),
}


@pytest.mark.parametrize(("typed", "targets"), FAULTY.values(), ids=FAULTY.keys())
def test_each_wrong_count_is_named_and_kept(
    school: School, pupil: Client, typed: dict[str, str], targets: list[str]
) -> None:
    answer = pupil.post(count_path(school), {**typed, "go": "on"})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == targets
    assert "<script>alert" not in page
    if typed:
        assert Draft.objects.get().answers == typed


@pytest.mark.parametrize(
    "posted",
    [
        {"n_unicorns": "3"}, {"trap": "x"}, {"latitude": "51"}, {"keeper": "1", "school_class": "1"},
        {"step": "plus:unicorns"}, {"step": "fly:woodlice"}, {"rest": "all"}, {"which": "\x00"}, {"n_woodlice": "\x00"},
    ],
)  # fmt: skip
def test_boxes_that_are_none_of_the_tally_are_left_alone(school: School, pupil: Client, posted: dict[str, str]) -> None:
    assert pupil.post(count_path(school), posted).status_code in (302, 422)
    assert Draft.objects.count() == 0


def test_a_trap_of_another_school_is_not_there(school: School, pupil: Client) -> None:
    foreign = make_trap(site=make_site())
    path = f"{TRAPS}{foreign.public_id}/"
    assert pupil.get(path).status_code == 404
    assert pupil.post(path, {"n_woodlice": "3"}).status_code == 404
    assert pupil.get(f"{TRAPS}{uuid.uuid4()}/").status_code == 404
    assert Draft.objects.count() == 0


def test_a_class_sees_no_count_of_another_class(school: School, pupil: Client) -> None:
    other = School(**{**school.__dict__, "school_class": new_class(school.household)}).pupil()
    pupil.post(count_path(school), {"n_woodlice": "77", "go": "on"})
    assert boxes(other.get(count_path(school)).content.decode())["n_woodlice"] == ""
    assert "Saved today" not in other.get(TRAPS).content.decode()
    other.post(count_path(school), {"n_woodlice": "1", "go": "on"})
    assert sorted(draft.answers["n_woodlice"] for draft in Draft.objects.all()) == ["1", "77"]


def test_a_class_sees_nothing_of_an_earlier_day(school: School, pupil: Client) -> None:
    pupil.post(count_path(school), {"n_woodlice": "77", "go": "on"})
    Draft.objects.update(begun_at=timezone.now() - timedelta(days=1))
    assert boxes(pupil.get(count_path(school)).content.decode())["n_woodlice"] == ""


# --- when the code is over --------------------------------------------------------------------------


def over(how: str, school: School, pupil: Client) -> None:
    if how == "expired":
        expire()
    elif how == "ended":
        end_class_code(by=school.teacher, school_class=school.school_class.public_id)
    elif how == "closed":
        close_class(by=school.teacher, school_class=school.school_class.public_id)
    else:
        pupil.cookies.clear()


@pytest.mark.parametrize("how", ["expired", "ended", "closed", "without any pass"])
def test_once_the_code_is_over_every_page_asks_for_a_code(school: School, pupil: Client, how: str) -> None:
    over(how, school, pupil)
    assert pupil.get(TRAPS)["Location"] == PATH
    assert pupil.get(count_path(school))["Location"] == PATH
    assert pupil.get(PATH).status_code == 200
    assert "Go to the traps" not in pupil.get(PATH).content.decode()


@pytest.mark.parametrize("how", ["expired", "ended", "without any pass"])
def test_what_was_typed_is_not_lost_and_a_new_code_saves_it(school: School, pupil: Client, how: str) -> None:
    over(how, school, pupil)
    typed = {"n_woodlice": "3", "c_springtails": "c16to31", "a_spiders": "none_seen"}
    answer = pupil.post(count_path(school), {**typed, "go": "on"})
    page = answer.content.decode()
    assert answer.status_code == 403
    assert title_of(page).startswith("Error: ")
    assert "Ask your teacher for a new" in page
    assert "16 to 31" in page
    assert Draft.objects.count() == 0
    # Neither the trap nor the class is told to who has no code.
    assert "Trap 1" not in page
    assert school.school_class.pseudonym not in page
    form = {name: value for name, value in boxes(page).items() if name in typed or name == "code"}
    assert {name: form[name] for name in typed} == typed
    answer = pupil.post(count_path(school), {**form, "code": school.code()})
    assert answer["Location"] == TRAPS
    assert Draft.objects.get().answers == typed
    assert pupil.get(TRAPS).status_code == 200


def test_a_code_of_another_school_saves_nothing_and_loses_nothing(school: School) -> None:
    other, client = make_school(season=school.season), Client()
    answer = client.post(count_path(school), {"n_woodlice": "3", "code": other.code()})
    assert answer.status_code == 422
    assert boxes(answer.content.decode())["n_woodlice"] == "3"
    assert "another school" in answer.content.decode()
    assert Draft.objects.count() == 0


def test_leaving_takes_the_pass_away(school: School, pupil: Client) -> None:
    assert pupil.post("/class/leave")["Location"] == PATH
    assert pupil.get(TRAPS)["Location"] == PATH
    assert pupil.get("/class/leave").status_code == 405


def test_class_pages_are_kept_nowhere(school: School, pupil: Client) -> None:
    for path in (PATH, TRAPS, count_path(school)):
        assert "no-store" in pupil.get(path)["Cache-Control"]


def test_pages_of_a_class_can_be_read_at_ten(school: School, pupil: Client) -> None:
    """Grade 5 or below, as every family page."""
    pages = [
        Client().get(PATH),
        Client().post(PATH, {"code": "ZZZZZZ"}),
        pupil.get(TRAPS),
        pupil.get(count_path(school)),
    ]
    over("without any pass", school, pupil)
    pages.append(pupil.post(count_path(school), {"n_woodlice": "3"}))
    teacher = school.client
    pages += [teacher.get(f"/my/classes/{place}") for place in ("", f"{school.school_class.public_id}/")]
    pages += [teacher.get(f"{school.path}{place}") for place in ("code", "table/")]
    grades = [round(grade_of(sentences_of(one.content.decode())).grade, 1) for one in pages]
    assert max(grades) <= 5.0, grades


@pytest.mark.django_db(transaction=True)
def test_two_groups_that_begin_one_trap_at_the_same_moment_share_one_count() -> None:
    school = make_school()
    carried = school.pupil().cookies["trapnight-class"].value

    def save(group: str) -> int:
        client = Client()
        client.cookies["trapnight-class"] = carried
        try:
            return client.post(count_path(school), {f"n_{group}": "3", "go": "on"}).status_code
        finally:
            connection.close()

    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(save, ["woodlice", "spiders", "millipedes", "centipedes"])) == [302] * 4
    assert Draft.objects.get().answers == dict.fromkeys(
        ["n_woodlice", "n_spiders", "n_millipedes", "n_centipedes"], "3"
    )


# --- every other address ----------------------------------------------------------------------------


def filled(pattern: str, school: School) -> str:
    """Return an address with ids of the class's own school in it: the likeliest way in."""
    ids = {
        "site": school.site.public_id,
        "trap": school.traps[0].public_id,
        "school_class": school.school_class.public_id,
    }
    path = re.sub(r"<uuid:(\w+)>", lambda found: str(ids.get(found.group(1), school.household.public_id)), pattern)
    path = re.sub(r"<slug:\w+>", "test-2026", path)
    path = re.sub(r"<int:\w+>", "1", path)
    return "/" + re.sub(r"<(?:str:)?code>", school.traps[0].code, re.sub(r"<\w+:(?!code)\w+>", "x", path))


def bare(answer: Any) -> tuple[int, str, str]:
    """Return what an answer amounts to, but for what changes with every request."""
    page = answer.content.decode(errors="replace") if not answer.streaming else ""
    page = re.sub(r'name="csrfmiddlewaretoken" value="\w+"', "", page)
    page = re.sub(r"[0-9a-f]{8}-?(?:[0-9a-f]{4}-?){3}[0-9a-f]{12}", "", page)
    page = re.sub(r"\d{4}-\d\d-\d\d[T ][\d:.+]+Z?|\d\d:\d\d(:\d\d)?(\.\d+)?", "", page)
    return answer.status_code, answer.headers.get("Location", ""), page


def test_a_class_gets_at_every_other_address_what_anybody_gets(school: School, pupil: Client) -> None:
    pupil.post(count_path(school), {"n_woodlice": "3", "go": "on"})
    carried, tried = pupil.cookies["trapnight-class"].value, 0
    for name, pattern, _view in walk():
        if (name.startswith("class-") and not pattern.startswith("my/")) or name == "enter-class":
            continue
        path = filled(pattern, school)
        for method in ("get", "post"):
            # From another machine: what is measured here is told on this one only, and is never the same twice.
            one, nobody = (Client(raise_request_exception=False, REMOTE_ADDR="192.0.2.7") for _ in range(2))
            one.cookies["trapnight-class"] = carried
            ours, theirs = bare(getattr(one, method)(path)), bare(getattr(nobody, method)(path))
            differs = [
                pair for pair in zip(ours[2].splitlines(), theirs[2].splitlines(), strict=False) if len(set(pair)) > 1
            ]
            assert ours == theirs, (method, name, path, differs[:5])
            tried += 1
    assert tried > 60
    assert Draft.objects.count() == 1


def test_the_password_of_a_teacher_is_no_code(school: School) -> None:
    assert Client().post(PATH, {"code": PASSWORD}).status_code == 422
