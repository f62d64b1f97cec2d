"""How much memory a run may take, and what of it is left for the arrays of a block."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from deblend.errors import SettingsError

PART_OF_FREE: Final = 0.75
PROGRAM_BYTES: Final = 500_000_000
"""What a process takes beside the arrays of a block: interpreter, libraries, tables, figures."""
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


def block_budget(memory_bytes: int | None, processes: int) -> int:
    """Bytes for the arrays of one block.

    Parameters
    ----------
    memory_bytes : int or None
        What the whole run may take; three quarters of what is free by default.
    processes : int
        Processes that share it.

    Raises
    ------
    SettingsError
        If nothing is left beside the program itself.
    """
    whole = round(PART_OF_FREE * free_memory()) if memory_bytes is None else memory_bytes
    rest = whole // processes - PROGRAM_BYTES
    if rest <= 0:
        raise SettingsError(
            f"a memory budget of {whole / 1e9:.3g} GB for {processes} process(es) leaves nothing "
            "for the data",
            remedy=f"Allow more than {processes * PROGRAM_BYTES / 1e9:.3g} GB.",
        )
    return rest


def _number(path: Path) -> int | None:
    try:
        return int(path.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None
