"""What waits for whom, and what the second looks say of the review: against statsmodels and a printed table."""

from __future__ import annotations

import uuid
from collections import Counter

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from surveys.models import Account, Return, Season, SecondLook
from surveys.queries.second_looks import review_quality, review_quality_of, second_look_in_care, second_looks_waiting
from surveys.vocabulary import Decision, VerdictReason
from tests.factories import make_coordinator, make_season, make_site, make_trap, send_return

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def season() -> Season:
    return make_season()


def copies(number: int, *, region: str = "eastmark", state: str = "standing") -> list[Return]:
    """Return so many copies of one return in a state."""
    report = send_return(make_trap(site=make_site(region=region)), screened=True)
    Return.objects.filter(pk=report.pk).update(state="withdrawn")
    columns = [one for one in Return._meta.concrete_fields if not one.primary_key and not one.generated]
    values = {one.attname: getattr(report, one.attname) for one in columns}
    return Return.objects.bulk_create(
        [Return(**{**values, "uuid": uuid.uuid4(), "state": state}) for _ in range(number)]
    )


def looked(returns: list[Return], opinion: Decision, *, then: str | None = None) -> None:
    """Give the second looks at some returns; ``then`` is the state in which they are afterwards."""
    SecondLook.objects.bulk_create(
        [
            SecondLook(
                report=one, season=one.season, state=one.state, opinion=opinion, reason=VerdictReason.COUNT_SLIP,
                looked_at=timezone.now(),
            )
            for one in returns
        ]
    )  # fmt: skip
    if then is not None:
        Return.objects.filter(pk__in=[one.pk for one in returns]).update(state=then)


def drawn(returns: list[Return]) -> list[uuid.UUID]:
    SecondLook.objects.bulk_create([SecondLook(report=one, season=one.season, state=one.state) for one in returns])
    return [one.uuid for one in returns]


def test_before_any_look_nothing_is_known(season: Season) -> None:
    copies(5)
    found = review_quality(season)
    assert (found.wrong.code, found.wrong.estimate, found.wrong.low, found.wrong.high) == ("not_looked", None, 0.0, 1.0)
    assert (found.agreement.code, found.agreement.share) == ("not_looked", None)


def test_a_season_without_returns_has_nothing_to_look_at(season: Season) -> None:
    assert review_quality(season).wrong.code == "no_usable"


def test_one_wrong_of_ten_has_the_printed_limits(season: Season) -> None:
    """Exact limits of 1 in 10 in the Geigy Scientific Tables (Lentner 1982; from memory): 0.25 % to 44.50 %."""
    rows = copies(200)
    looked(rows[:9], Decision.UPHELD)
    looked(rows[9:10], Decision.DISCOUNTED, then="queried")
    found = review_quality(season)
    assert (round(100 * found.wrong.low, 2), round(100 * found.wrong.high, 2)) == (0.25, 44.5)
    assert found.wrong.estimate == pytest.approx(0.1)
    # Agreement is the other nine: by the table 55.50 % to 99.75 %.
    assert (round(100 * found.agreement.share_low, 2), round(100 * found.agreement.share_high, 2)) == (55.5, 99.75)
    assert (found.agreement.looked, found.agreement.kappa) == (10, None)


def test_states_are_weighed_by_what_was_drawn_from(season: Season) -> None:
    standing, upheld, corrected = copies(90), copies(10, state="upheld"), copies(3, state="corrected")
    looked(standing[:19], Decision.UPHELD)
    looked(standing[19:20], Decision.CORRECTED, then="corrected")
    looked(upheld[:3], Decision.UPHELD)
    looked(upheld[3:5], Decision.DISCOUNTED, then="discounted")
    found = review_quality(season)
    assert [(one.state, one.usable, one.looked, one.wrong) for one in found.strata] == [
        ("standing", 90, 20, 1), ("upheld", 10, 5, 2),
    ]  # fmt: skip
    assert found.corrected == len(corrected) + 1
    assert found.wrong.estimate == pytest.approx(0.9 * 1 / 20 + 0.1 * 2 / 5)  # by hand
    # statsmodels' Clopper-Pearson limits at half of alpha for each of two states (Bonferroni), weighted
    parts = [proportion_confint(wrong, n, alpha=0.025, method="beta") for wrong, n in ((1, 20), (2, 5))]
    for end, value in enumerate((found.wrong.low, found.wrong.high)):
        assert value == pytest.approx(0.9 * parts[0][end] + 0.1 * parts[1][end])


def test_where_every_upheld_return_was_sent_back_the_figures_still_hold(season: Season) -> None:
    standing, upheld = copies(10), copies(2, state="upheld")
    looked(standing[:2], Decision.UPHELD)
    looked(upheld, Decision.CORRECTED, then="queried")
    assert [(one.usable, one.looked, one.wrong) for one in review_quality(season).strata] == [(10, 2, 0), (2, 2, 2)]


def test_one_that_the_queue_let_stand_after_all_counts_once_and_where_it_was_looked_at(season: Season) -> None:
    rows = copies(10)
    looked(rows[:1], Decision.CORRECTED, then="upheld")
    assert [(one.usable, one.looked, one.wrong) for one in review_quality(season).strata] == [(10, 1, 1), (0, 0, 0)]


def test_a_coordinator_learns_of_the_own_regions_only(season: Season) -> None:
    east, west = copies(20), copies(40, region="westmark")
    looked(east[:4], Decision.UPHELD)
    looked(west[:8], Decision.DISCOUNTED, then="queried")
    drawn([*east[4:5], *west[8:11]])
    told = {
        name: review_quality_of(season, account)
        for name, account in (
            ("east", make_coordinator("eastmark")), ("west", make_coordinator("westmark")), ("all", make_coordinator()),
        )
    }  # fmt: skip
    figures = {name: (one.wrong.usable, one.wrong.looked, one.wrong.wrong, one.waiting) for name, one in told.items()}
    assert figures == {"east": (20, 4, 0, 1), "west": (40, 8, 8, 3), "all": (60, 12, 8, 4)}
    assert told["all"] == review_quality(season)


def test_the_figures_cost_the_same_number_of_queries_whatever_there_is(season: Season) -> None:
    coordinator = make_coordinator("eastmark")
    costs = []
    for number in (2, 60):
        looked(copies(number), Decision.UPHELD)
        with CaptureQueriesContext(
            connection,
        ) as counted:
            review_quality_of(season, Account.objects.get(pk=coordinator.pk))
        costs.append(len(counted) - 1)  # one fetched the account
    assert costs == [4, 4]


def test_what_waits_is_in_the_own_regions_still_let_through_and_not_decided_by_oneself(season: Season) -> None:
    coordinator = make_coordinator("eastmark")
    here, moved, own = copies(3), copies(1), copies(1, state="upheld")
    waiting = drawn(here)
    drawn([*moved, *own, *copies(2, region="westmark")])
    Return.objects.filter(pk=moved[0].pk).update(state="withdrawn")
    own[0].verdicts.create(by=coordinator, decision="upheld", reason="plausible_night", report_version=2)
    assert set(second_looks_waiting(coordinator)) == set(waiting)
    assert set(second_looks_waiting(make_coordinator("eastmark"))) == {*waiting, own[0].uuid}
    assert len(second_looks_waiting(make_coordinator())) == 6


def test_the_order_is_chance_for_each_visitor_and_stays_as_it_is(season: Season) -> None:
    """Of 8 returns each stands first as often as any other: a chi-square test over many visitors, scipy."""
    drawn(copies(8))
    orders = {visitor: tuple(second_looks_waiting(visitor)) for visitor in (make_coordinator() for _ in range(80))}
    assert all(tuple(second_looks_waiting(visitor)) == order for visitor, order in orders.items())
    first = Counter(order[0] for order in orders.values())
    assert stats.chisquare([first[one] for one in next(iter(orders.values()))]).pvalue > 1e-4


def test_nothing_that_tells_of_the_first_look_is_read(season: Season) -> None:
    row = copies(1, state="upheld")[0]
    drawn([row])
    coordinator = make_coordinator("eastmark")
    with CaptureQueriesContext(connection) as counted:
        look = second_look_in_care(coordinator, row.uuid)
    asked = " ".join(query["sql"] for query in counted.captured_queries)
    for table in ("surveys_verdict", "surveys_query", "surveys_correction", "surveys_question", "surveys_undo"):
        assert f'"{table}"' not in asked
    assert set(look.report._prefetched_objects_cache) == {"catches", "findings"}
    assert len(counted) == 5
