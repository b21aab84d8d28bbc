"""What a weighed explanation says: a sentence for the coordinator, a gentler one for the sender, numbers to draw."""

from __future__ import annotations

import numpy as np

from surveys.methods.screening_catch import Catch
from surveys.methods.screening_chances import lower_tail
from surveys.methods.screening_records import FloatArray, Hunch, Told
from surveys.methods.screening_weighing import Weighing, sum_odds
from surveys.vocabulary import QueryKind, QueryReason

#: Rarer than this is not told in digits.
RAREST = 1e-6


def tell_number(weighing: Weighing, at: int, count: float, odds: float) -> Hunch:
    """Return the hunch that one number was written too high."""
    sent, name = _sent(weighing.catch, at), _name(weighing.catch, at)
    return Hunch(
        kind=QueryKind.STATISTICAL,
        reason=QueryReason.TEN_TIMES,
        odds=odds,
        tell=lambda: Told(
            f"{name.capitalize()}: {sent} sent, where most such traps catch {_usual(weighing, at)}. {count:.0f} "
            "would fit far better: a zero too many, a digit typed twice, or two digits turned round.",
            f"You sent {sent} {name}. Most traps like yours catch {_usual(weighing, at)}. Look at your sheet again: "
            f"was it {count:.0f}? If {sent} is right, tell us: big nights do happen.",
            {
                "numbers": [_numbers(weighing, at)],
                "alternative": {"group": weighing.catch.groups[at], "count": int(count)},
            },
        ),
        corrected=_with(weighing.catch, {at: count}),
    )


def tell_swap(weighing: Weighing, a: int, b: int, gain: float, log_odds: float) -> Hunch:
    """Return the hunch that two groups were swapped."""
    catch, first, second = weighing.catch, _name(weighing.catch, a), _name(weighing.catch, b)
    return Hunch(
        kind=QueryKind.STATISTICAL,
        reason=QueryReason.LOOK_ALIKES,
        odds=sum_odds(np.array([log_odds])),
        tell=lambda: Told(
            f"{first.capitalize()} {_sent(catch, a)} and {second} {_sent(catch, b)} fit {_times(gain)} better the "
            "other way round. The two look alike.",
            f"{first.capitalize()} and {second} look much alike. You sent {_sent(catch, a)} {first} and "
            f"{_sent(catch, b)} {second}. Look again, or send a photo of the tray: might it be the other way round?",
            {
                "numbers": [_numbers(weighing, a), _numbers(weighing, b)],
                "alternative": {"swapped": [catch.groups[a], catch.groups[b]], "log_ratio": round(gain, 2)},
            },
        ),
        corrected=_with(catch, {a: float(catch.point[b]), b: float(catch.point[a])}),
    )


def tell_lumped(weighing: Weighing, full: int, empty: int, gain: float, log_odds: float) -> Hunch:
    """Return the hunch that all of one group was written under its look-alike."""
    catch, here, there = weighing.catch, _name(weighing.catch, full), _name(weighing.catch, empty)
    share = catch.mean[full] / (catch.mean[full] + catch.mean[empty])
    return Hunch(
        kind=QueryKind.STATISTICAL,
        reason=QueryReason.LOOK_ALIKES,
        odds=sum_odds(np.array([log_odds])),
        tell=lambda: Told(
            f"{here.capitalize()} {_sent(catch, full)} and no {there}: that fits {_times(gain)} better if {there} "
            f"were counted as {here}. The two look alike.",
            f"{here.capitalize()} and {there} look much alike. You sent {_sent(catch, full)} {here} and no {there}. "
            f"Look again, or send a photo of the tray: might some of them be {there}?",
            {
                "numbers": [_numbers(weighing, full), _numbers(weighing, empty)],
                "alternative": {"lumped": [catch.groups[empty], catch.groups[full]], "log_ratio": round(gain, 2)},
            },
        ),
        corrected=_with(
            catch, {full: float(catch.point[full] * share), empty: float(catch.point[full] * (1.0 - share))}
        ),
    )


def tell_slip(weighing: Weighing, direction: str, start: int, gain: float, log_odds: float) -> Hunch:
    """Return the hunch that counts stand one row off."""
    catch = weighing.catch
    corrected = np.where(catch.known, catch.point, catch.mean)
    if direction == "down":
        corrected[start:-1], corrected[-1] = corrected[start + 1 :].copy(), catch.mean[-1]
    else:
        corrected[start + 1 :], corrected[start] = corrected[start:-1].copy(), catch.mean[start]
    return Hunch(
        kind=QueryKind.DETERMINISTIC,
        reason=QueryReason.ROW_SLIP,
        odds=sum_odds(np.array([log_odds])),
        tell=lambda: Told(
            f"From {_name(catch, start)} on, the counts fit {_times(gain)} better one row "
            f"{'up' if direction == 'down' else 'down'}.",
            f"From {_name(catch, start)} on, your numbers look as if they slipped by one row. Lay your "
            "sheet beside the form and look again at each row.",
            {
                "numbers": [_numbers(weighing, int(at)) for at in np.flatnonzero(catch.known & (catch.point > 0.0))],
                "alternative": {"slipped": direction, "from_group": catch.groups[start], "log_ratio": round(gain, 2)},
            },
        ),
        corrected=corrected,
    )


def tell_empty(weighing: Weighing, log_odds: float) -> Hunch:
    """Return the hunch that an empty list stands for a lost trap."""
    expected = float(np.sum(weighing.catch.mean[weighing.catch.known]))
    return Hunch(
        kind=QueryKind.STATISTICAL,
        reason=QueryReason.LOST_TRAP_ZEROS,
        odds=sum_odds(np.array([log_odds])),
        tell=lambda: Told(
            f"Not one animal, where such a trap catches about {expected:.0f} in all. The trap may have been lost.",
            f"You found no animals at all. Traps like yours catch about {expected:.0f}. That can happen. "
            "Was the cup still in its place, upright and dry inside?",
            {"numbers": [{"name": "expected_in_all", "value": round(expected, 2)}, {"name": "sent", "value": 0}]},
        ),
        corrected=weighing.catch.mean,
    )


def tell_pooled(weighing: Weighing, traps: int, log_odds: float) -> Hunch:
    """Return the hunch that several traps were added up."""
    catch = weighing.catch
    total, expected = float(np.sum(catch.point[catch.known])), float(np.sum(catch.mean[catch.known]))
    return Hunch(
        kind=QueryKind.DETERMINISTIC,
        reason=QueryReason.TRAPS_POOLED,
        odds=sum_odds(np.array([log_odds])),
        tell=lambda: Told(
            f"{total:.0f} animals, where one such trap catches about {expected:.0f}, and most groups are up "
            f"together: {traps} traps may have been counted as one.",
            f"You sent {total:.0f} animals for one trap. Traps like yours catch about {expected:.0f}. Did "
            f"you add up {traps} traps? If so, tell us how many: that is fine, and your counts still help.",
            {
                "numbers": [
                    {"name": "sent", "value": round(total, 1)},
                    {"name": "expected", "value": round(expected, 1)},
                ],
                "alternative": {"traps": traps},
            },
        ),
        corrected=catch.point / traps,
    )


def tell_small(weighing: Weighing, missed: list[int], log_odds: float) -> Hunch:
    """Return the hunch that small groups were not looked for."""
    catch = weighing.catch
    names = " and ".join(filter(None, [", ".join(_name(catch, at) for at in missed[:-1]), _name(catch, missed[-1])]))
    expected = float(np.sum(catch.mean[missed]))
    return Hunch(
        kind=QueryKind.STATISTICAL,
        reason=QueryReason.SMALL_MISSED,
        odds=sum_odds(np.array([log_odds])),
        tell=lambda: Told(
            f"No {names} on that night, though larger animals were counted. "
            "The small ones may not have been looked for.",
            f"You found no {names}. They are tiny, and easy to miss. Did you look for them, with the catch on a white "
            'tray? If not, answer "did not look" for them: that is fine, and your other counts still help.',
            {
                "numbers": [_numbers(weighing, at) for at in missed],
                "alternative": {"not_looked_for": [catch.groups[at] for at in missed], "expected": round(expected, 2)},
            },
        ),
        corrected=_with(catch, {at: float(catch.mean[at]) for at in missed}),
    )


def tell_many(weighing: Weighing, at: int, log_odds: float) -> Hunch:
    """Return the hunch that a count is simply too high."""
    sent, name = _sent(weighing.catch, at), _name(weighing.catch, at)
    return Hunch(
        kind=QueryKind.STATISTICAL,
        reason=QueryReason.UNUSUALLY_MANY,
        odds=sum_odds(np.array([log_odds])),
        tell=lambda: Told(
            f"{name.capitalize()}: {sent} sent, where most such traps catch {_usual(weighing, at)}; a count "
            f"this high comes {_how_rarely(float(weighing.tail[at]))}.",
            f"You sent {sent} {name}. Most traps like yours catch {_usual(weighing, at)}. That would be a big night! "
            "Look at your sheet once more, or send a photo of the tray.",
            {"numbers": [_numbers(weighing, at)]},
        ),
        corrected=_with(weighing.catch, {at: float(weighing.catch.mean[at])}),
    )


def _how_rarely(tail: float) -> str:
    """Say a tail (share) in words; beyond one in a million no model is to be believed to the digit."""
    if tail < RAREST:
        return f"less than once in {1.0 / RAREST:,.0f} such traps"
    return f"once in {1.0 / tail:,.0f} such traps"


def _with(catch: Catch, changes: dict[int, float]) -> FloatArray:
    """Return the counts with a few of them replaced; what is not known keeps its expected count."""
    counts = np.where(catch.known, catch.point, catch.mean)
    for at, count in changes.items():
        counts[at] = count
    return counts


def _name(catch: Catch, at: int) -> str:
    """Return a group's code as words."""
    return catch.groups[at].replace("_", " ").replace("-", " ")


def _sent(catch: Catch, at: int) -> str:
    """Return a count as it was sent: a number, a class, or an open class."""
    low, high = catch.low[at], catch.high[at]
    if low == high:
        return f"{low:.0f}"
    return f"{low:.0f} or more" if np.isinf(high) else f"{low:.0f} to {high:.0f}"


def _usual(weighing: Weighing, at: int) -> str:
    """Return the range that nine in ten such traps stay in."""
    most = weighing.quantiles["0.9"][at]
    return "hardly any" if most < 1.0 else f"up to {most:.0f}"


def _times(gain: float) -> str:
    """Return a log likelihood ratio in words."""
    if gain >= np.log(1e6):
        return "over a million times"
    return f"{float(f'{np.exp(gain):.2g}'):,.0f} times"


def _numbers(weighing: Weighing, at: int) -> dict[str, object]:
    """Return one group's count beside its predictive distribution, for a plot."""
    catch = weighing.catch
    mean, size = catch.mean[at : at + 1], catch.size[at : at + 1]
    return {
        "group": catch.groups[at],
        "low": int(catch.low[at]),
        "high": None if np.isinf(catch.high[at]) else int(catch.high[at]),
        "expected": round(float(mean[0]), 3),
        "quantiles": {share: int(counts[at]) for share, counts in weighing.quantiles.items()},
        "tail_p": float(f"{float(weighing.tail[at]):.3g}"),
        "share_below": round(float(lower_tail(catch.low[at : at + 1] - 1.0, mean, size)[0]), 4),
    }
