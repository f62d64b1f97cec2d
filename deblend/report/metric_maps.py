"""Maps of a metric over shots and channels, in windows of time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError

MOST_CELLS: Final = (250, 120)
"""Cells of a drawn map, (shot, channel); longer lines have several shots in a cell."""

MEANING: Final = {
    "local_similarity": "likeness of kept and removed part over neighbouring shots",
    "correlation": "correlation of kept and removed part, shot by shot",
    "orthogonalisation_weight": "part of the kept events found in the removed part",
    "interference_weight": "part of the removed events found in the kept part",
    "removed_over_kept": "energy removed over energy kept (dB)",
}
"""What a map shows, for the reader."""

PARTS: Final = frozenset({"orthogonalisation_weight", "interference_weight"})
"""Parts of one. Where next to nothing is left to divide by, they are many times that."""


@dataclass(frozen=True, eq=False)
class MetricMaps:
    """Metrics of every shot, channel and window.

    Raises
    ------
    InputError
        If shapes do not fit.
    """

    source: NDArray[np.generic]
    """(shot,): Which source fired."""
    shot_point: NDArray[np.int64]
    """(shot,): Shot point numbers."""
    channel: NDArray[np.int64]
    """(channel,): Channel numbers."""
    windows_s: tuple[tuple[float, float], ...]
    """Windows after the time break, in seconds."""
    values: Mapping[str, NDArray[np.float32]]
    """(shot, channel, window): One entry a metric; NaN where nothing was measured."""

    def __post_init__(self) -> None:
        shape = (*self.source.shape, *self.channel.shape, len(self.windows_s))
        wrong = [name for name, value in self.values.items() if value.shape != shape]
        if wrong or self.shot_point.shape != self.source.shape:
            raise InputError(
                f"maps do not have the shape {shape} of their labels: {', '.join(wrong)}",
                remedy="The file is damaged or comes from another version; run the line again.",
            )

    def rows_of(self, source: int | str) -> NDArray[np.int64]:
        """Rows of the shots of one source."""
        return np.flatnonzero(self.source == source)

    def nearest_window(self, window_s: tuple[float, float] | None) -> int:
        """The window that has its middle closest to that of another one."""
        if window_s is None:
            return 0
        middles = [start + stop for start, stop in self.windows_s]
        return int(np.argmin(np.abs(np.array(middles) - sum(window_s))))

    def limits(self, metric: str) -> tuple[float, float]:
        """Common limits of the colour scale of one metric: from its 1st to its 99th percentile.

        Parts of one end at plus and minus one, whatever a window without signal makes of them.
        """
        values = self.values[metric]
        finite = values[np.isfinite(values)]
        if not finite.size:
            return 0.0, 1.0
        low, high = (float(value) for value in np.percentile(finite, [1, 99]))
        if metric in PARTS:
            low, high = max(low, -1.0), min(high, 1.0)
        return (low, high) if high > low else (low - 0.5, low + 0.5)


def cells(
    values: NDArray[np.float32], most: tuple[int, int] = MOST_CELLS
) -> tuple[NDArray[np.float32], tuple[int, int]]:
    """A map (shot, channel) with at most so many cells, each the largest value inside it.

    Returns
    -------
    cells : ndarray of float32, shape (shot cell, channel cell)
        NaN where nothing was measured.
    step : tuple of int
        Shots and channels in a cell.
    """
    step = (-(-values.shape[0] // most[0]), -(-values.shape[1] // most[1]))
    known = np.where(np.isfinite(values), values, -np.inf)
    for axis, width in enumerate(step):
        known = np.maximum.reduceat(known, np.arange(0, known.shape[axis], width), axis=axis)
    return np.where(np.isinf(known), np.nan, known).astype(np.float32), step


def metric_meaning(metric: str) -> str:
    """What a map shows, in words."""
    return MEANING.get(metric, metric.replace("_", " "))
