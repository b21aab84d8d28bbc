"""Other ways to find the returns that a person should see: general outlier scores on the same returns.

Each gets what a careful analyst would give it: the residuals of all groups against what is usual for habitat, window
and region, and what the other screening reads besides counts (length of the night, place, state, repeated lists).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from importlib.util import find_spec

import numpy as np

from surveys.methods.records import Report
from surveys.methods.screening_place import is_inside
from tests.benchmarks.screening_season import BUDGET, Learned, Season

MAD_TO_SD = 1.4826  # of a normal distribution: Leys et al. (2013) J. Exp. Soc. Psychol. 49: 764-766
LEAST_SPREAD = 0.25  # floor of the spread of a feature: most counts of rare groups are 0, and so is their MAD
LEAST = 0.5


def features(season: Season, learned: Learned) -> np.ndarray:
    """Return the features (n, G + 8) of the returns, each larger where something is odder or simply larger."""
    expected = learned.mean[learned.place] * learned.nights[:, None]
    counts = np.where(np.isnan(learned.point), expected, learned.point)
    residual = np.log((counts + LEAST) / (expected + LEAST))
    reports = [one.report for one in season.returns]
    hours = np.array([(r.emptied_at - r.set_at).total_seconds() / 3600.0 for r in reports])
    others = np.column_stack([
        np.log((counts.sum(axis=1) + 1.0) / (expected.sum(axis=1) + 1.0)),
        np.mean(counts == 0.0, axis=1),
        np.abs(hours - 24.0),
        [not is_inside(r.longitude, r.latitude, season.rings[one.region], 0.01) for r, one in zip(reports, season.returns, strict=True)],
        [r.trap_state != "intact" for r in reports],
        [bool(r.note) for r in reports],
        _repeats(season, reports),
        np.abs([(r.sent_at - r.emptied_at).total_seconds() / 3600.0 for r in reports]),
    ])  # fmt: skip
    return np.hstack([residual, others.astype(float)])


def _repeats(season: Season, reports: list[Report]) -> np.ndarray:
    """Return how many other returns of the site have the same list."""
    lists = [
        (one.site, tuple((a.low, a.high) for a in r.answers)) for one, r in zip(season.returns, reports, strict=True)
    ]
    number = Counter(lists)
    return np.array([number[one] - 1 for one in lists])


def robust_z(table: np.ndarray, seed: int) -> np.ndarray:
    """Return the largest |x - median| / (1.4826 MAD) of each row."""
    middle = np.median(table, axis=0)
    spread = MAD_TO_SD * np.median(np.abs(table - middle), axis=0)
    return np.max(np.abs(table - middle) / np.maximum(spread, LEAST_SPREAD), axis=1)


def isolation_forest(table: np.ndarray, seed: int) -> np.ndarray:
    """Return the isolation score of each row (Liu, Ting & Zhou 2008), 300 trees."""
    from sklearn.ensemble import IsolationForest

    return -IsolationForest(n_estimators=300, random_state=seed).fit(table).score_samples(table)


def ecod(table: np.ndarray, seed: int) -> np.ndarray:
    """Return the empirical-cumulative-distribution score of each row (Li et al. 2022)."""
    from pyod.models.ecod import ECOD

    return np.asarray(ECOD().fit(table).decision_scores_)


#: Name, the library it needs (None: none), the score.
RIVALS: tuple[tuple[str, str | None, Callable[[np.ndarray, int], np.ndarray]], ...] = (
    ("robust z, worst feature", None, robust_z),
    ("isolation forest", "sklearn", isolation_forest),
    ("ECOD", "pyod", ecod),
)


def missing() -> list[str]:
    """Return the names of the rivals whose library is not installed."""
    return [name for name, library, _ in RIVALS if library is not None and find_spec(library) is None]


def held_by_score(scores: np.ndarray) -> np.ndarray:
    """Return which returns wait (n,) when the highest scores fill the budget."""
    held = np.zeros(len(scores), dtype=bool)
    held[np.argsort(-scores, kind="stable")[: int(len(scores) * BUDGET)]] = True
    return held
