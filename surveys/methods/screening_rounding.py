"""Numbers that end in 0 or 5 far more often than counts do: guessed, or made up at a desk.

One sender's returns are read together, as one night says little. References: last digits of honest counts spread
evenly once counts are large (common practice, no source); the tail is binomial. Probabilities are planning values.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from scipy.special import bdtrc

from surveys.methods.records import Answer, Neighbour, Report
from surveys.methods.screening_records import Hunch, state_hunch
from surveys.vocabulary import AnswerKind, QueryReason

LEAST_COUNT = 6  # smaller numbers are small because few animals came, not because they were rounded
ROUND = 5
HONEST_SHARE = 0.25  # of counts from 6 on: a fifth, and a little more as small counts are commoner (10 above all)
FEWEST_NUMBERS = 5
SURPRISING = 1e-4  # chance of so many round numbers among honest ones


def check_round_numbers(report: Report, neighbours: Sequence[Neighbour]) -> Iterator[Hunch]:
    """Suspect guesses when nearly all numbers of this return, or of the site so far, are round."""
    own = larger_counts(report.answers)
    if not any(count % ROUND == 0 for count in own):
        return
    together = own + [count for one in neighbours for count in larger_counts(one.answers)]
    for counts in (own, together):
        chance = chance_of_round(counts)
        if chance < SURPRISING:
            yield _round_hunch(counts, chance)
            return


def larger_counts(answers: Sequence[Answer]) -> list[int]:
    """Return the counts that were given as a number and are large enough to be rounded."""
    return [one.low for one in answers if one.kind == AnswerKind.NUMBER and one.low and one.low >= LEAST_COUNT]


def chance_of_round(counts: Sequence[int]) -> float:
    """Return the chance that so many of honest counts, or more, can be divided by five; 1 for too few counts."""
    if len(counts) < FEWEST_NUMBERS:
        return 1.0
    found = sum(count % ROUND == 0 for count in counts)
    return float(bdtrc(found - 1, len(counts), HONEST_SHARE)) if found else 1.0


def _round_hunch(counts: Sequence[int], chance: float) -> Hunch:
    """Return the hunch that numbers were guessed."""
    found = sum(count % ROUND == 0 for count in counts)
    return state_hunch(
        QueryReason.ROUND_NUMBERS,
        0.7,
        f"{found} of {len(counts)} numbers from {LEAST_COUNT} on end in 0 or 5. They may be guesses, not counts.",
        "Most of your larger numbers end in 0 or 5. Did you count them one by one? If you made a good guess, "
        "that is fine: next time pick the class, such as 16 to 31.",
        {"numbers": [{"name": "round", "value": found}, {"name": "chance", "value": chance}]},
    )
