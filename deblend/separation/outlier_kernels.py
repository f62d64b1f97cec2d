"""Compiled comparison of shots in time windows. Imported on first use."""

from __future__ import annotations

from typing import Any

import numpy as np

from deblend.arrays import Array
from deblend.compiled import compiler

_compile: Any = compiler(nogil=True, error_model="numpy")


@_compile  # type: ignore[untyped-decorator]
def across_shots(
    later: Array, first_window: Array, time: Array, step: int, reach: int, near: int,
    least: int, level: Array,
) -> None:  # fmt: skip
    """Raise `level` to the lower median of what neighbouring shots have at equal time after firing.

    Parameters
    ----------
    later : array of float32, shape (channel, window, band)
        What a shot may have in a window or in the next; NaN where unknown.
    first_window, time : array of int64, shape (shot,)
        The first window that a shot of one source reaches into, and the sample of its firing.
    step, reach : int
        Samples from window to window, windows of a shot.
    near, least : int
        Neighbouring shots on either side, and how many of them must be known.
    level : array of float32, shape (channel, window + 1, band)
        Changed in place; NaN where there is none.
    """
    shots, windows, bands = len(time), later.shape[1], later.shape[2]
    rows = np.empty((2 * near, bands), dtype=later.dtype)
    known = np.empty(bands, dtype=np.int64)
    for shot in range(shots):
        begin = min(max(shot - near, 0), max(shots - 2 * near - 1, 0))
        end = min(begin + 2 * near + 1, shots)
        if end - begin - 1 < least:
            continue
        own_end = min(first_window[shot] + 1 + reach, windows + 1)
        for own in range(max(first_window[shot], 0), own_end):
            for channel in range(later.shape[0]):
                count = 0
                known[:] = 0
                for other in range(begin, end):
                    window = own + (time[other] - time[shot]) // step
                    if other == shot or window < 0 or window >= windows:
                        continue
                    for band in range(bands):
                        value = later[channel, window, band]
                        unknown = np.isnan(value)
                        rows[count, band] = np.inf if unknown else value
                        known[band] += not unknown
                    count += 1
                _sort(rows, count)
                for band in range(bands):
                    if known[band] >= least:
                        value = rows[(known[band] - 1) // 2, band]
                        if not level[channel, own, band] >= value:  # NaN, too
                            level[channel, own, band] = value


@_compile  # type: ignore[untyped-decorator]
def _sort(rows: Array, count: int) -> None:
    """Sort the first `count` rows, each column by itself, by exchanges of neighbours."""
    for turn in range(count):
        for one in range(turn % 2, count - 1, 2):
            for column in range(rows.shape[1]):
                a, b = rows[one, column], rows[one + 1, column]
                rows[one, column] = min(a, b)
                rows[one + 1, column] = max(a, b)
