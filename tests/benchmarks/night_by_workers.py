"""The same night done by one worker process and by two: seconds, speed-up, hashes of what is published, peak memory.

``python -m tests.benchmarks.night_by_workers --returns 100000`` on a database of its own, filled by
``tests.benchmarks.large_season``. Each worker is a process that does one part at a time, as on a host with one
processor; last comes the same night within one process and without parts, on all processors: its peer. ``--screening no`` leaves out
screening, which takes the longest. The processor seconds are those of the workers, not of PostgreSQL. With more
processes on the machine than processors the seconds say little: the load is printed beside them.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
from datetime import date
from time import perf_counter, sleep
from typing import Any

NIGHT = date(2026, 11, 1)
STAGES = {1: "usual", 2: "screening"}  # what has ended when a night says so many steps


def worker(role: str, job_id: int) -> None:
    """Be one worker process: the owner of a job or a helper; print what it took as JSON."""
    use_it()
    from django.db import connection

    from surveys.models import Job
    from surveys.services.night import help_with_night, run_night

    started, marks = perf_counter(), {}
    done = 0
    if role == "owner":
        steps: dict[int, float] = {}
        run_night(job_id=job_id, progress=lambda step, _: steps.setdefault(step, perf_counter() - started) and None)
        marks = {name: round(steps[step] - steps[step - 1], 1) for step, name in STAGES.items()}
        marks["indices"] = round(perf_counter() - started - steps[2], 1)
    else:
        while Job.objects.get(pk=job_id).state in ("queued", "running"):
            help_with_night(job_id=job_id)
            sleep(0.1)
    used = resource.getrusage(resource.RUSAGE_SELF)
    connection.close()
    said = {
        "role": role,
        "seconds": round(perf_counter() - started, 1),
        "stages": marks,
        "processor_s": round(used.ru_utime + used.ru_stime, 1),
        "peak_mib": round(used.ru_maxrss / 2**10),
        "done": done,
    }
    print(json.dumps(said))


def use_it() -> None:
    """Point at the database of this benchmark."""
    from tests.benchmarks.large_season import use_large_database

    use_large_database()


def night_with(season: Any, helpers: int, *, parts: bool, number: int) -> dict[str, Any]:
    """Run the night once more from the same returns; return seconds, hash and what each worker took."""
    from surveys.models import Run, UsualCatch
    from surveys.services.jobs import ask_for_job
    from surveys.vocabulary import JobKind
    from tests.night_values import published

    # A shown run would lend its shared parts, and the night after it would have less to do.
    Run.objects.all().delete()
    UsualCatch.objects.all().delete()
    parameters = {"season": season.code, "night": NIGHT.isoformat()}
    job, _ = ask_for_job(kind=JobKind.NIGHT, key=f"by workers {os.getpid()} {number}", parameters=parameters)
    own = {
        **os.environ,
        "NIGHT_PARTS_FROM": "0" if parts else str(10**15),
        "NIGHT_PARTS_AT_ONCE": "1",
        "NIGHT_HELPERS": "0",
    }
    program = [sys.executable, "-m", "tests.benchmarks.night_by_workers", "--job", str(job.pk), "--role"]
    started = perf_counter()
    workers = [
        subprocess.Popen([*program, role], env=own, stdout=subprocess.PIPE, text=True)
        for role in ("owner", *["helper"] * helpers)
    ]
    said = [json.loads(one.communicate()[0].strip().rsplit("\n", 1)[-1]) for one in workers]
    seconds = perf_counter() - started
    return {"seconds": seconds, "hash": published(Run.objects.get()), "workers": said}


def without_screening(season: Any) -> None:
    """Let no return stand to be screened again: a person has let it stand, which screening respects."""
    from surveys.models import Return

    freely(Return.objects.filter(season=season).update, state="upheld")


def freely(change: Any, **values: Any) -> None:
    """Change rows with triggers off."""
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        change(**values)
        cursor.execute("SET session_replication_role = origin")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--returns", type=int, default=100_000)
    parser.add_argument("--gardens", type=int)
    parser.add_argument("--groups", type=int, default=30)
    parser.add_argument("--screening", choices=("yes", "no"), default="yes")
    parser.add_argument("--workers", type=int, nargs="*", default=[1, 2])
    parser.add_argument("--role", choices=("owner", "helper"))
    parser.add_argument("--job", type=int)
    asked = parser.parse_args()
    if asked.role:
        worker(asked.role, asked.job)
        return
    os.environ.setdefault("TRAPNIGHT_LARGE_NAME", f"trapnight_by_workers_{asked.returns}_{asked.groups}")
    use_it()
    from surveys.models import Return, Season
    from surveys.services.packing import pack_catches
    from tests.benchmarks.large_season import build

    season = build(asked.returns, asked.gardens or max(asked.returns // 25, 40), asked.groups)
    there = Return.objects.filter(season=season).count()
    if there != asked.returns:
        raise SystemExit(f"The database holds {there:,} returns. Name another by TRAPNIGHT_LARGE_NAME for a new one.")
    # Nothing is held for a person, so that each night reads the same returns.
    freely(Season.objects.filter(pk=season.pk).update, review_budget=1e-9)
    freely(Return.objects.filter(season=season).update, state="standing", urgent=False)
    if asked.screening == "no":
        without_screening(season)
    pack_catches(season=season, still_ours=lambda: None)
    print(f"{there:,} returns, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors", flush=True)
    plans = [*((f"{n} worker(s), in parts", n - 1, True) for n in asked.workers), ("one process, no parts", 0, False)]
    hashes, seconds = [], []
    for number, (name, helpers, parts) in enumerate(plans):
        found = night_with(season, helpers, parts=parts, number=number)
        hashes.append(found["hash"])
        seconds.append(found["seconds"])
        print(f"{name:24} {found['seconds']:7.1f} s   hash {found['hash'][:16]}   load {os.getloadavg()[0]:.1f}")
        for one in found["workers"]:
            print(
                f"    {one['role']:8} processor {one['processor_s']:7.1f} s   peak {one['peak_mib']:,} MiB",
                one["stages"],
            )
        sys.stdout.flush()
    for (name, *_), took in zip(plans[1:], seconds[1:], strict=True):
        print(f"{name}: {seconds[0] / took:.2f} times as fast as {plans[0][0]}")
    if len(set(hashes)) != 1:
        raise SystemExit("The nights differ.")
    print("All nights published the same, to the last digit.")


if __name__ == "__main__":
    main()
