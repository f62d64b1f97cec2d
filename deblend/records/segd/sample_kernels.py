"""Compiled forms of the sample formats that numpy has no type for; see `decode` for the contract.

Imported when the first such trace is read, so that nothing is compiled before.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.compiled import compiler

_kernel: Final[Any] = compiler(nogil=True, fastmath=True, error_model="numpy")

_SIXTEENTHS: Final = np.ldexp(1.0, 4 * (np.arange(128) - 64) - 24)
_WORD_STEP: Final = np.ldexp(1.0, np.arange(16) - 15)


@_kernel  # type: ignore[untyped-decorator]
def decode_24_bit(
    raw: NDArray[np.uint8], little: bool, factor: NDArray[np.float32], out: NDArray[np.float32]
) -> None:
    """Two's complement of 3 bytes, high byte first unless `little`."""
    first, last = (2, 0) if little else (0, 2)
    for trace in range(out.shape[0]):
        for sample in range(out.shape[1]):
            place = 3 * sample
            value = (
                (np.int32(raw[trace, place + first]) << 24)
                | (np.int32(raw[trace, place + 1]) << 16)
                | (np.int32(raw[trace, place + last]) << 8)
            )
            out[trace, sample] = np.float32(np.int32(value) >> 8) * factor[trace]


@_kernel  # type: ignore[untyped-decorator]
def decode_hexadecimal(
    raw: NDArray[np.uint8], factor: NDArray[np.float32], out: NDArray[np.float32]
) -> None:
    """Sign, 7-bit exponent of 16 above 64, 24-bit fraction."""
    for trace in range(out.shape[0]):
        for sample in range(out.shape[1]):
            place = 4 * sample
            head = np.int64(raw[trace, place])
            fraction = (
                (np.int32(raw[trace, place + 1]) << 16)
                | (np.int32(raw[trace, place + 2]) << 8)
                | np.int32(raw[trace, place + 3])
            )
            value = np.float32(fraction * _SIXTEENTHS[head & 0x7F])
            if head & 0x80:
                value = -value
            out[trace, sample] = value * factor[trace]


@_kernel  # type: ignore[untyped-decorator]
def decode_shared_exponents(
    raw: NDArray[np.uint8], factor: NDArray[np.float32], out: NDArray[np.float32]
) -> None:
    """Four 4-bit binary exponents, then four 16-bit one's complement words."""
    for trace in range(out.shape[0]):
        for sample in range(out.shape[1]):
            place, member = 10 * (sample // 4), sample % 4
            pair = np.int64(raw[trace, place + member // 2])
            exponent = (pair >> 4) if member % 2 == 0 else (pair & 15)
            high = np.int32(raw[trace, place + 2 + 2 * member])
            word = (high << 8) | np.int32(raw[trace, place + 3 + 2 * member])
            if word & 0x8000:
                word -= 0xFFFF
            out[trace, sample] = np.float32(word * _WORD_STEP[exponent]) * factor[trace]
