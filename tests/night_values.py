"""Everything that a night's run shows and says, as one hash."""

from __future__ import annotations

import hashlib

from surveys.models import ChangeValue, GroupsSeenValue, IndexValue, Return, Run

SHOWN = (
    (IndexValue, ("region", "group", "window", "rim_exponent", "label", "estimate", "low", "high", "sites",
                  "site_nights", "returns", "trap_nights", "more_sites_needed")),
    (ChangeValue, ("region", "group", "window", "adjusted", "code", "ratio", "low", "high", "p_value", "p_adjusted",
                   "revisited_sites", "effective_sites", "more_sites_needed")),
    (GroupsSeenValue, ("region", "label", "codes", "sites", "site_nights", "left_out", "groups_seen", "figures")),
)  # fmt: skip

#: What of a run's parameters tells one night from another over the same returns.
OF_THE_NIGHT = {"usual", "second_looks"}


def published(run: Run) -> str:
    """Return a hash over every published value of a run, what it says of itself, and the scores of all returns.

    Python writes each number so that it can be read back to the last digit.
    """
    shown = [
        sorted(map(repr, table._default_manager.filter(run=run).values_list(*columns))) for table, columns in SHOWN
    ]
    said = {name: value for name, value in run.parameters.items() if name not in OF_THE_NIGHT}
    scores = Return.objects.order_by("pk").values_list(
        "uuid", "state", "probability", "damage", "rank", "urgent", "certain"
    )
    digest = hashlib.sha256(repr((shown, said, run.shared, run.counts)).encode())
    for row in scores.iterator():
        digest.update(repr(row).encode())
    return digest.hexdigest()
