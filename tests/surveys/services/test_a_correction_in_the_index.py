"""A correction changes the next night's indices exactly as if the right count had been sent, and an undo ends that."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from surveys.methods.records import Answer
from surveys.models import Return, Run, Season
from surveys.services.intake import withdraw_return
from surveys.services.jobs import ask_for_job
from surveys.services.night import run_night
from surveys.services.review import give_verdict
from surveys.services.undo import undo_verdict
from surveys.vocabulary import AnswerKind, Decision, JobKind, VerdictReason
from tests.factories import make_coordinator, make_season, make_site, make_trap, send_return

pytestmark = pytest.mark.django_db(transaction=True)

NAMES = ("region__code", "group__code", "window__code", "rim_exponent", "estimate", "low", "high", "returns", "sites")
FIRST = "2026-05-02T17:00:00+00:00"


def catch(woodlice: int, beetles: int) -> list[dict[str, Any]]:
    return [
        {"group": "woodlice", "answer": "number", "count": woodlice},
        {"group": "ground_beetles", "answer": "number", "count": beetles},
        {"group": "spiders", "answer": "none_seen"},
    ]


@pytest.fixture
def season() -> Season:
    """A season in which twelve gardens of one region have sent two nights each: enough for an index."""
    season = make_season(review_budget=0.5)
    for number in range(12):
        trap = make_trap(site=make_site())
        for day in (2, 12):
            send_return(
                trap, set_at=f"2026-05-{day:02}T17:00:00Z", emptied_at=f"2026-05-{day + 1:02}T17:00:00Z",
                catch=catch(2 + number % 4, 1 + (number + day) % 5), screened=True,
            )  # fmt: skip
    return season


def night(season: Season, name: str) -> list[str]:
    """Run the same night once more; return every figure to the last digit."""
    job, _ = ask_for_job(
        kind=JobKind.NIGHT, key=f"{season.code}/{name}", parameters={"season": season.code, "night": "2026-05-20"}
    )
    run = run_night(job_id=job.pk)
    assert isinstance(run, Run)
    return sorted(str([repr(value) for value in row]) for row in run.values.values_list(*NAMES))


def shown(figures: list[str]) -> str:
    (found,) = [
        row for row in figures if "eastmark" in row and "ground_beetles" in row and "spring" in row and ", '1'," in row
    ]
    return found


def test_a_correction_counts_from_the_next_night_on_and_an_undo_restores_the_figures(season: Season) -> None:
    desk = make_coordinator()
    trap = make_trap(site=make_site())
    report = send_return(trap, catch=catch(3, 40), screened=True)
    report.refresh_from_db()
    assert report.state == "queried"
    while_it_waited = night(season, "waits")
    assert "None" not in shown(while_it_waited)

    four = Answer(group="ground_beetles", kind=AnswerKind.NUMBER, low=4, high=4)
    give_verdict(
        by=desk, uuid=report.uuid, version=report.version, decision=Decision.CORRECTED,
        reason=VerdictReason.COUNT_SLIP, answers=[four],
    )  # fmt: skip
    corrected = night(season, "corrected")
    assert shown(corrected) != shown(while_it_waited)

    report.refresh_from_db()
    undo_verdict(by=desk, uuid=report.uuid, version=report.version)
    assert night(season, "undone") == while_it_waited

    # The other way to the same count: it is taken back, and sent again as it should have read.
    withdraw_return(by=trap.site.household.keeper, uuid=report.uuid)
    again = send_return(trap, catch=catch(3, 4), screened=True)
    again.refresh_from_db()
    assert again.state == "standing"
    assert night(season, "sent right") == corrected


def test_a_corrected_time_changes_the_effort_behind_the_index_and_an_undo_restores_it(season: Season) -> None:
    desk = make_coordinator()
    report = send_return(make_trap(site=make_site()), liquid="soap", catch=catch(3, 4), screened=True)
    report.refresh_from_db()
    while_it_waited = night(season, "waits")
    later = report.emptied_at + timedelta(hours=2)
    give_verdict(
        by=desk, uuid=report.uuid, version=report.version, decision=Decision.CORRECTED,
        reason=VerdictReason.DATE_SLIP, columns={"emptied_at": later, "liquid": "nothing"},
    )  # fmt: skip
    report.refresh_from_db()
    # 26 of 24 hours, by hand.
    assert report.trap_nights == pytest.approx(26 / 24)
    assert night(season, "corrected") != while_it_waited
    undo_verdict(by=desk, uuid=report.uuid, version=report.version)
    assert night(season, "undone") == while_it_waited
    assert Return.objects.get(pk=report.pk).trap_nights == pytest.approx(24 / 24)
