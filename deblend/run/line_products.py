"""Energies and products in the windows of a line, some channels at a time, from its blocks."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

import numpy as np

from deblend.qc.leakage import LEAKAGE
from deblend.qc.likeness_maps import WindowProducts, join_products
from deblend.qc.metrics import BlockMeasures
from deblend.run.run_plan import RunPlan

MOST_TRACES: Final = 1 << 15
"""Traces at a time: each takes some 2 kB until its maps are written."""


def line_products(
    plan: RunPlan, read: Callable[[int], BlockMeasures], total: int, most: int = MOST_TRACES
) -> Iterator[tuple[range, WindowProducts]]:
    """Products of all shots, for consecutive channels that together are all of the line.

    Parameters
    ----------
    plan : RunPlan
        How the line is cut.
    read : callable
        Gives the measures of a block.
    total : int
        Rows of the shot table.
    most : int, optional
        Traces at a time; one channel always.
    """
    step = max(1, most // max(total, 1))
    for place, (begin, end) in enumerate(plan.channels):
        blocks = range(place, plan.count, len(plan.channels))
        for first in range(begin, end, step):
            channels = range(first, min(first + step, end))
            here = slice(first - begin, channels.stop - begin)
            yield channels, _of_all_spans((read(block) for block in blocks), here, total)


def _of_all_spans(blocks: Iterator[BlockMeasures], channels: slice, total: int) -> WindowProducts:
    """Blocks of the same channels in the rows of the line."""
    whole: list[np.ndarray] | None = None
    for block in blocks:
        own = join_products(list(block.values[LEAKAGE.name].products))
        parts = [part[:, channels] for part in (own.kept, own.removed, own.product)]
        if whole is None:
            whole = [np.zeros((total, *part.shape[1:]), part.dtype) for part in parts]
        for one, part in zip(whole, parts, strict=True):
            one[block.rows] += part
    assert whole is not None  # there is at least one span
    return WindowProducts(*whole)
