"""A simulated Monday at the desk: what its queue is worth, beside the order in which returns came, and how fast it goes.

``python -m tests.benchmarks.monday [--picture curve.svg]`` on a database of its own. A season of the Merrow Isles with
planted slips is sent through the services, a night holds as many returns as the season's budget lets a person read, and
somebody decides who knows the truth. Printed are the share of the true damage that is removed as records are read, the
verdicts a minute by keyboard in Chromium, and what the verdicts do to the error of the indices.

The true damage of a return is that of ``surveys.methods.screening_rank.damage_of`` with the simulator's truth in the
place of what screening takes for likely: 0 for an honest one. The area of a curve is the mean of the removed share over
all records that wait. The first run takes some minutes to send the season; later ones find it in the database.
"""

from __future__ import annotations

import argparse
import logging
import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from time import perf_counter
from typing import Any

os.environ.setdefault("TRAPNIGHT_LARGE_NAME", "trapnight_monday")
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "project.settings.test")

import numpy as np

from project import embedded
from tests.benchmarks.large_season import use_large_database

READ = (20, 50, 100, 200, 400)
STEPS = (20, 100)  # after so many verdicts the indices are computed in between
QUEUE, OLDEST, BEST = "the queue", "oldest first", "best possible"


def orders_of(rows: Sequence[Any], damage: Any) -> dict[str, Any]:
    """Return the places of the held returns (n,) in each order; ``rows`` are in that of the queue."""
    keys, ranks = np.array([row.pk for row in rows]), np.array([row.rank for row in rows])
    return {
        QUEUE: np.arange(len(rows)),
        "its rank alone": np.lexsort((keys, -ranks)),
        OLDEST: np.argsort(keys),
        BEST: np.argsort(-damage, kind="stable"),
    }


def curves_of(orders: Mapping[str, Any], damage: Any) -> dict[str, Any]:
    """Return the removed share of the damage (n,) after each record, by order."""
    return {name: np.cumsum(damage[order]) / damage.sum() for name, order in orders.items()}


def print_curves(what: str, curves: Mapping[str, Any]) -> None:
    """Print the share after some records, the area, and how far ahead of the oldest first it is."""
    print(f"\n{what}: share removed after so many records")
    print(f"  {'':16}" + "".join(f"{n:>8}" for n in READ) + f"{'area':>8}{'ahead':>8}")
    base = float(np.mean(curves[OLDEST]))
    for name, curve in curves.items():
        shares = "".join(f"{curve[min(n, len(curve)) - 1]:8.3f}" for n in READ)
        print(f"  {name:16}{shares}{np.mean(curve):8.3f}{np.mean(curve) - base:+8.3f}")


def draw(curves: Mapping[str, Any], target: Path) -> None:
    """Draw the curves into an SVG or PNG; lines differ in their dashes and carry their words."""
    import altair as alt
    import vl_convert

    from surveys.web.chart_palette import BESIDE, GROUND, MARKED, SOFT, USUAL, WORDS

    # Each line: its ink, its dashes, and from which share on its words stand beside it, so far below.
    looks = {
        QUEUE: (MARKED, [1, 0], 0.55, 8), OLDEST: (BESIDE, [6, 4], 0.3, 18), BEST: (USUAL, [2, 3], 0.96, -16),
    }  # fmt: skip
    layers: list[Any] = []
    for name, (ink, dash, share, below) in looks.items():
        curve = [0.0, *curves[name]]
        rows = alt.Data(values=[{"read": n, "removed": round(float(y), 5)} for n, y in enumerate(curve)])
        x = alt.X("read:Q", title="Records read", axis=alt.Axis(tickCount=5))
        y = alt.Y(
            "removed:Q",
            title="Share of the damage removed",
            axis=alt.Axis(format="%", values=[0, 0.2, 0.4, 0.6, 0.8, 1]),
            scale=alt.Scale(domain=[0, 1.1], nice=False),
        )
        layers.append(alt.Chart(rows).mark_line(color=ink.light, strokeDash=dash, strokeWidth=2.5).encode(x=x, y=y))
        at = next(n for n, removed in enumerate(curve) if removed >= share)
        words = alt.Data(values=[{"read": at, "removed": curve[at], "words": name}])
        text = alt.Chart(words).mark_text(align="left", dx=8, dy=below, fontSize=13, color=WORDS.light)
        layers.append(text.encode(x=x, y=y, text="words:N"))
    chart = alt.layer(*layers).properties(width=560, height=320, background="#fbf7ed")
    axis = alt.AxisConfig(labelColor=SOFT.light, titleColor=SOFT.light, gridColor=GROUND.light, labelFontSize=13)
    described = chart.configure(axis=axis, view=alt.ViewConfig(stroke=None)).to_dict()
    if target.suffix == ".png":
        target.write_bytes(vl_convert.vegalite_to_png(described, scale=2, allowed_base_urls=[]))
    else:
        target.write_text(vl_convert.vegalite_to_svg(described, allowed_base_urls=[]), encoding="utf-8")
    print(f"drawn into {target}")


def levels(season: Any) -> Any:
    """Return the level indices (R, W, G) of what counts now, NaN where too few animals for one; nothing is stored."""
    from surveys.methods.indices import estimate_level
    from surveys.methods.level_records import LevelSettings
    from surveys.methods.season_frame import LevelRows
    from surveys.methods.side_by_side import results_in_order
    from surveys.queries.season_returns import read_season
    from surveys.queries.seasons import lists_of
    from surveys.vocabulary import IndexLabel

    lists = lists_of(season)
    rows, chosen = LevelRows(read_season(lists)[0], lists.by_code), LevelSettings(guard_seed=1)
    estimated = results_in_order(
        lambda group: estimate_level(rows.of_group(group, rim_exponent=1), chosen),
        range(len(lists.groups)),
        lambda: None,
    )
    found = [[np.nan if c.shown == IndexLabel.TOO_FEW else c.estimate for c in one.cells] for one in estimated]
    return np.array(found, dtype=float).T.reshape(len(lists.regions), len(lists.windows), len(lists.groups))


def indices_after(desk: Any, season: Any, orders: Mapping[str, Any]) -> dict[str, Any]:
    """Return the level indices before any verdict, in between in either order, after all, and with all let in."""
    from tests.benchmarks.monday_season import copy_anew

    copy_anew()
    found = {"before any verdict": levels(season)}
    for name in (OLDEST, QUEUE):
        copy_anew()
        rows, done = desk.waiting(), 0
        for step in (*STEPS, *((len(rows),) if name == QUEUE else ())):
            for place in orders[name][done:step]:
                desk.decide(rows[place])
            done = step
            found[f"{name}, after {step}"] = levels(season)
    copy_anew()
    for row in desk.waiting():
        desk.let_stand(row)
    return found | {"all let in as they were sent": levels(season)}


def print_indices(found: Mapping[str, Any], truth: Any) -> None:
    """Print the RMS log error of each state, and its RMS log distance from the indices after all verdicts."""
    last = next(reversed([one for name, one in found.items() if name.startswith(QUEUE)]))
    logs = {name: np.log(one) for name, one in found.items()}
    shown = np.all([np.isfinite(one) for one in logs.values()], axis=0)
    print(f"\nRMS log error of the {shown.sum()} indices that are shown each time, and RMS log distance from the last")
    for name, one in logs.items():
        error, apart = one - np.log(truth), one - np.log(last)
        print(f"  {name:30}{_rms(error[shown]):8.4f}{_rms(apart[shown]):9.4f}")


def _rms(values: Any) -> float:
    return float(np.sqrt(np.mean(values**2)))


def print_held(rows: Sequence[Any], desk: Any, damage: Any) -> dict[Any, str]:
    """Print what waits and which verdicts the truth calls for; return the key of each by its id."""
    from collections import Counter

    from surveys.web.verdict_form import readings_of

    sent = desk.truth.sent
    slips = sum(one.slip is not None for one in sent.values())
    wrong = [row for row in rows if sent[row.uuid].slip]
    keys = {row.uuid: desk.pressed(row).key for row in rows}
    offered = [row for row in rows if readings_of(row)]
    print(f"{len(sent):,} returns, {slips} with a slip; {len(rows)} wait: {len(wrong)} wrong, "
          f"{sum(sent[row.uuid].extreme for row in rows)} honest extremes, {sum(row.urgent for row in rows)} urgent")  # fmt: skip
    print(f"keys that the truth calls for: {dict(sorted(Counter(keys.values()).items()))}; another reading is offered on "
          f"{len(offered)}, right on {sum(keys[row.uuid] in '24' for row in offered)}, "
          f"on {sum(keys[row.uuid] == '1' for row in offered)} that are honest")  # fmt: skip
    of_all = sum(desk.truth.damage(one) for one in sent.values())
    print(f"true damage that waits: {damage.sum():.1f} of {of_all:.1f} in the season")
    for slip in sorted({sent[row.uuid].slip or "honest" for row in rows}):
        among = [n for n, row in enumerate(rows) if (sent[row.uuid].slip or "honest") == slip]
        mended = sum(keys[rows[n].uuid] in "24" for n in among)
        print(f"  {slip:22}{len(among):5}  corrected as it fits{mended:4}  damage {damage[among].sum():9.2f}")
    return keys


def main() -> None:
    """Play the Monday and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--households", type=int, default=430)
    parser.add_argument("--schools", type=int, default=22)
    parser.add_argument("--records", type=int, default=100, help="decided by keyboard (100)")
    parser.add_argument("--picture", type=Path, help="file for the curves, .svg or .png")
    parser.add_argument("--without-indices", action="store_true", help="leave out what the verdicts do to the indices")
    asked = parser.parse_args()
    embedded.provide_services(broker=True)
    use_large_database()
    logging.disable(logging.INFO)
    from surveys.methods.simulation import true_rate
    from tests.benchmarks.monday_keys import work_by_keyboard
    from tests.benchmarks.monday_season import Desk, Truth, copy_anew, open_season

    merrow = open_season(asked.households, asked.schools)
    desk = Desk(merrow, Truth(merrow, households=asked.households, schools=asked.schools))
    address, rows = copy_anew(), desk.waiting()
    sent = [desk.truth.sent[row.uuid] for row in rows]
    damage = np.array([desk.truth.damage(one) for one in sent])
    keys = print_held(rows, desk, damage)
    orders = orders_of(rows, damage)
    curves = curves_of(orders, damage)
    others = {
        "Without the impossible counts, which are most of it": [
            0.0 if one.slip == "impossible_count" else moved for one, moved in zip(sent, damage, strict=True)
        ],
        "In counts alone: |sent - true count|": [desk.truth.counts_moved(one, one.answers) for one in sent],
        "Wrong returns, whatever they do": [float(one.slip is not None) for one in sent],
    }
    print_curves("True damage", curves)
    for what, moved in others.items():
        print_curves(what, curves_of(orders | {BEST: np.argsort(-np.array(moved), kind="stable")}, np.array(moved)))
    if np.mean(curves[QUEUE]) <= np.mean(curves[OLDEST]):
        print("THE QUEUE IS NOT AHEAD OF THE OLDEST FIRST.")
    if asked.picture:
        draw(curves, asked.picture)
    with tempfile.TemporaryDirectory() as logs:
        worked = work_by_keyboard(address, Path(logs), desk.lead, keys, asked.records)
    print(f"\n{os.getloadavg()[0]:.1f} processes wanted {os.cpu_count()} processors meanwhile")
    print("\n".join(worked.lines()))
    in_order = [row.uuid for row in rows[: len(worked.decided)]]
    print("the records came in the order of the queue" if worked.decided == in_order else "NOT IN THE QUEUE'S ORDER")
    if not asked.without_indices:
        began = perf_counter()
        print_indices(indices_after(desk, merrow.season, orders), true_rate(merrow.world))
        print(f"({perf_counter() - began:.0f} s)")


if __name__ == "__main__":
    main()
