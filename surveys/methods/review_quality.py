"""How good the review is: a blind second look at some standing and upheld returns, and what it says of the usable data.

References: Clopper & Pearson 1934 Biometrika 26: 404-413 (exact limits); Cohen 1960 Educ. Psychol. Meas. 20: 37-46
(kappa); Fleiss, Cohen & Everitt 1969 Psychol. Bull. 72: 323-327 (its standard error); Cochran 1977 Sampling
Techniques, 5.3 (stratified share). All from memory; the numbers of the tests come from an outside library.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from surveys.methods.level_records import Floats
from surveys.vocabulary import ReturnState

SECOND_LOOK_SHARE = 0.05  # one in twenty; own rule, METHODS.md, section Review
LOOKED_STATES = frozenset({ReturnState.STANDING, ReturnState.UPHELD})
HASH_BITS = 64
FEWEST_FOR_LIMITS = 2


@dataclass(frozen=True, slots=True)
class Stratum:
    """Returns of one state: ``usable`` in all, ``looked`` at again, ``wrong`` among those."""

    state: str
    usable: int
    looked: int
    wrong: int


@dataclass(frozen=True, slots=True)
class WrongShare:
    """Share of wrong records still in the usable data, with an interval that covers at least as often as it says.

    ``code``: estimated; not_looked (nothing looked at: nothing is known, 0 to 1); part_not_looked (a state without any
    look: its share is taken as unknown, and the estimate is of the others); no_usable (there are no usable records).
    """

    estimate: float | None
    low: float
    high: float
    looked: int
    wrong: int
    usable: int
    code: str


@dataclass(frozen=True, slots=True)
class Agreement:
    """How often the second look agreed with the first, beyond chance.

    ``share`` with exact limits; ``kappa`` and limits are None where they tell nothing (fewer than two looks, or one of
    the two always said the same word). ``code``: estimated, one_word_only, too_few, not_looked.
    """

    looked: int
    share: float | None
    share_low: float
    share_high: float
    kappa: float | None
    kappa_low: float | None
    kappa_high: float | None
    code: str


def look_fraction(return_id: str, seed: str) -> float:
    """Turn a return's id and the season's seed into an even fraction of [0, 1).

    The first 64 bits of SHA-256: nobody can steer it who cannot choose the id, and it depends on nothing else, so that
    it does not move when other returns arrive. Parameters: ``return_id``; ``seed`` of the season.
    Returns: fraction. Raises: nothing. References: hash sampling, own construction; FIPS 180-4 for the hash.
    """
    # A length before each part keeps ("1", "23") and ("12", "3") apart.
    text = f"{len(seed)}:{seed}{len(return_id)}:{return_id}".encode()
    return int.from_bytes(hashlib.sha256(text).digest()[: HASH_BITS // 8]) / 2.0**HASH_BITS


def chosen_for_second_look(return_id: str, state: str, seed: str, share: float = SECOND_LOOK_SHARE) -> bool:
    """Say whether a return is looked at again: standing and upheld ones, each with the same chance.

    A return that moves between these two states stays chosen or stays out. Parameters: ``return_id``; its ``state``;
    the season's ``seed``; ``share``. Returns: yes or no. Raises: ValueError for a share outside 0 to 1.
    """
    if not 0.0 <= share <= 1.0:
        raise ValueError(f"Share of returns to look at again: found {share:g}, expected 0 to 1.")
    return state in LOOKED_STATES and look_fraction(return_id, seed) < share


def second_looks(states: Mapping[str, str], seed: str, share: float = SECOND_LOOK_SHARE) -> tuple[str, ...]:
    """Choose among returns, given as id and state, in the order of their fractions.

    Parameters: ``states`` of the returns; ``seed``; ``share``. Returns: ids. Raises: as above.
    """
    chosen = [name for name, state in states.items() if chosen_for_second_look(name, state, seed, share)]
    return tuple(sorted(chosen, key=lambda name: (look_fraction(name, seed), name)))


def exact_limits(hits: int, tries: int, confidence: float = 0.95) -> tuple[float, float]:
    """Clopper-Pearson limits of a share; 0 to 1 where nothing was tried.

    Parameters: ``hits`` of ``tries``; ``confidence``. Returns: low, high.
    Raises: ValueError for hits outside 0 to tries. References: Clopper & Pearson 1934.
    """
    if not 0 <= hits <= tries:
        raise ValueError(f"Hits: found {hits} of {tries}, expected 0 to {tries}.")
    if tries == 0:
        return 0.0, 1.0
    limits = stats.binomtest(hits, tries).proportion_ci(confidence, method="exact")
    return float(limits.low), float(limits.high)


def agreement(table: Sequence[Sequence[int]], confidence: float = 0.95) -> Agreement:
    """Agreement of the first and the second decision: share, and Cohen's kappa beyond chance.

    kappa = (p_o - p_e) / (1 - p_e), limits kappa -+ z se with the large-sample se, cut to -1 and 1. Where few records
    are wrong kappa may be low although nearly all agree (both shares near 1); read it beside the share.
    Parameters: ``table`` (c, c) counts, first decision by rows, second by columns, words in the same order;
    ``confidence``. Returns: Agreement. Raises: ValueError for a table that is not square or holds negative counts.
    References: Cohen 1960; Fleiss, Cohen & Everitt 1969, equation for the non-null standard error.
    """
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or (counts < 0).any():
        raise ValueError("Decisions: expected a square table of counts, first look by rows, second look by columns.")
    looked = int(counts.sum())
    same = int(np.trace(counts))
    low, high = exact_limits(same, looked, confidence)
    if looked == 0:
        return Agreement(0, None, low, high, None, None, None, "not_looked")
    share = same / looked
    if looked < FEWEST_FOR_LIMITS:
        return Agreement(looked, share, low, high, None, None, None, "too_few")
    cells = counts / looked
    if min(np.count_nonzero(cells.sum(axis=axis)) for axis in (0, 1)) == 1:
        # One of the two always said the same word: p_o = p_e whatever the other said, and kappa tells nothing.
        return Agreement(looked, share, low, high, None, None, None, "one_word_only")
    expected = float(cells.sum(axis=1) @ cells.sum(axis=0))
    kappa = (share - expected) / (1.0 - expected)
    reach = float(special.ndtri(0.5 + confidence / 2.0)) * kappa_error(cells, kappa, expected, looked)
    return Agreement(looked, share, low, high, kappa, max(-1.0, kappa - reach), min(1.0, kappa + reach), "estimated")


def kappa_error(cells: Floats, kappa: float, expected: float, looked: int) -> float:
    """Large-sample standard error of kappa, not assuming that it is 0.

    With a = sum_i p_ii [1 - (p_i. + p_.i)(1 - k)]^2, b = (1 - k)^2 sum_{i != j} p_ij (p_.i + p_j.)^2 and
    c = [k - p_e (1 - k)]^2: se = sqrt((a + b - c) / n) / (1 - p_e).
    References: Fleiss, Cohen & Everitt 1969 (from memory).
    """
    rows, columns = cells.sum(axis=1), cells.sum(axis=0)
    same = np.diag(cells)
    a = float(same @ (1.0 - (rows + columns) * (1.0 - kappa)) ** 2)
    apart = cells * (columns[:, None] + rows[None, :]) ** 2
    b = (1.0 - kappa) ** 2 * float(apart.sum() - np.trace(apart))
    c = (kappa - expected * (1.0 - kappa)) ** 2
    return math.sqrt(max(a + b - c, 0.0) / looked) / (1.0 - expected)


def wrong_share(strata: Sequence[Stratum], confidence: float = 0.95) -> WrongShare:
    """Share of wrong records in the usable data, from a second look stratified by state.

    Estimate: sum_h W_h x_h / n_h with W_h the stratum's part of the usable returns. Interval: with one stratum,
    Clopper-Pearson; with several, own construction: exact limits of every stratum at confidence 1 - alpha / H
    (Bonferroni), weighted by W_h. All strata hold together with at least the stated confidence, hence so does any
    weighted sum: it is wide, never too short. The second look is taken as right, and returns as independent draws;
    sampling without replacement makes the interval a little wider still than it need be.
    Parameters: ``strata``; ``confidence``. Returns: WrongShare. Raises: ValueError for counts that do not nest.
    References: Clopper & Pearson 1934; Cochran 1977, 5.3; Bonferroni's inequality.
    """
    for stratum in strata:
        if not 0 <= stratum.wrong <= stratum.looked <= stratum.usable:
            raise ValueError(
                f"{stratum.state}: found {stratum.wrong} wrong of {stratum.looked} looked at of {stratum.usable}; "
                "expected each to be part of the next."
            )
    filled = [stratum for stratum in strata if stratum.usable]
    usable, looked, wrong = (sum(getattr(s, name) for s in filled) for name in ("usable", "looked", "wrong"))
    if not looked:
        return WrongShare(None, 0.0, 1.0, 0, 0, usable, "not_looked" if usable else "no_usable")
    apart = 1.0 - (1.0 - confidence) / len(filled)
    limits = [exact_limits(stratum.wrong, stratum.looked, apart) for stratum in filled]
    low, high = (sum(s.usable / usable * pair[end] for s, pair in zip(filled, limits, strict=True)) for end in (0, 1))
    seen = [stratum for stratum in filled if stratum.looked]
    estimate = sum(s.usable * s.wrong / s.looked for s in seen) / sum(s.usable for s in seen)
    code = "estimated" if len(seen) == len(filled) else "part_not_looked"
    return WrongShare(estimate, low, min(high, 1.0), looked, wrong, usable, code)
