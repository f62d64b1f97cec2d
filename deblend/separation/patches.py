"""Patches cut from gathers, handed to a separator, and added back together."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from functools import partial
from itertools import product
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array, is_host, on_threads, thread_count, worker_threads
from deblend.card import on_card
from deblend.errors import SeparationError
from deblend.separation.card_windows import CardWindows, card_windows
from deblend.separation.contract import NoiseMap, PatchBatch, Separator
from deblend.separation.patch_grid import PatchGrid, most_windows
from deblend.separation.windowing import add_windows, cut_windows

_BATCH_VALUES = {True: 1 << 19, False: 1 << 26}
"""Values handed to a separator at a time.

On the host some more than fit into the cache of a core: short pieces of traces are fetched slowly,
and a thread that asks for its next run may have to wait for another that does."""
_TOGETHER = 8
"""Patches that compiled filters work on at a time; a run holds a multiple of it where it can."""


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
    size = _run_size(grid, method, amplitude.shape, xp)
    windows = card_windows(grid, amplitude.shape, xp) if on_card(xp) else None

    def measure(run: _PatchRun) -> float:
        patches = _cut(amplitude, grid, run, size, windows, xp)
        return method.largest(_batch(patches, live, grid, noise, run, interval_s, xp))

    return max(on_threads(measure, _runs(grid, size), xp), default=0.0)


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

    Independent of the number of threads, bit for bit.

    Parameters
    ----------
    amplitude : array of float32, shape (source, slot, channel, time)
        Gathers of a block.
    live : array of bool, shape (source, slot, channel)
        Traces that exist.
    strictness, reference : float
        Handed to the method.
    """
    total = xp.zeros_like(amplitude)
    size = _run_size(grid, method, amplitude.shape, xp)
    windows = card_windows(grid, amplitude.shape, xp) if on_card(xp) else None

    def filter_run(run: _PatchRun, before_adding: Callable[[], None]) -> None:
        patches = _cut(amplitude, grid, run, size, windows, xp)
        batch = _batch(patches, live, grid, noise, run, interval_s, xp)
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
        _add(total, kept, grid, run, windows, xp)

    _in_order(filter_run, _runs(grid, size), size.apart(grid), xp)
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
    patches: int | None = None
    """Patches handed over, empty ones at the end included: on a card always the same number,
    whatever windows the grid of an iteration has, because plans of transforms are made for it."""

    def apart(self, grid: PatchGrid) -> tuple[int, int, int]:
        """Runs do not overlap if their places differ by so many along one of the axes."""
        return (
            grid.slot.reach,
            1 + -(-(grid.channel.reach - 1) // self.channels),
            1 + -(-(grid.time.reach - 1) // self.times),
        )


def _run_size(
    grid: PatchGrid, method: Separator, shape: tuple[int, ...], xp: ModuleType
) -> _RunSize:
    """Runs of about as many values as should be handed over at a time."""
    values = shape[0] * grid.slot.size * grid.channel.size * grid.time.size
    most = _BATCH_VALUES[is_host(xp)]
    patches = max(1, most // values)
    if on_card(xp):
        channels, times = (
            most_windows(shape[axis], method.patch[axis - 1], method.overlap) for axis in (2, 3)
        )
        runs = -(-channels // max(1, patches // times))
        channels = -(-channels // runs)
        return _RunSize(channels, len(grid.time.start), channels * times)
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
    function: Callable[[_PatchRun, Callable[[], None]], None],
    runs: list[_PatchRun],
    apart: tuple[int, int, int],
    xp: ModuleType,
) -> None:
    """Call `function` on all runs side by side; those that overlap add in the order of the list.

    `function` calls its second argument before it adds: that waits only for runs begun earlier,
    so that one of the threads always proceeds.
    """
    threads = thread_count() if is_host(xp) else 1
    if threads == 1:
        for run in runs:
            function(run, lambda: None)
        return
    pool = worker_threads(threads)
    begun: dict[tuple[int, int, int], Future[None]] = {}
    try:
        for run in runs:
            near = [begun[place] for place in _near(run.place, apart) if place in begun]
            begun[run.place] = pool.submit(function, run, partial(_wait, near))
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
    grid: PatchGrid,
    run: _PatchRun,
    size: _RunSize,
    windows: CardWindows | None,
    xp: ModuleType,
) -> Array:
    if windows is not None:
        assert size.patches is not None  # on a card
        return windows.cut(amplitude, run.place[0], _numbers(grid, run), size.patches)
    corners, across = _across(grid, run)
    along, starts = grid.time.analysis[run.times], grid.time.start[run.times]
    return cut_windows(amplitude, corners, starts, across, along, xp)


def _add(
    total: Array,
    kept: Array,
    grid: PatchGrid,
    run: _PatchRun,
    windows: CardWindows | None,
    xp: ModuleType,
) -> None:
    if windows is not None:
        windows.add(total, kept, run.place[0], _numbers(grid, run))
        return
    corners, across = _across(grid, run, back=True)
    along, starts = grid.time.synthesis[run.times], grid.time.start[run.times]
    add_windows(total, kept, corners, starts, across, along, grid.time.reach, xp)


def _numbers(grid: PatchGrid, run: _PatchRun) -> range:
    """Windows along channels of a run."""
    return range(len(grid.channel.start))[run.channels]


def _batch(
    patches: Array,
    live: Array,
    grid: PatchGrid,
    noise: NoiseMap,
    run: _PatchRun,
    interval_s: float,
    xp: ModuleType,
) -> PatchBatch:
    """Patches of a run, and what is known of them."""
    slot = int(grid.slot.start[run.place[0]])
    channels, times = grid.channel.start[run.channels], grid.time.start[run.times]
    rows = xp.asarray(channels[:, None] + np.arange(grid.channel.size))
    there = xp.moveaxis(live[:, slot : slot + grid.slot.size][:, :, rows], 2, 0)
    alive = xp.repeat(there, len(times), axis=0)
    level = noise.of_patches(slot, channels, times)
    return PatchBatch(
        patches, _filled(alive, len(patches), xp), _filled(level, len(patches), xp), interval_s, xp
    )


def _filled(rows: Array, count: int, xp: ModuleType) -> Array:
    """Rows, and zeros behind them up to `count`."""
    if len(rows) == count:
        return rows
    filled = xp.zeros((count, *rows.shape[1:]), rows.dtype)
    filled[: len(rows)] = rows
    return filled
