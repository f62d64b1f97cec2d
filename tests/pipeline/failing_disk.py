"""A disk that gets full at some step, or whose power fails there; the steps are counted.

Python's own files, folders and names below one folder are watched. When the power fails, whatever
nobody waited for may be lost: the end of a file since it was last waited for, or all of it, and
names made, moved or removed in a folder since that was last waited for. No journal keeps an order.
Nothing more can be done then, not even to tidy up.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
import random
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

Fault = Literal["none", "full", "power"]

OPEN, OPEN_HANDLE, FSYNC, PWRITE = io.open, os.open, os.fsync, os.pwrite
MKDIR, RMDIR, RENAME, REPLACE = os.mkdir, os.rmdir, os.rename, os.replace
LINK, UNLINK, TRUNCATE = os.link, os.unlink, os.truncate


def make_folders(path: str) -> None:
    """Make a folder and those above it."""
    if not os.path.exists(path):
        make_folders(os.path.dirname(path))
        MKDIR(path)


@dataclass(frozen=True)
class Change:
    """Something that was done to a name; `undo` puts it back."""

    path: str
    undo: Callable[[], None]
    removed: bool = False


@dataclass(eq=False)
class FailingDisk:
    """A folder on a disk that fails.

    Parameters
    ----------
    folder : Path
        Whatever is below it is watched.
    at : int
        Step at which the fault comes, from 1; a full disk stays full.
    fault : {"none", "full", "power"}
        What happens.
    seed : int
        Of what is lost.
    """

    folder: Path
    at: int = 0
    fault: Fault = "none"
    seed: int = 0
    steps: list[str] = field(default_factory=list)
    """What was done, with the names of files and folders."""
    unsafe: dict[str, int] = field(default_factory=dict)
    """Bytes that are on disk for sure, of every file that has more."""
    changes: list[Change] = field(default_factory=list)
    """What was done to names in folders that were not waited for since."""
    kept: str = ""
    """Folder of files that lost their name; the loss may bring it back."""
    dark: bool = False
    turn: threading.RLock = field(default_factory=threading.RLock)

    @contextmanager
    def installed(self) -> Iterator[FailingDisk]:
        """Python's functions for files replaced by ones that fail."""
        replaced: dict[tuple[Any, str], Callable[..., Any]] = {
            (builtins, "open"): self.open,
            (io, "open"): self.open,
            (os, "open"): self.open_handle,
            (os, "fsync"): self.fsync,
            (os, "pwrite"): self.pwrite,
            (os, "mkdir"): self.mkdir,
            (os, "rmdir"): self.rmdir,
            (os, "rename"): lambda *names, **at: self.move(RENAME, *names, **at),
            (os, "replace"): lambda *names, **at: self.move(REPLACE, *names, **at),
            (os, "link"): self.link,
            (os, "unlink"): self.unlink,
            (os, "remove"): self.unlink,
        }
        before = {place: getattr(*place) for place in replaced}
        self.folder.mkdir(exist_ok=True)
        with tempfile.TemporaryDirectory(dir=self.folder.resolve().parent) as self.kept:
            try:
                for place, function in replaced.items():
                    setattr(*place, function)
                yield self
            finally:
                for place, function in before.items():
                    setattr(*place, function)

    def step(self, what: str, path: str, *, takes_space: bool = True) -> None:
        """Count a step; the fault comes at its turn."""
        if self.dark:
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)
        if not takes_space:
            return
        self.steps.append(f"{what} {os.path.relpath(path, self.folder)}")
        if self.fault == "none" or len(self.steps) < self.at:
            return
        if self.fault == "power":
            self.lose()
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), path)

    def lose(self) -> None:
        """Lose some or all of what was not waited for; the disk is dark from then on."""
        draw = random.Random(self.seed)
        part = draw.choice([0.0, 0.5, 1.0])
        for path, count in self.unsafe.items():
            size = os.path.getsize(path) if os.path.exists(path) else 0
            if size > count:
                TRUNCATE(path, draw.choice([count, draw.randint(count, size)]))
        for change in reversed(self.changes):
            if draw.random() < part:
                with suppress(OSError):  # what it was in may be gone
                    change.undo()
        self.dark = True

    def watched(self, name: Any, dir_fd: int | None = None) -> str | None:
        """Full path of a name or handle, if it is watched."""
        if isinstance(name, int):
            path = os.readlink(f"/proc/self/fd/{name}")
        elif dir_fd is not None and not os.path.isabs(name):
            path = os.path.join(os.readlink(f"/proc/self/fd/{dir_fd}"), os.fspath(name))
        else:
            path = os.path.abspath(os.fspath(name))
        here = os.path.abspath(self.folder)
        return path if path == here or path.startswith(f"{here}/") else None

    def changed(self, path: str, undo: Callable[[], None], *, removed: bool = False) -> None:
        """Remember how to undo a change of a name, until its folder is waited for."""
        if self.fault == "power":
            self.changes.append(Change(path, undo, removed))

    def keep(self, path: str) -> str | None:
        """Another name for a file that is about to lose its own."""
        if self.fault != "power" or not os.path.isfile(path):
            return None
        kept = os.path.join(self.kept, str(len(os.listdir(self.kept))))
        LINK(path, kept)
        return kept

    def open(self, name: Any, mode: str = "r", *settings: Any, **named: Any) -> Any:
        """Open a file; one that is written is watched."""
        # What is read and written at once has no name.
        writes = bool(set(mode) & set("wax")) and "+" not in mode and not isinstance(name, int)
        path = self.watched(name) if writes else None
        if path is None:
            return OPEN(name, mode, *settings, **named)
        with self.turn:
            self.step("create", path)
            new = not os.path.exists(path)
            binary = io.BufferedWriter(Watched(path, mode.strip("bt"), self))
            self.unsafe[path] = 0
            if new:
                self.changed(path, lambda: UNLINK(path))
        if "b" in mode:
            return binary
        return io.TextIOWrapper(binary, named.get("encoding"), newline=named.get("newline"))

    def open_handle(self, name: Any, flags: int, *mode: int, **at: Any) -> int:
        """Open a file or folder; one that may be made is watched."""
        path = self.watched(name, at.get("dir_fd")) if flags & os.O_CREAT else None
        if path is None:
            return OPEN_HANDLE(name, flags, *mode, **at)
        with self.turn:
            self.step("create", path)
            new = not os.path.exists(path)
            handle = OPEN_HANDLE(name, flags, *mode, **at)
            self.unsafe[path] = 0
            if new:
                self.changed(path, lambda: UNLINK(path))
            return handle

    def write(self, file: Watched, data: Any) -> int:
        """Write to an open file; half of it where the disk gets full."""
        with self.turn:
            if self.fault == "full" and len(self.steps) + 1 == self.at:
                io.FileIO.write(file, bytes(data)[: len(data) // 2])
            self.step("write", file.path)
            return io.FileIO.write(file, data) or 0

    def pwrite(self, handle: int, data: bytes, offset: int) -> int:
        """Write to a handle."""
        with self.turn:
            if (path := self.watched(handle)) is not None:
                self.step("write", path)
            return PWRITE(handle, data, offset)

    def fsync(self, handle: int) -> None:
        """Wait for a file, or for the names in a folder."""
        with self.turn:
            path = self.watched(handle)
            if path is not None:
                self.step("wait for", path)
                self.unsafe.pop(path, None)
                here = [change for change in self.changes if os.path.dirname(change.path) == path]
                gone = tuple(f"{change.path}/" for change in here if change.removed)
                self.changes = [
                    change
                    for change in self.changes
                    if change not in here and not change.path.startswith(gone)
                ]
            FSYNC(handle)

    def mkdir(self, name: Any, *mode: int, **at: Any) -> None:
        """Make a folder."""
        with self.turn:
            path = self.watched(name, at.get("dir_fd"))
            if path is not None and not os.path.exists(path):
                self.step("make", path)
            MKDIR(name, *mode, **at)
            if path is not None:
                self.changed(path, lambda: self.remove_all(path))

    def remove_all(self, path: str) -> None:
        """Take a folder away with all that is in it."""
        for folder, folders, files in os.walk(path, topdown=False):
            for file in files:
                UNLINK(os.path.join(folder, file))
            for below in folders:
                RMDIR(os.path.join(folder, below))
        RMDIR(path)

    def rmdir(self, name: Any, **at: Any) -> None:
        """Remove a folder."""
        with self.turn:
            path = self.watched(name, at.get("dir_fd"))
            if path is not None:
                self.step("remove", path, takes_space=False)
            RMDIR(name, **at)
            if path is not None:
                self.changed(path, lambda: make_folders(path), removed=True)

    def move(self, call: Callable[..., None], old: Any, new: Any, **at: Any) -> None:
        """Give a file or folder another name."""
        with self.turn:
            begin, end = self.watched(old), self.watched(new)
            if begin is None or end is None:
                call(old, new, **at)
                return
            self.step("name", end)
            kept = self.keep(end)
            call(old, new, **at)
            self.unsafe = {
                end + path[len(begin) :] if f"{path}/".startswith(f"{begin}/") else path: count
                for path, count in self.unsafe.items()
            }

            def undo() -> None:
                RENAME(end, begin)
                if kept:
                    LINK(kept, end)

            self.changed(end, undo)

    def link(self, old: Any, new: Any, **at: Any) -> None:
        """Give a file a second name."""
        with self.turn:
            begin, end = self.watched(old), self.watched(new)
            if begin is None or end is None:
                LINK(old, new, **at)
                return
            self.step("name", end)
            LINK(old, new, **at)
            if begin in self.unsafe:
                self.unsafe[end] = self.unsafe[begin]
            self.changed(end, lambda: UNLINK(end))

    def unlink(self, name: Any, **at: Any) -> None:
        """Remove a file."""
        with self.turn:
            path = self.watched(name, at.get("dir_fd"))
            if path is None:
                UNLINK(name, **at)
                return
            self.step("remove", path, takes_space=False)
            kept = self.keep(path)
            UNLINK(name, **at)
            count = self.unsafe.pop(path, None)

            def undo() -> None:
                make_folders(os.path.dirname(path))
                if kept and not os.path.exists(path):
                    LINK(kept, path)
                    if count is not None:
                        TRUNCATE(path, count)

            self.changed(path, undo)


class Watched(io.FileIO):
    """A file that is written."""

    def __init__(self, path: str, mode: str, disk: FailingDisk) -> None:
        super().__init__(path, mode)
        self.path, self.disk = path, disk

    def write(self, data: Any) -> int:
        """Write, unless the disk fails."""
        return self.disk.write(self, data)
