"""The slips that people make, planted one to a return, with the truth kept beside them.

Kinds: METHODS.md, section 7; their shares are not known and are taken as equal, so the kind that was
used least comes next. A kind that does not fit a return (no earlier night to copy, no count to
multiply) gives way to the next that does.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from uuid import UUID

import numpy as np

from surveys.vocabulary import AnswerKind

from .records import Answer
from .simulation_records import SimulatedReturn, World

Slip = Callable[[World, np.random.Generator, SimulatedReturn, Sequence[SimulatedReturn]], SimulatedReturn | None]


def plant_slips(
    world: World, rng: np.random.Generator, returns: Sequence[SimulatedReturn], share: float, as_of: datetime
) -> list[SimulatedReturn]:
    """Return the returns with a slip in about ``share`` of them; a return sent twice stands behind its first.

    Kinds take turns, the least used first. No slip moves an instant past ``as_of``.
    """
    of_garden: dict[int, list[SimulatedReturn]] = defaultdict(list)
    for one in returns:
        of_garden[one.garden].append(one)
    used: Counter[str] = Counter()
    found: list[SimulatedReturn] = []
    for one in returns:
        slipped = _slipped(world, rng, one, of_garden[one.garden], used) if rng.random() < share else one
        if max(slipped.set_at, slipped.emptied_at) > as_of:
            slipped = one
        if slipped.slip == "sent_twice":
            found.append(one)
        found.append(slipped)
        used.update([slipped.slip] if slipped.slip else [])
    return found


def _slipped(
    world: World,
    rng: np.random.Generator,
    one: SimulatedReturn,
    garden: Sequence[SimulatedReturn],
    used: Mapping[str, int],
) -> SimulatedReturn:
    names = [list(SLIPS)[place] for place in rng.permutation(len(SLIPS))]
    for name in sorted(names, key=lambda name: used.get(name, 0)):
        slipped = SLIPS[name](world, rng, one, garden)
        if slipped is not None:
            return replace(slipped, slip=name)
    return one


def _plain(count: int, group: str) -> Answer:
    kind = AnswerKind.NUMBER if count else AnswerKind.NONE_SEEN
    return Answer(group, kind, count, count)


def _with_count(one: SimulatedReturn, place: int, count: int) -> SimulatedReturn:
    answers = list(one.answers)
    answers[place] = _plain(count, answers[place].group)
    return replace(one, answers=tuple(answers))


def _numbers(one: SimulatedReturn, lowest: int, highest: int) -> list[int]:
    return [
        n for n, a in enumerate(one.answers) if a.kind == AnswerKind.NUMBER and a.low and lowest <= a.low <= highest
    ]


def _exact(answer: Answer) -> int:
    return answer.low or 0


def ten_times(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """A zero too many."""
    places = [n for n in _numbers(one, 2, 40) if _exact(one.answers[n]) * 10 < world.ceilings[n]]
    if not places:
        return None
    place = int(rng.choice(places))
    return _with_count(one, place, _exact(one.answers[place]) * 10)


def doubled_digit(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """A key that was hit twice: 3 becomes 33."""
    places = _numbers(one, 2, 9)
    if not places:
        return None
    place = int(rng.choice(places))
    return _with_count(one, place, _exact(one.answers[place]) * 11)


def row_slip(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """Every count one row down."""
    if sum(1 for a in one.answers if a.low) < 4:
        return None
    shifted = (one.answers[-1], *one.answers[:-1])
    return replace(
        one, answers=tuple(Answer(a.group, b.kind, b.low, b.high) for a, b in zip(one.answers, shifted, strict=True))
    )


def look_alikes(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """Two groups that look alike, swapped."""
    pairs = [(a, b) for a, b in world.look_alikes if abs(_exact(one.answers[a]) - _exact(one.answers[b])) >= 3]
    if not pairs:
        return None
    a, b = pairs[int(rng.integers(len(pairs)))]
    answers = list(one.answers)
    first, second = answers[a], answers[b]
    answers[a] = replace(second, group=first.group)
    answers[b] = replace(first, group=second.group)
    return replace(one, answers=tuple(answers))


def date_off_by_days(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """The day of emptying one day late, or that of setting."""
    days = int(rng.choice([-1, 1, 2]))
    return replace(one, emptied_at=one.emptied_at + timedelta(days=days))


def twelve_hours_off(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """Morning written for evening."""
    return replace(one, set_at=one.set_at - timedelta(hours=12))


def day_month_swapped(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """Day and month of setting the wrong way round."""
    day, month = one.set_at.day, one.set_at.month
    if day == month or day > 10:  # a month after October would lie ahead of every sender of the season
        return None
    return replace(one, set_at=one.set_at.replace(month=day, day=month))


def lost_trap_zeros(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """A trap that was dug up or moved, entered as if it were empty."""
    fields = dict(one.fields) | {"trap_state": str(rng.choice(["dug_up", "moved"]))}
    return replace(one, fields=tuple(fields.items()), answers=tuple(_plain(0, a.group) for a in one.answers))


NOTES = (
    "We put some washing-up liquid in so they could not get out.",
    "Added a little beer, works well for slugs!",
    "There was soapy water in the cup as last year.",
    "Used antifreeze from the garage.",
)


def liquid_words(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """Liquid in the cup, said only in the note."""
    return replace(one, note=NOTES[int(rng.integers(len(NOTES)))])


def traps_pooled(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """The catch of all traps of the night, sent as that of one."""
    night = [other for other in garden if abs(other.set_at - one.set_at) < timedelta(hours=6)]
    if len(night) < 3:
        return None
    sums = [sum(_exact(other.answers[n]) for other in night) for n in range(len(world.groups))]
    answers = tuple(_plain(min(count, world.ceilings[n] - 1), world.groups[n]) for n, count in enumerate(sums))
    return replace(one, answers=answers)


def _busy(one: SimulatedReturn) -> bool:
    return sum(1 for a in one.answers if a.low) >= 4


def copied_from_earlier(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """The counts of an earlier night of the same trap, sent again."""
    earlier = [o for o in garden if o.trap == one.trap and o.emptied_at < one.set_at and _busy(o)]
    return replace(one, answers=earlier[-1].answers) if earlier else None


def same_as_sibling(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """The counts of the trap beside it, sent for this one too."""
    siblings = [o for o in garden if o.trap < one.trap and abs(o.set_at - one.set_at) < timedelta(hours=6) and _busy(o)]
    return replace(one, answers=siblings[-1].answers) if siblings else None


def impossible_count(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """More than a cup holds: two fields of the form run together."""
    places = _numbers(one, 1, 99)
    if not places:
        return None
    place = int(rng.choice(places))
    return _with_count(one, place, world.ceilings[place] * int(rng.integers(2, 9)) + _exact(one.answers[place]))


def only_exciting(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """Small animals written down as none, because nobody looked for them."""
    small = {"springtails", "mites", "flies", "ants"}
    if not any(a.group in small and (a.low or 0) >= 5 for a in one.answers):
        return None
    return replace(one, answers=tuple(_plain(0, a.group) if a.group in small else a for a in one.answers))


def sent_twice(
    world: World, rng: np.random.Generator, one: SimulatedReturn, garden: Sequence[SimulatedReturn]
) -> SimulatedReturn | None:
    """The same night of the same trap, sent again under a new id."""
    return replace(one, uuid=UUID(bytes=rng.bytes(16), version=4))


#: The kinds of slip by name. Where screening has a reason for a kind, the name is the same.
SLIPS: dict[str, Slip] = {
    slip.__name__: slip
    for slip in (
        ten_times, doubled_digit, row_slip, look_alikes, date_off_by_days, twelve_hours_off, day_month_swapped,
        lost_trap_zeros, liquid_words, traps_pooled, copied_from_earlier, same_as_sibling, impossible_count,
        only_exciting, sent_twice,
    )
}  # fmt: skip
