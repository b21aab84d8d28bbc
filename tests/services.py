"""Gives the test run its PostgreSQL and Valkey before Django reads its settings.

Each of the processes that share a run (``-n 2``) has its own, so that none waits for, or wipes, what another tests.
"""

import os
from pathlib import Path

from project import embedded

_worker = os.environ.get("PYTEST_XDIST_WORKER", "")
_addresses = ("DATABASE_URL", "REDIS_URL")
# The process that hands out the tests starts first; what it provided for itself is not for those it starts.
_given = os.environ.setdefault(
    "TRAPNIGHT_TESTS_GIVEN", " ".join(name for name in _addresses if os.environ.get(name)) or "nothing"
).split()
if _worker:
    for _name in _addresses:
        if _name not in _given:
            os.environ.pop(_name, None)

_folder = Path(os.environ.get("TRAPNIGHT_HOME") or embedded.BASE_DIR / ".trapnight") / "tests" / _worker
_folder.mkdir(parents=True, exist_ok=True)
for _name in ("releases", "exports"):
    os.environ[f"{_name.upper()}_FOLDER"] = str(_folder / _name)
embedded.provide_services(broker=True, folder=_folder)
