"""The regression inside the level index against statsmodels: same coefficients, and how much sooner.

``python -m tests.benchmarks.fit_against_statsmodels [--cells 120] [--sites 238] [--quick]``

About 100,000 returns, a level for every cell and eight covariates. Times are processor seconds (all threads), so
that other work on the machine counts little; read the ratios, not the seconds.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import statsmodels.api as sm

from surveys.methods import METHOD_VERSION
from surveys.methods.indices import estimate_level
from surveys.methods.level_layout import Layout, arrange_rows
from surveys.methods.level_records import LevelSettings
from surveys.methods.shared_effects import fit_shared_effects
from tests.benchmarks.rivals import site_bootstrap
from tests.benchmarks.scoring import exact_catch
from tests.benchmarks.worlds import Drawn, draw_with_effects

SEED = 20260403
CLOSE = 1e-6  # largest difference of any coefficient
SOONER = 100.0  # asked of the regression
REPEATS = 5  # of what takes little time; the smallest counts
RESAMPLES = 999
ALPHA = 2.0  # the negative binomial's, for both


@dataclass(frozen=True, eq=False)
class Regression:
    """Everything statsmodels needs: counts, dummies beside covariates, log effort, sites."""

    counts: np.ndarray
    design: np.ndarray
    offset: np.ndarray
    site: np.ndarray


def timed(work: Callable[[], Any], repeats: int = 1) -> tuple[Any, float]:
    """Run some work; return what it returned and its least processor time."""
    least = np.inf
    for _ in range(repeats):
        began = time.process_time()
        found = work()
        least = min(least, time.process_time() - began)
    return found, least


def regression_of(drawn: Drawn) -> Regression:
    """Lay the data out for statsmodels."""
    rows = drawn.rows
    design = np.column_stack([np.eye(rows.n_cells)[rows.cell], rows.covariates])
    return Regression(drawn.counts.astype(float), design, np.log(rows.effort), rows.site)


def our_regression(layout: Layout, alpha: float) -> np.ndarray:
    """Fit levels and effects of arranged returns, with the covariance of the effects."""
    fit = fit_shared_effects(layout, layout.low.astype(float), site_variance=0.0, night_variance=alpha, ridge=0.0)
    return np.r_[fit.levels, fit.beta]


def model_of(data: Regression, alpha: float) -> sm.GLM:
    """Set up the GLM of statsmodels, Poisson at alpha 0."""
    family = sm.families.NegativeBinomial(alpha=alpha) if alpha else sm.families.Poisson()
    return sm.GLM(data.counts, data.design, family=family, offset=data.offset)


def compare_regression(drawn: Drawn, alpha: float, *, judged: bool) -> list[str]:
    """Compare coefficients and times of one regression; return lines for the report.

    Judged is the fit alone: of arranged returns by us, of a design matrix by statsmodels. The ratio with the laying
    out on both sides stands beside it.
    """
    layout, arranging = timed(lambda: arrange_rows(drawn.rows), REPEATS)
    data, laying_out = timed(lambda: regression_of(drawn), REPEATS)
    ours, our_time = timed(lambda: our_regression(layout, alpha), REPEATS)
    theirs, as_it_comes = timed(lambda: model_of(data, alpha).fit(), 2)
    _, by_qr = timed(lambda: model_of(data, alpha).fit(wls_method="qr"), 2)
    settled = model_of(data, alpha).fit(start_params=theirs.params, tol_criterion="params", tol=1e-10)
    difference, their_time = float(np.abs(ours - settled.params).max()), min(as_it_comes, by_qr)
    ratio, with_layout = their_time / our_time, (their_time + laying_out) / (our_time + arranging)
    name = f"negative binomial, alpha {alpha:g}" if alpha else "Poisson"
    return [
        f"{name}: largest difference of a coefficient {difference:.1e} (at most {CLOSE:g}: {verdict(difference <= CLOSE)})",
        f"  our fit {our_time:.3g} s (arranging the returns {arranging:.3g}); GLM as it comes {as_it_comes:.3g} s, by QR "
        f"{by_qr:.3g} s (building the design {laying_out:.3g})",
        f"  quicker of the two GLM / ours: {ratio:.0f} x (at least {SOONER:g} x: "
        f"{verdict(ratio >= SOONER) if judged else 'not judged on so few returns'}); laying out included: {with_layout:.0f} x",
    ]


def verdict(holds: bool) -> str:
    """Say whether something holds."""
    return "holds" if holds else "MISSED"


def fit_discrete(data: Regression, start: np.ndarray) -> Any:
    """Fit the negative binomial whose dispersion is estimated too, with covariance clustered by site."""
    model = sm.NegativeBinomial(data.counts, data.design, offset=data.offset)
    return model.fit(
        start_params=np.r_[start, 1.0],
        method="newton",
        disp=0,
        cov_type="cluster",
        cov_kwds={"groups": data.site},
    )


def compare_whole(drawn: Drawn, data: Regression, seed: int) -> list[str]:
    """Compare the whole level index with what else would give an interval."""
    result, whole = timed(lambda: estimate_level(drawn.rows, LevelSettings()), 2)
    clusters = {"groups": data.site}
    _, known = timed(lambda: model_of(data, ALPHA).fit(cov_type="cluster", cov_kwds=clusters))
    start = model_of(data, 0.0).fit(wls_method="qr").params
    fitted, estimated = timed(lambda: fit_discrete(data, start))
    catch = exact_catch(drawn)
    _, plain = timed(lambda: site_bootstrap(catch, np.random.default_rng(seed), RESAMPLES))
    layout = arrange_rows(drawn.rows)
    _, one_fit = timed(lambda: our_regression(layout, ALPHA), REPEATS)
    inside = np.mean([cell.low <= truth <= cell.high for cell, truth in zip(result.cells, drawn.truth, strict=True)])
    return [
        f"whole level index: {whole:.2f} s; S {result.site_variance:.3f}, N {result.night_variance:.3f} (both drawn at 1), "
        f"guard {result.guard:.2f}; {100 * inside:.1f} % of {len(result.cells)} true rates inside",
        f"  GLM of known alpha, covariance by site: {known:.3g} s = {known / whole:.1f} x the whole index",
        f"  negative binomial with its alpha ({fitted.params[-1]:.2f}) estimated, covariance by site: {estimated:.3g} s = "
        f"{estimated / whole:.1f} x, converged: {fitted.mle_retvals['converged']}",
        f"  site bootstrap {RESAMPLES} of plain ratios, no covariates: {plain:.3g} s = {plain / whole:.2f} x",
        f"  site bootstrap {RESAMPLES} that fits the effects each time: with our regression {RESAMPLES * one_fit:.0f} s = "
        f"{RESAMPLES * one_fit / whole:.0f} x, with the GLM {RESAMPLES * known:.0f} s = {RESAMPLES * known / whole:.0f} x "
        f"(one fit measured, times {RESAMPLES})",
    ]


def read_arguments() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cells", type=int, default=120)
    parser.add_argument("--sites", type=int, default=238, help="sites a cell, 3.5 returns each on average")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument(
        "--quick", action="store_true", help="20 cells of 60 sites: shows that it works, judges no speed"
    )
    arguments = parser.parse_args()
    if arguments.quick:
        arguments.cells, arguments.sites = 20, 60
    return arguments


def main() -> None:
    """Draw the survey, fit it every way, print the comparison."""
    arguments = read_arguments()
    print(f"method {METHOD_VERSION}, seed {arguments.seed}", flush=True)
    drawn = draw_with_effects(np.random.default_rng(arguments.seed), cells=arguments.cells, sites=arguments.sites)
    data = regression_of(drawn)
    print(
        f"{data.counts.size} returns, {arguments.cells} cells, {drawn.rows.covariates.shape[1]} covariates", flush=True
    )
    for alpha in (0.0, ALPHA):
        print("\n".join(compare_regression(drawn, alpha, judged=not arguments.quick)), flush=True)
    print("\n".join(compare_whole(drawn, data, arguments.seed)), flush=True)


if __name__ == "__main__":
    main()
