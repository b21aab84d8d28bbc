"""A season from a simulator of its own, with slips planted in 5 % of returns: what does the screening find?

Only the screening and the baselines, learned from the contaminated returns, are code under test. Means and
spreads are made up around the domain notes' section 3. The floors leave room for the luck of one seed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from surveys.methods.records import Answer, Neighbour, Report, Usual
from surveys.methods.screening import RegionFrame, ScreeningCase, ScreeningSettings, choose_for_review, screen_reports
from surveys.methods.screening_chances import update_site
from surveys.methods.usual import estimate_usual
from surveys.vocabulary import AnswerKind, QueryReason

# Group, typical, high: domain notes, section 3.
PLANNING = [
    ("woodlice", 1, 80), ("landhoppers", 0, 40), ("millipedes", 0, 30), ("centipedes", 0, 5), ("spiders", 1, 15),
    ("harvestmen", 0, 12), ("mites", 1, 200), ("false_scorpions", 0, 3), ("springtails", 3, 500),
    ("bristletails", 0, 5), ("earwigs", 0, 25), ("crickets", 0, 4), ("cockroaches", 0, 8), ("flat_bugs", 0, 6),
    ("aphids", 0, 15), ("ants", 1, 300), ("wasps", 0, 8), ("ground_beetles", 1, 25), ("rove_beetles", 0, 20),
    ("carrion_beetles", 0, 8), ("weevils", 0, 8), ("other_beetles", 0, 15), ("grubs", 0, 8), ("caterpillars", 0, 5),
    ("flies", 1, 25), ("maggots", 0, 15), ("snails", 0, 15), ("slugs", 1, 25), ("earthworms", 0, 10),
    ("land_flatworms", 0, 1),
]  # fmt: skip
GROUPS = tuple(name for name, _, _ in PLANNING)
TYPICAL = np.array([typical for _, typical, _ in PLANNING], dtype=float)
HIGH = np.array([high for _, _, high in PLANNING], dtype=float)
# A little off what the planning values imply.
MEANS = np.maximum(HIGH / 14.0, 0.05) * np.where(TYPICAL > 0.0, 1.1, 0.7)
HABITATS = 4
SQUARE = np.array([[-19.0, 51.0], [-17.0, 51.0], [-17.0, 52.0], [-19.0, 52.0]])
OPENS, CLOSES = datetime(2026, 5, 1, tzinfo=UTC), datetime(2026, 9, 30, tzinfo=UTC)
SWAPS = [("earwigs", "rove_beetles"), ("millipedes", "centipedes"), ("harvestmen", "spiders"),
         ("springtails", "mites"), ("flat_bugs", "other_beetles")]  # fmt: skip
EXPECTED_REASON = {
    **{kind: {QueryReason.TEN_TIMES, QueryReason.IMPOSSIBLE_COUNT} for kind in ("tenfold", "doubled")},
    "row": {QueryReason.ROW_SLIP},
    "swap": {QueryReason.LOOK_ALIKES},
    "pooled": {QueryReason.TRAPS_POOLED},
    "copied": {QueryReason.COPIED_FROM_EARLIER},
    "sibling": {QueryReason.SAME_AS_SIBLING},
    "resend": {QueryReason.SENT_TWICE},
    "lost": {QueryReason.LOST_TRAP_ZEROS},
    "liquid": {QueryReason.LIQUID_WORDS},
    **{kind: {QueryReason.DATE_OFF_BY_DAYS} for kind in ("day", "last_year")},
    "half_day": {QueryReason.TWELVE_HOURS_OFF},
    "day_month": {QueryReason.DAY_MONTH_SWAPPED},
    "place": {QueryReason.PLACE_SIGNS},
}
KINDS = tuple(EXPECTED_REASON)
NUMERIC = frozenset({"tenfold", "doubled", "row", "swap", "pooled"})


@dataclass
class Sent:
    """One simulated return: what was sent, and what was true."""

    site: int
    night: int
    trap: int
    habitat: int
    truth: np.ndarray
    counts: np.ndarray
    report: Report
    kind: str = ""
    extreme: bool = False
    before: list[int] = field(default_factory=list)


def draw_nb(rng, mean, size):
    """Negative binomial as a gamma mixture of Poissons: numpy's own, not the code under test."""
    return rng.poisson(mean * rng.gamma(size, 1.0 / size, np.shape(mean)))


def answers_of(counts):
    words = (AnswerKind.NONE_SEEN, AnswerKind.NUMBER)
    return tuple(Answer(group, words[int(n > 0)], int(n), int(n)) for group, n in zip(GROUPS, counts, strict=True))


def plain_report(rng, night):
    first = OPENS + timedelta(days=int(night) * 6 + int(rng.integers(0, 3)), hours=float(rng.integers(16, 20)))
    emptied = first + timedelta(hours=float(np.round(24.0 + rng.normal(0.0, 1.0), 2)))
    sent_at = emptied + timedelta(hours=float(rng.exponential(4.0)))
    notes = ["", "", "", "Sunny and warm.", "We washed our hands with soap.", "No liquid, just moss.", "It rained."]
    return Report(
        set_at=first, emptied_at=emptied, sent_at=sent_at, latitude=51.5, longitude=-18.0, season_opens=OPENS,
        season_closes=CLOSES, trap_state="intact", note=str(rng.choice(notes)), traps_open=None,
    )  # fmt: skip


def simulate(seed, sites=130):
    rng = np.random.default_rng(seed)
    factor = np.exp(rng.normal(0.0, 0.6, (HABITATS, len(GROUPS))))
    season: list[Sent] = []
    for site in range(sites):
        garden = rng.gamma(1.25, 0.8, len(GROUPS))
        habitats = rng.integers(0, HABITATS, rng.integers(1, 5))
        for night in range(rng.integers(2, 9)):
            base = plain_report(rng, night)
            weather = np.exp(rng.normal(0.0, 0.3))
            for trap, habitat in enumerate(habitats):
                counts = draw_nb(rng, MEANS * factor[habitat] * garden * weather, 0.9)
                season.append(Sent(site, night, trap, int(habitat), counts, counts.copy(), base))
    for at in rng.choice(len(season), len(season) // 100, replace=False):
        make_extreme(rng, season[at])
    clean = [at for at, one in enumerate(season) if not one.extreme]
    for at in rng.permutation(clean)[: round(0.05 * len(season))]:
        plant(rng, season, int(at), str(rng.choice(KINDS)))
    link(season)
    return season


def make_extreme(rng, one):
    """An honest swarm: one group at 8 to 30 times its mean, plus a handful."""
    at = rng.choice([GROUPS.index(name) for name in ("ants", "springtails", "woodlice", "aphids", "earwigs", "flies")])
    one.counts[at] = int(MEANS[at] * rng.uniform(8.0, 30.0)) + int(rng.integers(3, 9))
    one.truth, one.extreme = one.counts.copy(), True


def plant(rng, season, at, kind):  # noqa: PLR0912  # one branch a kind reads best in one place
    """Plant one slip; leave the return clean where the slip would change nothing."""
    one = season[at]
    earlier = [
        o for o in season if o.site == one.site and o.trap == one.trap and o.night < one.night and o.counts.any()
    ]
    same = [o for o in season if o.site == one.site and o.night == one.night and o.trap != one.trap and not o.kind]
    positive = np.flatnonzero(one.counts)
    counts, report = one.counts.copy(), one.report
    if kind == "tenfold" and len(positive):
        counts[rng.choice(positive)] *= 10
    elif kind == "doubled" and np.any((counts > 0) & (counts < 10)):
        counts[rng.choice(np.flatnonzero((counts > 0) & (counts < 10)))] *= 11
    elif kind == "row":
        counts = np.roll(counts, rng.choice([-1, 1]))
    elif kind == "swap":
        a, b = (GROUPS.index(name) for name in SWAPS[rng.integers(len(SWAPS))])
        counts[[a, b]] = counts[[b, a]]
    elif kind == "pooled" and same:
        counts = counts + sum(o.truth for o in same)
        for o in same:
            o.kind = "gone"
    elif kind == "copied" and earlier:
        counts = earlier[-1].counts.copy()
    elif kind == "sibling" and any(o.trap < one.trap for o in same):
        counts = min(same, key=lambda o: o.trap).counts.copy()
    elif kind == "lost":
        counts = np.zeros_like(counts)
        report = replace(report, trap_state=str(rng.choice(["intact", "water_in", "moved", "cover_lost", "dug_up"])))
    elif kind == "liquid":
        counts = counts + rng.poisson(np.where(np.isin(GROUPS, ("flies", "slugs", "rove_beetles")), 8.0, 0.0))
        notes = ["we put a bit of beer in", "Soapy water in the cup", "used antifreeze", "", "found them dead, drowned"]
        report = replace(report, note=str(rng.choice(notes)))
    elif kind == "day":
        report = replace(report, emptied_at=report.emptied_at + timedelta(days=int(rng.choice([-1, 1, 2]))))
    elif kind == "half_day":
        report = replace(report, emptied_at=report.emptied_at - timedelta(hours=12))
    elif kind == "day_month" and report.set_at.day <= 12 and report.set_at.day != report.set_at.month:
        report = replace(report, set_at=report.set_at.replace(day=report.set_at.month, month=report.set_at.day))
    elif kind == "last_year":
        years = {name: getattr(report, name).replace(year=2025) for name in ("set_at", "emptied_at")}
        report = replace(report, **years)
    elif kind == "place":
        point = [(51.5, 18.0), (-18.0, 51.5), (18.0, 51.5)][rng.integers(3)]
        report = replace(report, latitude=point[0], longitude=point[1])
    elif kind == "resend":
        twin = counts.copy()
        if rng.random() < 0.3:
            twin[rng.integers(len(twin))] += 1
        season.append(replace(one, counts=twin, report=report, kind="resend", before=[]))
        return
    if report is not one.report or not np.array_equal(counts, one.counts):
        one.counts, one.report, one.kind = counts, report, kind


def link(season):
    season[:] = [one for one in season if one.kind != "gone"]
    for at, one in enumerate(season):
        one.before = [b for b in range(at) if season[b].site == one.site and season[b].night <= one.night]
        one.before += [
            b for b, o in enumerate(season)
            if b > at and o.kind != "resend" and o.site == one.site
            and (o.night < one.night or (o.night == one.night and o.trap < one.trap))
        ]  # fmt: skip


def baselines(season):
    counts = np.array([one.counts for one in season], dtype=float)
    habitat = np.array([one.habitat for one in season])
    return [
        estimate_usual(
            low=counts[:, g], high=counts[:, g], effort=np.ones(len(season)), stratum=habitat, strata=HABITATS,
            planning_typical=TYPICAL[g], planning_high=HIGH[g],
        )
        for g in range(len(GROUPS))
    ]  # fmt: skip


def screen_season(season):
    learned = baselines(season)
    mean = np.array([one.mean for one in learned])
    size = np.array([one.size for one in learned])
    shape = np.array([one.site_shape for one in learned])
    region = RegionFrame(GROUPS, mean.mean(axis=1) * 150.0, 150.0, (SQUARE,))
    cases = []
    for one in season:
        past = [o for o in season if o.site == one.site and o.night != one.night]
        a = b = shape[:, one.habitat]
        if past:
            where = [o.habitat for o in past]
            capped = np.minimum(np.array([o.counts for o in past]), 5.0 * mean[:, where].T + 5.0)
            a, b = update_site(a, b, capped, mean[:, where].T, size[:, where].T)
        usual = tuple(
            Usual(GROUPS[g], mean[g, one.habitat], size[g, one.habitat], max(int(HIGH[g] * 10), 100), a[g], b[g])
            for g in range(len(GROUPS))
        )
        cases.append(
            ScreeningCase(
                replace(one.report, answers=answers_of(one.counts)), neighbours_of(season, one), usual, region, 1.0
            )
        )
    return screen_reports(cases, settings=ScreeningSettings())


def neighbours_of(season, one):
    return tuple(
        Neighbour(
            str(b), season[b].trap == one.trap, season[b].night == one.night,
            abs((season[b].report.set_at - one.report.set_at).total_seconds()) / 3600.0, answers_of(season[b].counts),
        )
        for b in one.before
    )  # fmt: skip


def severity(one):
    """How far a slip moves things: counts against truth over the means; a night's worth for the other slips."""
    return 1.0 + float(np.sum(np.abs(one.counts - one.truth) / np.maximum(MEANS, 0.2)))


def judge(season, results, budget=0.05):
    of_kind = np.array([one.kind for one in season])
    wrong = of_kind != ""
    extreme = np.array([one.extreme for one in season])
    weights = np.array([severity(one) for one in season])
    chosen = np.zeros(len(season), dtype=bool)
    ranks, urgent, certain = (np.array([getattr(r, name) for r in results]) for name in ("rank", "urgent", "certain"))
    chosen[choose_for_review(ranks, urgent, certain, budget)] = True
    named = [
        bool(r.suspicions) and r.suspicions[0].reason in EXPECTED_REASON[one.kind]
        for one, r, hit in zip(season, results, chosen & wrong, strict=True)
        if hit
    ]
    return {
        "recall": float(np.mean(chosen[wrong])),
        "weighted": float(np.sum(weights[chosen & wrong]) / np.sum(weights[wrong])),
        "numeric": float(np.mean(chosen[np.isin(of_kind, list(NUMERIC))])),
        "extremes": float(np.mean(chosen[extreme])),
        "clean_held": float(np.mean([r.holds for r, w, e in zip(results, wrong, extreme, strict=True) if not w | e])),
        "named": float(np.mean(named)),
        "precision": float(np.mean(wrong[chosen])),
        "by_kind": {
            kind: (round(float(np.mean(chosen[of_kind == kind])), 2), int(np.sum(of_kind == kind)))
            for kind in KINDS
            if np.any(of_kind == kind)
        },
    }


@pytest.fixture(scope="module")
def verdict():
    season = simulate(20260501)
    return judge(season, screen_season(season))


# Floors: methods page, section 5 ("judged by"); those are for another simulator, and hold here with room.
def test_severe_slips_are_found_within_a_budget_of_five_percent(verdict):
    assert verdict["weighted"] >= 0.70, verdict


def test_half_of_all_slips_are_found_within_a_budget_of_five_percent(verdict):
    assert verdict["recall"] >= 0.50, verdict


def test_honest_extremes_are_seldom_held(verdict):
    # 0.12 on the methods page; a season here has about 16 extremes, so one seed may hold one more.
    assert verdict["extremes"] <= 0.19, verdict


def test_the_first_reason_names_the_kind_of_slip(verdict):
    assert verdict["named"] >= 0.80, verdict


def test_clean_returns_seldom_wait_before_there_is_a_threshold(verdict):
    assert verdict["clean_held"] < 0.03, verdict
