"""Stacks of midpoint bins, added up block by block, and how much noise is in them."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deblend.decibels import positive_decibels
from deblend.stack.bins import BinGrid
from deblend.stack.moveout import STRETCH_LIMIT, flatten
from deblend.stack.velocity import VelocityTable

Traces = NDArray[np.float32]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class StackSums:
    """Sums over the traces of each bin in two halves; add them over blocks."""

    total: Traces
    """(2, bin, time): Sum of the flattened traces of each half."""
    fold: NDArray[np.int32]
    """(2, bin, time): Traces that were not muted."""

    def __add__(self, other: StackSums) -> StackSums:
        return StackSums(self.total + other.total, self.fold + other.fold)

    @property
    def stack(self) -> Traces:
        """Mean over the traces that were not muted; zero where there is none, (bin, time)."""
        return _mean(self.total.sum(axis=0), self.fold.sum(axis=0))

    @property
    def halves(self) -> Traces:
        """Mean of each half over the traces that were not muted, shape (2, bin, time)."""
        return _mean(self.total, self.fold)


def _mean(total: Traces, fold: NDArray[np.int32]) -> Traces:
    mean: Traces = np.zeros_like(total)
    np.divide(total, fold, out=mean, where=fold > 0)
    return mean


def no_stack(grid: BinGrid, length: int) -> StackSums:
    """Sums before the first block."""
    shape = (2, grid.count, length)
    return StackSums(np.zeros(shape, np.float32), np.zeros(shape, np.int32))


def add_to_stack(
    sums: StackSums,
    traces: Traces,
    bins: NDArray[np.int64],
    offset_m: Floats,
    grid: BinGrid,
    velocities: VelocityTable,
    interval_s: float,
    *,
    stretch_limit: float = STRETCH_LIMIT,
) -> None:
    """Flatten traces, (trace, time), and add them to the sums, in place.

    A bin of -1 or an unknown offset takes no part. Positions of `velocities` count along the line
    from the first bin.
    """
    usable = (bins >= 0) & np.isfinite(offset_m)
    order = np.flatnonzero(usable)
    order = order[np.argsort(bins[order], kind="stable")]
    first = np.flatnonzero(np.diff(bins[order], prepend=-1))
    time_s = np.arange(traces.shape[-1], dtype=np.float64) * interval_s
    along_m = grid.along_m

    def add(rows: NDArray[np.int64]) -> None:
        number = int(bins[rows[0]])
        flat, kept = flatten(
            traces[rows],
            offset_m[rows],
            velocities.at(float(along_m[number]), time_s),
            interval_s,
            stretch_limit=stretch_limit,
        )
        # Alternate traces go to alternate halves, going on from those of earlier blocks.
        begin = int(sums.fold[:, number, -1].sum())
        for half in (0, 1):
            some = slice((half + begin) % 2, None, 2)
            sums.total[half, number] += flat[some].sum(axis=0)
            sums.fold[half, number] += kept[some].sum(axis=0, dtype=np.int32)

    groups = np.split(order, first[1:]) if len(order) else []
    with ThreadPoolExecutor(os.cpu_count()) as threads:  # each has bins of its own
        list(threads.map(add, groups))


def snr_of_halves(sums: StackSums, start: int, stop: int) -> float:
    """Signal over noise of the stack in dB, from its two halves.

    Both halves hold the signal and each its own noise: the mean product of the two is the power of
    the signal, a quarter of the mean squared difference that of the noise in the whole stack. NaN
    where there is no noise, or no signal above it. Interference that adds up in both halves counts
    as signal.
    """
    both = (sums.fold[0] > 0) & (sums.fold[1] > 0)
    first, second = (
        np.where(both, half, 0)[:, start:stop].astype(np.float64) for half in sums.halves
    )
    return positive_decibels(
        float(np.sum(first * second)), 0.25 * float(np.sum((first - second) ** 2))
    )
