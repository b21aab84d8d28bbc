"""The index series of a release, computed in a process of its own in which every processor computes alike.

Matrix products and exponentials are written several times over in their libraries, for older and newer processors, and
differ in the last digit. Which one is used is settled when a process begins. So the index is computed in a process that
keeps to what every x86-64 processor with AVX2 and FMA can do; on any other kind of processor the last digits may
differ. Such a process also gives its memory back.
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
from pathlib import Path
from typing import Any, cast

import numpy as np

from surveys.release_files.index_child import FAULT

#: Kernels of the matrix library for processors with AVX2 and FMA. Source: documentation of OpenBLAS, DYNAMIC_ARCH.
KERNELS = "Haswell"
#: What numpy calls AVX2 with FMA, and everything beyond it that it may use. Source: documentation of numpy 2.4,
#: "CPU build options"; the names before that began with AVX512, too.
NEEDED, BEYOND = "X86_V3", ("X86_V4", "AVX512")

_LEFT = "NPY_DISABLE_CPU_FEATURES"

#: Variables of this process that the other one needs to start; nothing else goes along, no secret among them.
_KEPT = ("PATH", "LD_LIBRARY_PATH", "SYSTEMROOT", "TMPDIR", "TEMP", "TMP")
_ROOT = Path(__file__).resolve().parent.parent.parent


def write_index_series(folder: Path, into: Path | None = None) -> None:
    """Compute the index series of the release in a folder; write it there, or into another folder.

    Raises ValueError with a sentence where a table is missing or does not hold what it should, RuntimeError where the
    process falls over.
    """
    done = run_apart("surveys.release_files.index_child", str(folder.resolve()), str((into or folder).resolve()))
    if done.returncode == FAULT:
        raise ValueError(json.loads(done.stdout.decode("utf-8").strip().rsplit("\n", 1)[-1])["fault"])
    refuse_fall(done, "The process that computes the index")


def run_apart(module: str, *words: str) -> subprocess.CompletedProcess[bytes]:
    """Run a module in a process of its own that computes like all others; whatever it says is returned, not shown."""
    return subprocess.run(
        [sys.executable, "-P", "-m", module, *words],
        env=environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
    )


def refuse_fall(done: subprocess.CompletedProcess[bytes], name: str) -> None:
    """Raise RuntimeError with the last of what it said where a process, called ``name``, fell over."""
    if done.returncode:
        said = done.stderr.decode("utf-8", errors="replace").strip()[-2000:]
        raise RuntimeError(f"{name} ended with {done.returncode}: {said}")


def environment() -> dict[str, str]:
    """Return the variables with which a process computes like all others on this kind of processor."""
    path = os.pathsep.join(part for part in (str(_ROOT), os.environ.get("PYTHONPATH", "")) if part)
    kept = {name: os.environ[name] for name in _KEPT if name in os.environ}
    return {**kept, "PYTHONPATH": path, "PYTHONUTF8": "1", **same_on_all_processors()}


def same_on_all_processors() -> dict[str, str]:
    """Return the variables that keep the libraries to AVX2 and FMA; none where the processor is of another kind.

    Within a process that is kept to them already they are the same: numpy does not find what it was told to leave.
    """
    shown = cast(dict[str, Any], np.show_config(mode="dicts"))
    found = [str(name) for name in shown["SIMD Extensions"].get("found", [])]
    if platform.machine().lower() not in {"x86_64", "amd64"} or NEEDED not in found:
        return {}
    return {
        "OPENBLAS_CORETYPE": KERNELS,
        _LEFT: " ".join(
            sorted({*os.environ.get(_LEFT, "").split(), *(one for one in found if one.startswith(BEYOND))})
        ),
    }
