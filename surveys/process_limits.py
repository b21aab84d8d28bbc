"""Limits that a process sets itself before it opens what somebody sent."""

from __future__ import annotations

import resource


def limit_this_process(memory_mb: int, cpu_s: int, *, written_mb: int) -> None:
    """Bound memory, processor time and files for good; beyond them the system ends the process."""
    resource.setrlimit(resource.RLIMIT_AS, (memory_mb << 20, memory_mb << 20))
    resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s))
    resource.setrlimit(resource.RLIMIT_FSIZE, (written_mb << 20, written_mb << 20))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
