"""What a block estimates beyond its cuts, where another block delivers: kept to measure seams."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

SEAM_CHANNELS: Final = 2
"""Channels beyond a cut that are kept."""
SEAM_SLOTS: Final = 4
"""Slots beyond a cut that are kept."""


@dataclass(frozen=True, eq=False)
class Neighbours:
    """Estimates of traces that another block delivers."""

    rows: NDArray[np.int64]
    """(shot,): Rows of the shot table."""
    channels: range
    """Channel rows."""
    estimate: NDArray[np.float32]
    """(shot, channel, time): Separated gathers."""


@dataclass(frozen=True, eq=False)
class SeamEstimates:
    """All that a block has estimated beyond its cuts. It is stored."""

    parts: tuple[Neighbours, ...]


def channels_beyond(block: range, wide: range, channel_count: int) -> list[range]:
    """Channels next to a block that it computes and another one delivers."""
    before = range(max(block.start - SEAM_CHANNELS, wide.start, 0), block.start)
    behind = range(block.stop, min(block.stop + SEAM_CHANNELS, wide.stop, channel_count))
    return [part for part in (before, behind) if part]
