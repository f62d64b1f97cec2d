"""The stack of a line on common bins: signal, noise and how far apart two stacks lie.

Both halves of a stack hold the signal and each its own noise, so that the mean product of the two
is the power of the signal, and a quarter of the mean squared difference that of the noise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.decibels import positive_decibels
from deblend.qc.bands import octave_bands, split_bands
from deblend.stack.bins import BinGrid
from deblend.stack.stacking import StackSums
from deblend.trial.compare_lines import mean_midpoints
from deblend.trial.placed_gathers import PlacedGathers

Floats = NDArray[np.float64]
Window = tuple[float, float]

_BINS_AT_ONCE: Final = 128
GROUPS: Final = 8
"""Stretches of the line that are left out in turn for the standard errors."""


@dataclass(frozen=True, eq=False)
class LineStack:
    """Both halves of a stack, by octave, on the bins that all lines fill."""

    name: str
    halves: NDArray[np.float32]
    """(2, bin, time): Of all frequencies."""
    bands_hz: tuple[Window, ...]
    """Octaves, which are bands 1, 2 ... of the methods; band 0 is all frequencies."""
    fold: Floats
    """(bin, time): Traces that were not muted; NaN where either half has none."""
    midpoint_m: Floats
    """(bin, 2): Mean midpoint, along and across the line."""
    crossline: NDArray[np.int64]
    """(bin,): Number of the bin across the line."""
    interval_s: float
    _held: dict[int, NDArray[np.float32]] = field(default_factory=dict)
    """Halves of the band that was asked for last."""

    def of_band(self, band: int) -> NDArray[np.float32]:
        """Both halves of a band; one is held, all would take many times the stack."""
        if band == 0:
            return self.halves
        if band not in self._held:
            self._held.clear()
            self._held[band] = _one_band(self.halves, self.interval_s, self.bands_hz[band - 1])
        return self._held[band]

    def part(self, window_s: Window, band: int) -> Floats:
        """Both halves in a window, (2, bin, time), zero where either holds nothing."""
        start, stop = (round(edge / self.interval_s) for edge in window_s)
        known = np.isfinite(self.fold[:, start:stop])
        return np.where(known, self.of_band(band)[:, :, start:stop], 0.0).astype(np.float64)

    def stack(self, window_s: Window, band: int) -> Floats:
        """The mean of both halves in a window."""
        return np.asarray(self.part(window_s, band).mean(axis=0))

    def powers(self, window_s: Window, band: int) -> Floats:
        """Energy of signal and of noise of the stack in each bin, shape (2, bin)."""
        first, second = self.part(window_s, band)
        return np.stack(
            [(first * second).sum(axis=1), 0.25 * np.square(first - second).sum(axis=1)]
        )

    def effective_fold(self, window_s: Window) -> float:
        """Fold to which the noise of the stack belongs: one over the mean of one over the fold."""
        start, stop = (round(edge / self.interval_s) for edge in window_s)
        part = self.fold[:, start:stop]
        known = np.isfinite(part)
        return float(1.0 / np.mean(1.0 / part[known])) if known.any() else float("nan")


def line_stack(
    sums: StackSums,
    filled: NDArray[np.int64],
    grid: BinGrid,
    line: PlacedGathers,
    bands_hz: tuple[Window, ...],
    length: int,
) -> LineStack:
    """A stack cut to the bins `filled` and to a length in samples."""
    halves = sums.halves[:, filled, :length]
    folds = sums.fold[:, filled, :length]
    fold = np.where((folds > 0).all(axis=0), folds.sum(axis=0), np.nan)
    place = mean_midpoints(grid, line)[filled]
    return LineStack(
        line.name,
        halves,
        bands_hz,
        fold,
        place,
        filled % grid.shape[1],
        line.interval_s,
    )


def _one_band(
    halves: NDArray[np.float32], interval_s: float, band_hz: Window
) -> NDArray[np.float32]:
    every = octave_bands(interval_s)
    out = np.empty_like(halves)
    for first in range(0, halves.shape[1], _BINS_AT_ONCE):
        some = slice(first, first + _BINS_AT_ONCE)
        out[:, some] = split_bands(halves[:, some], interval_s, every)[every.index(band_hz)]
    return out


def filled_bins(sums: list[StackSums]) -> NDArray[np.int64]:
    """Bins in which both halves of every line hold something at some time."""
    return np.flatnonzero(
        np.logical_and.reduce([np.all(one.fold > 0, axis=0).any(axis=1) for one in sums])
    )


def snr_db(stack: LineStack, window_s: Window, band: int) -> tuple[float, float]:
    """Signal over noise of a stack in dB and its standard error, from stretches left out in turn.

    NaN where there is no signal above the noise.
    """
    powers = stack.powers(window_s, band)
    return _jackknife(powers, lambda part: positive_decibels(float(part[0]), float(part[1])))


def ratio_db(
    first: LineStack, second: LineStack, window_s: Window, band: int, *, noise: bool = False
) -> tuple[float, float]:
    """Signal of the first stack over that of the second, or noise, in dB; with standard error."""
    row = int(noise)
    powers = np.stack([one.powers(window_s, band)[row] for one in (first, second)])
    return _jackknife(powers, lambda part: positive_decibels(float(part[0]), float(part[1])))


def _jackknife(powers: Floats, value_of: Callable[[Floats], float]) -> tuple[float, float]:
    """A value of sums over bins, and its standard error by leaving out stretches [1]_.

    References
    ----------
    .. [1] B. Efron and C. Stein, 1981, The jackknife estimate of variance, The Annals of
       Statistics 9(3), 586-596.
    """
    value = value_of(powers.sum(axis=1))
    groups = np.array_split(np.arange(powers.shape[1]), min(GROUPS, powers.shape[1]))
    if len(groups) < 2 or not np.isfinite(value):
        return value, float("nan")
    without = [value_of(np.delete(powers, group, axis=1).sum(axis=1)) for group in groups]
    spread = np.array(without)
    error = np.sqrt((len(groups) - 1) * np.mean((spread - spread.mean()) ** 2))
    return value, float(error)
