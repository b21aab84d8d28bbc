"""``manage.py demo``: the whole job on the invented Merrow Isles, on real parts."""

from __future__ import annotations

import time
from argparse import ArgumentParser
from datetime import date
from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from tqdm import tqdm

from project import embedded
from project.demonstration import factors, release
from project.demonstration.desk import work_queue
from project.demonstration.sending import send_all
from project.demonstration.table import lines_of
from project.demonstration.world import Merrow, prepare
from project.processes import Crew
from surveys.errors import Refusal
from surveys.models import Return
from surveys.queries.jobs import job_of
from surveys.services.night import ask_for_night, night_key
from surveys.services.waking import wake, wake_screening
from surveys.vocabulary import JobKind, JobState, ReturnState

#: The two nights that are computed: before the queue is worked, and after.
NIGHTS = (date(2026, 11, 1), date(2026, 11, 2))
#: Seconds that a step may take before the demonstration gives up and says so.
PATIENCE_S = 600.0
#: Seconds after which a night that nobody has begun is woken again.
WAKE_AGAIN_S = 5.0


class Command(BaseCommand):
    help = "Send a simulated season through the public API, work its queue, run its nights, print the indices."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--once", action="store_true", help="stop after the table")
        parser.add_argument("--address", default="127.0.0.1:8000", help="host:port to serve on (127.0.0.1:8000)")
        parser.add_argument("--households", type=int, default=100, help="simulated households (100)")
        parser.add_argument("--schools", type=int, default=5, help="simulated schools (5)")

    def handle(self, *args: Any, **options: Any) -> None:
        began = time.monotonic()
        embedded.provide_services(broker=True)
        self.say(f"PostgreSQL and Valkey are up; their files are in {embedded.home().name}/")
        call_command("migrate", verbosity=0, interactive=False)
        merrow = prepare(households=options["households"], schools=options["schools"])
        address = f"http://{options['address']}"
        try:
            with Crew(embedded.home() / "logs") as crew:
                crew.start_web(options["address"])
                crew.start_worker()
                self._do_the_job(merrow, address, crew)
                self.say(f"\nDone in {time.monotonic() - began:.0f} seconds.")
                if not options["once"]:
                    self._serve(merrow, address, crew)
        except Refusal as refusal:
            raise CommandError(refusal.sentence) from None

    def say(self, words: str) -> None:
        """Print a line at once, even into a pipe."""
        self.stdout.write(words)
        self.stdout.flush()

    def _do_the_job(self, merrow: Merrow, address: str, crew: Crew) -> None:
        sent = send_all(merrow, address)
        self.say(f"{sent:,} returns sent to {address}/api/v1/" if sent else "All returns were sent before.")
        wake_screening()
        self._wait(crew, "screening", lambda: Return.objects.filter(state=ReturnState.RECEIVED).count(), merrow)
        self._night(merrow, NIGHTS[0], crew)
        decided = work_queue(merrow, address)
        self.say("Verdicts: " + (", ".join(f"{n} {word}" for word, n in sorted(decided.items())) or "none waited"))
        self._night(merrow, NIGHTS[1], crew)
        for line in lines_of(merrow, window=merrow.world.windows[1].code):
            self.say(line)
        deadline = time.monotonic() + PATIENCE_S
        published = release.publish(merrow, lambda: self._look_after(crew, deadline, "the release"))
        for line in release.lines_of(published, address):
            self.say(line)
        self.say("")
        for line in factors.lines_of(merrow.factors):
            self.say(line)

    def _wait(self, crew: Crew, what: str, left: Any, merrow: Merrow) -> None:
        deadline = time.monotonic() + PATIENCE_S
        with tqdm(total=len(merrow.simulated.returns), desc=what, unit="return") as bar:
            while (waiting := left()) > 0:
                bar.update(max(len(merrow.simulated.returns) - waiting - bar.n, 0))
                self._look_after(crew, deadline, what)
            bar.update(len(merrow.simulated.returns) - bar.n)

    def _night(self, merrow: Merrow, night: date, crew: Crew) -> None:
        job, _ = ask_for_night(season=merrow.season, night=night)
        woken = time.monotonic()
        wake("run_night", job.pk)
        deadline = time.monotonic() + PATIENCE_S
        with tqdm(desc=f"night of {night}", unit="step") as bar:
            while True:
                found = job_of(JobKind.NIGHT, night_key(merrow.season, night))
                if found is None or found.state == JobState.FAILED:
                    raise CommandError(f"The night of {night} failed: {found.problem if found else 'its job is gone'}")
                if found.state == JobState.QUEUED and time.monotonic() - woken > WAKE_AGAIN_S:
                    # What beat does each minute: a waking that was lost costs time and nothing else.
                    woken = time.monotonic()
                    wake("run_night", job.pk)
                bar.total = found.total
                bar.update(max(found.done - bar.n, 0))
                if found.state == JobState.DONE:
                    return
                self._look_after(crew, deadline, f"the night of {night}")

    def _look_after(self, crew: Crew, deadline: float, what: str) -> None:
        if fallen := crew.fallen():
            raise CommandError(f"{', '.join(fallen)} ended by itself. Its log in {crew.logs} says why.")
        if time.monotonic() > deadline:
            raise CommandError(f"{what} did not end within {PATIENCE_S:.0f} seconds. The logs in {crew.logs} say why.")
        time.sleep(0.2)

    def _serve(self, merrow: Merrow, address: str, crew: Crew) -> None:
        crew.start_beat()
        self.say(f"\nServing {address}/ (Ctrl-C ends it). Password of all demo accounts: {merrow.people['password']}")
        for coordinator in merrow.people["coordinators"]:
            self.say(f"  coordinator  {coordinator['email']}  ({', '.join(coordinator['regions'])})")
        self.say(f"  coordinator  {merrow.people['lead']['email']}  (all regions)")
        self.say(f"  researcher   {merrow.people['researcher']['email']}")
        self.say(f"  operator     {merrow.people['operator']['email']}")
        self.say("  household    garden-000@merrow.example")
        try:
            while not crew.fallen():
                time.sleep(1)
            raise CommandError(f"{', '.join(crew.fallen())} ended by itself. Its log in {crew.logs} says why.")
        except KeyboardInterrupt:
            self.say("Ending web, worker and beat.")
