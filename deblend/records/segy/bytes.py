"""Byte order of a SEG-Y file, and its headers and samples in that order.

Bytes 3297-3300 of revision 2 [1]_ read 01020304 (hexadecimal) in a big-endian file, 04030201 in a
little-endian one and 02010403 where the two bytes of every pair are swapped. Binary header, trace
headers and samples are in that order, text is not.

References
----------
.. [1] SEG Technical Standards Committee, 2017, SEG-Y revision 2.0 Data Exchange Format, table 2.
"""

from __future__ import annotations

from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from deblend.model import segy_layout as layout

ByteOrder = Literal["big-endian", "little-endian", "pairwise swapped"]
Bytes = NDArray[np.uint8]

BYTE_ORDERS: Final[dict[bytes, ByteOrder]] = {
    b"\x01\x02\x03\x04": "big-endian",
    b"\x04\x03\x02\x01": "little-endian",
    b"\x02\x01\x04\x03": "pairwise swapped",
}
"""By bytes 3297-3300; without any of these a file is of an older revision, and big-endian."""

_NUMPY_TYPES: Final = {
    layout.IBM_FLOAT: "u4",
    2: "i4",
    3: "i2",
    layout.IEEE_FLOAT: "f4",
    6: "f8",
    8: "i1",
    9: "i8",
    10: "u4",
    11: "u2",
    12: "u8",
    16: "u1",
}
_TRIPLES: Final = {7: "i4", 15: "u4"}
"""Samples of three bytes, by the type of four bytes whose upper three they are."""

READABLE_FORMATS: Final = frozenset((*_NUMPY_TYPES, *_TRIPLES))


def byte_order_of(binary_header: bytes) -> ByteOrder:
    """Byte order that the 400 bytes of a binary header state; big-endian where they do not."""
    return BYTE_ORDERS.get(binary_header[3296 - 3200 : 3300 - 3200], "big-endian")


def headers_of(raw: Bytes, kind: np.dtype[Any], order: ByteOrder) -> NDArray[np.void]:
    """Headers of the table `kind` from their bytes, shape (header, byte)."""
    if order == "pairwise swapped":
        raw = swap_pairs(raw)
    elif order == "little-endian":
        kind = kind.newbyteorder("<")
    return np.ascontiguousarray(raw).view(kind)[..., 0]


def swap_pairs(raw: Bytes) -> Bytes:
    """Bytes with the two of each pair along the last axis exchanged."""
    return np.ascontiguousarray(raw).view(np.uint16).byteswap().view(np.uint8)


def has_name(headers: NDArray[np.void], name: bytes) -> bool:
    """Whether every header ends with `name`, in ASCII or EBCDIC.

    Programs that swap the bytes of a file without regard to its fields swap the name too.
    """
    text = name.decode("ascii")
    spellings = [text.encode(codec) for codec in ("ascii", "cp037")]
    swapped = [swap_pairs(np.frombuffer(one, np.uint8)).tobytes() for one in spellings]
    reversed_ = [one[::-1] for one in spellings]
    return bool(np.isin(headers["header_name"], spellings + swapped + reversed_).all())


def decode_samples(
    raw: Bytes, sample_format: int, order: ByteOrder, out: NDArray[np.float32]
) -> None:
    """Samples, (trace, byte) with the byte axis contiguous, as float32 in `out`, (trace, sample).

    Integers are as they are stored, rounded to 24 significant bits as all values; infinite beyond
    the range of float32.
    """
    if order == "pairwise swapped" and layout.SAMPLE_FORMATS[sample_format].byte_count > 1:
        raw, order = swap_pairs(raw), "big-endian"
    mark = "<" if order == "little-endian" else ">"
    with np.errstate(over="ignore", invalid="ignore"):
        if sample_format == layout.IBM_FLOAT:
            out[...] = layout.ieee_from_ibm(raw.view(f"{mark}u4"))
        elif sample_format in _TRIPLES:
            words = np.zeros((*out.shape, 4), np.uint8)
            triples = raw.reshape(*out.shape, 3)
            words[..., slice(1, 4) if mark == "<" else slice(0, 3)] = triples
            np.multiply(
                words.view(f"{mark}{_TRIPLES[sample_format]}")[..., 0], np.float32(1 / 256), out=out
            )
        else:
            out[...] = raw.view(f"{mark}{_NUMPY_TYPES[sample_format]}")
