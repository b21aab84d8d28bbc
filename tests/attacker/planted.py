"""A survey in which everything that nobody may learn can be told from everything else: marks to look for.

Numbers of the database begin with 917, gardens stand at points that no grid has, traps are set at odd minutes, and
every name, note and address is a mark of its own.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from django.apps import apps
from django.db import connection

from surveys.models import (
    Account,
    Consent,
    Household,
    KnownFinding,
    Return,
    Run,
    Season,
    Site,
    SitePoint,
    Trap,
    TrayPhoto,
)
from surveys.services.people import CONSENT_VERSION, found_household, give_consent, open_account
from surveys.services.photos import add_tray_photo
from surveys.services.sites import add_site, add_traps
from surveys.vocabulary import HouseholdKind, Licence
from tests.counts_in_parts import ROOM
from tests.factories import PASSWORD, make_season, send_return
from tests.pictures import plain_jpeg

#: South-west corner of a cell of 0.1 degrees and how many gardens stand in it, in Eastmark (18 to 17 degrees west).
FULL, SMALLER = (51.5, -17.5), (51.2, -17.3)
THIN, THINNER = (51.7, -17.8), (51.3, -17.9)
GARDENS = {FULL: 12, SMALLER: 6, THIN: 3, THINNER: 3}
#: The same in Westmark: too few for anything.
ALONE, GARDENS_ALONE = (51.6, -18.6), 3
FIRST_ID = 9_170_000_001
#: Minutes that are no quarter of an hour, nor is the next one.
ODD_MINUTES = (4, 7, 11, 19, 22, 26, 34, 37, 41, 49, 52, 56)
#: Squares on the plan of a household's ground.
PLAN_SQUARES = ("H8", "G7")


@dataclass(frozen=True, slots=True)
class Garden:
    """One planted garden: who keeps it, where it truly is, and what was sent."""

    household: Household
    site: Site
    trap: Trap
    point: tuple[float, float]
    cell: tuple[float, float]
    returns: list[Return] = field(default_factory=list)


def number_rows_apart() -> None:
    """Let the numbers of rows begin at 917 and so many: 9170000001 and on for the first table, and so forth.

    A run is left out: it is known by its number, on the page of its season and to whoever computes it again. So are the
    keys of what a check can say, which are about nobody and smaller numbers.
    """
    models = sorted(apps.get_app_config("surveys").get_models(), key=lambda model: model.__name__)
    models.remove(Run)
    models.remove(KnownFinding)
    with connection.cursor() as cursor:
        for position, model in enumerate(one for one in models if one._meta.pk.column == "id"):
            cursor.execute("SELECT pg_get_serial_sequence(%s, 'id')", [model._meta.db_table])
            (name,) = cursor.fetchone() or (None,)
            if name:  # the log is numbered by a trigger
                cursor.execute(f"ALTER SEQUENCE {name} RESTART WITH {FIRST_ID + position * 100_000}")
        part = FIRST_ID // ROOM  # of the counts of returns with such numbers
        cursor.execute(
            f"CREATE TABLE surveys_catch_{part} PARTITION OF surveys_catch FOR VALUES FROM ({part * ROOM}) TO ({(part + 1) * ROOM})"
        )


def plant_survey() -> tuple[Season, list[Garden]]:
    """Open a season and plant all gardens with two returns each."""
    season = make_season(tray_photos=True)
    number_rows_apart()
    places = [cell for cell, number in [*GARDENS.items(), (ALONE, GARDENS_ALONE)] for _ in range(number)]
    return season, [plant_garden(cell, at) for at, cell in enumerate(places)]


def plant_garden(cell: tuple[float, float], number: int, *, nights: int = 2, year: int = 2026) -> Garden:
    """Plant one garden in a cell, every other one kept to 11 m, with a return for each night."""
    keeper = open_account(email=f"mark-{number:02}@hidden.example", password=PASSWORD, adult=True, confirmed=True)
    give_consent(by=keeper, version=CONSENT_VERSION, licence=Licence.CC_BY_4)
    household = found_household(by=keeper, kind=HouseholdKind.HOUSEHOLD, alias=f"Quillmark Bramble {number:02}")
    point = point_in(cell, number)
    site = add_site(by=keeper, household=household, latitude=point[0], longitude=point[1], fine=number % 2 == 0)
    square = PLAN_SQUARES[number % 2]
    trap = add_traps(by=keeper, site=site.public_id, habitat="short_lawn", number=1, plan_square=square)[0]
    garden = Garden(household, site, trap, point, cell)
    garden.returns.extend(_send(garden, number, night, year) for night in range(nights))
    return garden


def point_in(cell: tuple[float, float], number: int) -> tuple[float, float]:
    """Return a point of a cell with four decimals, at least 0.012 degrees from its edges and from its middle lines."""
    south, west = cell
    steps = (number * 7) % 13, (number * 5) % 11
    return round(south + 0.0123 + 0.0019 * steps[0], 4), round(west + 0.0627 + 0.0021 * steps[1], 4)


def _send(garden: Garden, number: int, night: int, year: int) -> Return:
    hour, minute = 17 + number % 3, ODD_MINUTES[number % len(ODD_MINUTES)]
    set_at = datetime(year, 5, 3 + 9 * night + number % 6, hour, minute, 11, tzinfo=UTC)
    found = send_return(
        garden.trap,
        set_at=set_at.isoformat(),
        emptied_at=(set_at + timedelta(hours=24, minutes=1, seconds=3)).isoformat(),
        note=f"Whisperword {number:02} by the old well.",
    )
    if number == 0 and night == 0:
        assert garden.household.keeper is not None
        add_tray_photo(by=garden.household.keeper, uuid=found.uuid, name="tray.jpg", content=plain_jpeg())
    # As a coordinator would, so that screening leaves it alone.
    Return.objects.filter(pk=found.pk).update(state="upheld")
    return found


def is_odd(moment: datetime) -> bool:
    """Say whether a moment is no quarter of an hour."""
    return moment.minute % 15 != 0


# --- what nobody may learn --------------------------------------------------------------------------------


def hidden_texts(readers: Collection[Account]) -> Iterator[tuple[str, str]]:
    """Yield every text that stands for a person, a trap or a moment, with what it is. All of them, read from tables.

    ``readers`` may see themselves.
    """
    for account in Account.objects.exclude(pk__in=[one.pk for one in readers]):
        yield "mail address", account.email
        yield "ledger id", str(account.ledger_id)
        yield from _moments("account", account.created_at, account.adult_confirmed_at)
    for household in Household.objects.exclude(keeper__in=readers):
        yield "alias", household.alias
        yield "household id", str(household.public_id)
        yield from _moments("household", household.created_at)
    for trap in Trap.objects.all():
        yield "trap code", trap.code
        yield "trap id", str(trap.public_id)
        yield from _moments("trap", trap.created_at)
    for site in Site.objects.all():
        yield from _moments("site", site.created_at)
    for consent in Consent.objects.exclude(account__in=readers):
        yield from _moments("consent", consent.given_at)
    for photo in TrayPhoto.objects.all():
        yield from _moments("photo", photo.received_at)
    yield from _of_returns()
    yield from _of_points()


def _of_returns() -> Iterator[tuple[str, str]]:
    for report in Return.objects.all():
        yield "note", report.note
        yield "fingerprint", report.fingerprint
        yield from _moments("return", report.received_at, report.moved_at)
        for moment in (report.set_at, report.emptied_at):
            assert is_odd(moment)
            yield "time of a trap", f"{moment:%H:%M:%S}"
            yield "time of a trap", f"T{moment:%H:%M}"


def _of_points() -> Iterator[tuple[str, str]]:
    for point in SitePoint.objects.all():
        for value in (point.latitude, point.longitude):
            yield "kept point", f"{abs(value):.4f}"
            yield "kept point", f"{abs(value):.4f}".replace(".", "")


def _moments(what: str, *moments: datetime | None) -> Iterator[tuple[str, str]]:
    for moment in moments:
        if moment is not None:
            yield f"moment of a {what}", f"{moment:%Y-%m-%dT%H:%M:%S}"
            yield f"moment of a {what}", f"{moment:%H:%M:%S}"
            yield f"moment of a {what}", str(int(moment.timestamp()))


def hidden_of_a_garden(garden: Garden) -> Iterator[tuple[str, str]]:
    """Yield what tells that a garden is there at all: for gardens that wait or are too few."""
    yield "site id", str(garden.site.public_id)
    for report in garden.returns:
        yield "return id", str(report.uuid)


def hidden_points(gardens: list[Garden]) -> list[tuple[float, float]]:
    """Return every point that is kept or was typed."""
    kept = SitePoint.objects.values_list("latitude", "longitude")
    return sorted({*kept, *(garden.point for garden in gardens)})
