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

from dataclasses import dataclass, field
from functools import cached_property
from itertools import product
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array, is_host, on_threads, rfftn, to_host
from deblend.card import kernel, launch, on_card
from deblend.separation.card_windows import CardWindows, card_windows
from deblend.separation.contract import Separator
from deblend.separation.patch_grid import AxisWindows, PatchGrid, axis_windows
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
_MEASURED_VALUES = {True: 1 << 18, False: 1 << 26}
"""Values that are measured together: on the host what stays in cache, on a card what fills it."""
_LOOK = 8
"""A trace is there if any of its samples is not zero, looking at every eighth."""


@dataclass(frozen=True, eq=False)
class NoiseState:
    """What a noise floor has seen so far, on the host; see `NoiseFloor`."""

    level: NDArray[np.float32]
    met: NDArray[np.float32]
    settled: NDArray[np.float32]
    measured: NDArray[np.float32]
    """(slot place, channel place, time place, frequency), each."""
    calls: int
    threshold: float
    """Of the last measurement."""


@dataclass(eq=False)
class NoiseFloor:
    """Noise level by place and frequency; zero where it has not shown itself."""

    method: Separator
    """Sets the size of a place: one patch, without overlap."""
    shape: tuple[int, int, int, int]
    """Sources, slots, channels and time samples of the block."""
    xp: ModuleType
    """Array namespace."""
    origin: tuple[int, int, int] = (0, 0, 0)
    """Slot, channel and sample of the line at which the block begins, margins counted: places are
    those of the line."""
    share: Array | float = 1.0
    """float32, shape (time place, frequency), or one for all: Part of the level that methods are
    told; see `learned_floor`."""
    level: Array = field(init=False)
    met: Array = field(init=False)
    """Level when the threshold met it first, before the estimate could absorb any of it."""
    _calls: int = field(default=0, init=False)
    _threshold: float = field(default=0.0, init=False)

    def __post_init__(self) -> None:
        self._starts = [
            _tile_starts(length, size, begin)
            for length, size, begin in zip(self.shape[1:], self.size, self.origin, strict=True)
        ]
        self._halfway = [0.5 * (starts[:-1] + starts[1:]) for starts in self._starts]
        places = tuple(len(starts) for starts in self._starts)
        self.level = self.xp.zeros((*places, self.size[2] // 2 + 1), dtype=np.float32)
        self.met = self.xp.zeros_like(self.level)
        self._settled = self.xp.zeros_like(self.level)
        self._measured = self.xp.zeros_like(self.level)
        self._taper = _taper(self.size, self.method)
        self._weights = self._taper[0][:, None] * self._taper[1], self._taper[2]

    def state(self) -> NoiseState:
        """What has been seen so far; its arrays may be those of the floor itself."""
        level, met, settled, measured = map(
            to_host, (self.level, self.met, self._settled, self._measured)
        )
        return NoiseState(level, met, settled, measured, self._calls, self._threshold)

    def go_on_from(self, state: NoiseState) -> None:
        """Take over what another floor of the same method and block has seen."""
        self.level, self.met, self._settled, self._measured = map(
            self.xp.asarray, (state.level, state.met, state.settled, state.measured)
        )
        self._calls, self._threshold = state.calls, state.threshold

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

        `unexplained` has shape (source, slot, channel, time).
        """
        self._calls += 1
        if self._calls % _EVERY:
            return

        def settle(places: tuple[int, range]) -> None:
            slot, channels = places
            here = slot, slice(channels.start, channels.stop)
            measured = _smooth(self._measure(unexplained, slot, channels), self.xp)
            settled, beyond = self._settled[here], _NEAR * measured - threshold
            meets = (settled == 0) & (beyond > 0)
            before = self._measured[here]
            met = _where_met(before, _NEAR * before - self._threshold, measured, beyond, self.xp)
            self.met[here] = self.xp.where(meets, met, self.met[here])
            settled[:] = self.xp.where(meets, met, self.xp.minimum(settled, _ABSORBED * measured))
            # Up to twice as far off a part of the level, so that it does not begin at a step.
            coming = self.xp.maximum(measured + beyond / _NEAR, 0)
            self.level[here] = self.xp.where(settled > 0, settled, coming)
            self._measured[here] = measured

        count = len(self._starts[1])
        step = self._channels_at_a_time()
        runs = [range(begin, min(begin + step, count)) for begin in range(0, count, step)]
        on_threads(settle, product(range(len(self._starts[0])), runs), self.xp)
        self._threshold = threshold

    def _channels_at_a_time(self) -> int:
        """Places along channels that are measured together."""
        values = self.shape[0] * int(np.prod(self.size)) * len(self._starts[2])
        return max(1, _MEASURED_VALUES[is_host(self.xp)] // values)

    def _measure(self, unexplained: Array, slot: int, channels: range) -> Array:
        """Level of all places of a slot range and some channel ranges.

        Of shape (channel place, time place, frequency).
        """
        xp = self.xp
        spectra = self.spectra(unexplained, slot, channels)
        level = _median_magnitude(spectra.reshape(-1, *spectra.shape[2:]), xp)
        level = level.reshape(*spectra.shape[:2], -1)
        # Traces that do not exist hold zeros; the others then carry the level alone.
        filled = xp.maximum(self._filled(unexplained, slot, channels), 0.05).astype(level.dtype)
        return level / _MEDIAN_OF_RAYLEIGH / xp.sqrt(filled)[:, None, None]

    def _filled(self, gathers: Array, slot: int, channels: range) -> Array:
        """Part of the traces of each place that hold anything, shape (channel place,)."""
        slots, width, _ = self.size
        begin, near = int(self._starts[0][slot]), self._starts[1][channels.start : channels.stop]
        some = gathers[:, begin : begin + slots, near[0] : near[-1] + width, ::_LOOK]
        there = (some != 0).any(axis=3)
        rows = self.xp.asarray((near - near[0])[:, None] + np.arange(width))
        return self.xp.mean(there[:, :, rows], axis=(0, 1, 3))

    @property
    def places(self) -> tuple[int, int, int]:
        """Places along slots, channels and time."""
        slots, channels, times = (len(starts) for starts in self._starts)
        return slots, channels, times

    def spectra(self, gathers: Array, slot: int, channels: range) -> Array:
        """Coefficients over sources, shots and channels of all places of some ranges, complex64.

        Of shape (channel place, time place, coefficient, frequency).
        """
        if on_card(self.xp):
            count = len(channels) * len(self._starts[2])
            tiles = self._card_tiles.cut(gathers, slot, channels, count)
            return self._transformed(tiles, len(channels))
        starts, (across, along) = self._starts[2], self._weights
        first = self._starts[0][slot]
        corners = np.array([(first, self._starts[1][k]) for k in channels], dtype=np.int64)
        every = np.broadcast_to(along, (len(starts), len(along)))
        same = np.broadcast_to(across, (len(corners), *across.shape))
        tiles = cut_windows(gathers, corners, starts, same, every, self.xp)
        return self._transformed(tiles, len(corners))

    def _transformed(self, tiles: Array, channel_count: int) -> Array:
        spectra = rfftn(self.xp, tiles, (2, 3, 4))
        return spectra.reshape(channel_count, len(self._starts[2]), -1, spectra.shape[-1])

    @cached_property
    def _card_tiles(self) -> CardWindows:
        """Places as windows, for a card."""
        axes = [
            AxisWindows(starts, len(weight), every, every)
            for starts, weight in zip(self._starts, self._taper, strict=True)
            for every in [np.broadcast_to(weight, (len(starts), len(weight)))]
        ]
        return card_windows(PatchGrid(*axes), self.shape, self.xp)

    def means(self, gathers: Array, slot: int, channel: int) -> Array:
        """Mean over the samples of each time place of one slot and channel place.

        `gathers` has the shape of the block, the result one value a time place.
        """
        slots, channels, samples = self.size
        first, near = int(self._starts[0][slot]), int(self._starts[1][channel])
        traces = gathers[:, first : first + slots, near : near + channels].mean(axis=(0, 1, 2))
        return self.xp.stack([traces[k : k + samples].mean() for k in self._starts[2].tolist()])

    def of_patches(self, slot: int, channel: NDArray[np.int64], time: NDArray[np.int64]) -> Array:
        """Level of patches that begin at a slot, some channels and some time samples.

        Of shape (channel * time, frequency).
        """
        # The nearest place; the lower one where two are as near.
        of_slot, of_channel, of_time = self._halfway
        channels, times = np.searchsorted(of_channel, channel), np.searchsorted(of_time, time)
        places = self.xp.asarray(channels[:, None]), self.xp.asarray(times)
        level = self.level[int(np.searchsorted(of_slot, slot))][places]
        if not isinstance(self.share, float):
            level = level * self.share[places[1]]
        elif self.share != 1:
            level = level * self.share
        return level.reshape(-1, level.shape[2])


def _where_met(
    before: Array, beyond_before: Array, now: Array, beyond: Array, xp: ModuleType
) -> Array:
    """Level where the threshold met it, on a straight line between two measurements.

    The one that first finds the threshold below would depend on the last digit of a residual, and
    levels fall by decibels from one measurement to the next. `beyond` is positive where the
    threshold has been met; zero before the first measurement, of which nothing is known.
    """
    met = (beyond_before < 0) & (beyond > 0)
    part = xp.where(met, -beyond_before, 1) / xp.where(met, beyond - beyond_before, 1)
    return before + part.astype(now.dtype) * (now - before)


def _median_magnitude(spectrum: Array, xp: ModuleType) -> Array:
    """Median magnitude over some coefficients, shape (place, frequency)."""
    stride = -(-spectrum.shape[1] // _MOST_VALUES)
    if on_card(xp):
        return _median_on_card(spectrum, stride, xp)
    if not is_host(xp):
        return xp.median(xp.abs(spectrum[:, ::stride]), axis=1)
    from deblend.separation.noise_kernels import median_magnitude

    out = np.empty((len(spectrum), spectrum.shape[2]), spectrum.real.dtype)
    median_magnitude(spectrum, stride, out)
    return out


def _median_on_card(spectrum: Array, stride: int, xp: ModuleType) -> Array:
    places, coefficients, frequencies = spectrum.shape
    out = xp.empty((places, frequencies), np.float32)
    median = kernel(
        "separation/median.cu",
        "median_magnitude",
        COUNT=-(-coefficients // stride),
        STRIDE=stride,
        COEFFICIENTS=coefficients,
        FREQUENCIES=frequencies,
    )
    launch(median, (places, frequencies), (spectrum, out))
    return out


def _smooth(level: Array, xp: ModuleType) -> Array:
    """Root mean square of each place and its neighbours in time, against chance lows.

    `level` has shape (channel place, time place, frequency).
    """
    power = xp.concatenate([level[:, :1], level, level[:, -1:]], axis=1) ** 2
    return xp.sqrt((power[:, :-2] + power[:, 1:-1] + power[:, 2:]) / 3.0)


def _tile_starts(length: int, size: int, begin: int) -> NDArray[np.int64]:
    """Places side by side, counted from where the line begins; at the ends they move inwards."""
    return np.unique(np.clip(np.arange(-(begin % size), length, size), 0, length - size))


def _taper(size: tuple[int, int, int], method: Separator) -> list[NDArray[np.float32]]:
    """Window of an inner patch along shots, channels and time.

    Levels are in the units of its coefficients.
    """
    return [axis_windows(3 * n, n, method.overlap, 0, method.window).analysis[1] for n in size]
