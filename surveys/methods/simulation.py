"""A documented simulator of a season: gardens, nights, catches, departures from protocol, slips.

Generating equations. Garden s in region r, trap in habitat h, night t in window w at x within it:

    y ~ Poisson(m u v),  m = rate[r, w] * habitat[h] * fresh * exp(slope x + curve x^2)
                             * (hours / 24) * (mouth / 75 mm) * warmth(T)
    u ~ Gamma(mean 1, squared CV = site_variance)    one for each garden and group, partly shared over groups
    v ~ Gamma(mean 1, squared CV = night_variance)   one for each trap, night and group
    T = daily maximum of the night, shared by its traps; warmth has mean 1 over nights

so that y is negative binomial with size 1 / night_variance, given the garden. About one return in a
hundred is an honest extreme (a nest, a swarm): one group times 8 to 30. About one in twenty carries
one slip (see :mod:`surveys.methods.simulation_slips`). The truth that an index is to find is
:func:`true_rate`; what extremes and departures add to a sample is no part of it.

References: protocol 1, the groups of the fixtures, and METHODS.md, section 7 (slips). How often families depart
from the protocol is not known: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from json import loads
from typing import Any
from uuid import UUID

import numpy as np
from shapely import contains_xy
from shapely.geometry import shape

from surveys.vocabulary import CLASS_BOUNDS, AnswerKind

from .daylight import sun_times
from .records import Answer
from .simulation_records import Floats, Garden, Simulated, SimulatedReturn, World
from .simulation_slips import plant_slips
from .simulation_truth import (
    MAX_LESS_MIN_C,
    MIN_MEAN_C,
    MIN_SD_C,
    draw_site_factors,
    season_factor,
    true_rate,
    warmth,
    world_from_mappings,
)

__all__ = ["Garden", "Simulated", "SimulatedReturn", "World", "simulate_season", "true_rate", "world_from_mappings"]

EXACT_TO = 20  # protocol 1: counting is exact to 20, above that a class is allowed
CLASS_SHARE = 0.5
EXTREME_SHARE = 0.01
SLIP_SHARE = 0.05  # METHODS.md, section 7: errors in 5 % of returns
LATEST_SETTING = time(19)  # common practice, no source; earlier where dusk is
BEFORE_DUSK = timedelta(minutes=20)  # all traps of a garden stand this long before sunset: the night is whole
BETWEEN_TRAPS = timedelta(minutes=5)
#: Cups that families have, and how often: most are the 75 mm asked for. Common practice, no source.
MOUTHS_MM = (75.0, 70.0, 80.0, 65.0, 90.0, 60.0, 95.0)
MOUTH_SHARES = (0.44, 0.14, 0.14, 0.12, 0.1, 0.03, 0.03)
#: By rain: the chances that the cover is lost, and that water stands in the cup. Common practice, no source.
RAIN_DAMAGE = {"light": (0.01, 0.02), "heavy": (0.06, 0.1)}


def simulate_season(
    world: World,
    *,
    rng: np.random.Generator,
    households: int,
    schools: int,
    as_of: datetime,
    slip_share: float = SLIP_SHARE,
) -> Simulated:
    """Return a simulated season: gardens spread evenly over the regions, and what they send.

    Parameters: ``rng`` is the only source of chance; ``households`` of 2 to 4 traps come before
    ``schools`` of 6 to 12; ``as_of`` is an aware instant, and nights that end after it are left out;
    ``slip_share`` is the share of returns with a planted slip, 0 to 1.
    Returns: gardens in order of number, and their returns garden by garden, night by night.
    """
    gardens = tuple(_garden(world, rng, number, school=number >= households) for number in range(households + schools))
    returns: list[SimulatedReturn] = []
    for garden in gardens:
        returns.extend(_season_of(world, rng, garden, as_of))
    return Simulated(gardens=gardens, returns=tuple(plant_slips(world, rng, returns, slip_share, as_of)))


def _garden(world: World, rng: np.random.Generator, number: int, *, school: bool) -> Garden:
    region = number % len(world.regions)
    latitude, longitude = _point_in(world.boundaries[region], rng)
    traps = int(rng.integers(6, 13)) if school else int(rng.integers(2, 5))
    mix = world.habitat_mix[region]
    chosen = rng.choice(len(world.habitats), size=traps, p=mix)
    return Garden(number, school, region, latitude, longitude, tuple(world.habitats[n] for n in chosen))


def _point_in(boundary: str, rng: np.random.Generator) -> tuple[float, float]:
    outline = shape(loads(boundary)).buffer(-0.004)  # not in the surf
    west, south, east, north = outline.bounds
    while True:
        longitude, latitude = rng.uniform(west, east), rng.uniform(south, north)
        if contains_xy(outline, longitude, latitude):
            return round(float(latitude), 4), round(float(longitude), 4)


def _season_of(world: World, rng: np.random.Generator, garden: Garden, as_of: datetime) -> list[SimulatedReturn]:
    site = draw_site_factors(world, rng)
    found: list[SimulatedReturn] = []
    for window, plan in enumerate(world.windows):
        length = (plan.last_day - plan.first_day).days
        nights = int(rng.choice([1, 2, 3], p=[0.3, 0.45, 0.25]))
        for offset in sorted(rng.choice(length + 1, size=nights, replace=False)):
            evening = plan.first_day + timedelta(days=int(offset))
            x = 2.0 * int(offset) / length - 1.0
            night = _Night(rng, _latest_setting(garden, evening), x, window)
            if night.latest > as_of:
                continue
            found.extend(
                _return(world, rng, _Trap(garden, trap, site), night) for trap in range(1, len(garden.habitats) + 1)
            )
    return found


def _latest_setting(garden: Garden, evening: date) -> datetime:
    """Return the last quarter of an hour at which a garden can begin, so that its last trap is open by dusk."""
    latest = datetime.combine(evening, LATEST_SETTING, UTC)
    dusk = sun_times(evening, garden.latitude, garden.longitude).sunset
    if dusk is not None:
        latest = min(latest, dusk - BEFORE_DUSK - len(garden.habitats) * BETWEEN_TRAPS)
    return latest.replace(minute=latest.minute // 15 * 15, second=0, microsecond=0)


class _Night:
    """What all traps of a garden share on one night."""

    def __init__(self, rng: np.random.Generator, latest_setting: datetime, x: float, window: int) -> None:
        self.x = x
        self.window = window
        self.set_at = latest_setting - timedelta(minutes=15 * int(rng.integers(0, 13)))
        hours = 24.0 + float(np.clip(rng.normal(0, 0.8), -3.5, 3.5))
        if rng.random() < 0.02:
            hours = float(rng.uniform(28.5, 33.0))  # came home late
        self.hours = round(hours * 4) / 4
        self.latest = self.set_at + timedelta(hours=self.hours + 1)
        self.rain = str(rng.choice(["dry", "damp", "light", "heavy"], p=[0.55, 0.2, 0.2, 0.05]))
        self.ground = {"dry": "dry", "damp": "damp", "light": "damp", "heavy": "wet"}[self.rain]
        self.low_c = round(float(rng.normal(MIN_MEAN_C, MIN_SD_C)), 1)
        self.high_c = round(self.low_c + float(rng.uniform(*MAX_LESS_MIN_C)), 1)
        self.looks = str(rng.choice(["dusk_and_dawn", "dawn_only", "no_look", "dusk_only"], p=[0.74, 0.2, 0.05, 0.01]))


@dataclass(frozen=True, slots=True, eq=False)
class _Trap:
    """One trap of a garden, with the garden's own factors (G,)."""

    garden: Garden
    number: int
    site: Floats


def _return(world: World, rng: np.random.Generator, of: _Trap, night: _Night) -> SimulatedReturn:
    garden, trap, site = of.garden, of.number, of.site
    habitat = garden.habitats[trap - 1]
    fields = _fields(rng, garden, night)
    mean = (
        world.rate[garden.region, night.window]
        * world.habitat_effect[world.habitats.index(habitat)]
        * season_factor(world, night.x)
        * warmth(world, night.high_c)
        * (world.fresh_effect if fields["settled_h"] < 48 else 1.0)
        * (night.hours / 24.0)
        * (fields["mouth_mm"] / 75.0)
        * site
    )
    counts = rng.poisson(mean * _gamma(rng, world.night_variance)).astype(np.int64)
    extreme = bool(rng.random() < EXTREME_SHARE)
    if extreme:
        group = int(rng.integers(len(world.groups)))
        counts[group] = max(int(counts[group]), 1) * int(rng.integers(8, 31))
    counts = np.minimum(counts, np.array(world.ceilings) - 1)
    answers = _answers(world, rng, counts)
    return SimulatedReturn(
        uuid=UUID(bytes=rng.bytes(16), version=4),
        garden=garden.number,
        trap=trap,
        habitat=habitat,
        set_at=night.set_at + trap * BETWEEN_TRAPS,
        emptied_at=night.set_at + timedelta(hours=night.hours) + trap * BETWEEN_TRAPS,
        fields=tuple(fields.items()),
        note="",
        answers=answers,
        true_answers=answers,
        slip=None,
        extreme=extreme,
    )


def _fields(rng: np.random.Generator, garden: Garden, night: _Night) -> dict[str, Any]:
    """Return what the family says about cup, ground and weather: mostly to protocol, with honest departures."""

    def pick(*options: tuple[str, float]) -> str:
        return str(rng.choice([word for word, _ in options], p=[share for _, share in options]))

    cover = pick(("present", 0.97), ("absent", 0.03))
    fields: dict[str, Any] = {
        "mouth_mm": float(rng.choice(MOUTHS_MM, p=MOUTH_SHARES)),
        "depth_mm": float(rng.choice([100, 100, 110, 90])),
        "material": "plastic", "wall": "clean",
        "colour": pick(("clear", 0.6), ("brown", 0.25), ("white", 0.15)),
        "nesting": pick(("double", 0.9), ("single", 0.1)),
        "rim": pick(("flush", 0.85), ("slightly_below", 0.1), ("slightly_above", 0.04), ("above", 0.01)),
        "rim_gap": pick(("closed", 0.9), ("up_to_1mm", 0.1)),
        "cover": cover, "liquid": pick(("nothing", 0.98), ("standing_water", 0.02)),
        "refuge": pick(("moss_or_grass", 0.9), ("leaf_litter", 0.07), ("nothing", 0.03)),
        "settled_h": float(rng.choice([72.0, 0.5], p=[0.6, 0.4])),
        "hole_reuse": pick(("same_hole", 0.8), ("new_hole", 0.2)),
        "looks": night.looks, "traps_open": len(garden.habitats),
        "spacing_m": float(rng.choice([2.0, 3.0, 5.0])),
        "temp_min_c": night.low_c, "temp_max_c": night.high_c, "temp_source": "station",
        "rain": night.rain, "ground": night.ground, "trap_state": _state(rng, night.rain, cover),
        "counted_in": pick(("white_tray", 0.96), ("the_cup", 0.04)),
        "looked_for_all": "yes", "vertebrate_seen": "no", "release": pick(("within_the_hour", 0.985), ("later", 0.015)),
        "closing": pick(("lidded", 0.8), ("lifted_and_filled", 0.197), ("left_open", 0.003)),
        "time_precision": "quarter_hour", "ground_cover": pick(("half", 0.4), ("sparse", 0.3), ("dense", 0.3)),
        "vegetation": pick(("under_5cm", 0.5), ("from_5_to_15cm", 0.5)),
        "disturbance": pick(
            ("undisturbed", 0.94), ("trampled", 0.02), ("mown", 0.015), ("watered", 0.015),
            ("dug", 0.007), ("treated", 0.003),
        ),
        "pesticide": pick(("no", 0.995), ("yes", 0.005)),
    }  # fmt: skip
    if cover == "present":
        fields |= {"cover_kind": pick(("opaque", 0.97), ("clear", 0.03)), "cover_gap_mm": 20.0, "cover_width_mm": 140.0}
    return fields


def _state(rng: np.random.Generator, rain: str, cover: str) -> str:
    """Return the state of a trap when it is lifted. Rain gets into cups, and takes covers that were there."""
    lost, wet = RAIN_DAMAGE.get(rain, (0.0, 0.002))
    chances = {"cover_lost": lost if cover == "present" else 0.0, "water_in": wet}
    chances |= {"tilted": 0.015, "soil_in": 0.01, "kicked": 0.01}
    words, shares = list(chances), list(chances.values())
    return str(rng.choice([*words, "intact"], p=[*shares, 1.0 - sum(shares)]))


def _answers(world: World, rng: np.random.Generator, counts: Any) -> tuple[Answer, ...]:
    """Return the answers of a family: exact to 20, above that half of them a class; tiny groups skipped by some."""
    skips_tiny = rng.random() < 0.08
    found = []
    for group, count in zip(world.groups, counts, strict=True):
        if skips_tiny and group in ("springtails", "mites"):
            found.append(Answer(group, AnswerKind.DID_NOT_LOOK, None, None))
        elif rng.random() < 0.004:
            found.append(Answer(group, AnswerKind.COULD_NOT_TELL, None, None))
        else:
            found.append(answer_for(group, int(count), as_class=count > EXACT_TO and rng.random() < CLASS_SHARE))
    return tuple(found)


def answer_for(group: str, count: int, *, as_class: bool = False) -> Answer:
    """Return a count as an answer: none, a number, or the class that holds it."""
    if count <= 0:
        return Answer(group, AnswerKind.NONE_SEEN, 0, 0)
    if not as_class or count == 1:  # there is no class for a single animal
        return Answer(group, AnswerKind.NUMBER, count, count)
    low, high = next(bounds for bounds in CLASS_BOUNDS.values() if bounds[1] is None or count <= bounds[1])
    return Answer(group, AnswerKind.CLASS, low, high)


def _gamma(rng: np.random.Generator, variance: Floats) -> Floats:
    drawn: Floats = rng.gamma(1.0 / variance, variance)
    return drawn
