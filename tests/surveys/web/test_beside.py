"""A night told back: the catch beside comparable traps, and nothing of others below the limits."""

from __future__ import annotations

import re
import uuid
from functools import partial

import pytest
from django.test import Client

from surveys.methods.feedback import Basis, Beside
from surveys.models import Correction, PackedCatch, Return, Trap, Verdict
from surveys.queries.feedback import others_of_the_season
from surveys.queries.seasons import lists_of
from surveys.services.packing import pack_catches
from surveys.vocabulary import Standing
from surveys.web import beside
from tests.factories import (
    make_season,
    make_site,
    make_trap,
    send_return,
)
from tests.surveys.web.others import make_others

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def trap() -> Trap:
    make_season()
    return make_trap()


@pytest.fixture
def client(trap: Trap) -> Client:
    client = Client()
    client.force_login(trap.site.household.keeper)
    return client


#: Sends a return through the API and has it screened.
send = partial(send_return, screened=True)


def page_of(client: Client, report: Return) -> str:
    answer = client.get(f"/my/returns/{report.uuid}/")
    assert answer.status_code == 200
    return re.sub(r'name="csrfmiddlewaretoken" value="[^"]*"', "", answer.content.decode())


def section_of(page: str) -> str:
    """Return the words of the section about other traps."""
    found = re.search(r'aria-labelledby="beside">(.*?)</section>', page, re.DOTALL)
    assert found
    return " ".join(re.sub(r"<[^>]+>", " ", found.group(1)).split())


def test_below_the_limits_a_page_is_the_same_whatever_the_others_caught(client: Client, trap: Trap) -> None:
    """Nothing of others is in it: not how many they are, and not what they caught. Alone, few traps, few gardens."""
    report = send(trap)
    alone = page_of(client, report)
    assert "too few traps like yours yet" in section_of(alone)
    for counts, gardens in (
        ([{"woodlice": 0, "spiders": 91}] * 3, 3),
        ([{"woodlice": 77, "spiders": 1}] * 19, 19),  # one trap short
        ([{"woodlice": 55}] * 60, 9),  # one garden short
    ):
        others = make_others(report, counts, gardens=gardens)
        assert page_of(client, report) == alone
        Return.objects.filter(pk__in=[one.pk for one in others]).update(state="withdrawn")


def test_one_household_with_many_sites_is_one_garden(client: Client, trap: Trap) -> None:
    report = send(trap)
    others = make_others(report, [{"woodlice": 5}] * 30, gardens=30)
    household = others[0].trap.site.household
    for number, one in enumerate(others, start=100):
        one.trap.site.household, one.trap.site.number = household, number
        one.trap.site.save()
    assert "too few traps like yours yet" in section_of(page_of(client, report))


def test_own_traps_at_another_site_are_no_others(client: Client, trap: Trap) -> None:
    report = send(trap)
    others = make_others(report, [{"woodlice": 5}] * 30, gardens=30)
    for number, one in enumerate(others, start=100):
        one.trap.site.household, one.trap.site.number = trap.site.household, number
        one.trap.site.save()
    assert len(others_of_the_season(report, lists_of(report.season)).household) == 0


def test_above_the_limits_the_shares_are_those_of_the_other_traps(client: Client, trap: Trap) -> None:
    """By hand: 3 woodlice beside 12 traps with 1, 4 with 3 and 4 with 8: 6 in 10 caught fewer, 2 in 10 more."""
    report = send(trap)
    counts = [{"woodlice": 1}] * 12 + [{"woodlice": 3}] * 4 + [{"woodlice": 8}] * 4
    make_others(report, counts, gardens=10)
    words = section_of(page_of(client, report))
    assert "About 6 in 10 of these traps caught fewer." in words
    assert "About 2 in 10 of these traps caught more." in words
    assert "same kind of place, hole just as old or new 20 10" in words
    assert "Too few other traps looked for these yet: Spiders" in words


def test_a_difference_is_told_only_where_the_band_leaves_the_middle_out(client: Client, trap: Trap) -> None:
    report = send(trap)
    make_others(report, [{"woodlice": 40, "spiders": 0, "ground_beetles": 1}] * 30, gardens=30)
    words = section_of(page_of(client, report))
    assert "You caught fewer than most other traps of these: Woodlice." in words
    assert "You caught more than most other traps of these: Spiders." in words
    assert "You caught about as many as others of these: Ground beetles." in words


def test_the_chart_has_a_text_a_table_and_shapes_beside_its_colours(client: Client, trap: Trap) -> None:
    report = send(trap)
    make_others(report, [{"woodlice": 40, "spiders": 0, "ground_beetles": 1}] * 30, gardens=30)
    page = page_of(client, report)
    chart = re.search(r'<svg class="chart".*?</figure>', page, re.DOTALL)
    assert chart
    assert 'role="img"' in chart.group()
    assert "<desc" in chart.group()
    for kind, shape in (("more", "M0 -9L9 7H-9Z"), ("fewer", "M0 9L9 -7H-9Z"), ("alike", 'r="8"')):
        assert f'class="sign {kind}"' in chart.group()
        assert shape in chart.group()
    assert chart.group().count('class="reach') == 3  # an interval for each
    assert '<caption id="beside-caption">' in page
    assert "style=" not in page


def test_another_habitat_counts_only_where_the_same_one_has_too_few(client: Client, trap: Trap) -> None:
    report = send(trap)
    hedge = make_trap(habitat="hedge_base").habitat
    make_others(report, [{"woodlice": 9}] * 30, gardens=30, habitat_id=hedge.pk)
    assert "all kinds of places 30 30" in section_of(page_of(client, report))
    make_others(report, [{"woodlice": 9}] * 20, gardens=20, fresh=True)
    assert "same kind of place 20 20" in section_of(page_of(client, report))


@pytest.mark.parametrize(
    "changes",
    [
        {"state": "queried"}, {"state": "received"}, {"state": "discounted"}, {"state": "withdrawn"},
        {"standing": "off_protocol"}, {"trap_nights": None}, {"night": "2026-06-20"},
    ],
    ids=str,
)  # fmt: skip
def test_only_usable_returns_of_the_same_weeks_are_compared(trap: Trap, changes: dict[str, object]) -> None:
    report = send(trap)
    make_others(report, [{"woodlice": 9}] * 2, gardens=2)
    make_others(report, [{"woodlice": 9}] * 3, gardens=3, **changes)
    assert len(others_of_the_season(report, lists_of(report.season)).household) == 2


def test_classes_and_corrections_of_others_are_read_as_they_are(trap: Trap) -> None:
    report = send(trap)
    sent = make_others(report, [{"woodlice": (16, 31)}, {"woodlice": (128, None)}, {"woodlice": 30}], gardens=3)
    Return.objects.filter(pk=sent[2].pk).update(state="corrected")
    verdict = Verdict.objects.create(
        report=sent[2], by=None, decision="corrected", reason="count_slip", report_version=1
    )
    group = sent[2].catches.get().group
    Correction.objects.create(verdict=verdict, report=sent[2], group=group, answer="number", low=3, high=3)
    found = others_of_the_season(report, lists_of(report.season)).of_group("woodlice")
    assert sorted(zip(found.low.tolist(), found.high.tolist(), strict=True)) == [(3, 3), (16, 31), (128, -1)]
    assert others_of_the_season(report, lists_of(report.season)).of_group("spiders").low.tolist() == []


def test_what_is_packed_at_night_reads_as_what_came_in_since(trap: Trap) -> None:
    report = send(trap)
    counts = [{"woodlice": n, "spiders": (16, 31), "springtails": (128, None)} for n in range(4)]
    make_others(report, counts, gardens=4)
    lists = lists_of(report.season)
    fresh = others_of_the_season(report, lists)
    pack_catches(season=report.season, still_ours=lambda: None)
    assert PackedCatch.objects.count() == 5
    packed = others_of_the_season(report, lists)
    for name in ("household", "low", "high"):
        assert getattr(packed, name).tolist() == getattr(fresh, name).tolist()


def test_the_cost_does_not_grow_with_the_season(trap: Trap, django_assert_num_queries) -> None:
    report = send(trap)
    lists = lists_of(report.season)
    for _ in range(2):
        make_others(report, [{"woodlice": 1}] * 15, gardens=15)
        with django_assert_num_queries(4):
            others_of_the_season(report, lists)


def test_the_page_costs_the_same_whoever_else_is_there(
    client: Client, trap: Trap, django_assert_max_num_queries
) -> None:
    report = send(trap)
    for _ in range(2):
        make_others(report, [{"woodlice": 1}] * 15, gardens=15)
        # Eight for the return, one for its photo, four for the others, three for session, account and roles.
        with django_assert_max_num_queries(16):
            client.get(f"/my/returns/{report.uuid}/")


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"liquid": "soap"}, "waits"),
        ({"mouth_mm": 140}, "out"),
        ({"catch": [{"group": "woodlice", "answer": "did_not_look"}]}, "empty"),
    ],
)
def test_what_is_not_to_be_compared_says_why(client: Client, trap: Trap, changes: dict[str, object], why: str) -> None:
    report = send(trap, **changes)
    make_others(report, [{"woodlice": 4}] * 30, gardens=30)
    assert str(beside.NOT_BESIDE[why]) in section_of(page_of(client, report))


def test_a_return_that_was_taken_back_is_beside_nobody(client: Client, trap: Trap) -> None:
    report = send(trap)
    client.post(f"/my/returns/{report.uuid}/withdraw")
    assert str(beside.NOT_BESIDE["gone"]) in section_of(page_of(client, report))


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.0, "None of"), (0.04, "Very few of"), (0.05, "About 1 in 10 of"), (0.6, "About 6 in 10 of"),
     (0.94, "About 9 in 10 of"), (0.96, "Nearly all of"), (1.0, "All of")],
)  # fmt: skip
def test_shares_are_told_in_tenths_with_words_at_both_ends(share: float, words: str) -> None:
    placed = Beside(Basis.HABITAT, 40, 20, 3, 3, 0.5, 0.0, share, 0.5, 0.5, 0.4, 0.6)
    fewer = "About 5 in 10 of these traps caught fewer."
    assert beside.sentences_of(placed) == f"{fewer} {words} these traps caught more."


def test_traps_that_all_caught_the_same_are_told_so() -> None:
    placed = Beside(Basis.HABITAT, 40, 20, 3, 3, 0.0, 1.0, 0.0, 0.5, 0.5, 0.4, 0.6)
    assert beside.sentences_of(placed) == "All of these traps caught as many, as far as we can tell."


def test_animals_that_were_caught_are_told_with_their_work_in_the_soil(client: Client, trap: Trap) -> None:
    page = page_of(client, send(trap))
    soil = page.split('id="soil"')[1].split("</section>")[0]
    assert "Woodlice" in soil
    assert "It tidies the soil." in soil
    assert "Millipedes" not in soil  # looked for, and none


def test_a_finding_is_told_kindly_with_its_precise_sentence_in_a_fold(client: Client, trap: Trap) -> None:
    report = send(trap, mouth_mm=70)
    page = page_of(client, report)
    finding = report.findings.get(check_id="mouth_width")
    assert report.standing == Standing.ADJUSTED
    assert "Your cup is a little wider or narrower than ours." in page
    exact = page.split("The exact wording of the protocol")[1]
    assert page.count(finding.sentence) == exact.count(finding.sentence) == 1


def test_a_stranger_finds_no_such_night(client: Client, trap: Trap) -> None:
    foreign = send(make_trap(site=make_site()))
    assert client.get(f"/my/returns/{foreign.uuid}/").status_code == 404
    assert client.get(f"/my/returns/{uuid.uuid4()}/").status_code == 404
    assert Client().get(f"/my/returns/{foreign.uuid}/").status_code == 302
