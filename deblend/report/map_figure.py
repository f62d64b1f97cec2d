"""A map of one metric over shots and channels, one panel a source, at one colour scale."""

from __future__ import annotations

from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from deblend.report.drawing import new_figure, plain
from deblend.report.metric_maps import MetricMaps, cells, metric_meaning

COLOUR_MAP: Final = "cividis"
"""Uniform to the eye, and read alike with any colour vision."""


def map_figure(maps: MetricMaps, metric: str, window: int = 0) -> Figure:
    """Map of one metric in one window of time.

    Parameters
    ----------
    maps : MetricMaps
        All metrics.
    metric : str
        Name of one.
    window : int, optional
        Which window.
    """
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
        axes.set_title(f"source {plain(source)}", fontsize=11, loc="left")
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
