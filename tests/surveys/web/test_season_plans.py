"""Planning a season by its pages: what is typed stays, what is wrong is said, a second person is told."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from surveys.models import Job, Season, SeasonPlan
from surveys.services.night import resume_job
from surveys.services.season_plans import begin_plan
from tests.factories import ROOT, client_of, make_coordinator, make_season, make_trap, send_return, square
from tests.reading import grade_of, sentences_of
from tests.surveys.plans.drafts import collection, feature, new_limits

pytestmark = pytest.mark.django_db

NAME = {
    "title": "Merrow Night Count 2027", "code": "merrow-2027", "organiser": "Merrow Field Office",
    "contact": "night-count@merrow-field-office.example", "opens_on": "2027-04-01", "closes_on": "2027-12-15",
    "time_zone": "Atlantic/Reykjavik", "licence": "CC0-1.0", "tray_photos": "yes", "review_budget": "4,5",
}  # fmt: skip


class Desk:
    """A coordinator of all regions at a plan."""

    def __init__(self, copy_of: str | None = None) -> None:
        lead = make_coordinator()
        self.client = client_of(lead)
        self.plan = begin_plan(by=lead, copy_of=copy_of)

    def path(self, section: str = "") -> str:
        return f"/desk/seasons/{self.plan.public_id}/{section + '/' if section else ''}"

    def read(self, section: str = "") -> str:
        answer = self.client.get(self.path(section))
        assert answer.status_code == 200
        return answer.content.decode()

    def seen(self, section: str) -> str:
        found = re.search(r'name="seen" value="(\w+)"', self.read(section))
        assert found
        return found[1]

    def save(self, section: str, *, seen: str | None = None, follow: bool = True, **typed: Any) -> Any:
        data = {"seen": seen or self.seen(section.partition("/")[0]), **typed}
        return self.client.post(self.path(section), data, follow=follow)

    def stored(self) -> dict[str, Any]:
        self.plan.refresh_from_db()
        return self.plan.plan


@pytest.fixture
def desk() -> Desk:
    make_season()
    return Desk()


@pytest.fixture
def copied() -> Desk:
    make_season()
    return Desk(copy_of="test-2026")


def test_name_and_dates_are_stored_as_the_season_needs_them(desk: Desk) -> None:
    answer = desk.save("name", **NAME)
    assert answer.redirect_chain[-1][0] == desk.path()
    assert desk.stored() == {**NAME, "tray_photos": True, "review_budget": 0.045}
    page = desk.read("name")
    assert 'value="4.5"' in page
    assert "Still to do" not in page


@pytest.mark.parametrize("name", NAME)
def test_half_a_section_is_saved_and_stays_in_its_boxes(desk: Desk, name: str) -> None:
    typed = {key: value for key, value in NAME.items() if key != name} | {"opens_on": "spring"}
    page = desk.save("name", **typed).content.decode()
    assert "Saved." in page
    assert "spring is not a day of the calendar" in page
    assert 'value="spring"' in page
    assert "Error: " not in page


@pytest.mark.parametrize(
    "text", ["nul \x00 here", "bell \x07", "tab\tand\nline", "'; DROP TABLE plans; --", "<script>"]
)
def test_odd_signs_break_nothing(desk: Desk, text: str) -> None:
    assert desk.save("name", **NAME | {"title": text}).status_code == 200
    assert desk.save("weeks", **{"window-1-name": text}).status_code == 200
    assert desk.save("habitats", **{"weight-other": text}).status_code == 200
    assert desk.save("texts", welcome=text).status_code == 200
    page = desk.read()
    assert "<script>" not in page.replace('<script type="module"', "")


def test_an_untouched_section_complains_of_nothing(desk: Desk) -> None:
    for section in ("name", "weeks", "groups", "habitats", "protocol", "regions", "texts"):
        page = desk.read(section)
        assert "Still to do" not in page
        assert 'aria-invalid="true"' not in page
    assert desk.read().count("Not begun.") == 6  # texts may stay empty


def test_windows_keep_their_codes_and_new_ones_get_one_from_their_name(copied: Desk) -> None:
    typed = {
        "window-1-name": "Frühling", "window-1-code": "spring", "window-1-first_day": "2027-04-01", "window-1-last_day": "2027-05-31",
        "window-2-name": "", "window-4-name": "Late Autumn", "window-4-first_day": "2027-11-01", "window-4-last_day": "2027-11-20",
    }  # fmt: skip
    copied.save("weeks", **typed)
    assert [(row["code"], row["name"]) for row in copied.stored()["windows"]] == [
        ("spring", "Frühling"),
        ("late-autumn", "Late Autumn"),
    ]


def groups(*chosen: str, **places: str) -> dict[str, str]:
    return {f"group-{code}": "yes" for code in chosen} | {f"place-{code}": place for code, place in places.items()}


ALL = ("woodlice", "millipedes", "centipedes", "spiders")


@pytest.mark.parametrize(
    ("places", "order"),
    [
        ({"woodlice": "1", "millipedes": "2", "centipedes": "3", "spiders": "4"}, ALL),
        ({"woodlice": "1", "millipedes": "2", "centipedes": "3", "spiders": "2"}, ("woodlice", "spiders", "millipedes", "centipedes")),
        ({"woodlice": "3", "millipedes": "2", "centipedes": "3", "spiders": "4"}, ("millipedes", "centipedes", "woodlice", "spiders")),
        ({"woodlice": "1", "millipedes": "2", "centipedes": "3", "spiders": "first"}, ALL),
    ],
)  # fmt: skip
def test_a_group_that_is_given_another_place_moves_there(
    desk: Desk, places: dict[str, str], order: tuple[str, ...]
) -> None:
    desk.save("groups", **groups(*ALL, woodlice="1", millipedes="2", centipedes="3", spiders="4"))
    desk.save("groups", **groups(*ALL, **places))
    assert tuple(desk.stored()["groups"]) == order


def test_a_group_without_its_tick_is_not_chosen_whatever_its_place(desk: Desk) -> None:
    desk.save("groups", **groups("spiders", spiders="2", woodlice="1"))
    assert desk.stored()["groups"] == ["spiders"]


def test_a_button_makes_the_weights_equal_and_they_sum_to_one(desk: Desk) -> None:
    desk.save("habitats", **{"weight-short_lawn": "0.9", "weight-other": "0.9", "weight-hedge_base": "", "do": "equal"})
    assert desk.stored()["habitats"] == [{"code": "short_lawn", "weight": 0.5}, {"code": "other", "weight": 0.5}]
    desk.save("habitats", do="equal", **{"weight-short_lawn": "", "weight-other": ""})
    assert [row["weight"] for row in desk.stored()["habitats"]] == [0.3334, 0.3333, 0.3333]
    assert "The saved weights sum to 1.0." in desk.read("habitats")


def test_a_weight_that_is_no_number_stays_in_its_box(desk: Desk) -> None:
    page = desk.save("habitats", **{"weight-other": "most"}).content.decode()
    assert 'value="most"' in page
    assert "The weight most is not a number from 0 to 1" in page


def test_the_second_person_is_told_keeps_what_was_typed_and_may_save_once_more(desk: Desk) -> None:
    seen = desk.seen("texts")
    other = client_of(make_coordinator())
    other.post(desk.path("texts"), {"seen": seen, "welcome": "Theirs."})
    answer = desk.save("texts", seen=seen, welcome="Mine.")
    page = answer.content.decode()
    assert answer.status_code == 409
    assert "Somebody else has saved this section since you opened it." in page
    assert "Mine.</textarea>" in page
    assert desk.stored()["welcome"] == "Theirs."
    fresh = re.search(r'name="seen" value="(\w+)"', page)
    assert fresh
    desk.save("texts", seen=fresh[1], welcome="Mine.")
    assert desk.stored()["welcome"] == "Mine."


# --- regions ------------------------------------------------------------------------------------------


def test_a_file_of_regions_is_taken_drawn_and_measured(desk: Desk) -> None:
    content = (ROOT / "fixtures/demo/merrow.geojson").read_bytes()
    page = desk.save("regions", file=SimpleUploadedFile("merrow.geojson", content), do="read").content.decode()
    assert [one["properties"]["name"] for one in SeasonPlan.objects.get(pk=desk.plan.pk).boundaries["features"]][
        2
    ] == "Cawder"
    assert page.count("Done.") == 2  # regions, and the texts, which may stay empty
    page = desk.read("regions")
    assert page.count('<path class="land"') == 6
    assert 'value="alder-quay"' in page
    assert page.count("km²") == 6


def test_a_pasted_text_that_cannot_be_read_stays_and_the_regions_so_far_too(copied: Desk) -> None:
    before = copied.plan.boundaries
    answer = copied.save("regions", text='{"type": "Point"}', do="read")
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "It is of the type Point." in page
    assert "{&quot;type&quot;: &quot;Point&quot;}" in page
    copied.plan.refresh_from_db()
    assert copied.plan.boundaries == before


def test_names_that_the_file_did_not_bring_are_typed(desk: Desk) -> None:
    text = json.dumps(collection(feature("", "", square(-18, 51))))
    page = desk.save("regions", text=text, do="read").content.decode()
    assert "Region 1 has no name." in page
    page = desk.save("regions", do="names", **{"region-1-code": "cawder", "region-1-name": "Cawder"}).content.decode()
    desk.plan.refresh_from_db()
    assert desk.plan.boundaries["features"][0]["properties"] == {"code": "cawder", "name": "Cawder"}


def test_crossed_lines_and_regions_over_the_180th_meridian_can_be_drawn(desk: Desk) -> None:
    bow = {"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [1, 0], [0, 1], [0, 0]]]}
    line = {"type": "Polygon", "coordinates": [[[5, 5], [6, 6], [5, 5], [5, 5]]]}
    both = {"type": "MultiPolygon", "coordinates": [square(179, 40)["coordinates"], square(-180, 40)["coordinates"]]}
    for geometries in ([bow], [line], [both], [bow, line, both]):
        rows = [feature(f"r{n}", f"R{n}", geometry) for n, geometry in enumerate(geometries)]
        assert desk.save("regions", text=json.dumps(collection(*rows)), do="read").status_code == 200
    page = desk.read("regions")
    assert "its line crosses itself" in page


@pytest.mark.parametrize(("size", "status"), [(6, 422), (21, 400)])
def test_a_file_beyond_the_cap_is_refused_and_far_beyond_it_the_line_is_cut(desk: Desk, size: int, status: int) -> None:
    sent = SimpleUploadedFile("big.geojson", b" " * (size * 1024 * 1024))
    if status == 422:
        answer = desk.save("regions", file=sent, do="read")
        assert answer.status_code == 422
        assert "bigger than 5 MB" in answer.content.decode()
    else:
        answer = desk.save("regions", file=sent, do="read")
        assert answer.status_code in (400, 403, 413, 422)
    desk.plan.refresh_from_db()
    assert desk.plan.boundaries == {}


def test_a_text_longer_than_a_page_carries_is_refused_in_words(desk: Desk) -> None:
    answer = desk.save("regions", text="x" * 1_100_000, do="read")
    assert answer.status_code == 413
    assert "Send it as a file" in answer.content.decode()


def test_the_token_of_the_form_is_asked_for_although_the_file_is_capped_first(desk: Desk) -> None:
    strict = Client(enforce_csrf_checks=True)
    strict.cookies = desk.client.cookies
    assert strict.post(desk.path("regions"), {"seen": desk.seen("regions"), "text": "{}"}).status_code == 403


# --- protocol -----------------------------------------------------------------------------------------


def test_a_version_is_chosen_or_a_new_one_made_from_it_with_every_box(desk: Desk) -> None:
    desk.save("protocol", do="choose", choice="1")
    assert desk.stored()["protocol"] == "1"
    desk.save("protocol", do="choose", choice="new-1")
    desk.plan.refresh_from_db()
    assert (desk.plan.limits["based_on"], desk.plan.limits["version"]) == ("1", "2")
    page = desk.read("protocol")
    assert 'id="cup_depth-3-high"' in page
    assert "now 150" in page
    desk.save(
        "protocol",
        do="ranges",
        version="2",
        agreed_on="2027-01-05",
        **{"cup_depth-3-high": "160", "cup_depth-5-low": "deep"},
    )
    desk.plan.refresh_from_db()
    page = desk.read("protocol")
    assert 'value="deep"' in page
    assert "Depth of the cup, too deep: deep is not a number" in page
    desk.save("protocol", do="ranges", version="2", agreed_on="2027-01-05", **{"cup_depth-5-low": "160"})
    desk.plan.refresh_from_db()
    assert desk.plan.limits == new_limits()
    desk.save("protocol", do="choose", choice="new-1")
    desk.plan.refresh_from_db()
    assert desk.plan.limits == new_limits()  # chosen once more, nothing is lost


def test_sentences_are_written_on_a_page_of_their_own(desk: Desk) -> None:
    assert desk.client.get(desk.path("protocol/sentences")).status_code == 302
    desk.save("protocol", do="choose", choice="new-1")
    page = desk.client.get(desk.path("protocol/sentences")).content.decode()
    # What is missing in the limits is linked to where its box is, and not to a place that this page does not have.
    for anchor in re.findall(r'href="(#[^"]+)"', page.split("<main")[1]):
        assert f'id="{anchor[1:]}"' in page
    assert f'href="{desk.path("protocol")}#agreed_on"' in page
    desk.save("protocol/sentences", **{"cup_depth-target-1": "A fine cup of\n {value} mm."})
    desk.plan.refresh_from_db()
    row = next(row for row in desk.plan.limits["checks"] if row["check"] == "cup_depth")
    assert row["cases"]["target"][0]["sentence"] == "A fine cup of {value} mm."


def test_a_protocol_is_tried_on_an_earlier_season_as_a_job(copied: Desk) -> None:
    for depth in (100, 155, 155):
        send_return(make_trap(), screened=True, depth_mm=depth)
    SeasonPlan.objects.filter(pk=copied.plan.pk).update(limits=new_limits())
    page = copied.client.post(copied.path("protocol/preview"), {"season": "test-2026"}, follow=True).content.decode()
    assert "It is being tried" in page
    job = Job.objects.get(kind="preview")
    resume_job(job_id=job.pk)
    copied.client.post(copied.path("protocol/preview"), {"season": "test-2026"})
    job.refresh_from_db()
    assert (job.state, Job.objects.filter(kind="preview").count()) == ("done", 1)
    page = copied.client.get(copied.path("protocol/preview") + "?season=test-2026").content.decode()
    assert "All 3 returns that were not withdrawn." in " ".join(page.split())
    assert "version 1 beside version 2" in " ".join(page.split())
    assert job.result["changed"] == [["cup_depth", "hold", "note", 2]]  # 155 mm: held above 150, noted up to 160
    assert (job.result["held_before"], job.result["held_after"]) == (2, 0)


def test_an_unfinished_protocol_is_not_tried(desk: Desk) -> None:
    send_return(make_trap(), screened=True)
    answer = desk.client.post(desk.path("protocol/preview"), {"season": "test-2026"})
    assert answer.status_code == 409
    assert "not complete yet" in answer.content.decode()
    assert not Job.objects.filter(kind="preview").exists()


# --- opening and closing ------------------------------------------------------------------------------


def test_a_season_is_opened_after_a_tick_and_everything_is_listed_before(copied: Desk) -> None:
    page = copied.read("open")
    for words in (
        "Test count 2027",
        "2027-04-01",
        "Woodlice",
        "Short lawn 0.5",
        "Eastmark (eastmark)",
        "I know that opening freezes this",
    ):
        assert words in " ".join(page.split())
    answer = copied.client.post(copied.path("open"), {"version": copied.plan.version})
    assert answer.status_code == 422
    assert "Say first that you know it" in answer.content.decode()
    answer = copied.client.post(copied.path("open"), {"version": copied.plan.version, "freezes": "yes"}, follow=True)
    assert answer.redirect_chain[-1][0] == "/seasons/test-2027/"
    assert Season.objects.get(code="test-2027").state == "open"
    assert "so it is frozen" in copied.read()
    assert copied.client.get(copied.path("weeks")).status_code == 302
    assert copied.client.get(copied.path("open")).status_code == 302


def test_a_plan_with_something_to_do_has_no_button_to_open_it(desk: Desk) -> None:
    page = desk.read("open")
    assert 'id="freezes"' not in page
    assert "There is no title yet" in page
    answer = desk.client.post(desk.path("open"), {"version": desk.plan.version, "freezes": "yes"})
    assert answer.status_code == 409
    assert Season.objects.count() == 1


def test_an_old_version_of_the_page_opens_nothing(copied: Desk) -> None:
    version = copied.plan.version
    copied.save("texts", welcome="New.")
    answer = copied.client.post(copied.path("open"), {"version": version, "freezes": "yes"})
    assert answer.status_code == 409
    assert "The plan was changed since you read it." in answer.content.decode()
    assert Season.objects.count() == 1


def test_a_season_is_closed_after_a_tick_that_names_what_waits(desk: Desk) -> None:
    send_return(make_trap(), screened=True, liquid="soap")
    path = "/desk/seasons/close/test-2026/"
    assert "Returns that wait for a person: 1." in " ".join(desk.client.get(path).content.decode().split())
    assert desk.client.post(path).status_code == 422
    assert Season.objects.get().state == "open"
    desk.client.post(path, {"closes": "yes"})
    assert Season.objects.get().state == "closed"
    assert "closed already" in desk.client.get(path).content.decode()


def test_the_list_offers_a_copy_and_a_dropped_plan_leaves_it(desk: Desk) -> None:
    page = desk.client.get("/desk/seasons/").content.decode()
    assert "A plan without a title" in page
    answer = desk.client.post("/desk/seasons/new/", {"copy_of": "test-2026"}, follow=True)
    assert "Test count 2027" in answer.content.decode()
    desk.client.post(desk.path(), {"do": "drop"})
    page = desk.client.get("/desk/seasons/").content.decode()
    assert "A plan without a title" not in page
    assert "Test count 2027" in page
    assert desk.client.get(desk.path()).status_code == 404


def test_a_coordinator_of_one_region_may_not_see_plans(desk: Desk) -> None:
    regional = client_of(make_coordinator("eastmark"))
    for path in ("/desk/seasons/", desk.path(), desk.path("weeks"), desk.path("open"), desk.path("regions")):
        assert regional.get(path).status_code == 403


def test_a_section_that_a_plan_has_not_is_not_found(desk: Desk) -> None:
    assert desk.client.get(desk.path("weather")).status_code == 404


def test_the_pages_read_at_grade_8_or_below(copied: Desk) -> None:
    SeasonPlan.objects.filter(pk=copied.plan.pk).update(limits=new_limits())
    names = ("", "name", "weeks", "groups", "habitats", "protocol", "protocol/preview", "regions", "texts", "open")
    hard = {}
    for name in names:
        grade = grade_of(sentences_of(re.sub(r'<p class="soft small" lang="en">.*?</p>', "", copied.read(name)))).grade
        if grade > 8:
            hard[name] = round(grade, 1)
    for path in ("/desk/seasons/", "/desk/seasons/new/", "/desk/seasons/close/test-2026/"):
        assert grade_of(sentences_of(copied.client.get(path).content.decode())).grade <= 8, path
    assert hard == {}
