"""Compiled windows along time. Imported on first use.

They take whole gathers, contiguous, and the corner of the windows instead of a part of them: only
then does the compiler know that samples lie side by side. The inner loops run over slices from
zero, because an index that might be negative keeps it from using vectors. The windows of one trace
come one after the other, so that it is read from memory once.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from deblend.arrays import Array
from deblend.compiled import compiler

_compile: Any = compiler(nogil=True, error_model="numpy")
"""Without fast mathematics, which gains nothing here and may lose NaN, which must show."""


@_compile  # type: ignore[untyped-decorator]
def cut_windows(
    gathers: Array, corners: Array, starts: Array, across: Array, along: Array, out: Array
) -> None:
    """Weighted windows of `gathers` (source, slot, channel, time) into `out` (window, ...)."""
    _, _, slots, channels, samples = out.shape
    for corner in range(len(corners)):
        slot, channel, first = corners[corner, 0], corners[corner, 1], corner * len(starts)
        for source in range(gathers.shape[0]):
            for i in range(slots):
                for j in range(channels):
                    factor = across[corner, i, j]
                    trace = gathers[source, slot + i, channel + j]
                    for window in range(len(starts)):
                        part = trace[starts[window] : starts[window] + samples]
                        weight, cut = along[window], out[first + window, source, i, j]
                        for k in range(samples):
                            cut[k] = part[k] * (factor * weight[k])


@_compile  # type: ignore[untyped-decorator]
def add_windows(
    gathers: Array, corners: Array, starts: Array, across: Array, along: Array, kept: Array
) -> None:
    """Weighted windows `kept` (window, source, slot, channel, time) onto `gathers`."""
    windows, sources, slots, channels, samples = kept.shape
    filled = np.zeros((windows, sources), dtype=np.bool_)
    for window in range(windows):
        for source in range(sources):
            filled[window, source] = _any_filled(kept, window, source)
    for corner in range(len(corners)):
        slot, channel, first = corners[corner, 0], corners[corner, 1], corner * len(starts)
        for source in range(sources):
            for i in range(slots):
                for j in range(channels):
                    factor = across[corner, i, j]
                    trace = gathers[source, slot + i, channel + j]
                    for window in range(len(starts)):
                        if not filled[first + window, source]:
                            continue
                        part = trace[starts[window] : starts[window] + samples]
                        weight, added = along[window], kept[first + window, source, i, j]
                        for k in range(samples):
                            part[k] += added[k] * (factor * weight[k])


@_compile  # type: ignore[untyped-decorator]
def _any_filled(kept: Array, window: int, source: int) -> bool:
    """Whether anything is to be added; most patches tell by their first samples."""
    for i in range(kept.shape[2]):
        for j in range(kept.shape[3]):
            for k in range(kept.shape[4]):
                if kept[window, source, i, j, k] != 0:
                    return True
    return False
