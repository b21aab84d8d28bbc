"""A release of a million returns: memory, the rate of its CSV beside PostgreSQL's own COPY, and the first byte.

``python -m tests.benchmarks.release_of_a_million`` on a database like that of ``tests.benchmarks.large_season``, with
eight groups on the list; give it a name of its own by ``TRAPNIGHT_LARGE_NAME``.
Prints, for returns, counts and findings: seconds and rows a second of the frozen CSV and of its peer, PostgreSQL's
COPY of the same statement into nothing, in the same run, and their ratio; then the whole job in a process of its own
with its highest memory, step by step; then how long the first byte of the largest file takes from a real server.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import Any

from tests.benchmarks.large_season import build, use_large_database

#: A list of this length gives eight million counts for a million returns.
GROUPS_ASKED = 8


def let_the_keeper_agree() -> None:
    """Let the keeper of all gardens agree to the licence, or nothing may be released."""
    from surveys.models import Account
    from surveys.services.people import CONSENT_VERSION, give_consent
    from surveys.vocabulary import Licence

    account = Account.objects.get(email="large@merrow.example")
    if not account.consents.exists():
        give_consent(by=account, version=CONSENT_VERSION, licence=Licence.CC_BY_4)


def compare_with_copy(season: Any, folder: Path) -> None:
    """Time each large table as a frozen file, and as a COPY into nothing: the same statement in the same transaction."""
    from django.db import connection, transaction

    from surveys.queries.release_places import release_parameters, release_seasons
    from surveys.services import frozen_tables

    with transaction.atomic():
        frozen_tables._begin()
        parameters = release_parameters(release_seasons(season))
        frozen_tables._settle_sites(parameters)
        for table, statement in frozen_tables._STATEMENTS.items():
            if table.name not in {"returns", "counts", "findings"}:
                continue
            took: dict[str, float] = {}
            for turn in ("peer", "ours", "peer", "ours"):
                begun = perf_counter()
                if turn == "ours":
                    rows = frozen_tables._write(folder / f"{table.name}.csv", statement, parameters)
                else:
                    with connection.cursor() as cursor:
                        cursor.execute(f"COPY ({statement}) TO '/dev/null' (FORMAT csv, HEADER true)", parameters)
                took[turn] = min(took.get(turn, 1e9), perf_counter() - begun)
            size = (folder / f"{table.name}.csv").stat().st_size
            print(
                f"{table.name:10} {rows:10,} rows {size / 1e6:8.1f} MB   ours {took['ours']:6.1f} s"
                f"   COPY into nothing {took['peer']:6.1f} s   rate {took['peer'] / took['ours']:.2f} of COPY",
                flush=True,
            )


def make_it() -> None:
    """Make the release in this process and print its highest memory (of a child of its own)."""
    use_large_database()
    from django.conf import settings

    settings.RELEASES_FOLDER = Path(os.environ["RELEASES_FOLDER"])
    from surveys.models import Job, Release, Season
    from surveys.services import releases
    from surveys.vocabulary import JobKind
    from tests.factories import make_coordinator

    def highest() -> float:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

    print(f"    before anything: {highest():.0f} MB", flush=True)
    season = Season.objects.get(code="merrow-large")
    Job.objects.filter(kind=JobKind.RELEASE, state__in=["queued", "running"]).update(state="failed")
    begun = perf_counter()
    steps: list[int] = []

    def told(done: int, total: int) -> None:
        if not steps or steps[-1] != done:
            steps.append(done)
            print(f"    {done:3} of {total}: {perf_counter() - begun:6.1f} s, {highest():.0f} MB", flush=True)

    job = releases.ask_for_release(
        by=make_coordinator(), season_code=season.code, because="Measured, and thrown away afterwards."
    )
    release = releases.make_release(job_id=job.pk, progress=told)
    assert release is not None
    folder = releases.folder_of(release)
    sizes = {path.name: path.stat().st_size for path in sorted(folder.iterdir())}
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    time_the_first_byte(release.version, sizes)
    print(f"    highest memory: {highest():.0f} MB here, {children:.0f} MB in the largest process that it started")
    print(json.dumps({"s": round(perf_counter() - begun, 1), "bytes": sizes}))
    from tests.frozen import thawed

    with thawed():  # for measuring only: a release is for ever everywhere else
        for model in ("cells", "new_sites"):
            getattr(release, model).all()._raw_delete("default")
        Release.objects.filter(pk=release.pk)._raw_delete("default")


def time_the_first_byte(version: str, sizes: dict[str, int]) -> None:
    """Fetch the largest files from a real server, whole and from their middle on, and print when each began."""
    import httpx

    from project import embedded
    from project.processes import Crew
    from tests.journeys.conftest import free_port

    address = f"127.0.0.1:{free_port()}"
    with TemporaryDirectory() as logs, Crew(Path(logs)) as crew:
        os.environ.setdefault("REDIS_URL", embedded.start_broker(Path(logs)))
        crew.environment |= {"REDIS_URL": os.environ["REDIS_URL"]}
        crew.start_web(address, processes=1)
        for name in sorted(sizes, key=lambda file: -sizes[file])[:4]:
            for beginning in (0, sizes[name] // 2):
                begun = perf_counter()
                headers = {"Range": f"bytes={beginning}-"} if beginning else {}
                with httpx.stream("GET", f"http://{address}/releases/{version}/{name}", headers=headers) as answer:
                    answer.raise_for_status()
                    first, got = 0.0, 0
                    for block in answer.iter_raw():
                        first = first or perf_counter() - begun
                        got += len(block)
                whole = perf_counter() - begun
                print(
                    f"    {name:24} from byte {beginning:11,}: first byte {1000 * first:6.1f} ms, "
                    f"{got / 1e6:7.1f} MB in {whole:5.2f} s",
                    flush=True,
                )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--returns", type=int, default=1_000_000)
    parser.add_argument("--gardens", type=int, default=20_000)
    parser.add_argument("--only", choices=["copy", "job", "make"], default=None)
    asked = parser.parse_args()
    if asked.only == "make":
        make_it()
        return
    with TemporaryDirectory(prefix="release-") as name:
        os.environ["RELEASES_FOLDER"] = name
        use_large_database()
        season = build(asked.returns, asked.gardens, groups_asked=GROUPS_ASKED)
        let_the_keeper_agree()
        if asked.only in (None, "copy"):
            compare_with_copy(season, Path(name))
        if asked.only in (None, "job"):
            subprocess.run(
                [sys.executable, "-m", "tests.benchmarks.release_of_a_million", "--only", "make"], check=True
            )


if __name__ == "__main__":
    main()
