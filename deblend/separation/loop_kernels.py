"""Compiled arithmetic of the loop. Imported on first use."""

from __future__ import annotations

from typing import Any

import numba

from deblend.arrays import Array

_compile: Any = numba.njit(nogil=True, error_model="numpy", cache=True)
"""Without fast mathematics, which may lose NaN, which must show."""


@_compile  # type: ignore[untyped-decorator]
def stepped(
    estimate: Array, before: Array, unexplained: Array, momentum: Any, step: Any, out: Array
) -> None:
    """Estimate, and `momentum` times its last change, and `step` times `unexplained`, in one go.

    All arrays of one real type and shape (shot, channel, time), contiguous.
    """
    for shot in range(estimate.shape[0]):
        for channel in range(estimate.shape[1]):
            for k in range(estimate.shape[2]):
                value = estimate[shot, channel, k]
                out[shot, channel, k] = (
                    value
                    + momentum * (value - before[shot, channel, k])
                    + step * unexplained[shot, channel, k]
                )
