"""Gives the test run its PostgreSQL and Valkey before Django reads its settings."""

import os
from pathlib import Path

from project import embedded

_folder = Path(os.environ.get("TRAPNIGHT_HOME") or embedded.BASE_DIR / ".trapnight") / "tests"
_folder.mkdir(parents=True, exist_ok=True)
for _name in ("releases", "exports"):
    os.environ[f"{_name.upper()}_FOLDER"] = str(_folder / _name)
embedded.provide_services(broker=True, folder=_folder)
