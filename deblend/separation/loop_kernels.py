"""Compiled arithmetic of the loop. Imported on first use."""

from __future__ import annotations

from typing import Any

import numpy as np

from deblend.arrays import Array
from deblend.compiled import compiler

_compile: Any = compiler(nogil=True, error_model="numpy")
"""Without fast mathematics, which may lose NaN, which must show."""
_compile_sum: Any = compiler(nogil=True, fastmath={"reassoc", "contract"}, error_model="numpy")


@_compile  # type: ignore[untyped-decorator]
def stepped(estimate: Array, before: Array, unexplained: Array, momentum: Any, step: Any) -> None:
    """Estimate, and `momentum` times its last change, and `step` times `unexplained`, in one go.

    All arrays of one real type and shape (shot, channel, time), contiguous. The result takes the
    place of `unexplained`.
    """
    for shot in range(estimate.shape[0]):
        for channel in range(estimate.shape[1]):
            for k in range(estimate.shape[2]):
                value = estimate[shot, channel, k]
                unexplained[shot, channel, k] = (
                    value
                    + momentum * (value - before[shot, channel, k])
                    + step * unexplained[shot, channel, k]
                )


@_compile  # type: ignore[untyped-decorator]
def residual_of(
    record: Array, known: Array, blended: Array, before: Array, momentum: Any, out: Array
) -> None:
    """`record` minus `blended` and `momentum` times its last change, times `known`.

    All arrays of one real type and shape (channel, time), contiguous.
    """
    for channel in range(record.shape[0]):
        for k in range(record.shape[1]):
            value = blended[channel, k]
            extrapolated = value + momentum * (value - before[channel, k])
            out[channel, k] = (record[channel, k] - extrapolated) * known[channel, k]


@_compile_sum  # type: ignore[untyped-decorator]
def sum_of_squares(samples: Array, out: Array) -> None:
    """Sum of squares of each channel, in float64; `samples` (channel, time)."""
    for channel in range(samples.shape[0]):
        total = 0.0
        for k in range(samples.shape[1]):
            total += np.float64(samples[channel, k]) * np.float64(samples[channel, k])
        out[channel] = total
