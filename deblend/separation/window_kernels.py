"""Compiled forms of cutting and adding windows. Imported on first use."""

from __future__ import annotations

from typing import Any

import numba

from deblend.arrays import Array

_compile: Any = numba.njit(nogil=True, fastmath=True, error_model="numpy", cache=True)


@_compile  # type: ignore[untyped-decorator]
def cut_windows(gathers: Array, starts: Array, across: Array, along: Array, out: Array) -> None:
    """Weighted windows of `gathers` (source, slot, channel, time) into `out` (window, ...)."""
    for window in range(len(starts)):
        start = starts[window]
        weight = along[window]
        for source in range(gathers.shape[0]):
            for slot in range(gathers.shape[1]):
                for channel in range(gathers.shape[2]):
                    trace = gathers[source, slot, channel]
                    row = out[window, source, slot, channel]
                    factor = across[slot, channel]
                    for sample in range(len(weight)):
                        row[sample] = trace[start + sample] * (factor * weight[sample])


@_compile  # type: ignore[untyped-decorator]
def add_windows(gathers: Array, starts: Array, across: Array, along: Array, kept: Array) -> None:
    """Weighted windows `kept` (window, source, slot, channel, time) onto `gathers`."""
    for window in range(len(starts)):
        start = starts[window]
        weight = along[window]
        for source in range(gathers.shape[0]):
            for slot in range(gathers.shape[1]):
                for channel in range(gathers.shape[2]):
                    trace = gathers[source, slot, channel]
                    row = kept[window, source, slot, channel]
                    factor = across[slot, channel]
                    for sample in range(len(weight)):
                        trace[start + sample] += row[sample] * (factor * weight[sample])
