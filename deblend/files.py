"""Files: written so that they appear only when complete; TOML with clear errors, JSON values."""

from __future__ import annotations

import csv
import fcntl
import hashlib
import io
import math
import os
import shutil
import socket
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Final, TypeVar

from deblend.errors import OutputError, SettingsError, reason_of

_CHUNK_BYTES = 1 << 20
_MOST_TOML_BYTES = 16 << 20
_DEEPEST = 40
T = TypeVar("T")
LOCKED_BY: Final = "process "
"""How a lock begins, by which a folder is known to be of this program."""


@contextmanager
def replacing(path: Path) -> Iterator[IO[bytes]]:
    """Open a temporary file beside `path`; it takes the final name only when all went well.

    The content is on disk before the name is, so that not even a power cut leaves half of it.

    Raises
    ------
    OutputError
        If the file cannot be written; nothing is left of it then.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with temporary.open("wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(path)
        sync(path.parent)
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(
            f"the file cannot be written ({reason_of(error)})",
            where=str(path),
            remedy="Check that the folder exists, is writable and has space left.",
        ) from error
    finally:
        temporary.unlink(missing_ok=True)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it; one that is there will do.

    Raises
    ------
    OutputError
        If it cannot be made, or is a file.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"the folder cannot be made ({reason_of(error)})",
            where=str(folder),
            remedy="Name a folder that can be written.",
        ) from error


@contextmanager
def filling(folder: str | Path) -> Iterator[Path]:
    """A folder to be filled, made if absent; what was begun is taken away unless all goes well.

    Raises
    ------
    OutputError
        If it holds something, or cannot be made.
    """
    folder = Path(folder)
    existed = folder.exists()
    make_folder(folder)
    if any(folder.iterdir()):
        raise OutputError(
            "the folder is not empty",
            where=str(folder),
            remedy="Name a new folder, or empty this one.",
        )
    try:
        yield folder
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        if existed:
            folder.mkdir(exist_ok=True)
        raise


def lock(path: Path, folder: Path, *, shared: bool = False) -> int:
    """Handle of a lock in a folder; it ends with the process, however that ends.

    Parameters
    ----------
    path : Path
        File of the lock; made if absent. Whoever removes it does so while holding the lock.
    folder : Path
        What it stands for, for the message.
    shared : bool, optional
        Whether others that say so too may hold it at the same time.

    Raises
    ------
    OutputError
        If another process holds it.
    """
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        fcntl.flock(handle, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
        if not (path.exists() and os.fstat(handle).st_ino == path.stat().st_ino):
            raise BlockingIOError  # the run that held it has just finished and removed it
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{LOCKED_BY}{os.getpid()} on {socket.gethostname()}\n".encode(), 0)
    except OSError as error:
        os.close(handle)
        if not isinstance(error, BlockingIOError):
            raise
        who = path.read_text(encoding="utf-8").strip() if path.exists() else ""
        raise OutputError(
            f"another run is at work in this folder{f' ({who})' if who else ''}",
            where=str(folder),
            remedy="Wait for it, or name another output folder.",
        ) from error
    return handle


def sync(path: Path) -> None:
    """Wait until a file, or the names in a folder, are on disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text; the file appears only when complete."""
    with replacing(path) as file:
        file.write(text.encode("utf-8"))


def csv_text(header: Iterable[object], rows: Iterable[Iterable[object]]) -> str:
    """Text of a CSV table; lines end with a line feed alone."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue()


def sha256_of(path: Path) -> str:
    """SHA-256 of a file in hexadecimal digits, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def read_toml(path: Path, called: str) -> dict[str, Any]:
    """Tables of a TOML file; `called` says for messages what it is, as "line file".

    Raises
    ------
    SettingsError
        If it cannot be read or is no TOML.
    """
    try:
        # Some editors begin a file with a byte order mark, which the TOML reader refuses.
        tables = tomllib.loads(_text_of(path, called).decode("utf-8-sig"))
    except OSError as error:
        raise SettingsError(
            f"the {called} cannot be read ({reason_of(error)})",
            where=str(path),
            remedy=f"Give the path of a TOML {called}.",
        ) from error
    except UnicodeDecodeError as error:
        raise SettingsError(
            f"the {called} cannot be read ({reason_of(error)})",
            where=str(path),
            remedy="Save it as UTF-8, and see that it is the right file.",
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"this is no TOML text: {str(error).rstrip('.')}",
            where=str(path),
            remedy="Correct the text at that place. Strings need quotes, with / in paths and not "
            "\\; numbers take a decimal point.",
        ) from error
    except RecursionError as error:
        raise _too_deep(path, called) from error
    if not _is_flat(tables):
        raise _too_deep(path, called)
    return tables


def _text_of(path: Path, called: str) -> bytes:
    """Content of a file of keys; a device or a pipe may have no end."""
    if path.exists() and not path.is_dir() and not path.is_file():
        raise SettingsError(
            f"the {called} is no file but a device or a pipe",
            where=str(path),
            remedy=f"Give the path of a TOML {called}.",
        )
    with path.open("rb") as file:
        content = file.read(_MOST_TOML_BYTES + 1)
    if len(content) > _MOST_TOML_BYTES:
        raise SettingsError(
            f"the {called} is larger than {_MOST_TOML_BYTES >> 20} MB, and no text of keys is",
            where=str(path),
            remedy="See that it is the right file.",
        )
    return content


def _too_deep(path: Path, called: str) -> SettingsError:
    return SettingsError(
        f"the {called} has lists or tables inside each other more than {_DEEPEST} times",
        where=str(path),
        remedy="See that it is the right file; no key needs that.",
    )


def _is_flat(content: Any) -> bool:
    """Whether tables and lists are inside each other only as often as keys can need."""
    level = [content]
    for _ in range(_DEEPEST):
        level = [
            inner
            for part in level
            for inner in (part.values() if isinstance(part, dict) else part)
            if isinstance(inner, dict | list)
        ]
    return not level


def refuse_odd_name(path: Path) -> None:
    """Refuse a path that is no UTF-8 text: it could not be written into results.

    Raises
    ------
    OutputError
        If it is none.
    """
    name = str(path.absolute())
    shown = name.encode("utf-8", "backslashreplace").decode("utf-8")
    if shown != name:
        raise OutputError(
            "the name of this file or folder is no UTF-8 text, and could not be written into "
            "results",
            where=shown,
            remedy="Rename it, or its folder.",
        )


def json_values(value: Any) -> Any:
    """The content in types that JSON knows; numbers that are unknown or endless become null."""
    if isinstance(value, Mapping):
        return {str(key): json_values(part) for key, part in value.items()}
    if isinstance(value, tuple | list):
        return [json_values(part) for part in value]
    if hasattr(value, "item"):  # a NumPy scalar
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, str | int) else str(value)
