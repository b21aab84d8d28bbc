"""A small database as it was at migration 0009, written out as plain SQL for the test of the way up.

``python -m tests.upgrade.make_dump`` on a database of its own. It is made once, by the code of that time: whoever
changes the tables later makes none anew, but brings this one up (``test_upgrade.py``). All of it is invented: the
gardens, people and returns are those of ``tests/factories.py``.
"""

from __future__ import annotations

import gzip
import os
import re
import secrets
from pathlib import Path

from tests.operation.cluster import Cluster

DUMP = Path(__file__).resolve().parent / "at_0009.sql.gz"
#: The date that stands in all of it.
NIGHT = "2026-05-04"


def fill(releases: Path) -> None:
    """Fill an empty database: gardens, returns of all sorts, a worked queue, a night, an erasure."""
    from datetime import date

    from django.core.management import call_command

    from surveys.models import Return
    from surveys.services.erasure import erase_account
    from surveys.services.night import ask_for_night, run_night
    from surveys.services.review import give_verdict
    from surveys.vocabulary import Decision, VerdictReason
    from tests.factories import make_coordinator, make_household, make_season, make_site, make_trap, send_return

    call_command("migrate", verbosity=0)
    season = make_season(code="upgrade-2026", invented=True)
    traps = [
        make_trap(site=make_site(household=make_household(), region=region)) for region in ("eastmark", "westmark") * 7
    ]
    for trap in traps:
        send_return(trap)
    held = send_return(traps[0], liquid="soap", screened=True, note="It was soap, I think.")
    judge = make_coordinator()
    give_verdict(
        by=judge, uuid=held.uuid, version=Return.objects.get(pk=held.pk).version, decision=Decision.DISCOUNTED,
        reason=VerdictReason.NOT_EXPLAINED,
    )  # fmt: skip
    erased = traps[-1].site.household.keeper
    erase_account(account=erased, by=erased)
    job, _ = ask_for_night(season=season, night=date.fromisoformat(NIGHT))
    assert run_night(job_id=job.pk) is not None


def main() -> None:
    cluster = Cluster()
    os.environ.update({
        "DATABASE_URL": cluster.url(), "TRAPNIGHT_HOME": str(cluster.folder / "home"),
        "DJANGO_SETTINGS_MODULE": "project.settings.test", "SECRET_KEY": secrets.token_urlsafe(64),
        "RELEASES_FOLDER": str(cluster.folder / "releases"), "REDIS_URL": "",
    })  # fmt: skip
    try:
        import django

        django.setup()
        from project.operation.tools import run

        fill(cluster.folder / "releases")
        text = run(["pg_dump", "--dbname", cluster.address(), "--no-owner", "--no-privileges"])
        # A dump guards itself with a random word, and says which program made it.
        text = re.sub(r"^\\(un)?restrict .*\n", "", text, flags=re.MULTILINE)
        DUMP.write_bytes(gzip.compress(text.encode(), mtime=0))
        print(f"{DUMP}: {DUMP.stat().st_size:,} bytes")
    finally:
        cluster.remove()


if __name__ == "__main__":
    main()
