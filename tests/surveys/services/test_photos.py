"""Tray photos through the service: painted by a child process, one for each return, and gone when they should be."""

from __future__ import annotations

import subprocess
import threading
import time
import uuid
from typing import Any

import pytest
from django.db import connection, transaction
from PIL import Image

from surveys.errors import Conflict, Faulty, NotFound, Stale
from surveys.models import Account, Event, Household, Return, Season, Trap, TrayPhoto
from surveys.photos.records import CannotPaint, Cut, PhotoFault
from surveys.services import photos_child
from surveys.services.erasure import erase_account
from surveys.services.intake import withdraw_return
from surveys.services.photos import Added, add_tray_photo, crop_tray_photo, delete_tray_photo
from surveys.services.photos_child import cut_in_child, paint_in_child
from surveys.vocabulary import SeasonState
from tests.factories import (
    ApiClient,
    make_coordinator,
    make_household,
    make_operator,
    make_researcher,
    make_season,
    make_trap,
    return_payload,
    send_return,
    stored,
)
from tests.journeys.conftest import database_address
from tests.pictures import (
    MARKERS,
    assert_nothing_but_dots,
    corners_of,
    flat_png,
    laden_jpeg,
    painted_corners,
    plain_jpeg,
    saved,
    size_in,
)
from tests.surveys.services.test_erasure import pg_dump

pytestmark = pytest.mark.django_db(transaction=True)

QUARTERS = ["red", "green", "blue", "white"]


@pytest.fixture
def trap() -> Trap:
    make_season(tray_photos=True)
    return make_trap()


@pytest.fixture
def report(trap: Trap) -> Return:
    return send_return(trap)


def sender_of(report: Return) -> Account:
    keeper = report.trap.site.household.keeper
    assert keeper is not None
    return keeper


def add(report: Return, content: bytes = b"", name: str = "tray.jpg", by: Account | None = None) -> Added:
    return add_tray_photo(by=by or sender_of(report), uuid=report.uuid, name=name, content=content or plain_jpeg())


def last_event() -> Event:
    event = Event.objects.order_by("-id").first()
    assert event is not None
    return event


def events() -> int:
    return Event.objects.count()


# --- sending ------------------------------------------------------------------------------------


def test_what_is_kept_is_the_picture_and_nothing_of_the_file(report: Return) -> None:
    content = laden_jpeg(orientation=6)
    assert all(mark in content for name, mark in MARKERS.items() if "text" not in name)
    before = events()
    added = add(report, content, "XNAMEMARKX.jpg")
    photo = TrayPhoto.objects.get(report=report)
    assert added.created
    assert_nothing_but_dots(bytes(photo.picture))
    # EXIF 2.32: 6 stands for the row at the top being the right side as one sees it.
    assert corners_of(bytes(photo.picture)) == ["blue", "red", "white", "green"]
    assert (photo.width, photo.height) == size_in(bytes(photo.picture)) == (300, 400)
    assert events() == before + 1
    event = last_event()
    assert (event.verb, event.subject_id, event.actor) == ("tray photo sent", report.pk, sender_of(report).pk)
    assert event.details == {"bytes": len(photo.picture), "width": 300, "height": 400}


def test_no_marker_of_the_file_stands_anywhere_in_the_database(report: Return) -> None:
    add(report, laden_jpeg(), "XNAMEMARKX.jpg")
    rows = whole_dump()
    assert bytes(TrayPhoto.objects.get().picture).hex() in rows, "the picture itself is in the dump"
    for mark in (*MARKERS.values(), b"XNAMEMARKX"):
        assert mark.decode() not in rows
        assert mark.hex() not in rows


def whole_dump() -> str:
    words = [pg_dump(), "--data-only", "--inserts", "--dbname", database_address()]
    return subprocess.run(words, capture_output=True, text=True, check=True).stdout


def test_a_new_photo_takes_the_place_of_the_old_one(report: Return) -> None:
    first = add(report).photo
    TrayPhoto.objects.update(cropped_at=first.received_at)
    second = add(report, saved(Image.new("RGB", (200, 100), "red")))
    assert not second.created
    photo = TrayPhoto.objects.get()
    assert photo.public_id != first.public_id
    assert (photo.width, photo.height, photo.cropped_at) == (200, 100, None)
    assert photo.received_at > first.received_at
    assert bytes(first.picture).hex() not in whole_dump()


def test_only_whoever_sent_the_return_may_send_its_photo(report: Return) -> None:
    others = [
        make_household().keeper,
        make_coordinator("eastmark"),
        make_coordinator(),
        make_researcher(),
        make_operator(),
    ]
    before = events()
    for somebody in others:
        with pytest.raises(NotFound):
            add(report, by=somebody)
    with pytest.raises(NotFound):
        add_tray_photo(by=sender_of(report), uuid=uuid.uuid4(), name="tray.jpg", content=plain_jpeg())
    assert (TrayPhoto.objects.count(), events()) == (0, before)


def test_a_season_that_does_not_say_so_takes_no_photo() -> None:
    make_season()
    report = send_return(make_trap())
    with pytest.raises(Conflict) as refused:
        add(report)
    assert refused.value.code == "no_photos"
    assert TrayPhoto.objects.count() == 0


def test_a_season_takes_no_photo_unless_it_is_told_to() -> None:
    assert make_season().tray_photos is False


def test_a_return_that_was_taken_back_takes_no_photo(report: Return) -> None:
    withdraw_return(by=sender_of(report), uuid=report.uuid)
    with pytest.raises(Conflict) as refused:
        add(report)
    assert refused.value.code == "withdrawn"
    assert TrayPhoto.objects.count() == 0


@pytest.mark.parametrize(
    ("content", "name", "fault"),
    [
        (b"", "tray.jpg", PhotoFault.EMPTY),
        (b"<svg/>", "tray.svg", PhotoFault.OTHER_KIND),
        (b"\xff\xd8\xff\xe0", "tray.jpg", PhotoFault.DAMAGED),
        (b"\xff\xd8\xff\xe0", "tray.png", PhotoFault.OTHER_ENDING),
        (bytes((10 << 20) + 1), "tray.jpg", PhotoFault.TOO_BIG),
        (flat_png(8000, 5001), "tray.png", PhotoFault.TOO_MANY_DOTS),
        (flat_png(10, 10), "tray.png", PhotoFault.TOO_SMALL),
    ],
)
def test_what_is_no_picture_is_refused_in_words_and_changes_nothing(
    report: Return, content: bytes, name: str, fault: PhotoFault
) -> None:
    kept = add(report).photo
    before = events()
    with pytest.raises(Faulty) as refused:
        add_tray_photo(by=sender_of(report), uuid=report.uuid, name=name, content=content)
    assert [(one.pointer, one.code, one.sentence) for one in refused.value.faults] == [
        ("/photo", fault.value, fault.label)
    ]
    assert TrayPhoto.objects.get().public_id == kept.public_id
    assert events() == before


# --- the child ----------------------------------------------------------------------------------


def largest_webp() -> bytes:
    """Return 40 million dots that can be looked through, as a WebP: what needs most."""
    return saved(Image.new("RGBA", (8000, 5000), (200, 90, 20, 128)), "WEBP", method=0, quality=1)


def largest_jpeg() -> bytes:
    """Return 40 million dots in four colours, in many passes."""
    return saved(Image.new("CMYK", (8000, 5000), (9, 99, 40, 3)), progressive=True, quality=20)


@pytest.mark.parametrize(
    ("made", "name"),
    [(largest_webp, "a.webp"), (largest_jpeg, "a.jpg"), (lambda: flat_png(8000, 5000, 16), "a.png")],
)
def test_the_largest_picture_of_each_kind_fits_the_limits(made: Any, name: str) -> None:
    content = made()
    assert len(content) < 10 << 20
    painted = paint_in_child(content, name)
    assert (painted.width, painted.height) == (1600, 1000)
    assert_nothing_but_dots(painted.jpeg)


@pytest.mark.parametrize("limits", [{"memory_mb": 40}, {"wall_s": 0.0}])
def test_a_child_that_comes_to_its_limits_is_a_sentence(limits: dict[str, Any]) -> None:
    with pytest.raises(CannotPaint) as refused:
        paint_in_child(flat_png(8000, 5000), "tray.png", **limits)
    assert refused.value.fault == PhotoFault.TOO_MUCH


def test_a_child_that_has_used_up_its_processor_time_is_ended() -> None:
    """The kernel ends it: setrlimit(2), RLIMIT_CPU."""
    with pytest.raises(CannotPaint) as refused:
        paint_in_child(largest_webp(), "tray.webp", cpu_s=1)
    assert refused.value.fault == PhotoFault.TOO_MUCH


def test_a_child_that_falls_over_is_a_fault_of_ours() -> None:
    with pytest.raises(RuntimeError, match="ended with 1 \\(TypeError\\)"):
        photos_child._ask(plain_jpeg(), {"cut": {"sideways": 3}})


def test_one_more_picture_waits_for_its_turn_and_is_then_sent_away() -> None:
    for _ in range(photos_child.AT_ONCE):
        photos_child._turns.acquire()
    try:
        with pytest.raises(CannotPaint) as refused:
            paint_in_child(plain_jpeg(), "tray.jpg", wait_s=0.05)
    finally:
        for _ in range(photos_child.AT_ONCE):
            photos_child._turns.release()
    assert refused.value.fault == PhotoFault.BUSY
    assert paint_in_child(plain_jpeg(), "tray.jpg").width == 400


def test_a_turn_is_given_back_whatever_became_of_it() -> None:
    for _ in range(photos_child.AT_ONCE + 1):
        with pytest.raises(CannotPaint):
            paint_in_child(b"x", "tray.jpg", wait_s=5.0)
        with pytest.raises(CannotPaint):
            paint_in_child(plain_jpeg(), "tray.jpg", wall_s=0.0, wait_s=5.0)
        with pytest.raises(RuntimeError):
            photos_child._ask(b"x", {"cut": {"sideways": 3}}, wait_s=5.0)


def test_nothing_of_this_process_goes_along(monkeypatch: pytest.MonkeyPatch) -> None:
    """The child knows where the code is and what is told on its line, and no address or secret of the service."""
    seen: dict[str, Any] = {}
    real = subprocess.run

    def watched(*args: Any, **options: Any) -> Any:
        seen.update(options["env"])
        return real(*args, **options)

    monkeypatch.setattr(subprocess, "run", watched)
    monkeypatch.setenv("SECRET_KEY", "XSECRETX")
    paint_in_child(plain_jpeg(), "tray.jpg")
    assert set(seen) == {"PYTHONPATH", "TMPDIR", "LC_ALL"}


def test_a_cut_is_made_by_the_child_too() -> None:
    painted = cut_in_child(plain_jpeg(), Cut(left=50))
    assert (painted.width, painted.height) == (200, 300)
    assert corners_of(painted.jpeg) == ["green", "green", "white", "white"]


# --- cutting ------------------------------------------------------------------------------------


def crop(report: Return, by: Account, cut: Cut, picture: uuid.UUID | None = None) -> TrayPhoto:
    seen = picture or TrayPhoto.objects.get(report=report).public_id
    return crop_tray_photo(by=by, uuid=report.uuid, picture=seen, cut=cut)


@pytest.mark.parametrize("regions", [("eastmark",), ()])
def test_a_coordinator_of_the_region_or_of_all_cuts_a_photo(report: Return, regions: tuple[str, ...]) -> None:
    before = add(report).photo
    coordinator = make_coordinator(*regions)
    told = events()
    crop(report, coordinator, Cut(bottom=50))
    photo = TrayPhoto.objects.get()
    assert corners_of(bytes(photo.picture)) == ["red", "green", "red", "green"]
    assert_nothing_but_dots(bytes(photo.picture))
    assert (photo.width, photo.height, photo.received_at) == (400, 150, before.received_at)
    assert photo.cropped_at is not None
    assert photo.public_id != before.public_id
    assert bytes(before.picture).hex() not in whole_dump(), "what was cut off is gone"
    assert events() == told + 1
    assert (last_event().verb, last_event().actor) == ("tray photo cut", coordinator.pk)
    assert last_event().details == {"bytes": len(photo.picture), "width": 400, "height": 150}


def test_nobody_else_cuts_a_photo(report: Return) -> None:
    add(report)
    others = [
        sender_of(report),
        make_household().keeper,
        make_coordinator("westmark"),
        make_researcher(),
        make_operator(),
    ]
    for somebody in others:
        assert somebody is not None
        with pytest.raises(NotFound):
            crop(report, somebody, Cut(left=10))
    assert TrayPhoto.objects.get().cropped_at is None


def test_a_second_tap_cuts_no_second_time(report: Return) -> None:
    picture = add(report).photo.public_id
    coordinator = make_coordinator("eastmark")
    crop(report, coordinator, Cut(left=10), picture)
    with pytest.raises(Stale):
        crop(report, coordinator, Cut(left=10), picture)
    assert TrayPhoto.objects.get().width == 360


def test_a_photo_that_the_household_sent_meanwhile_is_not_cut(report: Return) -> None:
    seen = add(report).photo.public_id
    add(report)
    with pytest.raises(Stale):
        crop(report, make_coordinator("eastmark"), Cut(left=10), seen)
    assert TrayPhoto.objects.get().cropped_at is None


@pytest.mark.parametrize(
    ("cut", "code", "at"),
    [
        (Cut(), "nothing_to_cut", "/left"),
        (Cut(left=-1), "out_of_range", "/left"),
        (Cut(top=91), "out_of_range", "/top"),
        (Cut(right=100), "out_of_range", "/right"),
        (Cut(bottom=1000), "out_of_range", "/bottom"),
        (Cut(left=50, right=50), "little_left", "/left"),
        (Cut(top=80), "little_left", "/left"),
    ],
)
def test_a_cut_that_cannot_be_is_refused_in_words(report: Return, cut: Cut, code: str, at: str) -> None:
    add(report)
    with pytest.raises(Faulty) as refused:
        crop(report, make_coordinator("eastmark"), cut)
    assert [(one.code, one.pointer) for one in refused.value.faults] == [(code, at)]
    assert TrayPhoto.objects.get().cropped_at is None


def test_there_is_nothing_to_cut_where_there_is_no_photo(report: Return) -> None:
    with pytest.raises(NotFound):
        crop(report, make_coordinator("eastmark"), Cut(left=10), uuid.uuid4())


# --- deleting -----------------------------------------------------------------------------------


def test_the_sender_and_the_coordinators_of_the_region_delete_a_photo(report: Return) -> None:
    for somebody in (sender_of(report), make_coordinator("eastmark"), make_coordinator()):
        add(report)
        before = events()
        delete_tray_photo(by=somebody, uuid=report.uuid)
        assert TrayPhoto.objects.count() == 0
        assert events() == before + 1
        assert (last_event().verb, last_event().actor) == ("tray photo deleted", somebody.pk)
        assert last_event().details == {"width": 400, "height": 300}


def test_nobody_else_deletes_a_photo(report: Return) -> None:
    add(report)
    for somebody in (make_household().keeper, make_coordinator("westmark"), make_researcher(), make_operator()):
        assert somebody is not None
        with pytest.raises(NotFound):
            delete_tray_photo(by=somebody, uuid=report.uuid)
    assert TrayPhoto.objects.count() == 1


def test_deleting_twice_changes_nothing(report: Return) -> None:
    add(report)
    delete_tray_photo(by=sender_of(report), uuid=report.uuid)
    before = events()
    delete_tray_photo(by=sender_of(report), uuid=report.uuid)
    assert events() == before


def test_another_picture_than_the_one_that_was_seen_is_not_deleted(report: Return) -> None:
    seen = add(report).photo.public_id
    add(report)
    with pytest.raises(Stale):
        delete_tray_photo(by=make_coordinator("eastmark"), uuid=report.uuid, picture=seen)
    assert TrayPhoto.objects.count() == 1


def test_once_a_season_is_closed_its_photos_can_still_be_cut_and_deleted(report: Return) -> None:
    add(report)
    Season.objects.update(state=SeasonState.CLOSED)
    crop(report, make_coordinator("eastmark"), Cut(left=10))
    delete_tray_photo(by=sender_of(report), uuid=report.uuid)
    assert TrayPhoto.objects.count() == 0


# --- with the return ----------------------------------------------------------------------------


def test_a_return_that_is_taken_back_takes_its_photo_along(report: Return, trap: Trap) -> None:
    other = send_return(trap)
    picture = bytes(add(report).photo.picture)
    kept = add(other, saved(Image.new("RGB", (90, 90), "red"))).photo
    withdraw_return(by=sender_of(report), uuid=report.uuid)
    assert list(TrayPhoto.objects.values_list("pk", flat=True)) == [kept.pk]
    assert picture.hex() not in whole_dump()


def test_a_return_that_was_read_under_another_version_keeps_its_photo(report: Return) -> None:
    add(report)
    with pytest.raises(Stale):
        withdraw_return(by=sender_of(report), uuid=report.uuid, version=report.version + 7)
    assert TrayPhoto.objects.count() == 1


def test_a_photo_goes_on_to_the_return_that_takes_the_place_of_the_old_one(report: Return, trap: Trap) -> None:
    """A household puts a number right: the tray was the same."""
    photo = add(report).photo
    payload = return_payload(trap, mouth_mm=80, amends=str(report.uuid))
    assert ApiClient(sender_of(report)).send("returns", payload).status_code == 201
    moved = TrayPhoto.objects.get()
    assert (moved.report.uuid, moved.public_id) == (stored(payload).uuid, photo.public_id)


def test_after_an_erasure_no_byte_of_a_photo_is_left(trap: Trap) -> None:
    mine, theirs = send_return(trap), send_return(make_trap())
    gone = bytes(add(mine, saved(painted_corners(320, 240))).photo.picture)
    stays = bytes(add(theirs, saved(painted_corners(240, 320))).photo.picture)
    before = whole_dump()
    assert gone.hex() in before
    assert stays.hex() in before
    erase_account(account=sender_of(mine), by=None)
    after = whole_dump()
    assert gone.hex() not in after
    # A part of it would be a part too many: no 64 bytes in a row from anywhere in its dots.
    assert not [at for at in range(700, len(gone) - 64, 64) if gone[at : at + 64].hex() in after]
    assert stays.hex() in after
    assert Return.objects.filter(pk=mine.pk).exists()


def wait_for_a_lock() -> None:
    """Wait until somebody waits for a row that is held."""
    until = time.monotonic() + 20
    while time.monotonic() < until:
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_stat_clear_snapshot()")  # else a transaction sees what it saw first
            cursor.execute("SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock'")
            if cursor.fetchone()[0]:
                return
        time.sleep(0.02)
    raise AssertionError("nobody waited")


def beside(work: Any) -> tuple[threading.Thread, list[BaseException]]:
    """Begin some work in a thread with a connection of its own; what it raises is in the list."""
    raised: list[BaseException] = []

    def run() -> None:
        try:
            work()
        except BaseException as fault:
            raised.append(fault)
        finally:
            connection.close()

    thread = threading.Thread(target=run)
    thread.start()
    return thread, raised


def test_a_photo_that_comes_in_while_its_account_is_erased_does_not_stay(report: Return) -> None:
    """The photo is stored and not yet committed when the erasure comes by."""
    account = sender_of(report)
    with transaction.atomic():
        Return.objects.select_for_update().get(pk=report.pk)
        TrayPhoto.objects.create(report=report, picture=plain_jpeg(), width=400, height=300)
        erasing, raised = beside(lambda: erase_account(account=account, by=None))
        wait_for_a_lock()
    erasing.join(30)
    assert raised == []
    assert TrayPhoto.objects.count() == 0


def test_a_photo_that_waits_for_an_erasure_finds_its_sender_gone(report: Return) -> None:
    with transaction.atomic():
        Return.objects.select_for_update().get(pk=report.pk)
        sending, raised = beside(lambda: add(report))
        wait_for_a_lock()
        Household.objects.filter(pk=report.trap.site.household_id).update(keeper=None)
    sending.join(30)
    assert [type(fault) for fault in raised] == [NotFound]
    assert TrayPhoto.objects.count() == 0
