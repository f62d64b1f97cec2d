"""How many local processes a line is worth."""

from __future__ import annotations

from typing import Final

from deblend.arrays import card_count, thread_count
from deblend.errors import DeblendError
from deblend.line.line_file import LineFile
from deblend.records.find_files import find_files

CORES_EACH: Final = 4
"""Threads of one process gain little beyond so many (`benchmarks.run.scaling`)."""
LEAST_BYTES: Final = 256_000_000
"""Of the records: a shorter line ends before more processes have started."""


def processes_of(line: LineFile) -> int:
    """Local processes that the line file asks for, or as many as cores or cards are worth."""
    keys = line.keys
    if keys.run.processes is not None:
        return keys.run.processes
    try:
        files = find_files(line.record_patterns)
        small = sum(path.stat().st_size for path in files) < LEAST_BYTES
    except (DeblendError, OSError):  # said where the line is opened
        return 1
    if small:
        return 1
    cards = 0 if keys.separation.device == "cpu" else card_count()
    return max(1, cards or thread_count() // CORES_EACH)
