"""Bytes of a file by position, checked: nothing beyond the end, nothing after a change.

A memory map would end the process when a file is cut short while it is read; plain reads raise an
error.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError, reason_of


@dataclass(frozen=True)
class FileStamp:
    """What a file looked like when its headers were read."""

    path: Path
    size: int
    modified_ns: int


class OpenFile:
    """An open file; `read` and `read_into` give exactly the bytes asked for, or raise."""

    def __init__(self, descriptor: int, stamp: FileStamp) -> None:
        self._descriptor = descriptor
        self.stamp = stamp

    @property
    def size(self) -> int:
        """Size in bytes when the file was opened."""
        return self.stamp.size

    @property
    def path(self) -> Path:
        """Where the file is."""
        return self.stamp.path

    def read(self, position: int, count: int, what: str) -> bytes:
        """`count` bytes from `position`; `what` names them in the error."""
        self.require(position, count, what)
        try:
            data = os.pread(self._descriptor, count, position)
        except OSError as error:
            raise _unreadable(self.path, error) from error
        if len(data) != count:
            self._raise_changed()
        return data

    def read_into(self, buffer: NDArray[np.uint8], position: int) -> None:
        """Fill `buffer` from `position`."""
        view, filled = buffer.data, 0
        try:
            while filled < buffer.size:
                count = os.preadv(self._descriptor, [view[filled:]], position + filled)
                if count == 0:
                    self._raise_changed()
                filled += count
        except OSError as error:
            raise _unreadable(self.path, error) from error

    def require(self, position: int, count: int, what: str) -> None:
        """Raise unless `count` bytes from `position` lie in the file: before any allocation."""
        if position + count > self.size:
            raise RecordError(
                f"{what} needs {count} bytes from byte {position}, but the file has "
                f"{self.size} bytes",
                where=str(self.path),
                remedy="The file is cut short or its header is damaged; copy it again.",
            )

    def check_unchanged(self) -> None:
        """Raise if size or modification time are not those of the stamp."""
        if _stamp(self._descriptor, self.path) != self.stamp:
            self._raise_changed()

    def _raise_changed(self) -> None:
        size = os.fstat(self._descriptor).st_size
        sizes = f" ({self.size} bytes then, {size} now)" if size != self.size else ""
        raise RecordError(
            f"the file has changed since its headers were read{sizes}",
            where=str(self.path),
            remedy="Wait until it is complete, then open the line again.",
        )


@contextmanager
def open_file(path: Path, stamp: FileStamp | None = None) -> Iterator[OpenFile]:
    """Open `path` for reading; with `stamp`, refuse it when it has changed since."""
    try:
        descriptor = os.open(path, os.O_RDONLY)
    except OSError as error:
        raise _unreadable(path, error) from error
    try:
        now = _stamp(descriptor, path)
        file = OpenFile(descriptor, stamp or now)
        if now != file.stamp:
            file.check_unchanged()
        yield file
    finally:
        os.close(descriptor)


def _stamp(descriptor: int, path: Path) -> FileStamp:
    status = os.fstat(descriptor)
    return FileStamp(path, status.st_size, status.st_mtime_ns)


def _unreadable(path: Path, error: OSError) -> RecordError:
    return RecordError(
        f"the file cannot be read ({reason_of(error)})",
        where=str(path),
        remedy="Check the path and the permissions.",
    )
