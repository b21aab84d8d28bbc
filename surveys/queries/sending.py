"""What must be known to take a return in: its trap, where that stands, and which seasons are open there."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from uuid import UUID

from surveys.models import Account, Region, Season, Site, SitePoint, Trap
from surveys.queries.seasons import season_as
from surveys.queries.standing_statements import Part, array_text, prepared_cursor
from surveys.vocabulary import SeasonState

_PARTS = (
    Part(Trap, "trap"),
    Part(Site, "site"),
    Part(SitePoint, "point"),
    # An outline has thousands of corners, and no return asks for it.
    Part(Region, "region", without=frozenset({"boundary"})),
)


@dataclass(frozen=True, slots=True)
class TrapToSendFor:
    """One of somebody's traps with its site, point and region; whether a setting stands open there, and open seasons.

    ``seasons`` are those open in its region, newest first.
    """

    trap: Trap
    stands_open: bool
    seasons: tuple[Season, ...]


def traps_to_send_for(by: Account, ids: Collection[UUID]) -> dict[UUID, TrapToSendFor]:
    """Return those of ``ids`` that are somebody's own traps, as :func:`surveys.permissions.traps_of` says.

    One query; two more for a season that was moved since it was read last.
    """
    with prepared_cursor() as cursor:
        cursor.execute(_statement(), [SeasonState.OPEN.value, by.pk, array_text(ids)])
        found = {}
        for row in cursor.fetchall():
            values = iter(row)
            trap, site, point, region = (part.take(values) for part in _PARTS)
            trap.site, site.point, site.region = site, point, region
            open_there, keys, versions = values
            seasons = tuple(map(season_as, keys, versions))
            found[trap.public_id] = TrapToSendFor(trap, open_there, seasons)
        return found


@cache
def _statement() -> str:
    return f"""
SELECT {", ".join(part.columns for part in _PARTS)},
    EXISTS (SELECT FROM surveys_opening opening WHERE opening.trap_id = trap.id AND opening.ended_at IS NULL),
    standing.keys, standing.versions
FROM surveys_household household
JOIN surveys_site site ON site.household_id = household.id
JOIN surveys_trap trap ON trap.site_id = site.id
JOIN surveys_sitepoint point ON point.site_id = site.id
JOIN surveys_region region ON region.id = site.region_id
CROSS JOIN LATERAL (
    SELECT coalesce(array_agg(season.id ORDER BY season.opens_on DESC, season.code), '{{}}') AS keys,
        coalesce(array_agg(season.xmin::text || season.ctid::text ORDER BY season.opens_on DESC, season.code), '{{}}')
            AS versions
    FROM surveys_season_regions listed JOIN surveys_season season ON season.id = listed.season_id
    WHERE listed.region_id = region.id AND season.state = %s
) standing
WHERE household.keeper_id = %s AND trap.public_id = ANY(%s::uuid[])
"""  # noqa: S608  # names of columns, from the models
