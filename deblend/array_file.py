"""Arrays in files: NumPy's ``.npz`` without pickle, text in it as JSON, sizes checked first [1]_.

References
----------
.. [1] NumPy enhancement proposal 1, "A simple file format for NumPy arrays", and the
   documentation of ``numpy.lib.format``.
"""

from __future__ import annotations

import io
import json
import os
import struct
import tokenize
import zipfile
import zlib
from collections.abc import Collection, Mapping
from math import prod
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, OutputError, reason_of
from deblend.files import replacing

LARGEST_BYTES: Final = 2 << 30
"""Bytes that a file may unpack to; samples for a page are far smaller."""

_SUFFIX: Final = ".npy"
_DAMAGE: Final = (  # what the readers of zip, deflate and array headers raise on broken bytes
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    tokenize.TokenError,
    SyntaxError,
    ValueError,
    OverflowError,
    EOFError,
    OSError,
    RuntimeError,
)
_PIECE_BYTES: Final = 1 << 20
_HEADER_BYTES: Final = 1 << 16
"""More than any header of this format version takes."""


def write_arrays(
    arrays: Mapping[str, NDArray[Any]], path: Path, *, compressed: bool = True
) -> None:
    """Write named arrays; nothing is left under `path` unless it is complete and on disk.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    method = zipfile.ZIP_DEFLATED if compressed else zipfile.ZIP_STORED
    with replacing(path) as stream, zipfile.ZipFile(stream, "w", method) as archive:
        for name, array in arrays.items():
            with archive.open(name + _SUFFIX, "w", force_zip64=True) as member:
                np.lib.format.write_array(member, np.asarray(array), allow_pickle=False)


def read_arrays(
    path: Path, names: Collection[str] | None = None, *, most_bytes: int | None = LARGEST_BYTES
) -> dict[str, NDArray[Any]]:
    """Read what `write_arrays` wrote.

    Parameters
    ----------
    names : collection of str, optional
        Arrays that are wanted, where they are there; all by default.
    most_bytes : int or None, optional
        What they may unpack to; None for any size, in files of this program alone.

    Raises
    ------
    InputError
        If the file is missing, damaged, of another kind, or would unpack to more than
        `most_bytes`.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = [
                member
                for member in archive.infolist()
                if names is None or member.filename.removesuffix(_SUFFIX) in names
            ]
            total = sum(member.file_size for member in members)
            if most_bytes is not None and total > most_bytes:
                raise ValueError(f"it would unpack to {total} bytes")
            return {
                member.filename.removesuffix(_SUFFIX): _read_member(archive, member)
                for member in members
            }
    except FileNotFoundError as error:
        raise InputError(
            "does not exist", where=str(path), remedy="Name the folder of a finished run."
        ) from error
    except _DAMAGE as error:
        raise InputError(
            f"cannot be read: {error}",
            where=str(path),
            remedy="The file is damaged or was not written by this program; run the line again.",
        ) from error


def unpacked_bytes(path: Path, names: Collection[str]) -> int:
    """Bytes that some arrays of a file would take; 0 where it is no archive."""
    try:
        with zipfile.ZipFile(path) as archive:
            return sum(
                member.file_size
                for member in archive.infolist()
                if member.filename.removesuffix(_SUFFIX) in names
            )
    except _DAMAGE:
        return 0


def _read_member(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> NDArray[Any]:
    """One array, after checking that its header asks for the bytes that are there."""
    raw = _unpacked(archive, member)
    stream = io.BytesIO(raw[:_HEADER_BYTES])
    version = np.lib.format.read_magic(stream)
    if version != (1, 0):
        raise ValueError(f"{member.filename} has array format version {version}")
    shape, fortran_order, dtype = np.lib.format.read_array_header_1_0(stream)
    if dtype.hasobject:
        raise ValueError(f"{member.filename} holds Python objects")
    wanted, present = prod(shape) * dtype.itemsize, len(raw) - stream.tell()
    if wanted != present:
        raise ValueError(f"{member.filename} needs {wanted} bytes and holds {present}")
    flat = np.frombuffer(raw, dtype=dtype, offset=stream.tell())
    return flat.reshape(shape, order="F" if fortran_order else "C")


def _unpacked(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> bytearray:
    """All bytes, once in memory; read to the end, so that the checksum is verified."""
    raw = bytearray(member.file_size)
    with memoryview(raw) as view, archive.open(member) as stream:
        for begin in range(0, len(raw), _PIECE_BYTES):
            piece = stream.read(min(_PIECE_BYTES, len(raw) - begin))
            view[begin : begin + len(piece)] = piece
        if stream.read(1):
            raise ValueError(f"{member.filename} is longer than it says")
    return raw


def json_array(value: object) -> NDArray[np.uint8]:
    """A value as JSON text in an array, for a file of arrays; NumPy numbers become plain ones."""
    return np.frombuffer(json.dumps(value, default=_plain).encode("ascii"), np.uint8)


def json_value(array: NDArray[Any]) -> Any:
    """The value in an array of `json_array`.

    Raises
    ------
    ValueError, RecursionError
        If it holds something else.
    """
    return json.loads(array.tobytes())


def _plain(value: object) -> object:
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} cannot be written as text")


def scratch_array(path: Path, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """An array of zeros in a new file, for what is too large for memory.

    All of its room on the disk is taken at once: a disk that gets full while mapped memory is
    written ends the process without a word.

    Raises
    ------
    OutputError
        If there is no room for it.
    """
    try:
        array: NDArray[np.float32] = np.lib.format.open_memmap(
            path, mode="w+", dtype=np.float32, shape=shape
        )
        with path.open("r+b") as file:
            os.posix_fallocate(file.fileno(), 0, path.stat().st_size)
    except OSError as error:
        size_gb = 4e-9 * float(np.prod(shape))
        raise OutputError(
            f"there is no room for {size_gb:.2g} GB beside the results ({reason_of(error)})",
            where=str(path.parent),
            remedy="Make space, or name a folder on another disk.",
        ) from error
    return array
