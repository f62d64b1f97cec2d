"""Clipped samples found by their flat tops, at whatever level.

A converter that is driven beyond its range repeats one and the same largest number. A channel is
taken as clipped where samples at its largest size stand in runs of three or more, twice at least:
a single run may be chance in records of few bits, a band-limited wave has none.
It fails where samples were resampled or filtered after clipping: the tops are not flat any more.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

SHORTEST_RUN: Final = 3
FEWEST_RUNS: Final = 2
_SAME: Final = 1e-4
"""Full scale of two's complement is one count larger below zero; in 16 bits that is 3e-5."""


def flat_tops(samples: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Samples of flat tops, and all others as large: (channel, time), where NaN is unknown."""
    out = np.zeros(samples.shape, dtype=np.bool_)
    for channel, trace in enumerate(samples):
        known = np.where(np.isfinite(trace), np.abs(trace), 0.0)
        largest = float(known.max(initial=0.0))
        if largest == 0.0:
            continue
        top = known >= (1.0 - _SAME) * largest
        flat = top[1:] & top[:-1] & (np.abs(np.diff(trace)) == 0.0)
        if 2 * np.count_nonzero(top) > np.count_nonzero(known):
            continue  # a constant, which is dead and not clipped
        if _long_runs(flat, SHORTEST_RUN - 1) >= FEWEST_RUNS:
            out[channel] = top
    return out


def repeats_its_largest(stretch: NDArray[np.float32]) -> bool:
    """Whether a stretch of a trace may hold part of a flat top: its largest size comes twice."""
    if not stretch.size:
        return False
    largest = max(float(stretch.max()), -float(stretch.min()))
    if not np.isfinite(largest):
        stretch = np.where(np.isfinite(stretch), stretch, np.float32(0))
        largest = max(float(stretch.max()), -float(stretch.min()))
    floor = (1.0 - _SAME) * largest
    count = np.count_nonzero(stretch >= floor) + np.count_nonzero(stretch <= -floor)
    return largest > 0.0 and bool(count > 1 or (np.abs(stretch[[0, -1]]) >= floor).any())


def _long_runs(flags: NDArray[np.bool_], shortest: int) -> int:
    """Number of runs of at least `shortest` true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return int(np.count_nonzero(edges[1::2] - edges[::2] >= shortest))
