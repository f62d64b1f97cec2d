"""Memory: how much of it is free, how much a run may take, and what the allocator keeps."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Final

PART_OF_FREE: Final = 0.75
PROGRAM_BYTES: Final = 600_000_000
"""What a process takes besides arrays and positions: libraries and, at the end, the report."""
KEPT_BYTES: Final = 512 << 20
"""Freed memory that a worker keeps at most before it gives some back to the system."""
_LARGEST_KEPT_ARRAY_BYTES: Final = 32 << 20
_M_TRIM_THRESHOLD: Final = -1
_M_MMAP_THRESHOLD: Final = -3
_M_ARENA_MAX: Final = -8
_CGROUP: Final = Path("/sys/fs/cgroup")


def free_memory() -> int:
    """Bytes that are free on this machine, within the limit of a container."""
    free = os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    info = Path("/proc/meminfo")
    if info.exists():
        for line in info.read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                free = int(line.split()[1]) * 1024
    limit, used = (_number(_CGROUP / f"memory.{name}") for name in ("max", "current"))
    if limit is not None and used is not None:
        free = min(free, limit - used)
    return max(free, 0)


def whole_budget(memory_bytes: int | None) -> int:
    """What the whole run may take: what was asked for, or three quarters of what is free."""
    return round(PART_OF_FREE * free_memory()) if memory_bytes is None else memory_bytes


def use_one_heap() -> None:
    """Let all threads take memory from one heap, where the allocator is that of glibc.

    It gives every thread a heap of its own, up to eight a core, and each keeps what its arrays have
    freed: on two cores 0.3 GB of an hour of record, more with every block.
    """
    _set_allocator(_M_ARENA_MAX, 1)


def keep_freed_memory() -> None:
    """Let the allocator keep what arrays free for the next ones, where it is that of glibc.

    A worker started by a nanny of dask gives all of it back at once, and takes every array again
    from the system, page by page: three seconds of the system's time beside six of arithmetic
    (``python -m benchmarks.run.malloc``). Arrays of up to 32 MB, the most that glibc takes, are
    cut from kept memory then.
    """
    _set_allocator(_M_MMAP_THRESHOLD, _LARGEST_KEPT_ARRAY_BYTES)
    _set_allocator(_M_TRIM_THRESHOLD, KEPT_BYTES)


def give_back_freed_memory() -> None:
    """Return to the system what arrays have freed, where the allocator is that of glibc.

    Between blocks and steps: what comes next takes other sizes and would come on top. It takes
    some milliseconds.
    """
    trim = _of_allocator("malloc_trim")
    if trim is not None:
        trim(0)


def _set_allocator(name: int, value: int) -> None:
    mallopt = _of_allocator("mallopt")
    if mallopt is not None:
        mallopt(name, value)


def _of_allocator(name: str) -> Callable[..., int] | None:
    """A function of the C library, where there is such a one."""
    return getattr(ctypes.CDLL(None), name, None) if sys.platform == "linux" else None


def _number(path: Path) -> int | None:
    try:
        return int(path.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None
