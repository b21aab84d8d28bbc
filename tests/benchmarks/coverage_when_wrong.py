"""Coverage of the level intervals where the model is wrong: other shapes of the same variances, and worse.

``python -m tests.benchmarks.coverage_when_wrong [--cells 2000] [--peers] [--only "keen gardens" ...] [--quick]``

Four settings; in each the same draws go through the level index without its guard and with it, beside the pivot with
the true components. Where near gardens are alike, the truth is the mean over all possible gardens of the region.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from surveys.methods import METHOD_VERSION
from surveys.methods.level_records import LevelSettings
from tests.benchmarks import rivals
from tests.benchmarks.coverage_of_levels import CELLS_A_FIT, PEERS_EVERY, ask_rivals, name_of
from tests.benchmarks.scoring import Tally, exact_catch, our_intervals
from tests.benchmarks.worlds import World, draw

SETTINGS = (
    World(12, 2.0, 1.0, 1.0, cells=CELLS_A_FIT),
    World(40, 2.0, 1.0, 1.0, cells=CELLS_A_FIT),
    World(30, 10.0, 2.5, 1.0, cells=CELLS_A_FIT),
    World(20, 0.3, 1.0, 1.0, cells=CELLS_A_FIT),
)
WRONG: dict[str, dict[str, object]] = {
    "gamma sites and nights (the model)": {},
    "log-normal sites": {"site_law": "log-normal"},
    "log-normal nights": {"night_law": "log-normal"},
    "both log-normal": {"site_law": "log-normal", "night_law": "log-normal"},
    "both log-normal, 60 % classes": {"site_law": "log-normal", "night_law": "log-normal", "share_classed": 0.6},
    "group absent from 20 % of gardens": {"share_absent": 0.2},
    "site variance differs by cell (log-sd 0.6)": {"variance_log_sd": 0.6},
    "keen gardens": {"keen": True},
    "near gardens alike, gardens scattered": {"lie": "scattered"},
    "near gardens alike, recruited in bunches of 4": {"lie": "bunched"},
}
SEED = 20260402
LOWEST = 92.0  # asked of the guarded intervals in every wrong world
WITHOUT, GUARDED, ORACLE = "without the guard", "level index", "oracle variance"


@dataclass(eq=False)
class Trial:
    """One kind of wrongness in one setting."""

    kind: str
    world: World
    tallies: dict[str, Tally] = field(default_factory=dict)
    guards: list[float] = field(default_factory=list)


def run_trial(kind: str, setting: World, sets: int, *, seed: int, peers: bool) -> Trial:
    """Draw ``sets`` data sets and score every method on them."""
    trial = Trial(kind, replace(setting, **WRONG[kind]))
    plain = LevelSettings()
    for number in range(sets):
        rng = np.random.default_rng([seed, setting.sites, list(WRONG).index(kind), number])
        drawn = draw(trial.world, rng)
        catch = exact_catch(drawn)
        answers = {ORACLE: rivals.oracle_pivot(catch, drawn.site_variances, trial.world.night_variance)}
        answers[WITHOUT], _ = our_intervals(drawn.rows, replace(plain, guard_draws=0))
        answers[GUARDED], result = our_intervals(drawn.rows, plain)
        trial.guards.append(result.guard)
        if peers and number % PEERS_EVERY == 0:
            answers |= ask_rivals(catch, rng)[0]
        for method, intervals in answers.items():
            trial.tallies.setdefault(method, Tally()).add(intervals, answers[ORACLE], drawn.truth)
    return trial


def coverage_entry(trial: Trial) -> str:
    """Write coverage without the guard -> with it (standard error) / of the oracle."""
    without, guarded, oracle = (trial.tallies[method].score() for method in (WITHOUT, GUARDED, ORACLE))
    return f"{without.coverage:.1f} -> **{guarded.coverage:.1f}** ({guarded.error:.1f}) / {oracle.coverage:.1f}"


def length_entry(trial: Trial) -> str:
    """Write misses by side, bias (standard error), length over the oracle's and the mean guard."""
    ours = trial.tallies[GUARDED].score()
    return (
        f"{ours.miss_low:.1f} + {ours.miss_high:.1f}; {ours.bias:+.1f} ({ours.bias_error:.1f}); {ours.length:.2f}; "
        f"{np.mean(trial.guards):.2f}"
    )


def rival_entry(trial: Trial) -> str:
    """Write coverage and bias of each rival."""
    others = [tally.score() for method, tally in trial.tallies.items() if method not in (WITHOUT, GUARDED, ORACLE)]
    return " / ".join(f"{score.coverage:.1f}" for score in others) + f"; {others[0].bias:+.0f}"


def table_of(trials: list[Trial], entry: object) -> str:
    """Lay out one entry a trial, worlds down and settings across."""
    settings = [name_of(setting) for setting in SETTINGS]
    lines = ["| world | " + " | ".join(settings) + " |", "|---" * (len(settings) + 1) + "|"]
    for kind in dict.fromkeys(trial.kind for trial in trials):
        entries = [entry(trial) for trial in trials if trial.kind == kind]
        lines.append(f"| {kind} | " + " | ".join(entries) + " |")
    return "\n".join(lines)


def list_misses(trials: list[Trial]) -> list[str]:
    """List every trial whose guarded intervals cover less than asked."""
    faults = []
    for trial in trials:
        score, oracle = trial.tallies[GUARDED].score(), trial.tallies[ORACLE].score()
        if score.coverage < LOWEST:
            faults.append(
                f"- {trial.kind}, {name_of(trial.world)}: {score.coverage:.2f} % (standard error {score.error:.2f}), "
                f"oracle variance {oracle.coverage:.2f} %"
            )
    return [f"Asked: never below {LOWEST:g} %.", "", *(faults or ["- nothing missed"])]


def write_table(trials: list[Trial], *, peers: bool) -> str:
    """Write all tables as Markdown."""
    parts = [
        "Coverage %, without the guard -> with it (Monte-Carlo standard error) / pivot with the true variances:",
        table_of(trials, coverage_entry),
        "With the guard: truth below + above the interval, %; bias of the estimate, % (standard error); log length "
        "over the oracle's; mean guard:",
        table_of(trials, length_entry),
    ]
    if peers:
        names = [m for m in trials[0].tallies if m not in (WITHOUT, GUARDED, ORACLE)]
        parts += [
            f"Rivals, on the exact counts also where classes came: coverage % of {' / '.join(names)}; bias % of the "
            "plain ratio:",
            table_of(trials, rival_entry),
        ]
    return "\n\n".join([*parts, "\n".join(list_misses(trials))])


def read_arguments() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cells", type=int, default=2000, help="cells for each world and setting")
    parser.add_argument("--peers", action="store_true", help="run the rivals on every third data set")
    parser.add_argument("--only", nargs="+", choices=list(WRONG), default=list(WRONG), metavar="WORLD")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--table", type=Path, help="also write the tables to this Markdown file")
    parser.add_argument("--quick", action="store_true", help="40 cells each, with rivals")
    arguments = parser.parse_args()
    if arguments.quick:
        arguments.cells, arguments.peers = 40, True
    return arguments


def main() -> None:
    """Run all wrong worlds, print progress and tables."""
    arguments, trials, began = read_arguments(), [], time.perf_counter()
    print(f"method {METHOD_VERSION}, seed {arguments.seed}", flush=True)
    sets = max(2, -(-arguments.cells // CELLS_A_FIT))
    for kind in arguments.only:
        for setting in SETTINGS:
            trials.append(run_trial(kind, setting, sets, seed=arguments.seed, peers=arguments.peers))
            passed = time.perf_counter() - began
            print(f"{kind}, {name_of(setting)}: {coverage_entry(trials[-1])}, {passed:.0f} s so far", flush=True)
        if arguments.table:
            arguments.table.write_text(f"{write_table(trials, peers=arguments.peers)}\n", encoding="utf-8")
    table = write_table(trials, peers=arguments.peers)
    if arguments.quick:
        table += "\n\nA quick run shows that all of it works; 40 cells judge nothing."
    print(f"\n{table}\n\n{(time.perf_counter() - began) / 60:.1f} minutes")


if __name__ == "__main__":
    main()
