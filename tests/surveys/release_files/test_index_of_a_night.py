"""The night computes from the database, a release from its files: the same returns give the same figures in both."""

from __future__ import annotations

import random
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from surveys.models import Catch, Household, Return, Run, Season, Site, Trap
from surveys.queries.seasons import lists_of
from surveys.release_files.facts import write_facts
from surveys.release_files.index_estimates import IndexSeries, compute_index_series
from surveys.release_files.tables import (
    COUNTS,
    GROUPS,
    HABITATS,
    INDEX_CHANGE,
    INDEX_LEVEL,
    REGIONS,
    RETURNS,
    SEASONS,
    WINDOWS,
)
from surveys.vocabulary import HouseholdKind
from tests.factories import ApiClient, make_household, make_season, make_site, make_trap, return_payload
from tests.released import facts, write_table
from tests.several_seasons import run_once

pytestmark = pytest.mark.django_db(transaction=True)

#: Animals of a night in a middling garden, invented.
TYPICAL = (("woodlice", 4), ("millipedes", 1), ("centipedes", 0.5), ("spiders", 3), ("ground_beetles", 2), ("springtails", 11))  # fmt: skip
#: Figures of both ways differ by no more than this share of themselves. They are sums of the same numbers, but what
#: ties in the order of the night (two returns of a garden that say the same) may be added up in another order.
AS_GOOD_AS_THE_SAME = 1e-9


def answers(chance: random.Random, richness: float) -> list[dict[str, Any]]:
    """Return what a garden answers: numbers, classes, none, and now and then nothing."""
    found: list[dict[str, Any]] = []
    for group, typical in TYPICAL:
        count = int(chance.expovariate(1 / (typical * richness)))
        if chance.random() < 0.06:
            found.append({"group": group, "answer": "did_not_look"})
        elif count == 0:
            found.append({"group": group, "answer": "none_seen"})
        elif count < 16:
            found.append({"group": group, "answer": "number", "count": count})
        else:
            found.append({"group": group, "answer": "class", "class": "c16to31" if count < 32 else "c32to63"})
    return found


def payload(chance: random.Random, trap: Trap, year: int, day: int, richness: float) -> dict[str, Any]:
    """Return a return of a trap, its identifier drawn, so that identifiers and row numbers are in different orders."""
    return return_payload(
        trap,
        id=str(uuid.UUID(int=chance.getrandbits(128), version=4)),
        set_at=f"{year}-05-{day:02}T17:00:00+00:00",
        emptied_at=f"{year}-05-{day + 1:02}T{chance.choice(['16:50', '17:00', '17:20'])}:00+00:00",
        catch=answers(chance, richness),
        mouth_mm=chance.choice([70, 75, 80, None]),
        settled_h=chance.choice([0, 72, 72, None]),
        temp_max_c=chance.choice([None, 14, 18.5]),
        temp_min_c=chance.choice([None, 8]),
        rim=chance.choice(["flush"] * 9 + ["above"]),
    )


def send_all(chance: random.Random, traps: list[Trap], years: tuple[int, ...]) -> None:
    """Send two or three returns of every trap in every year, and let all stand."""
    richness = {trap.pk: chance.gammavariate(2, 0.5) for trap in traps}
    for year in years:
        by_household: dict[Household, list[dict[str, Any]]] = {}
        for trap in traps:
            for day in chance.sample([2, 9, 16], chance.choice([2, 3])):
                one = payload(chance, trap, year, day, richness[trap.pk])
                by_household.setdefault(trap.site.household, []).append(one)
        for household, payloads in by_household.items():
            answer = ApiClient(household.keeper).send("returns/batch", {"returns": payloads})
            assert answer.status_code in (200, 201, 207), answer.content[:500]
    Return.objects.update(state="upheld")


@pytest.fixture
def run() -> Run:
    """The night of a season with one before it: 36 gardens, some of schools, in two regions."""
    chance = random.Random(11)
    make_season(year=2025)
    season = make_season()
    households = [make_household() for _ in range(4)]
    households += [make_household(kind=HouseholdKind.SCHOOL) for _ in range(3)]
    traps = [
        make_trap(
            site=make_site(household=chance.choice(households), region=chance.choice(["eastmark", "westmark"])),
            habitat=chance.choice(["short_lawn", "short_lawn", "hedge_base", "other"]),
        )
        for _ in range(36)
    ]
    send_all(chance, traps, (2025, 2026))
    return run_once(season)


def write_release(run: Run, folder: Path, site_id: Callable[[Trap], str]) -> None:
    """Write the frozen tables by hand from the rows that the night read: efforts not rounded, and nothing kept back."""
    seasons = list(Season.objects.order_by("opens_on"))
    for season in seasons:
        assert set(lists_of(season).by_code.groups) == {group for group, _ in TYPICAL}
    _write_lists(folder, seasons)
    senders: set[tuple[int, int]] = set()
    returns = []
    for row in Return.objects.order_by("pk").select_related("season", "region", "habitat", "trap__site__household"):
        left_out = "off_protocol" if row.standing == "off_protocol" else None
        first = left_out is None and (row.season_id, row.sender_id) not in senders
        senders |= {(row.season_id, row.sender_id)} if first else set()
        returns.append({
            "return_id": row.uuid, "season": row.season.code, "region": row.region.code, "site_id": site_id(row.trap),
            "trap_number": 1, "habitat": row.habitat.code, "window": "spring", "night": row.night, "set_at": row.set_at,
            "emptied_at": row.emptied_at, "exposure_hours": row.exposure_h, "traps_pooled": 1,
            "trap_nights": row.trap_nights, "rim_ratio": row.rim_ratio, "fresh": row.fresh,
            "school": row.trap.site.household.kind == HouseholdKind.SCHOOL, "first_return": first,
            "temp_min_c": row.temp_min_c, "temp_max_c": row.temp_max_c, "standing": row.standing, "state": row.state,
            "left_out": left_out,
        })  # fmt: skip
    counts = [
        {
            "return_id": catch.report.uuid, "group": catch.group.code, "answer": catch.answer, "count_min": catch.low,
            "count_max": catch.high, "corrected": False,
        }
        for catch in Catch.objects.select_related("report", "group")
    ]  # fmt: skip
    assert any(row["left_out"] for row in returns)
    for row in returns + counts:
        row["return_id"] = str(row["return_id"])
    write_table(folder, RETURNS, returns)
    write_table(folder, COUNTS, counts)
    write_facts(facts(season=run.season.code, seed=run.seed), folder)


def _write_lists(folder: Path, seasons: list[Season]) -> None:
    write_table(folder, SEASONS, [
        {name: getattr(one, name) for name in ("title", "organiser", "opens_on", "closes_on", "time_zone", "licence", "invented")}
        | {"season": one.code, "protocol": one.protocol.version} for one in seasons
    ])  # fmt: skip
    listed = {season.code: lists_of(season).by_code for season in seasons}
    for table, column, name in ((REGIONS, "region", "regions"), (GROUPS, "group", "groups"), (HABITATS, "habitat", "habitats")):  # fmt: skip
        write_table(folder, table, [
            {"season": code, "position": at, column: one, "name": one, "label": one, "scientific_name": one,
             "taxon_rank": "order", "weight": lists.weights[at - 1] if column == "habitat" else None}
            for code, lists in listed.items() for at, one in enumerate(getattr(lists, name), start=1)
        ])  # fmt: skip
    write_table(folder, WINDOWS, [
        {"season": code, "position": at, "window": one.code, "name": one.code, "first_day": one.first_day, "last_day": one.last_day}
        for code, lists in listed.items() for at, one in enumerate(lists.windows, start=1)
    ])  # fmt: skip


def levels_of(run: Run) -> dict[tuple[Any, ...], tuple[Any, ...]]:
    """Return the levels that a night has shown, by region, window, group and exponent."""
    rows = run.values.values_list(
        "region__code", "window__code", "group__code", "rim_exponent", "label", "estimate", "low", "high", "sites",
        "site_nights", "returns", "trap_nights", "more_sites_needed",
    )  # fmt: skip
    return {row[:4]: row[4:] for row in rows}


def changes_of(run: Run) -> dict[tuple[Any, ...], tuple[Any, ...]]:
    """Return the changes that a night has shown, by region, window, group and whether they are adjusted."""
    rows = run.changes.values_list(
        "region__code", "window__code", "group__code", "adjusted", "code", "ratio", "low", "high", "p_value",
        "p_adjusted", "revisited_sites", "effective_sites", "more_sites_needed",
    )  # fmt: skip
    return {row[:4]: row[4:] for row in rows}


def levels_in(series: IndexSeries, season: str) -> dict[tuple[Any, ...], tuple[Any, ...]]:
    """Return the levels of a season as a release has them."""
    assert INDEX_LEVEL.names[:6] == ("season", "region", "window", "group", "rim_exponent", "label")
    return {row[1:5]: row[5:] for row in series.level if row[0] == season}


def changes_in(series: IndexSeries) -> dict[tuple[Any, ...], tuple[Any, ...]]:
    """Return the changes as a release has them, without the column of the base."""
    assert INDEX_CHANGE.names[4:7] == ("adjusted", "base", "code")
    return {row[1:5]: row[6:] for row in series.change}


def assert_same(found: tuple[Any, ...], expected: tuple[Any, ...]) -> None:
    for one, other in zip(found, expected, strict=True):
        if isinstance(other, float):
            assert one == pytest.approx(other, rel=AS_GOOD_AS_THE_SAME)
        else:
            assert one == other


def test_the_same_returns_give_the_same_figures_by_night_and_from_files(run: Run, tmp_path: Path) -> None:
    """Sites are numbered here in the order of their rows: the guard is drawn site by site, in this order."""
    write_release(run, tmp_path, lambda trap: str(uuid.UUID(int=trap.site_id)))
    series = compute_index_series(tmp_path)
    for found, expected in ((levels_in(series, "test-2026"), levels_of(run)), (changes_in(series), changes_of(run))):
        assert found.keys() == expected.keys()
        for key, values in expected.items():
            assert_same(found[key], values)
    shown = {
        "level": [row[0] for row in levels_of(run).values()],
        "change": [row[0] for row in changes_of(run).values()],
    }
    assert shown["level"].count("shown") > 10
    assert shown["change"].count("shown") > 10
    assert series.settings["components"]["test-2026"].keys() == run.parameters["components"].keys()
    assert series.settings["level"] == run.parameters["level"]
    assert series.settings["change"]["settings"] == run.parameters["change"]["settings"]
    for group, told in run.parameters["change"]["groups"].items():
        assert series.settings["change"]["groups"][group] == told


def test_other_numbers_of_the_sites_move_no_estimate(run: Run, tmp_path: Path) -> None:
    """A release numbers sites by their random identifiers: only what is drawn for the guard then differs.

    The guard widens intervals, and decides with them which of the figures that are shown has a wide one.
    """
    chance = random.Random(2)
    drawn = {site: str(uuid.UUID(int=chance.getrandbits(128), version=4)) for site in Site.objects.order_by("pk")}
    write_release(run, tmp_path, lambda trap: drawn[trap.site])
    series = compute_index_series(tmp_path)
    levels = levels_of(run)
    for key, found in levels_in(series, "test-2026").items():
        label, estimate, low, high, *counted = levels[key]
        assert_same(found[1:2] + found[4:], (estimate, *counted))
        assert (found[0] == "too_few") == (label == "too_few")
        if estimate is not None:
            assert found[2] == pytest.approx(low, rel=0.25)  # a guard of 12 draws has an error of some per cent
            assert found[3] == pytest.approx(high, rel=0.25)
    for key, found in changes_in(series).items():
        assert_same(found, changes_of(run)[key])
