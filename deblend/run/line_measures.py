"""What blocks measured, read back for the whole line: products of windows, and seams."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.qc.leakage import LEAKAGE
from deblend.qc.likeness_maps import WindowProducts, join_products
from deblend.qc.metrics import BlockMeasures
from deblend.qc.seams import SeamWindows, compare_neighbours, join_seams
from deblend.run.run_plan import RunPlan
from deblend.run.stored_values import read_value
from deblend.run.unfinished import UnfinishedRun
from deblend.separation.neighbours import SeamEstimates

MOST_TRACES: Final = 1 << 15
"""Traces at a time: each takes some 2 kB until its maps are written."""


def line_products(
    plan: RunPlan, read: Callable[[int], BlockMeasures], total: int, most: int = MOST_TRACES
) -> Iterator[tuple[range, WindowProducts]]:
    """Products of all shots, for consecutive channels that together are all of the line.

    `read` gives the measures of a block, `total` is the rows of the shot table. At most so many
    traces come at a time; one channel always.
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
    whole: list[NDArray[Any]] | None = None
    for block in blocks:
        own = join_products(list(block.values[LEAKAGE.name].products))
        parts = [part[:, channels] for part in (own.kept, own.removed, own.product)]
        if whole is None:
            whole = [np.zeros((total, *part.shape[1:]), part.dtype) for part in parts]
        for one, part in zip(whole, parts, strict=True):
            one[block.rows] += part
    assert whole is not None  # there is at least one span
    return WindowProducts(*whole)


def line_seams(unfinished: UnfinishedRun) -> SeamWindows | None:
    """Compare, block by block, what it made beyond its cuts with what is delivered there.

    None where the line is in one piece.
    """
    job, dead = unfinished.job, unfinished.counts.dead

    def delivered(source: int, rows: NDArray[np.int64], channels: range) -> NDArray[np.float32]:
        return unfinished.estimates(source, rows).read(np.arange(len(rows)), np.asarray(channels))

    parts: list[SeamWindows] = []
    for block in range(unfinished.plan.count):
        path = unfinished.folder.seam(block)
        if path.exists():
            kept: SeamEstimates = read_value(path)
            windows = unfinished.measures.windows
            for neighbours in kept.parts:
                parts += compare_neighbours(neighbours, job.shots, dead, windows, delivered)
    return join_seams(parts) if parts else None
