"""Changes and groups seen of a night: whole or not at all, the same again, and guarded by the database."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from surveys.methods import side_by_side
from surveys.models import ChangeValue, GroupsSeenValue, IndexValue, Run
from surveys.services import indices
from surveys.services.jobs import LostLease
from surveys.services.night import run_night
from tests.factories import make_season
from tests.several_seasons import ask_once, make_doubling, run_once

pytestmark = pytest.mark.django_db(transaction=True)


def rows_of(run: Run) -> list[str]:
    """Return all changes and groups seen of a run, to compare runs by."""
    changes = run.changes.values_list(
        "region", "group", "window", "adjusted", "code", "ratio", "low", "high", "p_value", "p_adjusted",
        "revisited_sites", "effective_sites", "more_sites_needed",
    )  # fmt: skip
    seen = run.groups_seen.values_list("region", "label", "codes", "sites", "site_nights", "groups_seen", "figures")
    return sorted(map(str, [*changes, *seen]))


def test_the_next_night_takes_the_place_of_the_last_and_gives_the_same_to_the_last_digit() -> None:
    season = make_doubling()
    first = season.runs.get()
    second = run_once(season)
    for table in (ChangeValue, GroupsSeenValue):
        assert set(table.objects.filter(run__state="published").values_list("run", flat=True)) == {second.pk}
    assert second.changes.count() == 2 * 3 * 6 * 2  # regions, windows, groups, both ways
    assert first.seed == second.seed
    assert rows_of(first) == rows_of(second)
    assert first.parameters["groups_seen"] == second.parameters["groups_seen"]
    assert first.parameters["change"] == second.parameters["change"]


def test_a_night_that_falls_over_while_it_writes_leaves_the_last_one_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    season = make_doubling()
    shown = season.runs.get()
    before = (IndexValue.objects.count(), ChangeValue.objects.count(), GroupsSeenValue.objects.count())
    assert min(before) > 0

    def falls_over(*_: Any, **__: Any) -> None:
        raise FloatingPointError("the lamp went out")

    for table in ("ChangeValue", "GroupsSeenValue"):
        with monkeypatch.context() as patched:
            patched.setattr(getattr(indices, table).objects, "bulk_create", falls_over)
            with pytest.raises(FloatingPointError):
                run_once(season)
        assert Run.objects.get().pk == shown.pk
        assert Run.objects.get().state == "published"
        counts = (IndexValue.objects.count(), ChangeValue.objects.count(), GroupsSeenValue.objects.count())
        assert counts == before


def test_a_worker_that_loses_its_lease_during_the_changes_writes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    season = make_season()
    make_season(year=2025)
    real = indices.compute_changes

    def lost() -> None:
        raise LostLease("Another worker has it.")

    monkeypatch.setattr(indices, "compute_changes", lambda **given: real(**{**given, "still_ours": lost}))
    assert run_night(job_id=ask_once(season)) is None
    assert Run.objects.count() == 0


def test_a_night_says_that_it_is_at_work_while_one_group_takes_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """The work waits for the very sign of life that is given while it is waited for."""
    monkeypatch.setattr(side_by_side, "BEAT_S", 0.01)
    said = threading.Event()
    found = list(side_by_side.results_in_order(lambda number: (number, said.wait(30)), [3, 1, 2], said.set))
    assert found == [(3, True), (1, True), (2, True)]


CHANGE = {
    "adjusted": False, "code": "shown", "ratio": 2.0, "low": 1.0, "high": 4.0, "p_value": 0.01, "p_adjusted": 0.02,
    "revisited_sites": 12, "effective_sites": 8.0,
}  # fmt: skip

WRONG: tuple[tuple[dict[str, Any], str], ...] = (
    ({"code": "no_idea"}, "a_change_has_a_known_code"),
    ({"ratio": 5.0}, "a_change_lies_inside_its_interval_or_is_not_shown"),
    ({"low": None}, "a_change_lies_inside_its_interval_or_is_not_shown"),
    ({"low": -1.0}, "a_change_lies_inside_its_interval_or_is_not_shown"),
    ({"code": "few_animals"}, "a_change_lies_inside_its_interval_or_is_not_shown"),
    ({"p_adjusted": None}, "a_shown_change_says_what_chance_alone_would_do"),
    ({"p_adjusted": 0.001}, "a_shown_change_says_what_chance_alone_would_do"),
    (
        {"code": "few_animals", "ratio": None, "low": None, "high": None},
        "a_shown_change_says_what_chance_alone_would_do",
    ),
)


def test_the_database_refuses_a_change_that_says_too_much_or_too_little_or_the_same_again() -> None:
    season = make_season()
    run = run_once(season)
    place = {"region": season.regions.first(), "window": season.windows.first(), "group": season.groups.first()}
    for wrong, sentence in WRONG:
        with pytest.raises(IntegrityError, match=sentence), transaction.atomic():
            ChangeValue.objects.create(run=run, **place, **{**CHANGE, **wrong})
    ChangeValue.objects.create(run=run, **place, **CHANGE)
    with pytest.raises(IntegrityError, match="a_run_gives_each_change_once"), transaction.atomic():
        ChangeValue.objects.create(run=run, **place, **CHANGE)
