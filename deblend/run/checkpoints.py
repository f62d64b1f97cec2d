"""Checkpoints of a block in a file, as often as they cost next to nothing."""

from __future__ import annotations

import shutil
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from deblend.errors import DeblendError, OutputError
from deblend.run.stored_values import read_value, write_value
from deblend.separation.checkpoint import Checkpoint

EVERY_S: Final = 120.0
"""Least time from one checkpoint to the next."""
LARGEST_SHARE: Final = 1 / 80
"""Part of the time that checkpoints may take."""
_BYTES_PER_S: Final = 250e6
"""What a disk takes, before it has shown it."""


@dataclass(frozen=True, eq=False)
class _Stored:
    """A checkpoint and the run that it belongs to: a worker may outlive its run."""

    run: str
    checkpoint: Checkpoint


@dataclass(eq=False)
class FileCheckpoints:
    """Checkpoints of one block in a file."""

    path: Path
    """The file; it appears only when it is complete and on disk."""
    run: str
    """Stamp of the run."""
    spare_bytes: int = 0
    """What the run will still write: a checkpoint never takes that from the disk."""
    _ended_s: float = field(default_factory=time.monotonic, init=False)
    _bytes_per_s: float = field(default=_BYTES_PER_S, init=False)
    _began_s: float = field(default=0.0, init=False)

    def due(self, size_bytes: int) -> bool:
        """Whether the time since the last one is worth one of this size."""
        self._began_s = time.monotonic()
        wait_s = max(EVERY_S, size_bytes / self._bytes_per_s / LARGEST_SHARE)
        if self._began_s - self._ended_s < wait_s:
            return False
        try:
            free = shutil.disk_usage(self.path.parent).free
        except OSError:  # the run was thrown away meanwhile
            return False
        return free > self.spare_bytes + 2 * size_bytes

    def write(self, checkpoint: Checkpoint) -> None:
        """Write one; a disk that takes none costs the run nothing but that."""
        with suppress(OutputError):
            write_value(self.path, _Stored(self.run, checkpoint))
            took_s = max(time.monotonic() - self._began_s, 1e-3)
            self._bytes_per_s = self.path.stat().st_size / took_s
        self._ended_s = time.monotonic()

    def read(self) -> Checkpoint | None:
        """The last one of this run; a damaged one is none."""
        if not self.path.exists():
            return None
        with suppress(DeblendError):
            stored: _Stored = read_value(self.path)
            if stored.run == self.run:
                return stored.checkpoint
        self.remove()
        return None

    def remove(self) -> None:
        """The block is done."""
        self.path.unlink(missing_ok=True)
