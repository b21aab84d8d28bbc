"""A judge of CITATION.cff that cannot live beside the other libraries, and what is said where it cannot be had."""

from __future__ import annotations

import os
import subprocess
import venv
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.left_out import leave_out

#: It pins jsonschema 3.2, which the validator of Data Packages cannot use: so it lives in an environment of its own.
JUDGE = "cffconvert==2.0.0"
HOME = Path(os.environ.get("TRAPNIGHT_HOME") or Path(__file__).resolve().parents[3] / ".trapnight")


@pytest.fixture(scope="session")
def judge_of_citations() -> Path | str:
    """Return the program, installed once and kept; or why it could not be installed."""
    folder = (HOME / "tools" / JUDGE).expanduser().resolve()
    program = folder / "bin" / "cffconvert"
    if not program.is_file():
        venv.create(folder, clear=True, with_pip=True)
        command = [folder / "bin" / "python", "-m", "pip", "install", "--quiet", "--disable-pip-version-check", JUDGE]
        answer = subprocess.run(command, capture_output=True, text=True, check=False)
        if answer.returncode != 0:
            return answer.stderr.strip().splitlines()[-1]
    return program


@pytest.fixture
def is_valid_citation(judge_of_citations: Path | str, request: pytest.FixtureRequest) -> Callable[[Path], bool]:
    """Say whether cffconvert passes a CITATION.cff. Where CI is set, a judge that cannot be had is a failure."""
    if isinstance(judge_of_citations, str):
        if os.environ.get("CI"):
            pytest.fail(f"{JUDGE} could not be installed: {judge_of_citations}")
        leave_out(request.config, "citation")
        pytest.skip(f"{JUDGE} could not be installed: {judge_of_citations}")
    return lambda path: _passes(judge_of_citations, path)


def _passes(program: Path, path: Path) -> bool:
    answer = subprocess.run(
        [program, "--validate", "-i", path],
        capture_output=True,
        text=True,
        check=False,
        env={"PATH": os.environ["PATH"]},
    )
    assert "Traceback" not in answer.stderr or "ValidationError" in answer.stderr + answer.stdout, answer.stderr
    return answer.returncode == 0
