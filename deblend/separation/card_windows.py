"""Windows of a grid cut and added by a card: the lists of an iteration are brought over once."""

from __future__ import annotations

from dataclasses import dataclass
from types import ModuleType

import numpy as np

from deblend.arrays import Array
from deblend.card import blocks_of, kernel, launch
from deblend.separation.patch_grid import AxisWindows, PatchGrid

_FILE = "separation/windows.cu"


@dataclass(frozen=True, eq=False)
class _Axis:
    """Windows along one axis in the memory of the card."""

    start: Array
    """int32, shape (window,): First place of each."""
    analysis: Array
    synthesis: Array
    """float32, shape (window, size): Weights."""
    covers_from: Array
    covers_to: Array
    """int32, shape (place,): First window that covers a place, and the one behind the last."""


@dataclass(frozen=True, eq=False)
class CardWindows:
    """Windows of a grid in the memory of a card."""

    sizes: tuple[int, int, int]
    """Shots, channels and samples of a window."""
    counts: tuple[int, int, int]
    """Windows along slots, channels and time."""
    slot: _Axis
    channel: _Axis
    time: _Axis
    xp: ModuleType
    """CuPy."""

    def cut(self, gathers: Array, slot: int, channels: range, patch_count: int) -> Array:
        """Windows of one window along slots, some along channels and all along time, float32.

        Of shape (patch_count, source, *sizes), zeros behind the last window; `gathers` of the block
        have (source, slot, channel, time).
        """
        patches = self.xp.empty((patch_count, len(gathers), *self.sizes), np.float32)
        launch(
            self._kernel("cut_windows", len(gathers)),
            (patch_count, len(gathers)),
            (
                self.xp.ascontiguousarray(gathers),
                patches,
                *(self.slot.start, self.slot.analysis),
                *(self.channel.start, self.channel.analysis),
                *(self.time.start, self.time.analysis),
                *self._numbers(gathers, slot, channels),
            ),
        )
        return patches

    def add(self, gathers: Array, patches: Array, slot: int, channels: range) -> None:
        """Add patches to gathers, which are contiguous, in place; arguments as of `cut`."""
        sources, _, channel_count, samples = gathers.shape
        launch(
            self._kernel("add_windows", sources),
            (blocks_of(samples), channel_count, sources * self.sizes[0]),
            (
                gathers,
                self.xp.ascontiguousarray(patches),
                *(self.slot.start, self.slot.synthesis),
                *(self.channel.start, self.channel.synthesis),
                *(self.channel.covers_from, self.channel.covers_to),
                *(self.time.start, self.time.synthesis),
                *(self.time.covers_from, self.time.covers_to),
                *self._numbers(gathers, slot, channels),
            ),
        )

    def _kernel(self, name: str, sources: int) -> object:
        slots, channels, samples = self.sizes
        return kernel(_FILE, name, SOURCES=sources, SLOTS=slots, CHANNELS=channels, SAMPLES=samples)

    def _numbers(self, gathers: Array, slot: int, channels: range) -> list[np.int32]:
        run = (slot, channels.start, len(channels), self.counts[2])
        return [np.int32(number) for number in (*run, *gathers.shape[1:])]


def card_windows(grid: PatchGrid, shape: tuple[int, ...], xp: ModuleType) -> CardWindows:
    """Windows of a grid over gathers of shape (source, slot, channel, time)."""
    axes = grid.slot, grid.channel, grid.time
    slots, channels, samples = (axis.size for axis in axes)
    slot, channel, time = (
        _on_card(axis, length, xp) for axis, length in zip(axes, shape[1:], strict=True)
    )
    return CardWindows(
        sizes=(slots, channels, samples),
        counts=(len(grid.slot.start), len(grid.channel.start), len(grid.time.start)),
        slot=slot,
        channel=channel,
        time=time,
        xp=xp,
    )


def _on_card(axis: AxisWindows, length: int, xp: ModuleType) -> _Axis:
    covers_from, covers_to = xp.asarray(axis.covering(length))
    return _Axis(
        start=xp.asarray(axis.start.astype(np.int32)),
        analysis=xp.asarray(np.ascontiguousarray(axis.analysis, np.float32)),
        synthesis=xp.asarray(np.ascontiguousarray(axis.synthesis, np.float32)),
        covers_from=covers_from,
        covers_to=covers_to,
    )
