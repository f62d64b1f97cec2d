"""The folder of unfinished work: where things lie, and one run at a time in it."""

from __future__ import annotations

import errno
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from deblend.errors import OutputError, reason_of
from deblend.files import LOCKED_BY, lock, sync
from deblend.results.output_folder import UNFINISHED

_LOCK: Final = "lock"
_DISK: Final = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO)
"""Errors of a disk, wherever they come up."""


@dataclass(frozen=True)
class RunFolder:
    """Names in the folder of unfinished work."""

    path: Path
    """The folder itself, inside the output folder."""

    @classmethod
    def of(cls, folder: Path) -> RunFolder:
        """That of an output folder."""
        return cls(folder / UNFINISHED)

    @property
    def plan(self) -> Path:
        """What is done, how it is cut, and of what input: written first."""
        return self.path / "plan.json"

    @property
    def records(self) -> Path:
        """The staged record."""
        return self.path / "records.zarr"

    @property
    def staged(self) -> Path:
        """How much of the record is staged, and what its samples are like."""
        return self.path / "staged.npz"

    @property
    def verified(self) -> Path:
        """Findings of the table of shots held against the samples."""
        return self.path / "verified.csv"

    @property
    def reference(self) -> Path:
        """Quantities of the whole line that every block needs."""
        return self.path / "line.json"

    @property
    def noise_share(self) -> Path:
        """How far thresholds stay above the noise, where that is learned."""
        return self.path / "noise-share.npz"

    @property
    def error_trial(self) -> Path:
        """What trial separations show of the error, where that is wanted."""
        return self.path / "error-trial.npz"

    @property
    def times(self) -> Path:
        """Shifts of the fire times, where they are refined."""
        return self.path / "fire-times.npz"

    @property
    def estimates(self) -> Path:
        """Folder of the estimates."""
        return self.path / "estimates.zarr"

    @property
    def results(self) -> Path:
        """Folder for the files that will be delivered."""
        return self.path / "results"

    def estimate_store(self, span: int, source: int) -> Path:
        """Estimates of a source, by its place in the table of sources, in a span."""
        return self.estimates / f"span-{span}" / f"source-{source}"

    @property
    def baseline(self) -> Path:
        """Estimate of the line as recorded, of an injection."""
        return self.path / "as-recorded.npy"

    def _own_names(self) -> set[str]:
        """Names of everything that a run leaves here."""
        measured = (
            self.verified,
            self.reference,
            self.noise_share,
            self.error_trial,
            self.times,
            self.baseline,
        )
        folders = (self.records, self.estimates, self.results, self.done(0).parent)
        return {_LOCK, *(path.name for path in (self.plan, self.staged, *measured, *folders))}

    def refuse_foreign(self) -> None:
        """Refuse a folder that a run did not make, or a link: it will be emptied.

        Raises
        ------
        OutputError
            If it is one, or holds something that no run leaves.
        """
        if self.path.is_symlink() or (self.path.exists() and not self.path.is_dir()):
            raise self._foreign("is no folder but a link or a file")
        entries = sorted(self.path.iterdir()) if self.path.exists() else []
        own = self._own_names()
        for entry in entries:
            # A kill leaves files that were being written, as ".plan.json.123.part".
            name = re.sub(r"^\.(.+)\.\d+\.part$", r"\1", entry.name)
            if name not in own or entry.is_symlink():
                raise self._foreign(f"holds {entry.name}")
        if entries and not _is_lock(self.path / _LOCK):
            raise self._foreign(f"holds {entries[0].name}")

    def _foreign(self, what: str) -> OutputError:
        return OutputError(
            f"the folder {UNFINISHED} {what}, which no run of this program has left there",
            where=str(self.path),
            remedy="Name another output folder, or move it away: a run would empty it.",
        )

    def done(self, block: int) -> Path:
        """What a block measured; there once its estimates are on disk."""
        return self.path / "blocks" / f"block-{block:05d}.npz"

    def seam(self, block: int) -> Path:
        """What a block estimated beyond its cuts; there only where the line is cut."""
        return self.path / "blocks" / f"seam-{block:05d}.npz"

    def checkpoint(self, block: int) -> Path:
        """How far the iterations of a block are; there only while it is worked on."""
        return self.path / "blocks" / f"checkpoint-{block:05d}.npz"

    def is_done(self, block: int) -> bool:
        """Whether a block is finished."""
        return self.done(block).exists()

    def clear(self) -> None:
        """Throw everything away but the lock; the plan first: nothing goes on without it."""
        self.plan.unlink(missing_ok=True)
        for entry in self.path.iterdir():
            if entry.is_dir():
                shutil.rmtree(entry)
            elif entry.name != _LOCK:
                entry.unlink()
        self.done(0).parent.mkdir()

    def remove(self) -> None:
        """Throw the folder away, the plan first: what a kill leaves is not gone on with."""
        with suppress(OSError):
            self.plan.unlink(missing_ok=True)
            shutil.rmtree(self.path, ignore_errors=True)

    def empty(self) -> None:
        """Throw everything away but the lock and the plan, and wait until that is on disk."""
        for entry in self.path.iterdir():
            if entry.is_dir():
                shutil.rmtree(entry, ignore_errors=True)
            elif entry.name not in (_LOCK, self.plan.name):
                entry.unlink()
        sync(self.path)

    def any_block_done(self) -> bool:
        """Whether any block is finished."""
        return any((self.path / "blocks").glob("block-*.npz"))


@contextmanager
def locked(folder: Path, *, shared: bool = False) -> Iterator[RunFolder]:
    """The work folder of an output folder, made if need be, and closed to other runs.

    A folder without a plan is gone afterwards: nothing in it is worth keeping. Runs that say
    `shared` may be at work in it together, each on a block of its own.

    Raises
    ------
    OutputError
        If it cannot be made, or another run is at work in it.
    """
    missing = _missing_part(folder)
    run_folder = RunFolder.of(folder)
    run_folder.refuse_foreign()
    try:
        run_folder.path.mkdir(parents=True, exist_ok=True)
        handle = lock(run_folder.path / _LOCK, folder, shared=shared)
        run_folder.done(0).parent.mkdir(exist_ok=True)
        _keep_names(run_folder.path, folder if missing is None else missing.parent)
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(
            f"the output folder cannot be made ({error.strerror})",
            where=str(folder),
            remedy="Name a folder that can be written.",
        ) from error
    try:
        yield run_folder
    except OSError as error:
        if error.errno not in _DISK:
            raise
        raise OutputError(
            f"the work cannot be written ({reason_of(error)})",
            where=str(folder),
            remedy="Make space and give the same command again: what is finished is kept.",
        ) from error
    finally:
        if not run_folder.plan.exists():
            run_folder.remove()
            if missing is not None:
                _remove_if_empty(folder, missing)
        os.close(handle)


def _is_lock(path: Path) -> bool:
    """Whether a file is the lock of a run; a kill may leave it empty."""
    try:
        text = path.read_bytes()[: len(LOCKED_BY)]
    except OSError:
        return False
    return text in (b"", LOCKED_BY.encode("ascii"))


def _keep_names(folder: Path, last: Path) -> None:
    """Wait until the names in folders from `folder` up to and including `last` are on disk."""
    for part in (folder, *folder.parents):
        with suppress(PermissionError):  # a folder in which we may make others, but not look
            sync(part)
        if part == last:
            return


def _missing_part(folder: Path) -> Path | None:
    """The outermost folder on the way to `folder` that does not exist yet."""
    missing = None
    for part in (folder, *folder.parents):
        if part.exists():
            break
        missing = part
    return missing


def _remove_if_empty(folder: Path, last: Path) -> None:
    """Remove empty folders from `folder` up to and including `last`."""
    for part in (folder, *folder.parents):
        try:
            part.rmdir()
        except OSError:
            return
        if part == last:
            return
