"""A process that was kept to what every processor can do starts others that are kept to the same."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import numpy as np
import pytest

from surveys.release_files.index_series import environment, same_on_all_processors

_TOLD = "import json; from surveys.release_files.index_series import same_on_all_processors as told; print(json.dumps(told()))"


def test_a_process_that_is_kept_tells_the_same_to_the_next() -> None:
    here = {name: value for name, value in environment().items() if name not in same_on_all_processors()}
    plain = subprocess.run([sys.executable, "-c", _TOLD], env=here, capture_output=True, check=True)
    told = json.loads(plain.stdout)
    kept = subprocess.run([sys.executable, "-c", _TOLD], env={**here, **told}, capture_output=True, check=True)
    assert json.loads(kept.stdout) == told


def test_what_this_process_was_told_to_leave_is_left_by_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a processor with more: numpy does not find what it was told to leave."""
    found = {"SIMD Extensions": {"baseline": ["X86_V2"], "found": ["X86_V3"]}}
    monkeypatch.setattr(np, "show_config", lambda mode: found)
    monkeypatch.setattr("platform.machine", lambda: "x86_64")
    monkeypatch.setenv("NPY_DISABLE_CPU_FEATURES", "X86_V4 AVX512_SPR")
    assert same_on_all_processors()["NPY_DISABLE_CPU_FEATURES"].split() == ["AVX512_SPR", "X86_V4"]
    monkeypatch.delenv("NPY_DISABLE_CPU_FEATURES")
    assert same_on_all_processors()["NPY_DISABLE_CPU_FEATURES"] == ""
    assert os.environ.get("NPY_DISABLE_CPU_FEATURES") is None
