"""Compiled median of coefficients. Imported on first use."""

from __future__ import annotations

from typing import Any

import numpy as np

from deblend.arrays import Array
from deblend.compiled import compiler

_compile: Any = compiler(nogil=True, fastmath=True, error_model="numpy")


@_compile  # type: ignore[untyped-decorator]
def median_magnitude(spectrum: Array, stride: int, out: Array) -> None:
    """Median magnitude of every `stride`-th coefficient.

    `spectrum` is complex, shape (place, coefficient, frequency), `out` real, (place, frequency).
    """
    count = (spectrum.shape[1] + stride - 1) // stride
    power = np.empty((spectrum.shape[2], count), dtype=np.float32)
    bits = power.view(np.int32)
    middle = np.empty(2, dtype=np.int32)
    for place in range(spectrum.shape[0]):
        for k in range(count):
            for frequency in range(spectrum.shape[2]):
                value = spectrum[place, k * stride, frequency]
                power[frequency, k] = value.real * value.real + value.imag * value.imag
        for frequency in range(spectrum.shape[2]):
            _middle(bits[frequency], middle)
            roots = np.sqrt(middle.view(np.float32))
            out[place, frequency] = 0.5 * (roots[0] + roots[1])


@_compile  # type: ignore[untyped-decorator]
def _middle(bits: Array, middle: Array) -> None:
    """Put the two middle values of `bits`, int32 and not negative, into `middle`.

    Bits of numbers that are not negative, read as integers, have their order. Halving an interval
    of integers counts values without branches, which a search by exchanging cannot. All stay int32:
    the language would have them twice as wide, and vectors hold half as many.
    """
    wanted = len(bits) // 2 + 1
    none = np.int32(0)
    low, high = bits[0], bits[0]
    for k in range(1, len(bits)):
        low = min(low, bits[k])
        high = max(high, bits[k])
    while low < high:
        half = np.int32((np.int64(low) + np.int64(high)) // 2)
        count = none
        for k in range(len(bits)):
            count = np.int32(count + np.int32(bits[k] <= half))
        if count >= wanted:
            high = half
        else:
            low = np.int32(half + 1)
        if count == wanted:
            break
    upper = lower = below = none
    for k in range(len(bits)):
        upper = max(upper, bits[k] if bits[k] <= high else none)
    for k in range(len(bits)):
        below = np.int32(below + np.int32(bits[k] < upper))
        lower = max(lower, bits[k] if bits[k] < upper else none)
    even = len(bits) % 2 == 0 and below == wanted - 1
    middle[0], middle[1] = lower if even else upper, upper
