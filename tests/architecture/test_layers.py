"""The import rules hold, and fail when they are broken on purpose."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
pytest.importorskip("importlinter", reason="the import rules are checked where the lint tools are installed")


def lint(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as run; run()"],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    for name in ("project", "api", "surveys"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_the_layers_hold(copy: Path) -> None:
    answer = lint(copy)
    assert answer.returncode == 0, answer.stdout[-2000:]


BREAKS = {
    "a method reaches Django": ("surveys/methods/effort.py", "import django.db"),
    "the vocabulary reaches a model": ("surveys/vocabulary.py", "import surveys.models.people"),
    "a page touches a table": ("surveys/web/home.py", "import surveys.models"),
    "the API touches a table": ("api/v1/sites.py", "import surveys.models.sites"),
    "a query calls a service": ("surveys/queries/sites.py", "import surveys.services.people"),
    "one stage calls another": ("surveys/services/review.py", "import surveys.services.indices"),
    "surveys reaches the API": ("surveys/services/people.py", "import api.fields"),
    "the API reaches the project": ("api/base.py", "import project.embedded"),
}


@pytest.mark.parametrize("case", BREAKS)
def test_a_rule_that_is_broken_on_purpose_is_found(copy: Path, case: str) -> None:
    file, line = BREAKS[case]
    path = copy / file
    path.write_text(path.read_text() + f"\n{line}\n")
    answer = lint(copy)
    assert answer.returncode != 0, f"{case} was not found"


@pytest.mark.parametrize("module", ["surveys.methods.indices", "surveys.methods.screening", "surveys.methods.protocol",
                                    "surveys.methods.simulation", "surveys.vocabulary", "surveys.lifecycle",
                                    "surveys.errors", "surveys.codebook", "surveys.group_key", "surveys.data_register",
                                    "surveys.sheets", "surveys.release_files.tables", "surveys.release_files.reading"])  # fmt: skip
def test_pure_modules_load_in_a_process_without_django(module: str) -> None:
    program = (
        f"import sys, {module}; "
        "found = {'django', 'rest_framework', 'celery', 'psycopg', 'redis'} & set(sys.modules); "
        "sys.exit(', '.join(found) or 0)"
    )
    answer = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False)
    assert answer.returncode == 0, answer.stderr
