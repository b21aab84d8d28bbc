"""The process that computes an index series: ``python -m surveys.release_files.index_child FOLDER INTO``.

In: the folder of a release. Out: its index tables and their settings, in another folder or the same one. It is started
by :mod:`surveys.release_files.index_series`, which sees to it that it computes like all others.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

#: How it ends when it has found a fault in the files. It then says so in a last line of JSON.
FAULT = 3


def main() -> int:
    """Compute the series of the first folder and write it into the second."""
    from surveys.release_files.index_estimates import compute_index_series  # only here: whoever starts it needs none

    folder, into = (Path(name) for name in sys.argv[1:])
    try:
        compute_index_series(folder).write(into)
    except ValueError as fault:
        print(json.dumps({"fault": str(fault)}))
        return FAULT
    return 0


if __name__ == "__main__":
    sys.exit(main())
