"""Weights of record samples: what is unlike its neighbours takes less part in the fit.

A weight is given by channel, time window and frequency band, so that a swell burst loses its few
hertz and nothing else, and by sample, for spikes. Applied they are a symmetric map between 0 and
identity, and a back-projection made with it is as stable as one without.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array, by_rows, fast_length, irfft, on_threads, rfft
from deblend.card import on_card

WINDOW_S = 1.0
"""Length of a time window; each overlaps the next by a half."""
_LEAST_BINS = 2
_OCTAVE_PART = 1.0 / 3.0
_CHUNK_VALUES = 1 << 20
_CHANNELS_AT_ONCE = 8


@dataclass(frozen=True)
class Windows:
    """Time windows and frequency bands of a record."""

    sample_count: int
    """Samples of the record."""
    size: int
    """Samples of a window, even; windows begin every half of it, the first one before the record.
    """
    interval_s: float
    """Sample interval in seconds."""

    @property
    def step(self) -> int:
        """Samples from one window to the next."""
        return self.size // 2

    @property
    def count(self) -> int:
        """Number of windows: every sample lies in two."""
        return -(-self.sample_count // self.step) + 1

    @cached_property
    def taper(self) -> NDArray[np.float32]:
        """Sine, for cutting and for adding back: the squares of two windows add up to one."""
        return np.sin(np.pi * (np.arange(self.size) + 0.5) / self.size).astype(np.float32)

    @cached_property
    def first_bin(self) -> NDArray[np.int64]:
        """Bin of the transform at which each band begins: a third of an octave, or two bins."""
        edges = [0]
        while (following := edges[-1] + self._width(edges[-1])) <= self.size // 2 - _LEAST_BINS:
            edges.append(following)
        return np.array(edges)

    @cached_property
    def band_of_bin(self) -> NDArray[np.int64]:
        """Band of each bin."""
        bins = np.arange(self.size // 2 + 1)
        return np.searchsorted(self.first_bin, bins, side="right") - 1

    @cached_property
    def bins_of_band(self) -> NDArray[np.int64]:
        """How many bins each band has."""
        return np.diff(np.append(self.first_bin, self.size // 2 + 1))

    @property
    def band_hz(self) -> NDArray[np.float64]:
        """Edges of the bands in hertz, one more than bands."""
        edges = np.append(self.first_bin, self.size // 2 + 1)
        return np.asarray((edges - 0.5).clip(0) / (self.size * self.interval_s))

    def _width(self, begin: int) -> int:
        return max(_LEAST_BINS, round(begin * (2**_OCTAVE_PART - 1)))

    def padded(self, samples: Array, xp: ModuleType) -> Array:
        """Samples with room for the first and the last window; time is the last axis."""
        length = (self.count + 1) * self.step
        wide = xp.zeros((*samples.shape[:-1], length), dtype=samples.dtype)
        wide[..., self.step : self.step + self.sample_count] = samples
        return wide

    def energy(self, samples: Array, xp: ModuleType) -> Array:
        """Mean energy of the bins of each band, shape (channel, window, band)."""
        taper = xp.asarray(self.taper)
        index = xp.asarray(self.step * np.arange(self.count)[:, None] + np.arange(self.size))
        first, sizes = xp.asarray(self.first_bin), xp.asarray(self.bins_of_band)

        def of_channels(channels: slice) -> Array:
            spectrum = rfft(xp, self.padded(samples[channels], xp)[:, index] * taper, self.size)
            power = xp.square(spectrum.real) + xp.square(spectrum.imag)
            total = xp.cumsum(power, axis=2, dtype=np.float64)  # swell is 80 dB above the rest
            total = xp.concatenate([xp.zeros_like(total[..., :1]), total], axis=2)
            mean = (total[..., first + sizes] - total[..., first]) / sizes
            return xp.maximum(mean, 0).astype(np.float32)

        return xp.concatenate(by_rows(of_channels, len(samples), xp))


def windows_of(sample_count: int, interval_s: float) -> Windows:
    """Windows of about `WINDOW_S`, or of the whole record where that is shorter."""
    size = min(fast_length(round(0.5 * WINDOW_S / interval_s)), max(sample_count // 2, 4))
    return Windows(sample_count, 2 * size, interval_s)


@dataclass(frozen=True, eq=False)
class RecordWeights:
    """Weights of a record, each from 0 to 1."""

    windows: Windows
    """Time windows and bands."""
    band: NDArray[np.float32]
    """(channel, window, band): Weight of each band of each window."""
    sample: Array
    """float32, shape (channel, time): 0 where a sample takes no part, 1 elsewhere."""
    root_fold: Array
    """float32, shape (time,): Square root of the blending fold, at least 1."""
    xp: ModuleType
    """Array namespace."""
    removed_share: float
    """Part of the energy of the residual that the weights take away."""

    def of_channels(self, channels: slice) -> RecordWeights:
        """The weights of some channels."""
        return replace(self, band=self.band[channels], sample=self.sample[channels])

    @cached_property
    def _lowered(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Channels and windows that lose anything."""
        channel, window = np.nonzero((self.band < 1).any(axis=2))
        return channel, window

    @cached_property
    def _parts(self) -> list[tuple[slice, RecordWeights]]:
        """The weights of some channels at a time, which bounds the memory of copies."""
        count = len(self.band) if on_card(self.xp) else _CHANNELS_AT_ONCE
        some = [slice(begin, begin + count) for begin in range(0, len(self.band), count)]
        return [(channels, self.of_channels(channels)) for channels in some]

    def apply(self, residual: Array) -> Array:
        """Weighted residual, shape (channel, time).

        The map is symmetric between residuals that are divided by the root of the blending fold,
        which is what keeps the largest eigenvalue of the iteration at most one.
        """
        weighted = self.xp.empty_like(residual)

        def weigh(part: tuple[slice, RecordWeights]) -> None:
            channels, weights = part
            weighted[channels] = weights._apply_at_once(residual[channels])

        on_threads(weigh, self._parts, self.xp)
        return weighted

    def _apply_at_once(self, residual: Array) -> Array:
        xp, windows = self.xp, self.windows
        inside = slice(windows.step, windows.step + windows.sample_count)
        wide = windows.padded(residual, xp)
        scaled = wide[:, inside]
        scaled *= self.sample
        scaled /= self.root_fold
        lost = xp.zeros_like(wide)
        taper = self._taper
        for row, column, part in self._kept_losses if on_card(xp) else self._losses():
            spectrum = rfft(xp, wide[row, column] * taper, windows.size) * part
            lost[row, column] += irfft(xp, spectrum, windows.size) * taper
        scaled -= lost[:, inside]
        scaled *= self.sample
        scaled *= self.root_fold
        return scaled

    @cached_property
    def _taper(self) -> Array:
        return self.xp.asarray(self.windows.taper)

    @cached_property
    def _kept_losses(self) -> list[tuple[Array, Array, Array]]:
        return list(self._losses())

    def _losses(self) -> Iterator[tuple[Array, Array, Array]]:
        """Rows and columns of windows that lose anything, and the part of each bin that they lose.

        Some at a time, all of one parity: those do not overlap.
        """
        xp, windows = self.xp, self.windows
        channel, window = self._lowered
        step = max(1, _CHUNK_VALUES // windows.size)
        for parity in (0, 1):
            chosen = np.flatnonzero(window % 2 == parity)
            for begin in range(0, len(chosen), step):
                some = chosen[begin : begin + step]
                row, first = channel[some], window[some]
                column = windows.step * first[:, None] + np.arange(windows.size)
                part = 1 - self.band[row, first][:, windows.band_of_bin]
                yield xp.asarray(row[:, None]), xp.asarray(column), xp.asarray(part)
