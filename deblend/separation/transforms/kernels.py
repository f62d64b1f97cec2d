"""Compiled kernels of the transforms. Imported on first use, never at import of the package.

All release the interpreter lock: the caller's threads run them side by side.
"""

from __future__ import annotations

from typing import Any

import numba

from deblend.arrays import Array

_compile: Any = numba.njit(nogil=True, fastmath=True, error_model="numpy", cache=True)


@_compile  # type: ignore[untyped-decorator]
def hard_threshold_in_place(spectrum: Array, least_power: float) -> None:
    """Zero the coefficients of a flat complex array whose power is below `least_power`."""
    for index in range(spectrum.size):
        value = spectrum[index]
        if value.real * value.real + value.imag * value.imag < least_power:
            spectrum[index] = 0.0
