"""Files: written so that they appear only when complete, and TOML read with clear errors."""

from __future__ import annotations

import difflib
import hashlib
import math
import os
import re
import shutil
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, TypeVar

from deblend.errors import OutputError, SettingsError

_CHUNK_BYTES = 1 << 20
T = TypeVar("T")


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
            f"the file cannot be written ({error.strerror or error})",
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
            f"the folder cannot be made ({error.strerror})",
            where=str(folder),
            remedy="Name a folder that can be written.",
        ) from error


@contextmanager
def filling(folder: str | Path) -> Iterator[Path]:
    """An empty folder to be filled; what was begun is taken away again unless all goes well.

    Parameters
    ----------
    folder : str or Path
        Made if absent; must be empty.

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


def read_table(path: Path, kind: type[T], called: str) -> T:
    """The described table (a msgspec Struct) that a whole TOML file holds.

    Parameters
    ----------
    path : Path
        The file.
    kind : type
        The Struct.
    called : str
        What kind of file it is, as "study file", for messages.

    Raises
    ------
    SettingsError
        If it cannot be read, is no TOML, or `convert_table` refuses it.
    """
    return convert_table(read_toml(path, called), kind, called, str(path))


def convert_table(content: Mapping[str, Any], kind: type[T], called: str, where: str) -> T:
    """A described table (a msgspec Struct) from plain TOML content.

    Parameters
    ----------
    content : mapping
        As read from the file.
    kind : type
        The Struct.
    called : str
        What is converted, as "plan file", for messages.
    where : str
        File, for messages.

    Raises
    ------
    SettingsError
        If a key is unknown or missing, or a value is of the wrong type, out of its limits or not
        finite.
    """
    import msgspec

    for name, number in _numbers(content, ""):
        if not math.isfinite(number):
            raise SettingsError(f"{name} is {number}", where=where, remedy="Give a finite number.")
    try:
        return msgspec.convert(content, kind)
    except msgspec.ValidationError as error:
        raise _explained(str(error), kind, content, called, where) from error


def _numbers(value: Any, name: str) -> Iterator[tuple[str, float]]:
    """Every floating-point number of nested tables, with its place."""
    if isinstance(value, float):
        yield name, value
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _numbers(inner, f"{name}.{key}".lstrip("."))
    elif isinstance(value, list):
        for number, inner in enumerate(value, start=1):
            yield from _numbers(inner, f"{name}, entry {number}")


def _explained(
    message: str, kind: type, content: Mapping[str, Any], called: str, where: str
) -> SettingsError:
    """The reader's message with its place in words and, for a wrong key, the nearest right one."""
    text, _, place = message.partition(" - at `$")
    place = place.strip("`").removeprefix(".")
    steps = re.findall(r"\.?(\w+|\[[^]]*\])", place)
    known = _keys_at(kind, steps)
    here = f"{where}, {place}" if place else where
    unknown = re.fullmatch(r"Object contains unknown field `(.+)`", text)
    if unknown is None:
        return SettingsError(
            f"the {called} cannot be used: {text[:1].lower()}{text[1:]}{_found_at(content, steps)}",
            where=here,
            remedy=f"Keys here: {', '.join(known)}." if known else "Correct the value.",
        )
    near = difflib.get_close_matches(unknown[1], known, n=1)
    return SettingsError(
        f"unknown key {unknown[1]!r}",
        where=here,
        remedy=f"Did you mean {near[0]!r}?" if near else f"Keys here: {', '.join(known)}.",
    )


def _found_at(content: Any, steps: list[str]) -> str:
    """The offending value in words, where the place leads to a plain one."""
    for step in steps:
        if not isinstance(content, Mapping) or step not in content:
            return ""
        content = content[step]
    return f", found {content!r}" if isinstance(content, str | int | float) else ""


def _keys_at(kind: type, place: list[str]) -> list[str]:
    """Keys of the table at a place below `kind`; those of the innermost table on the way."""
    import msgspec

    info: Any = msgspec.inspect.type_info(kind)
    known = [field.encode_name for field in info.fields]
    for step in place:
        if isinstance(info, msgspec.inspect.StructType):
            found = [field.type for field in info.fields if field.encode_name == step]
            info = _without_none(found[0]) if found else None
        else:
            info = getattr(info, "value_type", getattr(info, "item_type", None))
        if isinstance(info, msgspec.inspect.StructType):
            known = [field.encode_name for field in info.fields]
    return known


def _without_none(info: Any) -> Any:
    """The one type behind its limits, and behind an optional."""
    while hasattr(info, "extra_json_schema"):
        info = info.type
    types = getattr(info, "types", (info,))
    return types[0]
