"""Compiled median of coefficients. Imported on first use."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np

from deblend.arrays import Array

_compile: Any = numba.njit(nogil=True, fastmath=True, error_model="numpy", cache=True)


@_compile  # type: ignore[untyped-decorator]
def median_magnitude(spectrum: Array, stride: int, out: Array) -> None:
    """Median magnitude of every `stride`-th coefficient.

    `spectrum` is complex, shape (place, coefficient, frequency), `out` real, (place, frequency).
    """
    count = (spectrum.shape[1] + stride - 1) // stride
    magnitude = np.empty(count, dtype=out.dtype)
    for place in range(spectrum.shape[0]):
        for frequency in range(spectrum.shape[2]):
            for k in range(count):
                value = spectrum[place, k * stride, frequency]
                magnitude[k] = np.sqrt(value.real * value.real + value.imag * value.imag)
            out[place, frequency] = np.median(magnitude)
