"""Windows that are the same for all blocks of a line: those on its grid, not moved at a cut."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from deblend.separation.patches import AxisWindows, PatchGrid


@dataclass(frozen=True)
class CutEnds:
    """Whether the line goes on before and behind a block, along slots and along channels."""

    slots: tuple[bool, bool] = (False, False)
    channels: tuple[bool, bool] = (False, False)


NOT_CUT: Final = CutEnds()


def windows_of_line(grid: PatchGrid, shape: tuple[int, int, int], cut_ends: CutEnds) -> PatchGrid:
    """A grid without the windows that were moved inwards, and not tapered, where a block is cut.

    A neighbouring block has these places in windows of the grid.

    Parameters
    ----------
    grid : PatchGrid
        Of a block.
    shape : tuple of int
        Slots, channels and samples of the block.
    goes_on : CutEnds
        Where the block is cut.
    """
    return replace(
        grid,
        slot=_inner(grid.slot, shape[0], cut_ends.slots),
        channel=_inner(grid.channel, shape[1], cut_ends.channels),
    )


def _inner(axis: AxisWindows, length: int, cut: tuple[bool, bool]) -> AxisWindows:
    keep = np.ones(len(axis.start), np.bool_)
    if cut[0]:
        keep &= axis.start > 0
    if cut[1]:
        keep &= axis.start + axis.size < length
    if not keep.any():  # a block of hardly more than a window
        return axis
    return AxisWindows(axis.start[keep], axis.size, axis.analysis[keep], axis.synthesis[keep])
