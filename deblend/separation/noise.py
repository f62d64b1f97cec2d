"""The ambient noise, measured in what the estimate leaves unexplained.

Overlapped records have no quiet window, so the noise cannot be read off the record before it is
separated. But as the threshold falls, the back-projected residual of a place loses its signal and
its interference and keeps its noise; the median magnitude of its coefficients over wavenumbers
and sources is then the level of the noise. A place and frequency gets its level when the
threshold comes near it, before the estimate begins to absorb noise, and from there on the
threshold stays above a multiple of it.

What was taken for noise may have been interference whose turn had not come. Then the residual of
that place falls further, and its level with it; noise does not fall by more than the estimate
absorbs, and that much is left out of account.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import product
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array, is_host, rfftn, thread_count
from deblend.separation.patches import Separator, axis_windows
from deblend.separation.windowing import cut_windows

_NEAR = 4.0
"""The level is fixed when the threshold falls below this many times the level."""
_ABSORBED = 1.5
"""How much noise above the measured level there may be, because the estimate took some of it."""
_EVERY = 2
"""Iterations from one measurement to the next."""
_MEDIAN_OF_RAYLEIGH = float(np.sqrt(np.log(2.0)))
"""Median magnitude of a complex normal variable over its rms magnitude."""
_MOST_VALUES = 256
"""Coefficients that a median is taken of; more would not make it better by much."""
_LOOK = 8
"""A trace is there if any of its samples is not zero, looking at every eighth."""


@dataclass(eq=False)
class NoiseFloor:
    """Noise level by place and frequency; zero where it has not shown itself.

    Parameters
    ----------
    method : Separator
        Sets the size of a place: one patch, without overlap.
    shape : tuple of int
        Sources, slots, channels and time samples of the block.
    xp : module
        Array namespace.
    origin : tuple of int, optional
        Slot, channel and sample of the line at which the block begins, margins counted: places are
        those of the line.
    """

    method: Separator
    shape: tuple[int, int, int, int]
    xp: ModuleType
    origin: tuple[int, int, int] = (0, 0, 0)
    level: Array = field(init=False)
    _calls: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        self._starts = [
            _tile_starts(length, size, begin)
            for length, size, begin in zip(self.shape[1:], self.size, self.origin, strict=True)
        ]
        places = tuple(len(starts) for starts in self._starts)
        self.level = self.xp.zeros((*places, self.size[2] // 2 + 1), dtype=np.float32)
        self._weights = _taper(self.size, self.method)

    @property
    def size(self) -> tuple[int, int, int]:
        """Shots, channels and samples of a place."""
        slots, channels, samples = (
            min(length, size)
            for length, size in zip(self.shape[1:], self.method.patch, strict=True)
        )
        return slots, channels, samples

    def observe(self, unexplained: Array, threshold: float) -> None:
        """Measure the back-projected residual, and fix levels that the threshold comes near.

        Parameters
        ----------
        unexplained : array of float32, shape (source, slot, channel, time)
            Back-projected residual.
        threshold : float
            Of this iteration, in units of the coefficients.
        """
        self._calls += 1
        if self._calls % _EVERY:
            return

        def settle(place: tuple[int, int]) -> None:
            measured = _smooth(self._measure(unexplained, *place), self.xp)
            known = self.level[place]
            fix = (known == 0) & (threshold < _NEAR * measured)
            lower = self.xp.minimum(known, _ABSORBED * measured)
            self.level[place] = self.xp.where(fix, measured, lower)

        places = product(range(len(self._starts[0])), range(len(self._starts[1])))
        with ThreadPoolExecutor(thread_count() if is_host(self.xp) else 1) as pool:
            list(pool.map(settle, places))

    def _measure(self, unexplained: Array, slot: int, channel: int) -> Array:
        """Level of all places of one slot and channel range, shape (time place, frequency)."""
        xp, starts = self.xp, self._starts[2]
        slots, channels, _ = self.size
        corner = int(self._starts[0][slot]), int(self._starts[1][channel])
        across, along = self._weights
        tiles = cut_windows(
            unexplained,
            corner,
            starts,
            across,
            np.broadcast_to(along, (len(starts), len(along))),
            xp,
        )
        spectrum = rfftn(xp, tiles, (2, 3, 4))
        level = _median_magnitude(spectrum.reshape(len(starts), -1, spectrum.shape[-1]), xp)
        # Traces that do not exist hold zeros; the others then carry the level alone.
        traces = unexplained[:, corner[0] : corner[0] + slots, corner[1] : corner[1] + channels]
        filled = xp.mean((traces[..., ::_LOOK] != 0).any(axis=3))
        return level / _MEDIAN_OF_RAYLEIGH / xp.sqrt(xp.maximum(filled, 0.05))

    def of_patches(self, slot: int, channel: int, time: NDArray[np.int64]) -> Array:
        """Level of patches that begin at a slot, a channel and some time samples.

        Returns
        -------
        array of float32, shape (patch, frequency)
        """
        nearest = [
            _nearest(starts, at)
            for starts, at in zip(self._starts[:2], (slot, channel), strict=True)
        ]
        return self.level[nearest[0], nearest[1]][self.xp.asarray(_nearest(self._starts[2], time))]


def _median_magnitude(spectrum: Array, xp: ModuleType) -> Array:
    """Median magnitude over some coefficients, shape (place, frequency)."""
    stride = -(-spectrum.shape[1] // _MOST_VALUES)
    if not is_host(xp):
        return xp.median(xp.abs(spectrum[:, ::stride]), axis=1)
    from deblend.separation.noise_kernels import median_magnitude

    out = np.empty((len(spectrum), spectrum.shape[2]), spectrum.real.dtype)
    median_magnitude(spectrum, stride, out)
    return out


def _smooth(level: Array, xp: ModuleType) -> Array:
    """Root mean square of each place and its neighbours in time, against chance lows."""
    power = xp.concatenate([level[:1], level, level[-1:]]) ** 2
    return xp.sqrt((power[:-2] + power[1:-1] + power[2:]) / 3.0)


def _tile_starts(length: int, size: int, begin: int) -> NDArray[np.int64]:
    """Places side by side, counted from where the line begins; at the ends they move inwards."""
    return np.unique(np.clip(np.arange(-(begin % size), length, size), 0, length - size))


def _nearest(starts: NDArray[np.int64], at: NDArray[np.int64] | int) -> NDArray[np.int64]:
    """Number of the start next to each place; the lower one where two are as near."""
    halves = 0.5 * (starts[:-1] + starts[1:])
    return np.searchsorted(halves, at)


def _taper(
    size: tuple[int, int, int], method: Separator
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Window of an inner patch, so that levels are in the units of its coefficients.

    Returns
    -------
    across : ndarray of float32, shape (shot, channel)
    along : ndarray of float32, shape (time,)
    """
    kind = method.window
    slot, channel, time = (
        axis_windows(3 * n, n, method.overlap, 0, kind).analysis[1] for n in size
    )
    return slot[:, None] * channel, time
