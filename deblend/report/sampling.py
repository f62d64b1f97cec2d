"""What of a gather is drawn: its amplitude scale, rows that fit a screen, labels of its traces."""

from __future__ import annotations

from typing import Final

import numpy as np
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from deblend.report.contents import GatherSection
from deblend.report.tables import with_minus

CLIP_PERCENTILE: Final = 95.0


def display_clip(section: GatherSection, percentile: float = CLIP_PERCENTILE) -> float:
    """Amplitude at which all panels are clipped: a percentile of ``|before|`` on live traces.

    The other panels step in where `before` holds nothing; 1 where all of them are empty.
    """
    for amplitude in (section.before, section.after, section.truth):
        if amplitude is None:
            continue
        size = np.abs(amplitude[section.live])
        size = size[np.isfinite(size) & (size > 0)]
        if size.size:
            return float(np.percentile(size, percentile))
    return 1.0


def fewer_samples(amplitude: NDArray[np.floating], count: int) -> NDArray[np.float64]:
    """Means over `count` equal spans of time, which do not alias as picked samples would."""
    samples = amplitude.shape[1]
    if samples <= count:
        return amplitude.astype(np.float64)
    edges = np.linspace(0, samples, count + 1)
    whole = np.minimum(edges.astype(np.int64), samples - 1)
    total = np.pad(np.cumsum(amplitude, axis=1, dtype=np.float64), ((0, 0), (1, 0)))
    integral = total[:, whole] + (edges - whole) * amplitude[:, whole]
    means: NDArray[np.float64] = np.diff(integral, axis=1) / np.diff(edges)
    return means


def trace_ticks(axis: NDArray[np.float64]) -> tuple[list[float], list[str]]:
    """Round axis values and where they fall among traces drawn at equal width."""
    index = np.arange(axis.size)
    step = np.diff(axis)
    if axis.size > 1 and np.isfinite(axis).all() and ((step > 0).all() or (step < 0).all()):
        low, high = float(axis.min()), float(axis.max())
        locator = MaxNLocator(7, integer=True, steps=[1, 2, 5, 10])
        values = np.asarray(locator.tick_values(low, high))
        values = values[(values >= low) & (values <= high)]
        order = np.argsort(axis)
        places = np.interp(values, axis[order], index[order])
    else:
        places = np.unique(np.linspace(0, axis.size - 1, 5).round()).astype(np.int64)
        values = axis[places]
    return [float(place) for place in places], [with_minus(f"{value:.10g}") for value in values]
