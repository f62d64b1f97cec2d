"""Patches: overlapping windows of (slot, channel, time) that a separator works on.

Every axis is covered by windows of one size on a grid that starts somewhere else in each
iteration, which moves the window edges about. Tapered windows are used for analysis and for
synthesis and their squares add up to one: a tight frame, so that keeping everything changes
nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import product
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array, is_host, on_threads, thread_count, worker_threads
from deblend.errors import SeparationError
from deblend.separation.contract import NoiseMap, PatchBatch, Separator, WindowKind
from deblend.separation.windowing import add_windows, cut_windows

_BATCH_VALUES = {True: 1 << 19, False: 1 << 24}
"""Values handed to a separator at a time.

On the host some more than fit into the cache of a core: short pieces of traces are fetched slowly,
and a thread that asks for its next piece of work may have to wait for another that does."""
_TOGETHER = 8
"""Patches that compiled filters work on at a time; a run holds a multiple of it where it can."""


@dataclass(frozen=True, eq=False)
class AxisWindows:
    """Windows along one axis."""

    start: NDArray[np.int64]
    """(window,): First sample of each, increasing."""
    size: int
    """Samples of each."""
    analysis: NDArray[np.float32]
    synthesis: NDArray[np.float32]
    """(window, size): Weights; the sum of their products over all windows is one everywhere."""

    @cached_property
    def reach(self) -> int:
        """Windows whose numbers differ by so many or more do not overlap.

        One where windows share nothing; two, or three where one was moved inwards at an end.
        """
        apart = 1
        while np.any(self.start[apart:] < self.start[:-apart] + self.size):
            apart += 1
        return apart


def axis_windows(
    length: int, size: int, overlap: float, offset: int, kind: WindowKind = "tapered"
) -> AxisWindows:
    """Windows that cover an axis.

    Parameters
    ----------
    length : int
        Samples of the axis.
    size : int
        Samples of a window; shrinks to `length` where that is less.
    overlap : float
        Part of a window shared with the next.
    offset : int
        Where the grid starts, modulo its step. At the ends of the axis windows are moved inwards,
        so that each one is full of data.
    kind : {"tapered", "flat"}, optional
        Flat windows take data as they are and cross-fade only on the way back.

    Returns
    -------
    AxisWindows
    """
    size = min(size, length)
    taper = min(round(overlap * size), size // 2)
    step = size - taper
    if step == 0 or size == length:
        start = np.zeros(1, dtype=np.int64)
    else:
        grid = np.arange(offset % step - step, length, step)
        start = np.unique(np.clip(grid, 0, length - size))
    weight = np.ones((len(start), size))
    ramp = np.sin(0.5 * np.pi * (np.arange(taper) + 0.5) / max(taper, 1))
    for window, begin in enumerate(start):
        if begin > 0:
            weight[window, :taper] = ramp
        if begin + size < length:
            weight[window, size - taper :] *= ramp[::-1]
    total = np.zeros(length)
    for window, begin in enumerate(start):
        total[begin : begin + size] += weight[window] ** 2
    for window, begin in enumerate(start):
        weight[window] /= np.sqrt(total[begin : begin + size])
    if kind == "flat":
        return AxisWindows(
            start, size, np.ones_like(weight, np.float32), (weight**2).astype(np.float32)
        )
    return AxisWindows(start, size, weight.astype(np.float32), weight.astype(np.float32))


def margin(method: Separator, axis: int) -> int:
    """Places without data that a line wants at either end of an axis (0 slots, 1 channels).

    A window cut off at the end of the line smears every event over many coefficients. With room
    for half a taper beyond the end, the coherence filter continues the events there, as it fills
    missing shots, and the cut is gone.
    """
    size = method.patch[axis]
    return round(0.5 * min(method.overlap * size, size // 2) + 0.25)


@dataclass(frozen=True, eq=False)
class PatchGrid:
    """Windows along slots, channels and time for one iteration."""

    slot: AxisWindows
    channel: AxisWindows
    time: AxisWindows

    @property
    def count(self) -> int:
        """Number of patches."""
        return len(self.slot.start) * len(self.channel.start) * len(self.time.start)


def patch_grid(
    shape: tuple[int, int, int],
    method: Separator,
    origin: tuple[int, int, int],
    *,
    seed: int,
    iteration: int,
) -> PatchGrid:
    """Grid of patches whose origin depends on seed and iteration alone.

    Parameters
    ----------
    shape : tuple of int
        Slots, channels and time samples of the block.
    method : Separator
        Gives size, overlap and kind of window.
    origin : tuple of int
        Slot, channel and time sample of the whole line at which the block begins; blocks of one
        line share one grid.
    seed, iteration : int
        What the random origin is made of.

    Returns
    -------
    PatchGrid
    """
    random = np.random.default_rng([seed, iteration]).integers(0, 1 << 20, size=3)
    axes = [
        axis_windows(length, size, method.overlap, int(shift) - begin, method.window)
        for length, size, shift, begin in zip(shape, method.patch, random, origin, strict=True)
    ]
    return PatchGrid(*axes)


def largest_coefficient(
    method: Separator,
    amplitude: Array,
    live: Array,
    grid: PatchGrid,
    noise: NoiseMap,
    interval_s: float,
    xp: ModuleType,
) -> float:
    """Largest coefficient that `method` finds in any patch; shapes as in `coherent_part`."""

    def measure(patches: _PatchRun) -> float:
        return method.largest(_cut(amplitude, live, grid, noise, patches, interval_s, xp))

    runs = _runs(grid, _run_size(grid, len(amplitude), xp))
    return max(on_threads(measure, runs, xp), default=0.0)


def coherent_part(
    method: Separator,
    amplitude: Array,
    live: Array,
    grid: PatchGrid,
    noise: NoiseMap,
    interval_s: float,
    strictness: float,
    reference: float,
    xp: ModuleType,
) -> Array:
    """What `method` keeps of every patch, added back together.

    Parameters
    ----------
    method : Separator
        The method.
    amplitude : array of float32, shape (source, slot, channel, time)
        Gathers of a block.
    live : array of bool, shape (source, slot, channel)
        Traces that exist.
    grid : PatchGrid
        Where the patches are.
    noise : NoiseMap
        What is known of the noise.
    interval_s : float
        Sample interval in seconds.
    strictness, reference : float
        Handed to the method.
    xp : module
        Array namespace.

    Returns
    -------
    array of float32, shape of `amplitude`
        Independent of the number of threads, bit for bit.

    Raises
    ------
    SeparationError
        If the method returns another shape than it was given.
    """
    total = xp.zeros_like(amplitude)

    def work(patches: _PatchRun, before_adding: Callable[[], None]) -> None:
        batch = _cut(amplitude, live, grid, noise, patches, interval_s, xp)
        kept = method.keep(batch, strictness, reference)
        shape = getattr(kept, "shape", None)
        if shape != batch.amplitude.shape:
            raise SeparationError(
                f"the separator method returned "
                f"{type(kept).__name__ if shape is None else f'shape {shape}'} for patches of "
                f"shape {batch.amplitude.shape}",
                remedy="`keep` must return the shape it was given.",
            )
        before_adding()
        _add(total, kept, grid, patches, xp)

    size = _run_size(grid, len(amplitude), xp)
    _in_order(work, _runs(grid, size), size.apart(grid), xp)
    return total


@dataclass(frozen=True)
class _PatchRun:
    """Patches that share slots: some windows along channels, each with some along time.

    `place` counts runs along slots, channels and time.
    """

    place: tuple[int, int, int]
    channels: slice
    times: slice


@dataclass(frozen=True)
class _RunSize:
    """Windows along channels and along time that a run has, but at the ends of the axes."""

    channels: int
    times: int

    def apart(self, grid: PatchGrid) -> tuple[int, int, int]:
        """Runs do not overlap if their places differ by so many along one of the axes."""
        return (
            grid.slot.reach,
            1 + -(-(grid.channel.reach - 1) // self.channels),
            1 + -(-(grid.time.reach - 1) // self.times),
        )


def _run_size(grid: PatchGrid, sources: int, xp: ModuleType) -> _RunSize:
    """Runs of about as many values as should be handed over at a time."""
    values = sources * grid.slot.size * grid.channel.size * grid.time.size
    most = _BATCH_VALUES[is_host(xp)]
    patches = max(1, most // values)
    if patches >= _TOGETHER:
        patches -= patches % _TOGETHER
    elif _TOGETHER * values <= 4 * most:
        patches = _TOGETHER
    times = min(patches, len(grid.time.start))
    return _RunSize(min(max(1, patches // times), len(grid.channel.start)), times)


def _runs(grid: PatchGrid, size: _RunSize) -> list[_PatchRun]:
    """All patches. Runs that follow each other mostly do not overlap."""
    steps = 1, size.channels, size.times
    axes = grid.slot, grid.channel, grid.time
    counts = [-(-len(axis.start) // step) for axis, step in zip(axes, steps, strict=True)]
    apart = size.apart(grid)
    return [
        _PatchRun(
            (slot, channel, time),
            slice(channel * size.channels, (channel + 1) * size.channels),
            slice(time * size.times, (time + 1) * size.times),
        )
        for colours in product(*(range(n) for n in apart))
        for slot, channel, time in product(
            *(range(first, n, step) for first, n, step in zip(colours, counts, apart, strict=True))
        )
    ]


def _in_order(
    work: Callable[[_PatchRun, Callable[[], None]], None],
    runs: list[_PatchRun],
    apart: tuple[int, int, int],
    xp: ModuleType,
) -> None:
    """Call `work` on all runs side by side; those that overlap add in the order of the list.

    `work` calls its second argument before it adds. It waits only for runs that began earlier, so
    that one of the threads always goes on.
    """
    threads = thread_count() if is_host(xp) else 1
    if threads == 1:
        for run in runs:
            work(run, lambda: None)
        return
    pool = worker_threads(threads)
    begun: dict[tuple[int, int, int], Future[None]] = {}
    try:
        for run in runs:
            near = [begun[place] for place in _near(run.place, apart) if place in begun]
            begun[run.place] = pool.submit(work, run, partial(_wait, near))
        _wait(list(begun.values()))
    finally:
        for future in begun.values():
            future.cancel()


def _wait(futures: list[Future[None]]) -> None:
    for future in futures:
        future.result()


def _near(
    place: tuple[int, int, int], apart: tuple[int, int, int]
) -> Iterator[tuple[int, int, int]]:
    """Places of runs that may overlap that of `place`."""
    slots, channels, times = (range(at - n + 1, at + n) for at, n in zip(place, apart, strict=True))
    return product(slots, channels, times)


def _across(
    grid: PatchGrid, run: _PatchRun, *, back: bool = False
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """First slot and channel of each window along channels, and weights of its traces."""
    slot = run.place[0]
    channel = grid.channel.start[run.channels]
    corners = np.empty((len(channel), 2), dtype=np.int64)
    corners[:, 0], corners[:, 1] = grid.slot.start[slot], channel
    of_slot, of_channel = (
        axis.synthesis if back else axis.analysis for axis in (grid.slot, grid.channel)
    )
    return corners, of_slot[slot][:, None] * of_channel[run.channels][:, None, :]


def _cut(
    amplitude: Array,
    live: Array,
    grid: PatchGrid,
    noise: NoiseMap,
    run: _PatchRun,
    interval_s: float,
    xp: ModuleType,
) -> PatchBatch:
    corners, across = _across(grid, run)
    along, starts = grid.time.analysis[run.times], grid.time.start[run.times]
    patches = cut_windows(amplitude, corners, starts, across, along, xp)
    alive = xp.empty(patches.shape[:4], dtype=bool)
    level = []
    for number, (slot, channel) in enumerate(corners.tolist()):
        slots = slice(slot, slot + grid.slot.size)
        channels = slice(channel, channel + grid.channel.size)
        alive[number * len(starts) : (number + 1) * len(starts)] = live[:, slots, channels]
        level.append(noise.of_patches(slot, channel, starts))
    return PatchBatch(patches, alive, xp.concatenate(level), interval_s, xp)


def _add(total: Array, kept: Array, grid: PatchGrid, run: _PatchRun, xp: ModuleType) -> None:
    corners, across = _across(grid, run, back=True)
    along, starts = grid.time.synthesis[run.times], grid.time.start[run.times]
    add_windows(total, kept, corners, starts, across, along, grid.time.reach, xp)
