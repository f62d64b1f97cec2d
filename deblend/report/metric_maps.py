"""Maps of a metric over shots and channels in windows of time, and their picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.report.drawing import COLOUR_MAP, heading, new_figure, plain

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
    """Metrics of every shot, channel and window."""

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

    NaN where nothing was measured. Also gives the shots and channels in a cell.
    """
    step = (-(-values.shape[0] // most[0]), -(-values.shape[1] // most[1]))
    known = np.where(np.isfinite(values), values, -np.inf)
    for axis, width in enumerate(step):
        known = np.maximum.reduceat(known, np.arange(0, known.shape[axis], width), axis=axis)
    return np.where(np.isinf(known), np.nan, known).astype(np.float32), step


def metric_meaning(metric: str) -> str:
    """What a map shows, in words."""
    return MEANING.get(metric, metric.replace("_", " "))


def map_figure(maps: MetricMaps, metric: str, window: int = 0) -> Figure:
    """Map of one metric in one window of time."""
    sources = np.unique(maps.source).tolist()
    figure = new_figure(1.0 + 1.9 * len(sources))
    low, high = maps.limits(metric)
    image = None
    for axes, source in zip(
        figure.subplots(len(sources), 1, squeeze=False)[:, 0], sources, strict=True
    ):
        rows = maps.rows_of(source)
        cell, step = cells(maps.values[metric][rows, :, window])
        image = axes.imshow(
            np.ma.masked_invalid(cell).T,
            aspect="auto",
            cmap=COLOUR_MAP,
            vmin=low,
            vmax=high,
            interpolation="nearest",
            extent=(-0.5, cell.shape[0] * step[0] - 0.5, cell.shape[1] * step[1] - 0.5, -0.5),
        )
        heading(axes, f"source {plain(source)}")
        _label(axes, maps.shot_point[rows], maps.channel)
    start, stop = maps.windows_s[window]
    figure.suptitle(
        f"{plain(metric_meaning(metric))}, {start:.4g} to {stop:.4g} s after firing", fontsize=11
    )
    if image is not None:
        label = plain(metric.replace("_", " ")) + (" (dB)" if metric == "removed_over_kept" else "")
        figure.colorbar(image, ax=figure.axes, aspect=40, pad=0.01, label=label)
    return figure


def _label(axes: Axes, points: NDArray[np.int64], channels: NDArray[np.int64]) -> None:
    for axis, numbers, count in ((axes.xaxis, points, 10), (axes.yaxis, channels, 4)):
        step = -(-len(numbers) // count)
        places = np.arange(0, len(numbers), step)
        axis.set_ticks(places.tolist(), [str(number) for number in numbers[places]])
    axes.set_xlabel("shot point")
    axes.set_ylabel("channel")
    axes.set_xlim(-0.5, len(points) - 0.5)
    axes.set_ylim(len(channels) - 0.5, -0.5)
