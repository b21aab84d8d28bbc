"""What screening finds at a budget of 5 %, beside general outlier scores, in two worlds with planted slips.

``python -m tests.benchmarks.screening [--households 150] [--schools 8] [--seeds 3] [--first-seed 9001] [--save PATH]``

The seeds from 9001 on were never used while the screening was made. The first world is the project's own simulator,
the second makes quite other assumptions (see :mod:`tests.benchmarks.screening_worlds`).
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from pathlib import Path

import numpy as np

from surveys.methods.screening import ScreeningSettings, screen_report, screen_reports
from tests.benchmarks.screening_rivals import RIVALS, features, held_by_score, missing
from tests.benchmarks.screening_season import BUDGET, Verdict, cases_of, held_by_rank, judge, learn, severity
from tests.benchmarks.screening_worlds import other_world, own_world

OURS = "screening"
WORLDS = (("the project's simulator", own_world), ("the second world", other_world))
ALONE = 200  # returns screened one by one for the time that an arriving return takes


class Tally:
    """Verdicts of one world: by method and seed, and the time that each took."""

    def __init__(self) -> None:
        """Start empty."""
        self.verdicts: dict[str, list[Verdict]] = defaultdict(list)
        self.ms: dict[str, list[float]] = defaultdict(list)
        self.ms_alone: list[float] = []
        self.returns = 0
        self.extremes = 0

    def add(self, make, seed: int, households: int, schools: int) -> None:
        """Draw a season and let every method choose its 5 %."""
        season = make(seed, households=households, schools=schools)
        learned = learn(season)
        cases = cases_of(season, learned)
        weights = severity(season, learned)
        n = len(cases)
        self.returns += n
        self.extremes += sum(one.extreme and one.kind is None for one in season.returns)
        settings = ScreeningSettings()
        start = time.perf_counter()
        found = screen_reports(cases, settings=settings)
        self.ms[OURS].append((time.perf_counter() - start) / n * 1e3)
        first = [one.suspicions[0].reason if one.suspicions else None for one in found]
        self.verdicts[OURS].append(judge(season, held_by_rank(found), weights, first))
        self._time_alone(cases[:ALONE], settings)
        table = features(season, learned)
        for name, _, score in RIVALS:
            if name in missing():
                continue
            start = time.perf_counter()
            scores = score(table, seed)
            self.ms[name].append((time.perf_counter() - start) / n * 1e3)
            self.verdicts[name].append(judge(season, held_by_score(scores), weights, None))

    def _time_alone(self, cases, settings: ScreeningSettings) -> None:
        start = time.perf_counter()
        for case in cases:
            screen_report(
                case.report, neighbours=case.neighbours, usual=case.usual, region=case.region, settings=settings,
                trap_nights=case.trap_nights, elsewhere=case.elsewhere, later=case.later,
            )  # fmt: skip
        self.ms_alone.append((time.perf_counter() - start) / len(cases) * 1e3)

    def methods(self) -> list[str]:
        """Return one line of the table for each method."""
        lines = [
            "| method | weighted recall | weighted, damped | plain recall | true extremes held | first reason right | "
            "of those held, wrong | ms a return |",
            "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
        ]
        for name, verdicts in self.verdicts.items():
            named = np.mean([v.named for v in verdicts])
            cells = [_mean(verdicts, field) for field in ("weighted", "damped", "recall", "extremes")]
            cells += ["none given" if np.isnan(named) else f"{named:.2f}", _mean(verdicts, "precision")]
            lines.append(f"| {name} | {' | '.join(cells)} | {np.mean(self.ms[name]):.2f} |")
        return lines

    def kinds(self) -> list[str]:
        """Return one line of the table for each planted kind: how many, and the share that each method held."""
        names = list(self.verdicts)
        lines = [
            f"| planted | returns | {' | '.join(names)} | named rightly |",
            "| --- | ---: |" + " ---: |" * (len(names) + 1),
        ]
        for kind in sorted({kind for v in self.verdicts[OURS] for kind in v.kinds}):
            planted, _, right = _sums(self.verdicts[OURS], kind)
            held = [_sums(self.verdicts[name], kind)[1] for name in names]
            shares = " | ".join(f"{count / planted:.2f}" for count in held)
            lines.append(f"| {kind} | {planted} | {shares} | {f'{right / held[0]:.2f}' if held[0] else '-'} |")
        return lines


def _mean(verdicts: list[Verdict], field: str) -> str:
    return f"{np.mean([getattr(v, field) for v in verdicts]):.3f}"


def _sums(verdicts: list[Verdict], kind: str) -> tuple[int, int, int]:
    rows = [v.kinds.get(kind, (0, 0, 0)) for v in verdicts]
    return sum(r[0] for r in rows), sum(r[1] for r in rows), sum(r[2] for r in rows)


def report(households: int, schools: int, seeds: list[int]) -> str:
    """Return the tables of both worlds as Markdown."""
    lines = [f"Review budget {BUDGET:.0%}; {households} households and {schools} schools; seeds {seeds}.", ""]
    if missing():
        lines += [f"Left out, as their library is not installed: {', '.join(missing())}.", ""]
    for title, make in WORLDS:
        tally = Tally()
        for seed in seeds:
            tally.add(make, seed, households, schools)
        lines += [
            f"### {title.capitalize()}: {tally.returns} returns, {tally.extremes} true extremes",
            "",
            *tally.methods(),
            "",
            f"One return alone, as it arrives: {np.mean(tally.ms_alone):.1f} ms.",
            "",
            *tally.kinds(),
            "",
        ]
    return "\n".join(lines)


def main() -> None:
    """Read the arguments, print the tables, and save them where asked."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--households", type=int, default=150)
    parser.add_argument("--schools", type=int, default=8)
    parser.add_argument("--seeds", type=int, default=3, help="how many seasons of each world")
    parser.add_argument("--first-seed", type=int, default=9001)
    parser.add_argument("--quick", action="store_true", help="one small season of each world")
    parser.add_argument("--save", type=Path)
    given = parser.parse_args()
    if given.quick:
        given.households, given.schools, given.seeds = 40, 2, 1
    seeds = list(range(given.first_seed, given.first_seed + given.seeds))
    text = report(given.households, given.schools, seeds)
    print(text)
    if given.save:
        given.save.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
