"""Sources that fire late or early throughout, from the onsets of each source by itself.

A source that is late at every shot leaves onsets at one lag of its own fire times, while those of
the other sources are spread there by the dither. Its lag is believed where it stands out from the
lag of the others and holds in every third of the line, which a step of a clock does not.

It fails where two sources never change their delay by more than the sharpness of an onset.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.check.clocks.onsets import Onsets, correlate_onsets

LARGEST_SOURCE_LAG_S: Final = 1.5
"""Either way, about the lag of the line."""
LEAST_SHIFT_S: Final = 0.03
"""Smaller ones stay in the window of the direct arrival and are measured there."""
_STANDS_OUT: Final = 1.25
"""Over the onsets at the lag of the other sources."""
_HOLDS: Final = 0.6
"""Of the peak of the whole line, in each part of it."""
_PARTS: Final = 3
_FEWEST_SHOTS: Final = 12


def source_lags(
    onsets: Onsets,
    fire_sample: NDArray[np.float64],
    source_row: NDArray[np.int64],
    lag_s: float,
    likely_s: Sequence[float],
) -> NDArray[np.float64]:
    """How many seconds later than the others each source is throughout; 0 where uncertain.

    Parameters
    ----------
    fire_sample : ndarray of float64, shape (shot,)
        Fire times in samples of the record, live shots only, in the order of time.
    lag_s : float
        Of the line as a whole.
    likely_s : sequence of float
        Lags of which one is right for the sources that are on time, where no majority decides.
    """
    count = len(onsets.strength)
    own_s = np.full(count, np.nan)
    for row in range(count):
        own = fire_sample[source_row == row]
        if len(own) >= _FEWEST_SHOTS:
            own_s[row] = _own_lag(onsets, own, row, lag_s)
    known = own_s[np.isfinite(own_s)]
    if known.size < 2:
        return np.zeros(count)
    common_s = _common_lag(known, likely_s)
    late_s = np.where(np.isfinite(own_s), own_s - common_s, 0.0)
    for row in np.flatnonzero(np.abs(late_s) >= LEAST_SHIFT_S).tolist():
        own = fire_sample[source_row == row]
        if not _is_certain(onsets, own, row, common_s, float(own_s[row])):
            late_s[row] = 0.0
    return np.where(np.abs(late_s) < LEAST_SHIFT_S, 0.0, late_s)


def _own_lag(onsets: Onsets, own: NDArray[np.float64], row: int, lag_s: float) -> float:
    """Lag of the highest peak about the lag of the line."""
    most = round(LARGEST_SOURCE_LAG_S / onsets.interval_s)
    lags = round(lag_s / onsets.interval_s) + np.arange(-most, most + 1)
    return float(lags[_stacked(onsets, own, row, lags).argmax()]) * onsets.interval_s


def _stacked(
    onsets: Onsets, own: NDArray[np.float64], row: int, lags: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Mean onset strength of some shots of one source at some lags, in whole samples."""
    values = correlate_onsets(onsets, own, np.full(len(own), row))
    middle = len(values) // 2
    inside = np.abs(lags) <= middle
    return np.where(inside, values[np.clip(lags + middle, 0, len(values) - 1)], -np.inf)


def _common_lag(known: NDArray[np.float64], likely_s: Sequence[float]) -> float:
    """Lag of most sources, else of those nearest to a likely one."""
    alike = np.abs(known[:, None] - known) < LEAST_SHIFT_S
    best = int(alike.sum(axis=1).argmax())
    if 2 * alike[best].sum() <= len(known):
        best = int(np.abs(known[:, None] - np.asarray(likely_s)).min(axis=1).argmin())
    return float(np.median(known[alike[best]]))


def _is_certain(
    onsets: Onsets, own: NDArray[np.float64], row: int, common_s: float, own_s: float
) -> bool:
    """Whether a lag of one source stands out from that of the others all along the line."""
    half = round(0.5 * LEAST_SHIFT_S / onsets.interval_s)
    about = np.arange(-half, half + 1)
    here, there = (about + round(lag_s / onsets.interval_s) for lag_s in (own_s, common_s))
    whole = _stacked(onsets, own, row, here).max()
    if whole < _STANDS_OUT * _stacked(onsets, own, row, there).max():
        return False
    parts = np.array_split(own, _PARTS)
    return all(_stacked(onsets, part, row, here).max() >= _HOLDS * whole for part in parts)
