"""Spreadsheets of a household or school: received, read in a dry run, taken in row by row.

The file is opened by a child process under limits, never by the web process; nothing becomes a return before the
sender has seen what was found and has said so.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime, timedelta
from pathlib import PurePosixPath
from typing import IO, Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.translation import get_language, gettext, override

from surveys.errors import Conflict, Fault, Faulty, NotFound
from surveys.models import Account, Household, Job, Sheet
from surveys.permissions import households_of
from surveys.queries.sheets import own_sheet, season_of_household, sheet_lists
from surveys.services.events import write_event
from surveys.services.intake import MOST_AT_ONCE, receive_returns
from surveys.services.jobs import do_job, finish_job, hold_job, report_progress
from surveys.services.sent_returns import SentAnswer, SentReturn
from surveys.services.sheets_child import TooMuch, read_in_child
from surveys.services.waking import wake
from surveys.sheets.container import MOST_BYTES
from surveys.sheets.records import SheetFault, SheetReading
from surveys.vocabulary import REPORTED_WORDS, AnswerKind, CountClass, JobKind, Language, SheetKind, SheetState

#: Sheets of a household that may wait at one time, and that it may send in a day. Own choice.
MOST_WAITING = 3
MOST_A_DAY = 100
#: A request that takes rows in begins no further part after so many seconds.
TAKING_S = 10.0
#: Seconds between two writings of how far the reading has come.
STEP_S = 1.0
_A_DAY = timedelta(days=1)
NAME_LETTERS = 120
_PIECE = 64 * 1024


def receive_sheet(*, by: Account, household: Household, name: str, stream: IO[bytes]) -> Sheet:
    """Keep a file that was sent and ask for it to be read; nobody opens it here.

    Raises :class:`Faulty` for a file that is empty or too big, :class:`Conflict` where too many wait.
    """
    content = _read_capped(stream)
    season_of_household(household)
    now = timezone.now()
    with transaction.atomic(durable=True):
        owned = households_of(by).select_for_update(no_key=True).filter(pk=household.pk).first()
        if owned is None:
            raise NotFound(gettext("There is no household of yours with this id."))
        _refuse_too_many(owned, now)
        sheet = Sheet(
            household=owned,
            kind=SheetKind.XLSX if content.startswith(b"PK") else SheetKind.CSV,
            name=display_name(name),
            content=content,
            received_at=now,
        )
        # Written here, and not by a service of its own: a sheet without its job would wait for ever.
        sheet.job = Job.objects.create(
            kind=JobKind.SHEET, key=str(sheet.public_id), parameters={"language": _language_of(by)}
        )
        sheet.save()
        write_event(by=by, verb="sheet received", subject=sheet, details={"bytes": len(content)})
    wake("resume_job", sheet.job.pk)
    return sheet


def display_name(given: str) -> str:
    """Return a file's name to show: its last part, printable, short. It names nothing on this machine."""
    last = PurePosixPath(given.replace("\\", "/")).name
    shown = " ".join("".join(sign if sign.isprintable() else " " for sign in last).split())
    stem, ending = PurePosixPath(shown).stem, PurePosixPath(shown).suffix[:10]
    return f"{stem[: NAME_LETTERS - len(ending)]}{ending}" or "sheet"


def _read_capped(stream: IO[bytes]) -> bytes:
    pieces: list[bytes] = []
    size = 0
    while piece := stream.read(_PIECE):
        size += len(piece)
        if size > MOST_BYTES:
            raise Faulty(
                gettext("The file is too big."),
                faults=(
                    Fault("/file", "too_big", gettext("One file takes 5 MB. Share the rows out over more files.")),
                ),
            )
        pieces.append(piece)
    if not size:
        raise Faulty(
            gettext("The file is empty."),
            faults=(
                Fault("/file", "empty", gettext("There is nothing in this file. Choose the file that you filled in.")),
            ),
        )
    return b"".join(pieces)


def _refuse_too_many(household: Household, now: datetime) -> None:
    kept = Sheet.objects.filter(household=household)
    if kept.filter(state=SheetState.WAITING, received_at__gt=now - timedelta(hours=1)).count() >= MOST_WAITING:
        raise Conflict(gettext("Some of your files are still being read. Wait until that is done, then send this one."))
    if kept.filter(received_at__gt=now - _A_DAY).count() >= MOST_A_DAY:
        raise Conflict(gettext("You sent very many files today. Send this one tomorrow."))


def _language_of(account: Account) -> str:
    spoken = get_language() or account.language
    return spoken if spoken in Language.values() else Language.ENGLISH.value


# --- the dry run ------------------------------------------------------------------------------------


def read_sheet(*, job_id: int) -> Sheet | None:
    """Read the sheet of a job if nobody else does: a dry run, nothing becomes a return."""
    done = do_job(job_id=job_id, work=_read)
    if done is None:
        return None
    job, sheet = done
    finish_job(job=job, result=job.result)
    return sheet


def _read(job: Job) -> Sheet | None:
    sheet = Sheet.objects.select_related("household").filter(job=job).first()
    if sheet is not None and sheet.state == SheetState.WAITING and sheet.content is not None:
        _keep_reading(job, sheet, _dry_run(job, sheet))
    return sheet


def _dry_run(job: Job, sheet: Sheet) -> SheetReading:
    language = str(job.parameters.get("language", Language.ENGLISH.value))
    with override(language):
        try:
            lists = sheet_lists(sheet.household, language=language, now=timezone.now())
        except Conflict as refusal:
            return SheetReading(SheetKind(sheet.kind), refusal=refusal.sentence)
        pace = _Pace(job, sheet)
        try:
            return read_in_child(
                bytes(sheet.content or b""),
                sheet.name,
                lists,
                language=language,
                tell=pace.tell,
                meanwhile=pace.renew,
            )
        except TooMuch:
            sentence = gettext("The file is too much for us to open. Copy your rows into a new template, and no more.")
            return SheetReading(SheetKind(sheet.kind), refusal=sentence)


class _Pace:
    """Writes how far a reading has come, once a second, and holds the job's lease meanwhile."""

    def __init__(self, job: Job, sheet: Sheet) -> None:
        self.job, self.sheet = job, sheet
        self._written = 0.0
        self._read = self._rows = 0

    def tell(self, read: int, rows: int) -> None:
        """Remember how far it is; write it when a second is over, and at the end."""
        self._read, self._rows = read, rows
        if read == rows:
            self._written = 0.0
        self.renew()

    def renew(self) -> None:
        """Write what is known when a second is over."""
        if time.monotonic() - self._written < STEP_S:
            return
        self._written = time.monotonic()
        report_progress(job=self.job, done=self._read, total=self._rows)
        Sheet.objects.filter(pk=self.sheet.pk).update(rows=self._rows, rows_read=self._read)


def _keep_reading(job: Job, sheet: Sheet, found: SheetReading) -> None:
    """Write down what a dry run found. The file itself is let go: nothing needs it any more."""
    with transaction.atomic(durable=True):
        hold_job(job=job)
        sheet.kind = found.kind
        sheet.state = SheetState.REFUSED if found.refusal else SheetState.READ
        sheet.refusal = found.refusal[:400]
        sheet.rows = sheet.rows_read = found.rows
        sheet.faults = [asdict(fault) for fault in found.faults]
        sheet.ready = [asdict(row) for row in found.ready]
        sheet.marked = found.marked
        sheet.content = None
        sheet.save()
        details = {"rows": found.rows, "faults": len(found.faults), "ready": len(found.ready)}
        write_event(by=None, verb="sheet read", subject=sheet, details=details)
    known = sum(row.known for row in found.ready)
    job.result = {"left": found.left, "ready": len(found.ready), "known": known}


# --- taking in --------------------------------------------------------------------------------------


def take_sheet(*, by: Account, public_id: UUID, only_good: bool) -> Sheet:
    """Send the good rows of a sheet through the intake; a second tap changes nothing.

    Without ``only_good`` a sheet with anything to mend is refused. Each part of up to 500 rows stands in a
    transaction of its own. After :data:`TAKING_S` no further part is begun: what is left stays ready, and the next
    tap goes on with it. Each row keeps its id, so a way that was cut or a second tap beside this one doubles nothing.
    """
    sheet = own_sheet(by, public_id)
    if sheet.state == SheetState.TAKEN:
        return sheet
    if sheet.state != SheetState.READ:
        raise Conflict(gettext("This file is not read yet, or it could not be read. Look at its page."))
    if sheet.faults and not only_good:
        raise Conflict(gettext("There is something to mend in this file. Mend it, or send the good rows only."))
    if not sheet.ready:
        raise Conflict(gettext("There is no good row in this file. Mend it, then let us read it again."))
    refused = _send_on(by, sheet.ready)
    with transaction.atomic(durable=True):
        held = Sheet.objects.select_for_update(no_key=True).get(pk=sheet.pk)
        done = [row for row in held.ready if row["uuid"] in refused]
        if not done:
            return held
        faults = [_fault_of_row(row["row"], what) for row in done if (what := refused[row["uuid"]])]
        held.ready = [row for row in held.ready if row["uuid"] not in refused]
        held.state = SheetState.READ if held.ready else SheetState.TAKEN
        held.taken_at = timezone.now()
        held.taken += len(done) - len(faults)
        held.faults = [*held.faults, *faults]
        held.save(update_fields=["state", "taken_at", "taken", "faults", "ready"])
        details = {"taken": len(done) - len(faults), "refused": len(faults), "left": len(held.ready)}
        write_event(by=by, verb="sheet taken in", subject=held, details=details)
    return held


def _send_on(by: Account, ready: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Send rows on while there is time; return what the intake said against each that was sent, mostly nothing."""
    until = time.monotonic() + TAKING_S
    said: dict[str, str] = {}
    for start in range(0, len(ready), MOST_AT_ONCE):
        if said and time.monotonic() > until:
            break
        part = ready[start : start + MOST_AT_ONCE]
        receipts = receive_returns(by=by, sent=[_sent(row) for row in part])
        for row, receipt in zip(part, receipts, strict=True) if isinstance(receipts, list) else ():
            refusal = receipt.refusal
            faults = " ".join(fault.sentence for fault in refusal.faults) if refusal else ""
            said[row["uuid"]] = faults or (refusal.sentence if refusal else "")
    return said


def _fault_of_row(row: int, what: str) -> dict[str, Any]:
    return asdict(SheetFault(row=row, letter="", title="", found="", what=what, how=""))


def _sent(row: Mapping[str, Any]) -> SentReturn:
    fields = {
        name: REPORTED_WORDS[name](value) if name in REPORTED_WORDS else value for name, value in row["fields"].items()
    }
    return SentReturn(
        uuid=UUID(row["uuid"]),
        trap=UUID(row["trap"]),
        set_at=datetime.fromisoformat(row["set_at"]),
        emptied_at=datetime.fromisoformat(row["emptied_at"]),
        habitat=row["habitat"] or None,
        answers=tuple(_sent_answer(group, answer) for group, answer in row["answers"].items()),
        fields={**fields, "time_precision": REPORTED_WORDS["time_precision"]("quarter_hour")},
    )


def _sent_answer(group: str, answer: int | str) -> SentAnswer:
    if isinstance(answer, int):
        return SentAnswer(group, AnswerKind.NUMBER, count=answer)
    if answer in CountClass.values():
        return SentAnswer(group, AnswerKind.CLASS, count_class=CountClass(answer))
    return SentAnswer(group, AnswerKind(answer))
