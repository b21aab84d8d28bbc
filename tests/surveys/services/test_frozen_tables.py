"""What a release freezes: usable, agreed to, screened by place; nothing else, to the row."""

from __future__ import annotations

import csv
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from surveys.models import Account, Consent, Return, Season, Site, Trap
from surveys.release_files.tables import FROZEN, RETURNS
from surveys.services.frozen_tables import freeze_tables
from surveys.services.review import give_verdict
from surveys.services.undo import undo_verdict
from surveys.vocabulary import USABLE_STATES, Decision, ReturnState, VerdictReason
from tests.factories import (
    find_in,
    make_account,
    make_coordinator,
    make_household,
    make_season,
    make_site,
    make_trap,
    send_return,
    verified,
)
from tests.several_seasons import catch_of, send_year

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def season() -> Season:
    return make_season()


def frozen(season: Season, folder: Path) -> dict[str, list[dict[str, str]]]:
    """Freeze a season into a folder and read every table back with the standard library's reader."""
    freeze_tables(season=season, folder=folder, still_ours=lambda: None)
    return {table.name: rows_of(folder / f"{table.name}.csv") for table in FROZEN}


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def own_gardens(count: int, *, region: str = "eastmark", keeper: Account | None = None) -> list[Trap]:
    """Add gardens with a trap each, every one of a household of its own, all kept by one account."""
    keeper = keeper or make_account()
    return [make_trap(site=make_site(household=make_household(keeper=keeper), region=region)) for _ in range(count)]


def gardens(count: int = 6, **more: Any) -> list[Trap]:
    traps = own_gardens(count, **more)
    send_year(traps, 2026, lambda n: catch_of(woodlice=n + 1), days=(2,))
    return traps


def test_every_table_has_the_columns_of_the_codebook_in_order(season: Season, tmp_path: Path) -> None:
    gardens()
    freeze_tables(season=season, folder=tmp_path, still_ours=lambda: None)
    for table in FROZEN:
        raw = (tmp_path / f"{table.name}.csv").read_bytes()
        assert raw.split(b"\n")[0].decode() == ",".join(table.names), table.name
        # RFC 4180 as house.md and standard F1 have it: UTF-8 without a mark, LF, a line end behind the last row.
        assert not raw.startswith(b"\xef\xbb\xbf")
        assert b"\r" not in raw
        assert raw.endswith(b"\n")


def test_the_number_of_rows_that_is_told_is_that_of_the_file(season: Season, tmp_path: Path) -> None:
    gardens()
    told = freeze_tables(season=season, folder=tmp_path, still_ours=lambda: None).rows
    assert {name: len(rows_of(tmp_path / f"{name}.csv")) for name in told} == dict(told)
    assert told["returns"] == 6
    assert told["counts"] == 36


STATES = st.lists(st.sampled_from(list(ReturnState)), min_size=8, max_size=8)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(states=STATES, agreed=st.booleans())
def test_only_usable_returns_that_were_agreed_to_enter(
    season: Season, tmp_path_factory: pytest.TempPathFactory, states: list[ReturnState], agreed: bool
) -> None:
    """Held, discounted, withdrawn, not screened, not agreed to: no row, whatever the mixture."""
    Return.objects.exists() or gardens(8)
    sent = list(Return.objects.order_by("id"))
    for report, state in zip(sent, states, strict=True):
        Return.objects.filter(pk=report.pk).update(state=state)
    Consent.objects.update(withdrawn_at=None if agreed else timezone.now())
    found = frozen(season, tmp_path_factory.mktemp("release"))
    usable = {str(one.uuid) for one, state in zip(sent, states, strict=True) if state in USABLE_STATES}
    expected = usable if agreed and len(usable) >= 5 else set()
    assert {row["return_id"] for row in found["returns"]} == expected
    assert {row["return_id"] for row in found["counts"]} == expected
    assert {row["return_id"] for row in found["findings"]} <= expected


def test_what_is_invented_never_enters_a_release_of_what_is_not(tmp_path: Path) -> None:
    invented = make_season(code="invented", year=2025)
    gardens_of_both = own_gardens(6)
    send_year(gardens_of_both, 2025, lambda n: catch_of(woodlice=1))
    real = make_season(year=2026)
    send_year(gardens_of_both, 2026, lambda n: catch_of(woodlice=1))
    assert {row["season"] for row in frozen(real, make(tmp_path / "both"))["returns"]} == {"invented", "test-2026"}
    _declare_invented(invented)
    assert {row["season"] for row in frozen(real, make(tmp_path / "real"))["returns"]} == {"test-2026"}
    assert {row["season"] for row in frozen(real, make(tmp_path / "again"))["seasons"]} == {"test-2026"}


def make(folder: Path) -> Path:
    folder.mkdir()
    return folder


def _declare_invented(season: Season) -> None:
    from tests.frozen import thawed

    with thawed():
        Season.objects.filter(pk=season.pk).update(invented=True)


def test_a_region_of_four_gardens_is_kept_back_and_one_of_five_is_not(season: Season, tmp_path: Path) -> None:
    """k = 5: METHODS.md, section 12."""
    gardens(5, region="eastmark")
    gardens(4, region="westmark")
    found = frozen(season, tmp_path)
    assert Counter(row["region"] for row in found["returns"]) == {"eastmark": 5}
    assert [(row["reason"], row["returns"]) for row in found["exclusions"]] == [("few_sites", "")]


def test_exclusions_tell_how_many_and_why(season: Season, tmp_path: Path) -> None:
    traps = gardens(12)
    sent = list(Return.objects.order_by("id"))
    Return.objects.filter(pk__in=[one.pk for one in sent[:5]]).update(state="queried")
    Return.objects.filter(pk=sent[5].pk).update(state="withdrawn")
    found = frozen(season, tmp_path)
    assert len(traps) - 6 == len(found["returns"]) == 6
    # One withdrawn return comes from one garden: that there is one is told, how many is not.
    assert {row["reason"]: row["returns"] for row in found["exclusions"]} == {"queried": "5", "withdrawn": ""}


def test_a_correction_is_in_force_beside_what_was_sent_until_it_is_taken_back(season: Season, tmp_path: Path) -> None:
    gardens(6)
    lead = verified(make_coordinator())
    report = Return.objects.order_by("id").first()
    assert report is not None
    Return.objects.filter(pk=report.pk).update(state="queried")
    from surveys.methods.records import Answer
    from surveys.vocabulary import AnswerKind

    give_verdict(
        by=lead, uuid=report.uuid, version=report.version, decision=Decision.CORRECTED, reason=VerdictReason.COUNT_SLIP,
        answers=[Answer("woodlice", AnswerKind.NUMBER, 4, 4)], columns={"mouth_mm": 60.0},
    )  # fmt: skip
    found = frozen(season, make(tmp_path / "corrected"))
    counted = next(r for r in found["counts"] if r["return_id"] == str(report.uuid) and r["group"] == "woodlice")
    assert (counted["count_min"], counted["corrected"], counted["sent_count_min"], counted["sent_answer"]) == (
        "4", "true", "1", "number",
    )  # fmt: skip
    told = next(r for r in found["returns"] if r["return_id"] == str(report.uuid))
    # 60 / 75 by hand.
    assert (told["mouth_mm"], told["rim_ratio"], told["state"], told["verdict_reason"]) == (
        "60", "0.8", "corrected", "count_slip",
    )  # fmt: skip
    report.refresh_from_db()
    undo_verdict(by=lead, uuid=report.uuid, version=report.version)
    Return.objects.filter(pk=report.pk).update(state="upheld")
    found = frozen(season, make(tmp_path / "undone"))
    counted = next(r for r in found["counts"] if r["return_id"] == str(report.uuid) and r["group"] == "woodlice")
    assert (counted["count_min"], counted["corrected"], counted["sent_answer"]) == ("1", "false", "")


def test_times_are_told_to_a_quarter_of_an_hour_and_effort_follows_from_them(season: Season, tmp_path: Path) -> None:
    traps = own_gardens(5)
    for trap in traps:
        send_return(
            trap, screened=True, set_at="2026-05-02T17:07:29+00:00", emptied_at="2026-05-03T17:52:31+00:00",
        )  # fmt: skip
    Return.objects.update(state="standing")
    row = frozen(season, tmp_path)["returns"][0]
    # By hand: 17:07:29 lies nearer to 17:00 than to 17:15, 17:52:31 nearer to 18:00; 24.7506 h is 24.75 h.
    assert (row["set_at"], row["emptied_at"]) == ("2026-05-02T17:00:00Z", "2026-05-03T18:00:00Z")
    assert float(row["exposure_hours"]) == 24.75
    assert float(row["trap_nights"]) == 24.75 / 24
    assert datetime.fromisoformat(row["set_at"]).tzinfo == UTC


def test_what_nobody_looked_for_has_no_count_and_no_detection(season: Season, tmp_path: Path) -> None:
    traps = own_gardens(5)
    send_year(traps, 2026, lambda n: catch_of(woodlice=None, spiders=2), days=(2,))
    found = frozen(season, tmp_path)["counts"]
    woodlice = [row for row in found if row["group"] == "woodlice"]
    assert {(r["answer"], r["count_min"], r["count_max"], r["detected"]) for r in woodlice} == {
        ("did_not_look", "", "", "")
    }
    assert {r["detected"] for r in found if r["group"] == "spiders"} == {"true"}
    assert {r["detected"] for r in found if r["group"] == "millipedes"} == {"false"}


def test_why_a_return_enters_no_index_is_told(season: Season, tmp_path: Path) -> None:
    traps = gardens(8)
    sent = list(Return.objects.order_by("id"))
    Return.objects.filter(pk=sent[0].pk).update(standing="off_protocol")
    Return.objects.filter(pk=sent[1].pk).update(trap_nights=None)
    between = send_return(traps[2], set_at="2026-06-05T17:00:00+00:00", emptied_at="2026-06-06T17:00:00+00:00")
    Return.objects.filter(pk=between.pk).update(state="standing")
    found = {row["return_id"]: row for row in frozen(season, tmp_path)["returns"]}
    assert found[str(sent[0].uuid)]["left_out"] == "off_protocol"
    assert found[str(sent[1].uuid)]["left_out"] == "no_effort"
    assert (found[str(between.uuid)]["left_out"], found[str(between.uuid)]["window"]) == ("no_window", "")
    assert found[str(sent[3].uuid)]["left_out"] == ""
    # One household keeps them all: its first return that counts is the third that it sent.
    firsts = [row["return_id"] for row in found.values() if row["first_return"] == "true"]
    assert firsts == [str(sent[2].uuid)]


def test_findings_are_one_row_a_check_with_the_weightiest_outcome(season: Season, tmp_path: Path) -> None:
    gardens(5)
    report = Return.objects.order_by("id").first()
    assert report is not None
    find_in(report, *[("exposure", outcome) for outcome in ("note", "out", "offset")])
    found = [row for row in frozen(season, tmp_path)["findings"] if row["return_id"] == str(report.uuid)]
    assert found == [{"return_id": str(report.uuid), "check": "exposure", "outcome": "out"}]


def test_rows_stand_in_the_order_of_their_keys(season: Season, tmp_path: Path) -> None:
    gardens(7)
    found = frozen(season, tmp_path)
    for table in FROZEN:
        keys = [
            tuple(int(row[name]) if name == "position" else row[name] for name in table.key)
            for row in found[table.name]
        ]
        assert keys == sorted(set(keys)), table.name


def test_an_erased_household_leaves_rows_that_nobody_can_lead_back(season: Season, tmp_path: Path) -> None:
    """Nobody keeps the household: what had been agreed to before stays."""
    gardens(5)
    account = make_account()
    household = make_household(keeper=account)
    trap = make_trap(site=make_site(household=household))
    report = send_return(trap)
    Return.objects.filter(pk=report.pk).update(state="standing", sender=None)
    Site.objects.filter(pk=trap.site_id).get()
    household.keeper = None
    household.save()
    found = {row["return_id"]: row for row in frozen(season, tmp_path)["returns"]}
    assert found[str(report.uuid)]["first_return"] == "false"


def test_no_released_column_is_made_from_one_that_may_never_travel() -> None:
    from surveys.codebook import exposure_of
    from surveys.vocabulary import Exposure

    silent = [
        (column.name, stored)
        for table in FROZEN
        for column in table.columns
        for stored in column.stored
        if exposure_of(*stored.split(".")) in (None, Exposure.NEVER)
    ]
    assert silent == []
    # Each but places in a list says where it comes from.
    assert [c.name for t in FROZEN for c in t.columns if not c.stored and c.name != "position"] == []
    assert len(RETURNS.columns) == len(set(RETURNS.names))
