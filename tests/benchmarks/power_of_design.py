"""Is the design calculator's power that of the change index?

``python -m tests.benchmarks.power_of_design [--regions 2000] [--table power.md] [--quick]``

For each design, regions are drawn from the planning model and given to the change index itself; power by simulation is
the share of regions whose 95 % interval leaves out "no change", shown or not. Prints a Markdown table. Gardens, factors
of gardens and of a garden's seasons are gamma with mean 1, nights negative binomial; every garden comes back each season.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from surveys.methods.change import estimate_change
from surveys.methods.change_records import ChangeCell, ChangeInput, ChangeSettings
from surveys.methods.design import power_of_change
from surveys.methods.design_formula import formula_power
from surveys.methods.design_records import DesignComponents, DesignSettings, SurveyPlan

GARDENS_AT_A_TIME = 8000  # a few megabytes; regions are independent but for the pooled scatter of sparse ones
WITHIN = 0.05  # what is asked of the calculator
SEED = 20260401
HEADING = (
    "| gardens, base seasons x nights, nights, rate, site, night, site x season, ratio | power by simulation "
    "| by calculator | difference | by closed formula | difference | shown | power if shown | gate |"
)


@dataclass(frozen=True)
class Design:
    """One row of the table."""

    sites: int
    base_seasons: int
    base_nights: int
    nights: int
    rate: float
    site: float
    night: float
    site_season: float
    ratio: float

    @property
    def plan(self) -> SurveyPlan:
        """Return the plan of this design."""
        return SurveyPlan(self.nights, self.base_nights, self.base_seasons, self.rate, self.ratio)

    @property
    def components(self) -> DesignComponents:
        """Return the components of this design."""
        return DesignComponents(self.site, self.night, self.site_season)


#: The designs on which the closed formula was first tried, then others chosen before any result was seen.
DESIGNS = (
    Design(15, 1, 3, 3, 3, 1, 1, 0, 0.5),
    Design(30, 1, 3, 3, 3, 1, 1, 0, 0.7),
    Design(30, 3, 2, 2, 3, 1, 1, 0.2, 0.6),
    Design(60, 3, 2, 2, 0.5, 1, 1, 0.2, 0.6),
    Design(40, 3, 3, 3, 10, 2.5, 2.5, 0, 0.5),
    Design(20, 3, 4, 4, 20, 0.5, 0.5, 0.1, 0.6),
    Design(60, 1, 2, 2, 2, 1, 1, 0.2, 0.6),
    Design(40, 3, 2, 2, 2, 1, 1, 0, 1.0),
    Design(12, 1, 4, 4, 20, 0.3, 0.3, 0.1, 0.5),
    Design(12, 3, 1, 1, 5, 1, 1, 0.1, 1.5),
    Design(20, 1, 1, 1, 10, 2.5, 0.3, 0.3, 0.5),
    Design(20, 3, 4, 4, 0.3, 0.3, 0.3, 0.1, 0.5),
    Design(30, 1, 2, 2, 0.3, 0.3, 2.5, 0.1, 0.5),
    Design(40, 3, 1, 1, 1, 2.5, 2.5, 0.3, 0.6),
    Design(60, 1, 4, 4, 0.3, 1, 0.3, 0.3, 1.5),
    Design(60, 3, 2, 2, 20, 2.5, 2.5, 0.3, 0.7),
    Design(80, 1, 1, 1, 1, 1, 1, 0.1, 0.7),
    Design(120, 3, 1, 1, 0.3, 0.3, 2.5, 0.3, 0.6),
    Design(120, 1, 2, 2, 5, 0.3, 1, 0.1, 0.8),
    Design(120, 3, 4, 4, 0.5, 2.5, 1, 0.1, 0.8),
    Design(90, 3, 3, 3, 3, 0.7, 0.7, 0.5, 1.3),
    Design(25, 3, 3, 3, 2, 1, 1, 0.1, 1.5),
    Design(50, 1, 3, 3, 1, 0.5, 2, 0, 0.7),
    Design(15, 3, 4, 4, 1, 1.5, 0.5, 0.1, 0.6),
    Design(45, 3, 1, 4, 4, 0.8, 0.8, 0.1, 0.7),
    Design(30, 3, 1, 1, 0.3, 0.5, 1, 0.1, 0.5),
    Design(12, 1, 1, 1, 0.3, 1, 1, 0.1, 0.5),
    Design(40, 1, 1, 1, 0.5, 1, 1, 0.1, 1.5),
)


def gamma_factor(rng: np.random.Generator, variance: float, shape: tuple[int, ...]) -> np.ndarray:
    """Draw gamma factors of mean 1; 1 where the variance is 0."""
    return rng.gamma(1 / variance, variance, shape) if variance > 0 else np.ones(shape)


def draw_regions(design: Design, regions: int, rng: np.random.Generator) -> ChangeInput:
    """Draw the returns of some regions: one row per garden, season and night."""
    seasons = design.base_seasons + 1
    nights = np.r_[np.full(design.base_seasons, design.base_nights), design.nights]
    gardens = regions * design.sites
    ratio = np.r_[np.ones(design.base_seasons), design.ratio]
    mean = design.rate * ratio * gamma_factor(rng, design.site, (gardens, 1))
    mean = mean * gamma_factor(rng, design.site_season, (gardens, seasons))
    period = np.tile(np.repeat(np.arange(seasons), nights), gardens)
    site = np.repeat(np.arange(gardens), nights.sum())
    counts = rng.poisson(mean[site, period] * gamma_factor(rng, design.night, site.shape))
    return ChangeInput(
        region=site // design.sites,
        period=period,
        site=site,
        effort=np.ones(site.size),
        low=counts,
        high=counts,
        n_regions=regions,
        n_periods=seasons,
    )


def leaves_out_no_change(cell: ChangeCell) -> bool:
    """Say whether the interval leaves out a ratio of 1."""
    return cell.low is not None and cell.high is not None and (cell.low > 1.0 or cell.high < 1.0)


def simulate(design: Design, regions: int, seed: int) -> tuple[float, float, float]:
    """Return the share of regions that show a change, that share among all with a shown cell, and the share shown."""
    rng = np.random.default_rng(seed)
    found, shown, both = 0, 0, 0
    at_a_time = max(1, min(regions, GARDENS_AT_A_TIME // design.sites))
    for first in range(0, regions, at_a_time):
        part = min(at_a_time, regions - first)
        result = estimate_change(draw_regions(design, part, rng), ChangeSettings())
        cells = [result.cell(region, design.base_seasons) for region in range(part)]
        found += sum(leaves_out_no_change(cell) for cell in cells)
        shown += sum(cell.shown for cell in cells)
        both += sum(cell.shown and leaves_out_no_change(cell) for cell in cells)
    return found / regions, both / max(shown, 1), shown / regions


def row(design: Design, regions: int, seed: int) -> tuple[str, float, float]:
    """Return a line of the table, and the differences of the calculator and of the closed formula."""
    settings = DesignSettings()
    figure = power_of_change(design.sites, design.components, design.plan, settings)
    closed = formula_power(design.sites, design.components, design.plan, settings)
    power, of_shown, shown = simulate(design, regions, seed)
    words = (
        f"{design.sites}, {design.base_seasons} x {design.base_nights}, {design.nights}, {design.rate:g}, "
        f"{design.site:g}, {design.night:g}, {design.site_season:g}, {design.ratio:g}"
    )
    line = (
        f"| {words} | {power:.3f} | {figure.power:.3f} | {figure.power - power:+.3f} | {closed:.3f} | "
        f"{closed - power:+.3f} | {shown:.2f} | {of_shown:.3f} | {figure.code} |"
    )
    return line, figure.power - power, closed - power


def main() -> None:
    """Print the table and the largest differences."""
    asked = read_arguments()
    lines = [
        f"seed {asked.seed}, {asked.regions} regions a row: standard error of the simulated power at most "
        f"{0.5 / asked.regions**0.5:.3f}\n\n{HEADING}\n{'|---' * HEADING.count(' |')}|"
    ]
    print(lines[0], flush=True)
    differences = []
    for number, design in enumerate(DESIGNS):
        line, *both = row(design, asked.regions, asked.seed + number)
        differences.append(both)
        lines.append(line)
        print(line, flush=True)
    largest, closed = np.abs(differences).max(axis=0)
    lines.append(f"\nLargest difference: calculator {largest:.3f} (asked: {WITHIN}), closed formula {closed:.3f}.")
    if asked.quick:
        lines.append("A quick run shows that all of it works; 40 regions judge nothing.")
    print("\n".join(lines[1 + len(DESIGNS) :]))
    if asked.table:
        asked.table.write_text("\n".join(lines) + "\n", encoding="utf-8")


def read_arguments() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--regions", type=int, default=2000, help="simulated regions for each design")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--table", type=Path, help="also write the table to this Markdown file")
    parser.add_argument("--quick", action="store_true", help="40 regions a row")
    asked = parser.parse_args()
    if asked.quick:
        asked.regions = 40
    return asked


if __name__ == "__main__":
    main()
