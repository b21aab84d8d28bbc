"""How long the desk's overview, a night and the cases take on a large season.

``python -m tests.benchmarks.desk_pages`` on the database that ``tests.benchmarks.large_season`` fills. It adds what a
night leaves (two runs with what they counted, their values, the log of twenty thousand returns between them) and a
queue of one return in twenty, then asks for each page as a coordinator of one region and as one of all regions.
"""

from __future__ import annotations

import argparse
import time
from datetime import timedelta
from typing import Any

import numpy as np

from tests.benchmarks.large_season import use_large_database

ASKED, BETWEEN, BATCH = 40, 20_000, 200


def prepare(season: Any) -> tuple[Any, dict[str, float]]:
    """Add two runs, the log between them and a queue, once; return the later run and what counting cost."""
    from django.db import connection

    from surveys.models import Return, Run
    from surveys.queries.season_counts import counted_season
    from surveys.queries.season_returns import catch_frame
    from surveys.queries.seasons import lists_of

    lists = lists_of(season)
    began = time.perf_counter()
    frame = catch_frame(lists)
    read = time.perf_counter()
    counted = counted_season(lists, frame)
    cost = {"read_s": read - began, "count_s": time.perf_counter() - read}
    found = Run.objects.filter(season=season, state="published").first()
    if found is not None:
        return found, cost
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        cursor.execute(
            "UPDATE surveys_return SET state = 'queried', urgent = id %% 400 = 0, rank = (id %% 997) / 1e5,"
            " reason = 'ten_times' WHERE season_id = %s AND id %% 20 = 0",
            [season.pk],
        )
        cursor.execute("SET session_replication_role = origin")
        cursor.execute("ANALYZE surveys_return")
    before, after = (_run(season, lists, number, counted) for number in (1, 2))
    before.snapshot_event = _last_event()
    _log_returns(list(Return.objects.order_by("-id").values_list("id", flat=True)[:BETWEEN]))
    after.snapshot_event = _last_event()
    after.state = "published"
    before.save()
    after.save()
    return after, cost


def _run(season: Any, lists: Any, number: int, counted: dict[str, Any]) -> Any:
    from django.utils import timezone

    from surveys.models import IndexValue, Job, Run

    now = timezone.now() - timedelta(days=2 - number)
    night = {"season": season.code, "night": now.date().isoformat()}
    key = f"{season.code}/{night['night']}/1"
    times = {"created_at": now, "started_at": now, "finished_at": now + timedelta(minutes=9)}
    job = Job.objects.create(kind="night", key=key, state="done", parameters=night, **times)
    run = Run.objects.create(
        season=season, job=job, fence=1, night=now.date(), state="superseded", method_version="1", protocol_version="1",
        code_version="benchmark", seed=1, snapshot_event=0, snapshot_hash="0" * 64, published_at=now,
        counts={"returns": 0, "in_indices": 0, **counted},
    )  # fmt: skip
    rng = np.random.default_rng(number)
    values = [
        IndexValue(
            run=run, region=region, group=group, window=window, label="shown", estimate=mean, low=mean / 2,
            high=mean * 2, sites=20, site_nights=40, returns=80, trap_nights=80.0,
        )
        for region in lists.regions
        for group in lists.groups
        for window in lists.windows
        for mean in [float(rng.gamma(2.0, 1.0)) + 0.1]
    ]  # fmt: skip
    IndexValue.objects.bulk_create(values)
    return run


def _last_event() -> int:
    from surveys.models import Event

    return Event.objects.order_by("-id").values_list("id", flat=True).first() or 0


def _log_returns(keys: list[int]) -> None:
    from django.db import transaction

    from surveys.services.events import write_event

    for at in range(0, len(keys), BATCH):
        with transaction.atomic():
            write_event(by=None, verb="returns screened", details={"returns": keys[at : at + BATCH], "held": []})


def coordinator_of(region: Any) -> Any:
    """Return the coordinator of a region, or of all, as one was appointed when this was measured before."""
    from surveys.models import Account
    from surveys.services.people import appoint
    from surveys.vocabulary import Role
    from tests.factories import make_account

    email = f"desk-{region.code if region else 'all'}@merrow.example"
    found = Account.objects.filter(email=email).first()
    if found is None:
        found = make_account(email=email)
        appoint(by=None, account=found, role=Role.COORDINATOR, region=region)
    return found


def measure(client: Any, address: str) -> list[float]:
    """Return the seconds of each asking after the first, which fills what is kept."""
    assert client.get(address).status_code == 200
    took = []
    for _ in range(ASKED):
        began = time.perf_counter()
        client.get(address)
        took.append(time.perf_counter() - began)
    return took


def main() -> None:
    """Print median and 95th percentile of each page."""
    argparse.ArgumentParser(description=__doc__).parse_args()
    use_large_database()
    from django.test.utils import override_settings

    from surveys.models import Season
    from tests.factories import client_of

    season = Season.objects.get(code="merrow-large")
    run, cost = prepare(season)
    print({name: round(value, 2) for name, value in cost.items()})
    region = season.regions.order_by("position").first()
    assert region is not None
    with override_settings(ALLOWED_HOSTS=["*"]):
        for who, account in (("one region", coordinator_of(region)), ("all regions", coordinator_of(None))):
            client = client_of(account)
            for address in ("/desk/", f"/desk/nights/{run.pk}/", "/desk/nights/", "/desk/cases/"):
                took = np.array(measure(client, address)) * 1000
                print(f"{who:12} {address:20} median {np.median(took):6.0f} ms   p95 {np.quantile(took, 0.95):6.0f} ms")


if __name__ == "__main__":
    main()
