"""A trap said to stand in one habitat whose plants, or whose catch, belong to another.

References: the cross-field contradictions are common practice, no source; the weighing of the catch is by
likelihood ratio, as of all rivals (METHODS.md, section 7.4). Probabilities are planning values.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from surveys.methods.records import Report
from surveys.methods.screening_chances import Catch, log_honest
from surveys.methods.screening_records import FloatArray, Hunch, Told, state_hunch
from surveys.methods.screening_weighing import Weighing, sum_odds
from surveys.vocabulary import GroundCover, QueryKind, QueryReason, VegetationHeight

#: What cannot be around a trap of a habitat: ground cover, then height of the plants.
CONTRADICTIONS: dict[str, frozenset[str]] = {
    "bare_gravel": frozenset({GroundCover.DENSE, VegetationHeight.FROM_15_TO_50CM, VegetationHeight.OVER_50CM}),
    "short_lawn": frozenset({GroundCover.BARE, VegetationHeight.FROM_15_TO_50CM, VegetationHeight.OVER_50CM}),
    "long_grass": frozenset({GroundCover.BARE, VegetationHeight.UNDER_5CM}),
}
MOST_TOLD = 6.9  # log of a thousand
LEAST_RATIO = 20.0  # a habitat is only offered when the catch fits it so many times better


def check_plants(report: Report) -> Iterator[Hunch]:
    """Suspect the habitat when the plants around the trap contradict it."""
    against = CONTRADICTIONS.get(report.habitat or "", frozenset())
    listed = dict(GroundCover.choices()) | dict(VegetationHeight.choices())
    found = [word for word in (report.ground_cover, report.vegetation) if word in against]
    if not found:
        return
    told = ", ".join(f'"{listed[word]}"' for word in found if word)
    habitat = (report.habitat or "").replace("_", " ")
    yield state_hunch(
        QueryReason.WRONG_HABITAT,
        0.6,
        f"The habitat is {habitat}, but the plants around the trap are given as {told}.",
        f"You put this trap in: {habitat}. But you said that the plants around it are {told}. "
        "Look again: where did this trap stand?",
        {"habitat": report.habitat, "words": [str(word) for word in found]},
    )


def weigh_habitats(weighing: Weighing, report: Report, elsewhere: Mapping[str, FloatArray]) -> Iterator[Hunch]:
    """Suspect the habitat when the whole catch fits another one far better.

    ``elsewhere``: for each other habitat of the season, how many times as much of each group it usually catches
    (G,), in the order of the weighing's groups.
    """
    if not elsewhere or not weighing.catch.known.any():
        return
    catch, names = weighing.catch, list(elsewhere)
    ratios = np.stack([elsewhere[name] for name in names])
    logs = log_honest(
        catch.low, catch.high, catch.mean * ratios, catch.size, ceiling=catch.ceiling,
        extreme_share=weighing.extreme_share,
    )  # fmt: skip
    gains = logs.sum(axis=1) - float(np.sum(weighing.own))
    best = int(np.argmax(gains))
    if gains[best] < np.log(LEAST_RATIO):
        return
    log_odds = np.log(weighing.settings.priors.wrong_habitat / len(names)) + gains
    fit = Fit(names[best], ratios[best], float(gains[best]))
    yield _habitat_hunch(catch, report.habitat, fit, sum_odds(log_odds))


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
