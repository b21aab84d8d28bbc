"""A trap said to stand in one habitat whose plants, or whose catch, belong to another.

References: the cross-field contradictions are common practice, no source; the weighing of the catch is by
likelihood ratio, as of all rivals (METHODS.md, section 7.4). Probabilities are planning values.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from surveys.methods.records import Report
from surveys.methods.screening_catch import Catch
from surveys.methods.screening_chances import log_honest
from surveys.methods.screening_records import FloatArray, Hunch, IntArray, Told, state_hunch
from surveys.methods.screening_weighing import LEAST_LOG_ODDS, Weighings, sum_odds
from surveys.vocabulary import GroundCover, QueryKind, QueryReason, VegetationHeight

#: What cannot be around a trap of a habitat: ground cover, then height of the plants.
CONTRADICTIONS: dict[str, frozenset[str]] = {
    "bare_gravel": frozenset({GroundCover.DENSE, VegetationHeight.FROM_15_TO_50CM, VegetationHeight.OVER_50CM}),
    "short_lawn": frozenset({GroundCover.BARE, VegetationHeight.FROM_15_TO_50CM, VegetationHeight.OVER_50CM}),
    "long_grass": frozenset({GroundCover.BARE, VegetationHeight.UNDER_5CM}),
}
CONTRADICTED = 20.0  # times likelier beforehand where the plants contradict the habitat (planning value)
FEWEST_SEEN = 3  # groups that were seen: fewer say nothing of a habitat
MOST_TOLD = 6.9  # log of a thousand
LEAST_RATIO = 20.0  # a habitat is only offered when the catch fits it so many times better


def contradicting(report: Report) -> list[str]:
    """Return the answers about the plants around a trap that cannot be true of its habitat."""
    against = CONTRADICTIONS.get(report.habitat or "", frozenset())
    return [word for word in (report.ground_cover, report.vegetation) if word in against]


def check_plants(report: Report) -> Iterator[Hunch]:
    """Mention the habitat when the plants around the trap contradict it; too little to hold a return by itself."""
    found = contradicting(report)
    if not found:
        return
    listed = dict(GroundCover.choices()) | dict(VegetationHeight.choices())
    told = ", ".join(f'"{listed[word]}"' for word in found if word)
    habitat = (report.habitat or "").replace("_", " ")
    yield state_hunch(
        QueryReason.WRONG_HABITAT,
        0.11,  # listed, but too little to wait for
        f"The habitat is {habitat}, but the plants around the trap are given as {told}.",
        f"You put this trap in: {habitat}. But you said that the plants around it are {told}. "
        "Look again: where did this trap stand?",
        {"habitat": report.habitat, "words": [str(word) for word in found]},
    )


def weigh_habitats(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, the suspicion that the whole catch fits another habitat far better.

    A contradiction with the plants makes it likelier beforehand.
    """
    c = weighings.catches
    of_names: dict[tuple[int, tuple[str, ...]], list[int]] = defaultdict(list)
    for row in np.flatnonzero(weighings.seen >= FEWEST_SEEN).tolist():
        case = weighings.cases[row]
        if case.elsewhere:
            of_names[len(case.elsewhere), case.region.groups].append(row)
    for (number, listed), chosen in of_names.items():
        rows = np.array(chosen)
        of_form = [listed.index(group) for group in c.groups]
        ratios = np.array([list(weighings.cases[row].elsewhere.values()) for row in chosen])[:, :, of_form]
        gains = _gains(weighings, rows, ratios)
        prior = np.log([_prior(weighings, row) / number for row in chosen])
        log_odds = prior + np.logaddexp.reduce(gains, axis=1)
        told = (gains.max(axis=1) > np.log(LEAST_RATIO)) & (log_odds > LEAST_LOG_ODDS)
        for n in np.flatnonzero(told).tolist():
            best = int(np.argmax(gains[n]))
            case = weighings.cases[chosen[n]]
            fit = Fit(list(case.elsewhere)[best], ratios[n, best], float(gains[n, best]))
            odds = sum_odds(log_odds[n : n + 1])
            yield chosen[n], _habitat_hunch(weighings.one(chosen[n]).catch, case.report.habitat, fit, odds)


def _gains(weighings: Weighings, rows: IntArray, ratios: FloatArray) -> FloatArray:
    """Return the log likelihood ratio (m, H) of the whole catch under each other habitat."""
    c = weighings.catches
    logs = log_honest(
        c.low[rows, None, :], c.high[rows, None, :], c.mean[rows, None, :] * ratios, c.size[rows, None, :],
        ceiling=c.ceiling[rows, None, :], extreme_share=weighings.extreme_share[rows, None, :],
    )  # fmt: skip
    return np.asarray(logs.sum(axis=2) - weighings.own[rows].sum(axis=1)[:, None])


def _prior(weighings: Weighings, row: int) -> float:
    rate = weighings.settings.priors.wrong_habitat
    return rate * CONTRADICTED if contradicting(weighings.cases[row].report) else rate


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A habitat that a catch fits: its code, the ratios of its usual catch (G,), and the log likelihood ratio."""

    habitat: str
    ratio: FloatArray
    gain: float


def _habitat_hunch(catch: Catch, said: str | None, fit: Fit, odds: float) -> Hunch:
    """Return the hunch that the trap stood in another habitat than was said."""
    here, there = ((code or "this habitat").replace("_", " ") for code in (said, fit.habitat))
    times = f"{np.exp(fit.gain):.0f} times" if fit.gain < MOST_TOLD else "more than a thousand times"
    return Hunch(
        kind=QueryKind.STATISTICAL,
        reason=QueryReason.WRONG_HABITAT,
        odds=odds,
        tell=lambda: Told(
            f"The catch fits {there} {times} better than {here}.",
            f"Your catch looks more like one from: {there}. You put this trap in: {here}. "
            "Look again: where did this trap stand?",
            {"habitat": said, "alternative": {"habitat": fit.habitat, "log_ratio": round(fit.gain, 2)}},
        ),
        corrected=np.where(catch.known, catch.point / np.maximum(fit.ratio, 1e-3), catch.mean),
    )
