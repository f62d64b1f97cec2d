"""Files: written so that they appear only when complete, and TOML read with clear errors."""

from __future__ import annotations

import hashlib
import os
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from deblend.errors import OutputError, SettingsError

_CHUNK_BYTES = 1 << 20


@contextmanager
def replacing(path: Path) -> Iterator[IO[bytes]]:
    """Open a temporary file beside `path`; it takes the final name only when all went well.

    Raises
    ------
    OutputError
        If the file cannot be written; nothing is left of it then.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with temporary.open("wb") as stream:
            yield stream
        temporary.replace(path)
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(
            f"the file cannot be written ({error.strerror or error})",
            where=str(path),
            remedy="Check that the folder exists, is writable and has space left.",
        ) from error
    finally:
        temporary.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text; the file appears only when complete."""
    with replacing(path) as file:
        file.write(text.encode("utf-8"))


def sha256_of(path: Path) -> str:
    """SHA-256 of a file in hexadecimal digits, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def read_toml(path: Path, called: str) -> dict[str, Any]:
    """Tables of a TOML file.

    Parameters
    ----------
    path : Path
        The file.
    called : str
        What kind of file it is, as "line file", for messages.

    Raises
    ------
    SettingsError
        If it cannot be read or is no TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError(
            f"the {called} cannot be read ({error.strerror})",
            where=str(path),
            remedy=f"Give the path of a TOML {called}.",
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"this is no TOML text: {str(error).rstrip('.')}",
            where=str(path),
            remedy="Correct the text at that place; strings need quotes.",
        ) from error
