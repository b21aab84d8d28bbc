"""Where the next gardens help most: first where they open a gate, then where they narrow the regional indices.

Planning variance of the log of a regional index R = sum_h W_h r_h: sum_h (W_h r_h / R)^2 v_h, with v_h the squared
relative error of a habitat's rate. A garden adds 1 / :func:`garden_variance` to the information on its habitat; a
habitat without gardens leans on the other regions, which is worth a fixed information. Placing garden by garden where
the gain is largest is best for sums of convex falling functions (Gross 1956; as cited in Ibaraki & Katoh 1988; from
memory). The rest is this project's own construction, METHODS.md, section Design.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from surveys.methods.design_formula import garden_variance
from surveys.methods.design_records import DesignComponents
from surveys.methods.gates import NIGHTS_PER_SITE, CellDesign, sites_missing
from surveys.methods.level_records import LevelSettings

LEANING_VARIANCE = 0.5  # log variance of a habitat's rate known only from other regions (planning value)
GARDENS = 10


class Aim(StrEnum):
    """What the greedy placement lowers: the sum over the regional indices, or the worst of them."""

    SUM = "sum"
    WORST = "worst"


@dataclass(frozen=True, slots=True)
class PlanCell:
    """One habitat of one region: gardens and nights so far, published ``weight`` of the habitat, usual ``rate``."""

    region: str
    habitat: str
    sites: int
    site_nights: int
    weight: float
    rate: float


@dataclass(frozen=True, slots=True)
class NextGarden:
    """One more garden: where, why, and what it brings.

    ``code``: toward_gate (the region's index is not shown yet), opens_gate (with this one it is), narrows.
    ``variance_before`` and ``variance_after`` are the planning variances of the log index of that region; ``gain`` is
    by how much the aim falls; ``still_missing`` gardens keep the region's gate shut afterwards.
    """

    order: int
    region: str
    habitat: str
    code: str
    variance_before: float
    variance_after: float
    gain: float
    still_missing: int


@dataclass(frozen=True, slots=True)
class Yardstick:
    """What does not change while gardens are placed."""

    components: DesignComponents
    nights_each: float
    usual: CellDesign
    level: LevelSettings
    aim: Aim


def check_cells(cells: Sequence[PlanCell], gardens: int) -> None:
    """Refuse cells that cannot be planned with. Raises ValueError with a sentence for each fault."""
    faults = [
        f"{cell.region}, {cell.habitat}: found {what}, expected {wanted}."
        for cell in cells
        for wrong, what, wanted in (
            (cell.rate <= 0, f"a rate of {cell.rate:g}", "a rate above 0"),
            (cell.weight < 0, f"a weight of {cell.weight:g}", "a weight of 0 or more"),
            (cell.sites < 0, f"{cell.sites} gardens", "0 or more"),
            (
                cell.site_nights < cell.sites,
                f"{cell.site_nights} nights from {cell.sites} gardens",
                "a night or more each",
            ),
        )
        if wrong
    ]
    names = [(cell.region, cell.habitat) for cell in cells]
    if len(set(names)) < len(names):
        faults.append("A habitat of a region is there twice; expected each once.")
    weights: dict[str, float] = {}
    for cell in cells:
        weights[cell.region] = weights.get(cell.region, 0.0) + cell.weight
    faults += [f"{region}: all weights are 0, expected one above 0." for region, sum_ in weights.items() if sum_ <= 0]
    if gardens < 0:
        faults.append(f"Gardens to place: found {gardens}, expected 0 or more.")
    if faults:
        raise ValueError(" ".join(faults))


def cell_information(cell: PlanCell, yardstick: Yardstick) -> float:
    """Information on the log rate of a cell: gardens over the variance each has, and what other regions lend."""
    nights = cell.site_nights / cell.sites if cell.sites else yardstick.nights_each
    return cell.sites / garden_variance(cell.rate, nights, yardstick.components) + 1.0 / LEANING_VARIANCE


def region_variance(cells: Sequence[PlanCell], yardstick: Yardstick) -> float:
    """Planning variance of the log of a region's post-stratified index: sum_h (W_h r_h / R)^2 v_h."""
    index = sum(cell.weight * cell.rate for cell in cells)
    return sum((cell.weight * cell.rate / index) ** 2 / cell_information(cell, yardstick) for cell in cells)


def region_missing(cells: Sequence[PlanCell], yardstick: Yardstick) -> int:
    """Gardens that keep the region's level gate shut, by the gate's own rule."""
    design = CellDesign(
        sites=sum(cell.sites for cell in cells),
        site_nights=sum(cell.site_nights for cell in cells),
        expected_count=sum(cell.rate * cell.site_nights for cell in cells),
    )
    return sites_missing(design, yardstick.usual, yardstick.level)


def one_more(cell: PlanCell, nights_each: float) -> PlanCell:
    """Return the cell with one more garden that sends the usual number of nights, rounded, at least one."""
    return replace(cell, sites=cell.sites + 1, site_nights=cell.site_nights + max(1, round(nights_each)))


def usual_garden(cells: Sequence[PlanCell]) -> CellDesign:
    """Totals over all cells, from which one garden's part is taken; empty when nobody has sent any."""
    return CellDesign(
        sites=sum(cell.sites for cell in cells),
        site_nights=sum(cell.site_nights for cell in cells),
        expected_count=sum(cell.rate * cell.site_nights for cell in cells),
    )


def place_gardens(
    cells: Sequence[PlanCell],
    components: DesignComponents,
    level: LevelSettings,
    *,
    gardens: int = GARDENS,
    aim: Aim = Aim.SUM,
) -> tuple[NextGarden, ...]:
    """Place the next gardens one by one.

    Regions whose gate the remaining gardens can open come first, the one that needs fewest before the others; each
    garden goes to the habitat that narrows that region most. Then each garden goes where the aim falls most, among
    regions that are shown (among all where none is). Ties go to the cell that is listed first.
    Parameters: ``cells`` in the order of the page; ``components`` of the season; ``level`` settings with the gate;
    number of ``gardens``; ``aim``. Returns: as many NextGarden, in order (none without cells).
    Raises: ValueError with a sentence for each fault in the cells.
    References: module docstring.
    """
    check_cells(cells, gardens)
    usual = usual_garden(cells)
    nights = usual.site_nights / usual.sites if usual.sites else NIGHTS_PER_SITE
    yardstick = Yardstick(components, nights, usual, level, aim)
    regions: dict[str, list[PlanCell]] = {}
    for cell in cells:
        regions.setdefault(cell.region, []).append(cell)
    placed: list[NextGarden] = []
    for order in range(1, gardens + 1 if cells else 1):
        candidates, gate = choose_regions(regions, gardens - len(placed), yardstick)
        placed.append(place_one(order, regions, candidates, gate, yardstick))
    return tuple(placed)


def choose_regions(regions: dict[str, list[PlanCell]], left: int, yardstick: Yardstick) -> tuple[list[str], bool]:
    """Say which regions the next garden may go to, and whether it is for a gate."""
    missing = {name: region_missing(cells, yardstick) for name, cells in regions.items()}
    openable = [name for name, number in missing.items() if 0 < number <= left]
    if openable:
        return [min(openable, key=lambda name: missing[name])], True
    shown = [name for name, number in missing.items() if number == 0]
    return (shown, False) if shown else (list(regions), False)


def place_one(
    order: int, regions: dict[str, list[PlanCell]], candidates: list[str], gate: bool, yardstick: Yardstick
) -> NextGarden:
    """Place one garden in the best cell of the candidate regions, and put it on the books."""
    before = {name: region_variance(cells, yardstick) for name, cells in regions.items()}
    judged = candidates if gate or yardstick.aim == Aim.SUM else [max(candidates, key=lambda name: before[name])]
    options = []
    for name in judged:
        for at, cell in enumerate(regions[name]):
            trial = [*regions[name][:at], one_more(cell, yardstick.nights_each), *regions[name][at + 1 :]]
            options.append((region_variance(trial, yardstick) - before[name], name, at, trial))
    change, name, at, trial = min(options, key=lambda option: round(option[0], 12))  # min keeps the first of equals
    regions[name] = trial
    missing = region_missing(trial, yardstick)
    after = before | {name: before[name] + change}
    gain = -change if gate or yardstick.aim == Aim.SUM else worst_of(before, candidates) - worst_of(after, candidates)
    code = "toward_gate" if missing else "opens_gate" if gate else "narrows"
    return NextGarden(order, name, trial[at].habitat, code, before[name], after[name], gain, missing)


def worst_of(variances: dict[str, float], names: Sequence[str]) -> float:
    """Return the largest planning variance of the named regions."""
    return max(variances[name] for name in names)
