"""A dictionary of arrays in one file: NumPy's ``.npz`` without pickle, sizes checked first [1]_.

References
----------
.. [1] NumPy enhancement proposal 1, "A simple file format for NumPy arrays", and the
   documentation of ``numpy.lib.format``.
"""

from __future__ import annotations

import io
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

from deblend.errors import InputError
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


def write_arrays(arrays: Mapping[str, NDArray[Any]], path: Path) -> None:
    """Write named arrays, compressed; nothing is left under `path` unless it is complete."""
    with replacing(path) as stream, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, array in arrays.items():
            with archive.open(name + _SUFFIX, "w", force_zip64=True) as member:
                np.lib.format.write_array(member, np.asarray(array), allow_pickle=False)


def read_arrays(path: Path, names: Collection[str] | None = None) -> dict[str, NDArray[Any]]:
    """Read what `write_arrays` wrote.

    Parameters
    ----------
    path : Path
        The file.
    names : collection of str, optional
        Arrays that are wanted, where they are there; all by default.

    Raises
    ------
    InputError
        If the file is missing, damaged, of another kind, or would unpack to more than
        `LARGEST_BYTES`.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = [
                member
                for member in archive.infolist()
                if names is None or member.filename.removesuffix(_SUFFIX) in names
            ]
            total = sum(member.file_size for member in members)
            if total > LARGEST_BYTES:
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
    raw = archive.read(member)  # whole, so that the checksum is verified before parsing
    stream = io.BytesIO(raw)
    version = np.lib.format.read_magic(stream)
    if version != (1, 0):
        raise ValueError(f"{member.filename} has array format version {version}")
    shape, fortran_order, dtype = np.lib.format.read_array_header_1_0(stream)
    if dtype.hasobject:
        raise ValueError(f"{member.filename} holds Python objects")
    wanted, present = prod(shape) * dtype.itemsize, len(raw) - stream.tell()
    if wanted != present:
        raise ValueError(f"{member.filename} needs {wanted} bytes and holds {present}")
    flat = np.frombuffer(bytearray(raw[stream.tell() :]), dtype=dtype)
    return flat.reshape(shape, order="F" if fortran_order else "C")
