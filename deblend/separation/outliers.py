"""Which parts of a residual are unlike their neighbours, and what weight they deserve.

Swell, spikes, a bad channel are local to some channels; a ship or another vessel's shots are on all
channels, but at no fixed time after firing. Signal that is not explained yet is neither: it is much
the same on neighbouring channels, and at equal time after firing in neighbouring shots. So a window
of the residual is held against both kinds of neighbours, and what they have too is never an
outlier, however strong. All comparisons are local, so that weights do not depend on how a line is
cut into blocks.
"""

from __future__ import annotations

from types import ModuleType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array, by_rows, in_parts, on_threads, to_host
from deblend.blending.operator import LEAD, BlendingOperator
from deblend.separation.weights import RecordWeights, Windows, windows_of

CHANNELS: Final = 3
"""Neighbouring channels on either side."""
SHOTS: Final = 4
"""Neighbouring shots of the same source on either side."""
OUTLIER: Final = 2.5
"""Amplitude over that of the neighbours from which a weight sinks below one."""
OUTLIER_SHOTS: Final = 4.0
"""Likewise over neighbouring shots: they differ more, by dither, timing and strength."""
POWER: Final = 2.0
"""A weight is this power of energy allowed over energy found."""
PREDICTED: Final = 0.3
"""Part of the predicted amplitude by which a shot may differ from others, as a weak gun does."""
EXPLAINED: Final = 0.02
"""Part of the predicted amplitude that a channel may differ from its neighbours."""
SPIKE_LEVEL: Final = 5.0
"""Height of a spike over the rms of its surroundings, after a running median is taken off."""
SPIKE_PREDICTED: Final = 0.1
"""Height of a spike over the largest predicted amplitude nearby."""
SPIKE_REACH: Final = 8
"""Samples on either side in which a neighbouring channel may show the same."""
SPIKE_WIDTH: Final = 3
"""Samples that a spike and its like nearby may take; an arrival takes more."""
_FOURTH_OF_NORMAL: Final = 1.26
"""Fourth largest magnitude of 17 normal values over their rms."""
_MEDIAN_OF_NORMAL: Final = 0.6745
"""Median magnitude of a normal variable over its rms."""
_LEAST_KNOWN: Final = 0.5
_LEAST_NEIGHBOURS: Final = 3
_LEAST_SHOTS: Final = 6


def find_outliers(
    record: Array,
    residual: Array,
    known: Array,
    operator: BlendingOperator,
    source_count: int,
    interval_s: float,
) -> RecordWeights:
    """Weights from a residual in which the strong arrivals are explained.

    Windows in which all of the record is zero are taken for unknown: nothing was recorded there.

    Parameters
    ----------
    record, residual : array of float32, shape (channel, time)
        Finite; zero on unknown samples.
    known : array of float32, shape (channel, time)
        1 on known samples, 0 on unknown ones.
    operator : BlendingOperator
        Of the record; shots in slot order, source after source.
    """
    xp = operator.xp
    windows = windows_of(record.shape[1], interval_s)
    recorded = (known > 0) & (record != 0).any(axis=1)[:, None]
    explained = record - residual
    spike = find_spikes(explained, residual, recorded, windows.step, xp)
    predicted = to_host(windows.energy(explained, xp))
    del explained, recorded
    energy = to_host(windows.energy(xp.where(spike, 0, residual), xp))
    there = _share_of(windows, known, xp) >= _LEAST_KNOWN
    there &= _share_of(windows, (record != 0) & (known > 0), xp) > 0  # dead: no neighbour
    found = np.where(there[..., None], energy, np.nan)
    usual = across_shots(predicted, operator, source_count, windows)
    near = across_channels(found)
    channels = np.where(np.isfinite(near), np.fmax(near, EXPLAINED**2 * usual), np.nan)
    shots = np.fmax(across_shots(found, operator, source_count, windows), PREDICTED**2 * usual)
    with np.errstate(invalid="ignore", divide="ignore"):
        over = np.fmax(found / channels / OUTLIER**2, found / shots / OUTLIER_SHOTS**2)
        over = np.where(np.isfinite(channels), over, 1)  # too few channels to tell
        weight = np.minimum(1, 1 / over) ** POWER
    band = np.where(np.isfinite(weight), weight, 1).astype(np.float32)
    spiky = float(xp.sum(xp.square(residual[spike]), dtype=np.float64))
    kept = (energy * band * windows.bins_of_band).sum(dtype=np.float64)
    whole = (energy * windows.bins_of_band).sum(dtype=np.float64)
    spiky *= windows.size / 2  # energy of samples in the units of bins, half of which are kept
    return RecordWeights(
        windows=windows,
        removed_share=float(1 - kept / (whole + spiky)) if whole + spiky > 0 else 0.0,
        band=band,
        sample=(~spike).astype(np.float32),
        root_fold=xp.asarray(np.sqrt(np.maximum(operator.fold, 1)), dtype=np.float32),
        xp=xp,
    )


def _share_of(windows: Windows, which: Array, xp: ModuleType) -> NDArray[np.float64]:
    """Part of each window that is chosen, shape (channel, window)."""
    begin = xp.asarray(windows.step * np.arange(windows.count))

    def of_channels(channels: slice) -> Array:
        total = xp.cumsum(windows.padded(which[channels], xp), axis=1, dtype=np.float64)
        total = xp.concatenate([xp.zeros_like(total[:, :1]), total], axis=1)
        return (total[:, begin + windows.size] - total[:, begin]) / windows.size

    return np.asarray(to_host(xp.concatenate(by_rows(of_channels, len(which), xp))))


def across_channels(found: NDArray[np.float32]) -> NDArray[np.float32]:
    """Lower third of neighbouring channels at the same time; the larger of windows side by side.

    The lower third, because up to two thirds of the neighbours may be bad themselves. NaN where
    too few neighbours are known to tell.
    """
    wide = found.copy()
    wide[:, 1:] = np.fmax(wide[:, 1:], found[:, :-1])
    wide[:, :-1] = np.fmax(wide[:, :-1], found[:, 1:])
    level = np.full_like(found, np.nan)
    alive = np.flatnonzero(np.isfinite(found).any(axis=(1, 2)))

    def usual(place: int) -> None:
        level[alive[place]] = _lower_third(wide[_others(alive, place, CHANNELS)])

    on_threads(usual, range(len(alive)), np)
    return level


def _others(rows: NDArray[np.int64], place: int, reach: int) -> NDArray[np.int64]:
    """The `2 * reach` rows that are nearest to the one at `place`, without it."""
    first = min(max(place - reach, 0), max(len(rows) - 2 * reach - 1, 0))
    near = rows[first : first + 2 * reach + 1]
    return np.asarray(near[near != rows[place]])


def across_shots(
    found: NDArray[np.float32], operator: BlendingOperator, source_count: int, windows: Windows
) -> NDArray[np.float32]:
    """What neighbouring shots have at equal time after firing: the most that any shot justifies."""
    from deblend.separation.outlier_kernels import across_shots as kernel

    level = np.full_like(found, np.nan)
    later = np.fmax(found[:, :-1], found[:, 1:])
    at = (operator.first_sample + LEAD).reshape(source_count, -1)
    live = operator.live.reshape(source_count, -1)
    reach = operator.length // windows.step + 1

    def of_channels(channels: slice) -> None:
        for times, alive in zip(at, live, strict=True):
            time = times[alive]
            kernel(
                later[channels], time // windows.step, time, windows.step, reach,
                SHOTS, _LEAST_SHOTS, level[channels],
            )  # fmt: skip

    in_parts(of_channels, len(found), np)
    return level


def _lower_third(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Of what is known along the first axis; NaN where that is too little."""
    if len(values) < _LEAST_NEIGHBOURS:
        return np.full_like(values, np.nan, shape=values.shape[1:])
    order = np.sort(values, axis=0)  # NaN last
    count = np.isfinite(order).sum(axis=0)
    place = np.maximum(count - 1, 0) // 3
    found = np.take_along_axis(order, place[None], axis=0)[0]
    return np.asarray(np.where(count >= _LEAST_NEIGHBOURS, found, np.nan), dtype=values.dtype)


def find_spikes(
    predicted: Array, residual: Array, known: Array, step: int, xp: ModuleType
) -> Array:
    """Samples that stand out from their own trace and from neighbouring channels alike.

    From their trace twice: over `step` samples, of which spans of a line begin with a multiple, and
    over the samples next to them. What is left of an arrival at the ends of streamer and line,
    where neighbours are on one side only and have less of it, is a whole wavelet of high samples.
    """
    sharp, nearby = xp.empty_like(residual), xp.empty_like(residual)

    def sharpen(rows: slice) -> None:
        some = residual[rows]
        sharp[rows] = xp.abs(some - _median_of_five(some, xp)) * known[rows]
        nearby[rows] = _largest_near(sharp[rows], xp)

    by_rows(sharpen, len(residual), xp)
    spike = xp.zeros(sharp.shape, dtype=bool)
    alive = np.flatnonzero(to_host(known.any(axis=1)))
    if len(alive) <= _LEAST_NEIGHBOURS:
        return spike
    others = np.array([_others(alive, place, CHANNELS) for place in range(len(alive))])

    def mark(places: slice) -> None:
        channels = xp.asarray(alive[places])
        own = sharp[channels]
        limit = SPIKE_LEVEL * _local_level(own, step, xp)
        strong = _largest_near(xp.abs(predicted[channels]), xp)
        limit = xp.maximum(limit, SPIKE_PREDICTED * strong)
        near = [nearby[xp.asarray(rows)] for rows in others[places].T]
        limit = xp.maximum(limit, OUTLIER * _median_of(near, xp))
        row, at = xp.nonzero(own > limit)
        spike[channels[row], at] = _alone(own, row, at, xp)

    by_rows(mark, len(alive), xp)
    return spike


def _median_of_five(rows: Array, xp: ModuleType) -> Array:
    """Running median along the last axis."""
    wide = _widened(rows, 2, xp)
    a, b, c, d, e = (wide[:, k : k + rows.shape[1]] for k in range(5))
    # Without the largest and the smallest of four the median is that of three; no sort is needed.
    low = xp.maximum(xp.minimum(a, b), xp.minimum(c, d))
    high = xp.minimum(xp.maximum(a, b), xp.maximum(c, d))
    return xp.maximum(xp.minimum(low, high), xp.minimum(xp.maximum(low, high), e))


def _widened(rows: Array, reach: int, xp: ModuleType, mode: str = "edge") -> Array:
    """Rows with more samples at either end."""
    return xp.pad(rows, ((0, 0), (reach, reach)), mode=mode)


def _median_of(order: list[Array], xp: ModuleType) -> Array:
    """Median of a few arrays without NaN, element by element: exchanges are faster than a sort."""
    for turn in range(len(order)):
        for one in range(turn % 2, len(order) - 1, 2):
            low, high = xp.minimum(*order[one : one + 2]), xp.maximum(*order[one : one + 2])
            order[one : one + 2] = low, high
    return (order[(len(order) - 1) // 2] + order[len(order) // 2]) / 2


def _local_level(rows: Array, size: int, xp: ModuleType) -> Array:
    """Rms of normal samples with the median of every `size` samples."""
    samples = rows.shape[1]
    count = -(-samples // size)
    wide = xp.pad(rows, ((0, 0), (0, count * size - samples)), mode="edge")
    level = xp.median(wide.reshape(len(rows), count, size), axis=2) / _MEDIAN_OF_NORMAL
    return xp.repeat(level, size, axis=1)[:, :samples]


def _alone(rows: Array, row: Array, at: Array, xp: ModuleType) -> Array:
    """Which samples, by row and place, stand out from those within `SPIKE_REACH` on either side."""
    wide = _widened(rows, SPIKE_REACH, xp)
    near = xp.sort(wide[row[:, None], at[:, None] + xp.arange(2 * SPIKE_REACH + 1)], axis=1)
    return rows[row, at] > SPIKE_LEVEL * near[:, -1 - SPIKE_WIDTH] / _FOURTH_OF_NORMAL


def _largest_near(rows: Array, xp: ModuleType) -> Array:
    """Largest value within `SPIKE_REACH` samples, by doubling."""
    largest, reach = rows, 0
    while reach < SPIKE_REACH:
        step = min(max(reach, 1), SPIKE_REACH - reach)
        wide = _widened(largest, step, xp, mode="constant")
        largest = xp.maximum(largest, xp.maximum(wide[:, 2 * step :], wide[:, : -2 * step]))
        reach += step
    return largest
