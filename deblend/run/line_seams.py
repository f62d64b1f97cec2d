"""Seams of a line, from what its blocks have estimated beyond their cuts."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from deblend.qc.seams import SHOTS, SeamWindows, join_seams, seam_windows
from deblend.run.stored_values import read_value
from deblend.run.unfinished import UnfinishedRun
from deblend.separation.neighbours import Neighbours, SeamEstimates

_SHOTS_AT_ONCE = 16 * SHOTS


def line_seams(unfinished: UnfinishedRun) -> SeamWindows | None:
    """Compare, block by block, what it made beyond its cuts with what is delivered there.

    Returns
    -------
    SeamWindows or None
        None where the line is in one piece.
    """
    parts: list[SeamWindows] = []
    for block in range(unfinished.plan.count):
        path = unfinished.folder.seam(block)
        if path.exists():
            kept: SeamEstimates = read_value(path)
            for neighbours in kept.parts:
                parts += _compared(unfinished, neighbours)
    return join_seams(parts) if parts else None


def _compared(unfinished: UnfinishedRun, neighbours: Neighbours) -> Iterator[SeamWindows]:
    """Source by source, some shots at a time."""
    shots, channels = unfinished.job.shots, neighbours.channels
    dead = unfinished.counts.dead[channels.start : channels.stop]
    for number, source in enumerate(shots.sources):
        own = np.flatnonzero(shots.source[neighbours.rows] == source)
        for begin in range(0, len(own), _SHOTS_AT_ONCE):
            some = own[begin : begin + _SHOTS_AT_ONCE]
            rows = neighbours.rows[some]
            delivered = unfinished.estimates(number, rows).read(
                np.arange(len(rows)), np.asarray(channels)
            )
            other = np.where(dead[:, None], 0, neighbours.estimate[some])
            yield seam_windows(delivered, other, rows, channels, unfinished.measures.windows)
