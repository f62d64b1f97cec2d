"""Where the patches are: windows along slots, channels and time.

Every axis is covered by windows of one size on a grid that starts somewhere else in each
iteration, which moves the window edges about. Tapered windows are used for analysis and for
synthesis and their squares add up to one: a tight frame, so that keeping everything changes
nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.separation.contract import Separator, WindowKind


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

    def covering(self, length: int) -> NDArray[np.int32]:
        """Windows that cover each place of an axis: the first, and the one behind the last.

        Of shape (2, length); windows that cover a place follow each other.
        """
        places = np.arange(length)
        first = np.searchsorted(self.start + self.size, places, side="right")
        return np.stack([first, np.searchsorted(self.start, places, side="right")]).astype(np.int32)


def most_windows(length: int, size: int, overlap: float) -> int:
    """How many windows cover an axis at most, wherever the grid starts."""
    size = min(size, length)
    step = size - min(round(overlap * size), size // 2)
    return 1 if size == length or step == 0 else -(-length // step) + 1


def axis_windows(
    length: int, size: int, overlap: float, offset: int, kind: WindowKind = "tapered"
) -> AxisWindows:
    """Windows that cover an axis.

    Parameters
    ----------
    size : int
        Samples of a window; shrinks to `length` where that is less.
    offset : int
        Where the grid starts, modulo its step. At the ends of the axis windows are moved inwards,
        so that each one is full of data.
    kind : {"tapered", "flat"}, optional
        Flat windows take data as they are and cross-fade only on the way back.
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

    `shape` is that of the block in slots, channels and samples; `origin` is where it begins in the
    whole line: blocks of one line share one grid.
    """
    random = np.random.default_rng([seed, iteration]).integers(0, 1 << 20, size=3)
    axes = [
        axis_windows(length, size, method.overlap, int(shift) - begin, method.window)
        for length, size, shift, begin in zip(shape, method.patch, random, origin, strict=True)
    ]
    return PatchGrid(*axes)


@dataclass(frozen=True)
class CutEnds:
    """Whether the line continues before and behind a block, along slots and along channels."""

    slots: tuple[bool, bool] = (False, False)
    channels: tuple[bool, bool] = (False, False)


NOT_CUT: Final = CutEnds()


def windows_of_line(grid: PatchGrid, shape: tuple[int, int, int], cut_ends: CutEnds) -> PatchGrid:
    """A grid without the windows that were moved inwards, and not tapered, where a block is cut.

    A neighbouring block has these places in windows of the grid. `shape` is that of the block in
    slots, channels and samples.
    """
    return replace(
        grid,
        slot=_not_cut(grid.slot, shape[0], cut_ends.slots),
        channel=_not_cut(grid.channel, shape[1], cut_ends.channels),
    )


def _not_cut(axis: AxisWindows, length: int, cut: tuple[bool, bool]) -> AxisWindows:
    keep = np.ones(len(axis.start), np.bool_)
    if cut[0]:
        keep &= axis.start > 0
    if cut[1]:
        keep &= axis.start + axis.size < length
    if not keep.any():  # a block of hardly more than a window
        return axis
    return AxisWindows(axis.start[keep], axis.size, axis.analysis[keep], axis.synthesis[keep])
