"""The slips of the second world of the benchmark, one method for counts and one for all else."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np

from surveys.methods.records import Answer, Report
from surveys.vocabulary import AnswerKind
from tests.benchmarks.screening_season import Sent

PAIRS = (("earwigs", "rove_beetles"), ("millipedes", "centipedes"), ("harvestmen", "spiders"), ("springtails", "mites"),
         ("flat_bugs", "other_beetles"), ("slugs", "land_flatworms"), ("ground_beetles", "other_beetles"),
         ("fly_maggots", "beetle_grubs"))  # fmt: skip
SMALL = ("springtails", "mites", "flies", "aphids_hoppers")
NOTES = ("we put soapy water in", "a bit of beer at the bottom", "used some cat food as bait", "salt water, as always")


class Slips:
    """What can go wrong with a return of a world that has these four."""

    rng: np.random.Generator
    groups: tuple[str, ...]
    ceilings: np.ndarray
    returns: list[Sent]

    def _exact(self, counts: np.ndarray) -> tuple[Answer, ...]:
        return tuple(
            Answer(g, AnswerKind.NUMBER if n else AnswerKind.NONE_SEEN, int(n), int(n))
            for g, n in zip(self.groups, counts, strict=True)
        )

    def _pick(self, mask: np.ndarray) -> int | None:
        return int(self.rng.choice(np.flatnonzero(mask))) if mask.any() else None

    def _counts_slipped(self, kind: str, one: Sent, gone: set[int]) -> np.ndarray | None:  # noqa: PLR0911, PLR0912, PLR0915
        rng, counts = self.rng, one.truth.astype(int)
        if kind in ("ten_times", "hundred_times"):
            times = 10 if kind == "ten_times" else 100
            at = self._pick((counts >= 1) & (counts * times < 30_000))
            if at is None:
                return None
            counts[at] *= times
        elif kind == "doubled_digit":
            at = self._pick((counts >= 1) & (counts < 100))
            if at is None:
                return None
            text = str(counts[at])
            place = int(rng.integers(len(text)))
            counts[at] = int(text[: place + 1] + text[place] + text[place + 1 :])
        elif kind == "digits_exchanged":
            turned = np.array([int(str(n)[::-1]) if 10 <= n < 100 else n for n in counts])
            at = self._pick(turned > counts)
            if at is None:
                return None
            counts[at] = turned[at]
        elif kind == "impossible_count":
            at = self._pick(counts > 0)
            if at is None:
                return None
            counts[at] = int(self.ceilings[at] * rng.uniform(1.5, 6.0))
        elif kind == "row_slip":
            if np.sum(counts > 0) < 4:
                return None
            start = int(rng.integers(0, len(counts) - 8)) if rng.random() < 0.5 else 0
            tail = counts[start:]
            counts[start:] = np.roll(tail, 1 if rng.random() < 0.7 else -1)
        elif kind in ("look_alikes", "look_alikes_merged"):
            pairs = [(self.groups.index(a), self.groups.index(b)) for a, b in PAIRS]
            pairs = [(a, b) for a, b in pairs if abs(counts[a] - counts[b]) >= 3]
            if not pairs:
                return None
            a, b = pairs[int(rng.integers(len(pairs)))]
            if kind == "look_alikes":
                counts[[a, b]] = counts[[b, a]]
            else:
                a, b = (a, b) if counts[a] >= counts[b] else (b, a)
                counts[b], counts[a] = counts[a] + counts[b], 0
        elif kind == "traps_pooled":
            night = [n for n, o in enumerate(self.returns) if o.site == one.site and o.night == one.night
                     and o is not one and o.kind is None and n not in gone]  # fmt: skip
            if not night:
                return None
            counts = counts + sum(self.returns[n].truth.astype(int) for n in night)
            if rng.random() < 0.7:
                gone.update(night)
        elif kind in ("copied_from_earlier", "same_as_sibling"):
            earlier = kind == "copied_from_earlier"
            pool = [o for o in self.returns if o.site == one.site and o.kind is None and o.report.sent_at < one.report.sent_at
                    and np.sum(o.truth > 0) >= 4
                    and ((o.trap == one.trap and o.night < one.night) if earlier else (o.night == one.night and o is not one))]  # fmt: skip
            if not pool:
                return None
            counts = pool[-1].truth.astype(int).copy()
            if rng.random() < 0.35:
                counts[int(rng.integers(len(counts)))] += 1
        elif kind == "lost_trap_zeros":
            counts = np.zeros_like(counts)
        elif kind == "rounded":
            if np.sum(counts >= 6) < 6:
                return None
            counts = np.where(counts >= 4, np.maximum(np.round(counts / 5.0) * 5, 5), counts).astype(int)
        elif kind == "only_exciting":
            small = np.isin(self.groups, SMALL)
            if counts[small].max() < 5:
                return None
            counts = np.where(small, 0, counts)
        else:
            return None
        return None if np.array_equal(counts, one.truth.astype(int)) else counts

    def _report_slipped(self, kind: str, one: Sent) -> Report | None:  # noqa: PLR0911
        rng, report = self.rng, one.report
        if kind == "sent_twice":
            answers = list(report.answers)
            if rng.random() < 0.3:
                n = int(rng.integers(len(answers)))
                count = (answers[n].low or 0) + 1
                answers[n] = Answer(answers[n].group, AnswerKind.NUMBER, count, count)
            return replace(
                report, answers=tuple(answers), sent_at=report.sent_at + timedelta(hours=float(rng.uniform(0, 30)))
            )
        if kind == "liquid_words":
            counts = one.truth.astype(int) + rng.poisson(
                np.where(np.isin(self.groups, ("flies", "slugs", "rove_beetles")), 7.0, 0.0)
            )
            return replace(report, note=str(rng.choice(NOTES)), answers=self._exact(counts))
        if kind == "date_off_by_days":
            return replace(report, emptied_at=report.emptied_at + timedelta(days=int(rng.choice([-1, 1, 1, 3]))))
        if kind == "last_year":
            return replace(
                report, set_at=report.set_at.replace(year=2025), emptied_at=report.emptied_at.replace(year=2025)
            )
        if kind == "twelve_hours_off":
            return replace(report, emptied_at=report.emptied_at + timedelta(hours=float(rng.choice([-12, 12]))))
        if kind == "day_month_swapped":
            at = report.set_at
            return (
                None
                if at.day > 12 or at.day == at.month
                else replace(report, set_at=at.replace(day=at.month, month=at.day))
            )
        if kind == "place_signs":
            x, y = report.longitude, report.latitude
            longitude, latitude = [(-x, y), (y, x), (y, -x)][int(rng.integers(3))]
            return replace(report, longitude=longitude, latitude=latitude)
        if kind == "place_minutes":
            typed = [np.trunc(v) + (v - np.trunc(v)) * 0.6 for v in (report.longitude, report.latitude)]
            return replace(report, longitude=float(typed[0]), latitude=float(typed[1]))
        return None
