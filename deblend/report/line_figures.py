"""Pictures of a whole line: convergence, fire times and blending fold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.ndimage
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from deblend.model.timebase import format_instant
from deblend.report.contents import Acquisition, Convergence
from deblend.report.drawing import (
    COLOURS,
    LINES,
    colour,
    heading,
    marker,
    new_figure,
    padded_limits,
    plain,
    tidy,
)

RUNNING_SHOTS: Final = 21
"""Shots of the running median that stands for the planned interval."""

_LARGEST_LEGEND: Final = 8
_FOLD_SPANS: Final = 300


@dataclass(frozen=True, eq=False)
class FireIntervals:
    """Time since the shot before, for the shots of one source in order of time."""

    shot_point: NDArray[np.int64]
    """(shot,): Shot point of each shot but the first."""
    same_source_s: NDArray[np.float64]
    """(shot,): Time since the previous shot of this source, in seconds."""
    any_source_s: NDArray[np.float64]
    """(shot,): Time since the previous shot of any source, in seconds."""
    deviation_s: NDArray[np.float64]
    """(shot,): `same_source_s` less its running median over `RUNNING_SHOTS` shots, smoothed by a
    running mean of the same length (a bare median would equal one shot in each 21 exactly)."""


def fire_intervals(acquisition: Acquisition, source: int | str) -> FireIntervals:
    """Fire-time intervals of one source; differences are taken in whole nanoseconds."""
    order = np.argsort(acquisition.fire_time_ns, kind="stable")
    times = acquisition.fire_time_ns[order]
    before = np.concatenate([[0], np.diff(times)])
    mine = np.flatnonzero(acquisition.source[order] == source)
    same = np.diff(times[mine]) * 1e-9
    median = scipy.ndimage.median_filter(same, RUNNING_SHOTS, mode="nearest")
    planned = scipy.ndimage.uniform_filter1d(median, RUNNING_SHOTS, mode="nearest")
    return FireIntervals(
        shot_point=acquisition.shot_point[order][mine[1:]],
        same_source_s=same,
        any_source_s=before[mine[1:]] * 1e-9,
        deviation_s=same - planned,
    )


def convergence_figure(convergence: Sequence[Convergence]) -> Figure:
    """Residual and threshold against iteration, one curve a block of channels.

    A falling residual proves nothing alone, and the picture says so.
    """
    figure = new_figure(4.2)
    left, right = figure.subplots(1, 2)
    for k, block in enumerate(convergence):
        style = {
            "color": colour(k),
            "linestyle": LINES[k // len(COLOURS) % len(LINES)],
            "marker": marker(k),
            "markersize": 3.5,
            "markevery": max(1, block.iteration.size // 12),
            "label": plain(block.label or f"block {k + 1}"),
        }
        left.plot(block.iteration, _finite(block.residual_db), **style)
        right.plot(
            block.iteration,
            _finite(np.where(block.strictness > 0, block.strictness, np.nan)),
            **style,
        )
    left.set_ylabel("re-blend residual (dB of the record)")
    heading(left, "A low residual is necessary; alone it proves nothing")
    right.set_ylabel("threshold / reference amplitude")
    heading(right, "Threshold")
    right.set_yscale("log")
    for axes in (left, right):
        axes.set_xlabel("iteration")
        tidy(axes)
    if 1 < len(convergence) <= _LARGEST_LEGEND:
        left.legend(frameon=False, fontsize=9)
    return figure


def _finite(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(np.isfinite(values), values, np.nan)


def dither_figure(acquisition: Acquisition) -> Figure:
    """Intervals between shots against shot point, and the histogram of their deviations."""
    figure = new_figure(7.2)
    (same, spread), (other, nearness) = figure.subplots(2, 2, width_ratios=(2.4, 1))
    sources = acquisition.sources
    parts = [fire_intervals(acquisition, source) for source in sources]
    for k, (source, part) in enumerate(zip(sources, parts, strict=True)):
        style = {
            "color": colour(k),
            "marker": marker(k),
            "linestyle": "none",
            "markersize": 3.5,
            "label": f"source {plain(source)}",
        }
        same.plot(part.shot_point, part.same_source_s, **style)
        other.plot(part.shot_point, part.any_source_s, **style)
    _histogram(spread, [1e3 * part.deviation_s for part in parts])
    spread.set_xlabel(f"deviation from the running trend of {RUNNING_SHOTS} shots (ms)")
    heading(spread, "Dither: deviations of the interval above")
    _histogram(nearness, [part.any_source_s for part in parts])
    nearness.set_xlabel("time since the previous shot of any source (s)")
    heading(nearness, "How close shots follow each other")
    for axes, whose, which in ((same, "its own source", 0), (other, "any source", 1)):
        values = np.concatenate([(p.same_source_s, p.any_source_s)[which] for p in parts])
        hidden = _limit_to_bulk(axes, values)
        heading(axes, f"Time since the previous shot of {whose}{hidden}")
        axes.set_ylabel("interval (s)")
        axes.set_xlabel("shot point")
        tidy(axes)
    if len(sources) <= _LARGEST_LEGEND:
        same.legend(frameon=False, fontsize=9, ncols=len(sources), loc="upper right")
    return figure


def _bulk(values: NDArray[np.float64]) -> tuple[float, float]:
    """Limits that leave out what lies far from the rest, such as a break in the line."""
    if not values.size:
        return 0.0, 1.0
    low, high = np.percentile(values, [2, 98])
    reach = max(1.5 * (high - low), 1e-6)
    inside = values[(values >= low - reach) & (values <= high + reach)]
    return padded_limits(inside)


def _limit_to_bulk(axes: Axes, values: NDArray[np.float64]) -> str:
    """Set the limits; return a remark for the title when values lie outside them."""
    low, high = _bulk(values)
    axes.set_ylim(low, high + 0.12 * (high - low))  # room for the legend
    outside = int(((values < low) | (values > axes.get_ylim()[1])).sum())
    return f" ({outside} outside the axis)" if outside else ""


def _histogram(axes: Axes, parts: Sequence[NDArray[np.float64]]) -> None:
    """Stacked counts of all sources, within the bulk of the values."""
    values = np.concatenate(parts)
    low, high = _bulk(values)
    colours = [colour(k) for k in range(len(parts))]
    axes.hist(list(parts), bins=30, range=(low, high), stacked=True, color=colours)
    axes.set_xlim(low, high)
    outside = int(((values < low) | (values > high)).sum())
    axes.set_ylabel(f"shots ({outside} outside the axis)" if outside else "shots")
    tidy(axes)


def fold_figure(acquisition: Acquisition) -> Figure:
    """Blending fold along the record, and how much of the record has which fold."""
    figure = new_figure(3.4)
    along, share = figure.subplots(1, 2, width_ratios=(2.4, 1))
    fold = acquisition.fold
    group = -(-fold.size // _FOLD_SPANS) or 1
    starts = np.arange(0, fold.size, group)
    if fold.size:
        minutes = starts * acquisition.fold_interval_s / 60
        low, high = np.minimum.reduceat(fold, starts), np.maximum.reduceat(fold, starts)
        mean = np.add.reduceat(fold, starts) / np.diff(np.append(starts, fold.size))
        along.fill_between(minutes, low, high, step="post", color=COLOURS[4], alpha=0.5, lw=0)
        along.step(minutes, mean, where="post", color=COLOURS[0], linewidth=1.4)
        counts = np.bincount(fold)
        share.bar(np.arange(counts.size), 100 * counts / fold.size, color=COLOURS[0], width=0.7)
        share.set_xticks(np.arange(counts.size)[:: -(-counts.size // 12)])
    start = format_instant(acquisition.fold_start_ns, acquisition.time_scale, 3)
    scale = acquisition.time_scale.upper()
    along.set_xlabel(f"time since {start.removesuffix('Z')} {scale} (min)")
    along.set_ylabel("blending fold (shots)")
    along.set_ylim(0, max(1, int(fold.max(initial=0))) + 0.5)
    span = f"each {group * acquisition.fold_interval_s:.3g} s"
    title = f"Shots active at an instant: mean of {span} (line), least and most in it (band)"
    heading(along, title)
    along.yaxis.set_major_locator(MaxNLocator(8, integer=True))
    share.set_xlabel("blending fold (shots)")
    share.set_ylabel("part of the record (%)")
    heading(share, "Distribution")
    for axes in (along, share):
        tidy(axes)
    return figure
