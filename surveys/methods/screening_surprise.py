"""Explanations weighed against each other: is a surprising count a slip, or an honest night?

Every slip is a rival hypothesis with a prior rate. Its odds are the prior times the likelihood ratio of
what was sent, under the slip, against "all is well" (the predictive negative binomial with a little of an
honest far-out kind mixed in, so that a true extreme is not an error for want of another name).

References: METHODS.md, section 7 (kinds of slip); Bayes factors: Kass & Raftery (1995) J. Am. Stat.
Assoc. 90: 773-795 (from memory). Prior rates are planning values.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from surveys.methods.screening_chances import Catch, log_far, log_honest
from surveys.methods.screening_records import FloatArray, Hunch
from surveys.methods.screening_telling import tell_empty, tell_many, tell_number, tell_pooled, tell_slip, tell_swap
from surveys.methods.screening_weighing import Weighing, sum_odds

FIRST_TWO_DIGITS = 10
INNER_DIGIT_SHARE = 0.15  # one digit of several typed twice (12 as 112) against all of it (3 as 33); planning value
TWO_ZEROS_SHARE = 0.1  # two zeros too many against one; planning value
LEAST_RATIO = 2.0  # a swap or a number is only worth a sentence when it fits better than what was sent


def weigh_numbers(weighing: Weighing) -> Iterator[Hunch]:
    """Suspect a number written ten times too high, or with a digit doubled (2 for 20, 3 for 33)."""
    catch, priors = weighing.catch, weighing.settings.priors
    seen = max(int(np.sum(catch.known & (catch.point > 0.0))), 1)
    for at in np.flatnonzero(catch.known & (catch.low >= FIRST_TWO_DIGITS)):
        readings = _doubled_readings(catch, int(at)) | _tenfold_readings(catch, int(at))
        if not readings:
            continue
        counts = np.array(sorted(readings), dtype=float)
        prior = np.array([readings[int(count)][0] for count in counts]) / seen
        prior *= np.where(
            [readings[int(count)][1] == "ten_times" for count in counts], priors.ten_times, priors.doubled_digit
        )
        log_odds = np.log(prior) + weighing.log_of(int(at), counts) - weighing.own[at]
        best = int(np.argmax(log_odds))
        yield tell_number(weighing, int(at), float(counts[best]), sum_odds(log_odds))


def _tenfold_readings(catch: Catch, at: int) -> dict[int, tuple[float, str]]:
    """Return counts that, with a zero or two too many, give what was sent, with their chance to do so."""
    low, high = catch.low[at], catch.high[at]
    found: dict[int, tuple[float, str]] = {}
    for times, chance in ((100.0, TWO_ZEROS_SHARE), (10.0, 1.0)):
        first, last = int(np.ceil(low / times)), int(np.floor(min(high, times * low) / times))
        found |= dict.fromkeys(range(max(first, 1), last + 1), (chance, "ten_times"))
    return found


def _doubled_readings(catch: Catch, at: int) -> dict[int, tuple[float, str]]:
    """Return counts that give the number sent once a digit, or the whole number, is written twice."""
    if catch.low[at] != catch.high[at]:
        return {}
    text = str(int(catch.low[at]))
    singles = {text[:i] + text[i + 1 :] for i in range(len(text) - 1) if text[i] == text[i + 1]}
    readings = {int(one): (INNER_DIGIT_SHARE, "doubled_digit") for one in singles if one[0] != "0"}
    half = len(text) // 2
    if len(text) % 2 == 0 and text[:half] == text[half:]:
        readings[int(text[:half])] = (1.0, "doubled_digit")
    return readings


def weigh_look_alikes(weighing: Weighing) -> Iterator[Hunch]:
    """Suspect two look-alike groups swapped when each count fits the other group much better."""
    catch = weighing.catch
    place = {group.replace("-", "_"): at for at, group in enumerate(catch.groups)}
    pairs = [(place[a], place[b]) for a, b in weighing.settings.look_alikes if a in place and b in place]
    open_pairs = [(a, b) for a, b in pairs if _differ(catch, a, b)]
    for a, b in open_pairs:
        gain = weighing.across[a, b] + weighing.across[b, a] - weighing.own[a] - weighing.own[b]
        if gain > np.log(LEAST_RATIO):
            yield tell_swap(weighing, a, b, float(gain), len(open_pairs))


def _differ(catch: Catch, a: int, b: int) -> bool:
    """Say whether both groups are answered, with different counts."""
    return bool(catch.known[a] and catch.known[b] and (catch.low[a], catch.high[a]) != (catch.low[b], catch.high[b]))


def weigh_row_slip(weighing: Weighing) -> Iterator[Hunch]:
    """Suspect that counts stand one row too low or too high on the form, from some row on.

    Half of the prior goes to a slip of the whole list, half evenly to a slip that starts at any row.
    """
    catch = weighing.catch
    size = len(catch.groups)
    if size < 3 or int(np.sum(catch.known & (catch.point > 0.0))) < 2:
        return
    found: list[tuple[float, str, int, FloatArray]] = []
    for down in (True, False):
        gains = _slip_gains(weighing, down)
        start_prior = np.full(size, 0.5 / max(size - 1, 1))
        start_prior[0] = 0.5
        weighed = np.log(start_prior) + gains
        start = int(np.argmax(weighed))
        prior = np.log(weighing.settings.priors.row_slip / 2.0)
        found.append((prior + float(np.logaddexp.reduce(weighed)), "down" if down else "up", start, gains))
    log_odds, direction, start, gains = max(found, key=lambda one: one[0])
    if gains[start] > np.log(LEAST_RATIO):
        yield tell_slip(weighing, direction, start, float(gains[start]), log_odds)


def _slip_gains(weighing: Weighing, down: bool) -> FloatArray:
    """Return the log likelihood ratio (G,) of a slip that starts at each row (written ``down`` or up)."""
    across, own = weighing.across, weighing.own
    step = np.zeros(len(own))
    if down:  # the count in row h belongs to row h - 1; the first slipped row was left over
        step[1:] = np.diagonal(across, 1) - own[1:]
        left_over = _left_over(weighing)
        sums: FloatArray = np.append(np.cumsum(step[::-1])[::-1][1:], 0.0)
        return left_over - own + sums
    step[:-1] = np.diagonal(across, -1) - own[:-1]
    edge = _left_over(weighing)[-1] - own[-1]
    result: FloatArray = np.cumsum(step[::-1])[::-1] + edge
    return result


def _left_over(weighing: Weighing) -> FloatArray:
    """Return the log chance (G,) of what stands in a row that a slip left over: mostly nothing."""
    catch = weighing.catch
    empty = np.where(catch.low == 0.0, np.log(0.5), -np.inf)
    wrapped = np.log(0.5) + log_far(catch.low, catch.high, catch.ceiling)
    return np.where(catch.known, np.logaddexp(empty, wrapped), 0.0)


def weigh_night(weighing: Weighing, *, traps: tuple[int, ...], pooled_prior: float) -> Iterator[Hunch]:
    """Suspect several traps in one return, or a lost trap entered as empty, from the whole list at once.

    The night's own factor, the same for all groups, is summed out over a log-normal grid on both sides, so
    that a good or a bad night is not a slip.
    """
    catch, priors = weighing.catch, weighing.settings.priors
    if not np.any(catch.known):
        return
    factors, log_weights = _night_grid(weighing.settings.night_log_sd)
    honest = np.logaddexp.reduce(log_weights + _night_logs(weighing, factors))
    if np.sum(catch.point[catch.known]) == 0.0:
        honest = np.logaddexp(honest, np.log(priors.true_empty))
        yield tell_empty(weighing, float(np.log(priors.lost_trap_zeros) - honest))
    elif traps:
        logs = [np.logaddexp.reduce(log_weights + _night_logs(weighing, factors * n, pooled=n)) for n in traps]
        best = int(np.argmax(logs))
        log_odds = np.log(pooled_prior) - np.log(len(traps)) + np.logaddexp.reduce(logs) - honest
        yield tell_pooled(weighing, traps[best], float(log_odds))


def _night_grid(log_sd: float) -> tuple[FloatArray, FloatArray]:
    """Return night factors and their log weights (7,), log-normal with median one."""
    z = np.linspace(-2.25, 2.25, 7)
    log_weights = -0.5 * z * z
    return np.exp(log_sd * z), log_weights - np.logaddexp.reduce(log_weights)


def _night_logs(weighing: Weighing, factors: FloatArray, pooled: int = 1) -> FloatArray:
    """Return the summed log chance of the whole list at each factor.

    Traps added up vary less: the traps' own part by 1/n, the site's part not at all; the root is between.
    """
    c = weighing.catch
    means = factors[:, None] * c.mean[None, :]
    logs = log_honest(
        c.low[None, :],
        c.high[None, :],
        means,
        c.size[None, :] * np.sqrt(pooled),
        ceiling=c.ceiling,
        extreme_share=weighing.extreme_share,
    )
    return np.asarray(logs.sum(axis=1))


def weigh_many(weighing: Weighing) -> Iterator[Hunch]:
    """Suspect a count far beyond what such a trap catches, for no reason that has a name."""
    at = int(np.argmin(weighing.tail)) if len(weighing.tail) else 0
    if len(weighing.tail) and weighing.tail[at] < weighing.settings.surprising_tail:
        catch = weighing.catch
        far = log_far(catch.low[at], catch.high[at], catch.ceiling[at])
        share = weighing.settings.priors.unexplained / len(catch.groups)
        log_odds = float(np.log(share) + far - weighing.own[at])
        yield tell_many(weighing, at, log_odds)
