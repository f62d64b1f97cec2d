"""The page of a study: quality of methods against time, dither, noise and blending fold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter
from numpy.typing import NDArray

from deblend.report.drawing import COLOURS, MARKERS, colour, marker, new_figure, plain, tidy

ACROSS = 3


@dataclass(frozen=True, eq=False)
class Curve:
    """Scores of one method."""

    method: str
    """Its label."""
    number: int
    """Of the method, which sets its colour and mark in all pictures."""
    x: NDArray[np.float64]
    """(point,): What the score is held against."""
    snr_db: NDArray[np.float64]
    low_db: NDArray[np.float64]
    high_db: NDArray[np.float64]
    """(point,): Mean over seeds and its interval."""


@dataclass(frozen=True, eq=False)
class Panel:
    """Curves that belong together, as a rule of one scene."""

    title: str
    curves: tuple[Curve, ...]


def pareto_figure(panels: Sequence[Panel]) -> Figure:
    """Quality against time; the grey line joins what no other method beats in both."""
    figure, axes = _panels(panels)
    for one, panel in zip(axes, panels, strict=True):
        points = np.array([(c.x[0], c.snr_db[0]) for c in panel.curves if np.isfinite(c.snr_db[0])])
        front = unbeaten(points) if len(points) else points
        if len(front):
            one.step(front[:, 0], front[:, 1], where="post", color="0.6", zorder=1)
        _draw(one, panel, joined=False)
        one.set_xscale("log")
        # Every tick with a label of its own would write 0.7, 0.8, 0.9 and 1 into each other.
        one.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        one.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        one.xaxis.set_minor_formatter(NullFormatter())
    _label(figure, axes, "time of the separation (s), logarithmic")
    return figure


def unbeaten(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (time, quality) that no other one beats in both, by rising time."""
    kept, best = [], -np.inf
    for time, quality in sorted(points.tolist(), key=lambda point: (point[0], -point[1])):
        if quality > best:
            kept.append((time, quality))
            best = quality
    return np.array(kept, np.float64).reshape(-1, 2)


def dependence_figure(panels: Sequence[Panel], quantity: str, *, joined: bool = True) -> Figure:
    """Quality against a quantity named with its unit, one panel a scene."""
    figure, axes = _panels(panels)
    for one, panel in zip(axes, panels, strict=True):
        _draw(one, panel, joined=joined)
    _label(figure, axes, quantity)
    return figure


def search_figure(
    quantity: str, values: Sequence[float], curves: dict[str, NDArray[np.float64]], chosen: float
) -> Figure:
    """Score against a setting; a line marks the value that was chosen.

    `curves` are scores of shape (value,), by label with unit.
    """
    figure = new_figure(4.0)
    grid = figure.subplots(1, len(curves), squeeze=False)[0]
    for number, (axes, (label, scores)) in enumerate(zip(grid, curves.items(), strict=True)):
        axes.plot(values, scores, marker=MARKERS[number], color=COLOURS[number])
        axes.axvline(chosen, color="0.6", linestyle="--")
        axes.set_xlabel(plain(quantity))
        axes.set_ylabel(plain(label))
        tidy(axes)
    return figure


def _panels(panels: Sequence[Panel]) -> tuple[Figure, list[Axes]]:
    rows = -(-len(panels) // ACROSS)
    figure = new_figure(0.9 + 3.1 * rows)
    across = min(ACROSS, len(panels))
    grid = figure.subplots(rows, across, squeeze=False, sharex=True, sharey=True)
    axes: list[Axes] = list(grid.ravel())
    for one in axes:
        one.tick_params(labelbottom=True, labelleft=True)
    for spare in axes[len(panels) :]:
        spare.set_visible(False)
    return figure, axes[: len(panels)]


def _draw(axes: Axes, panel: Panel, *, joined: bool) -> None:
    for curve in panel.curves:
        order = np.argsort(curve.x)
        error = np.stack([curve.snr_db - curve.low_db, curve.high_db - curve.snr_db])
        axes.errorbar(
            curve.x[order],
            curve.snr_db[order],
            np.maximum(error[:, order], 0.0),
            color=colour(curve.number),
            marker=marker(curve.number),
            linestyle="-" if joined else "none",
            capsize=3,
            label=plain(curve.method),
        )
    axes.set_title(plain(panel.title), fontsize="medium")
    tidy(axes)


def _label(figure: Figure, axes: Sequence[Axes], quantity: str) -> None:
    for one in axes:
        one.set_xlabel(plain(quantity))
        one.set_ylabel("signal-to-noise ratio (dB)")
    handles: dict[str, Artist] = {}
    for one in axes:
        for handle, label in zip(*one.get_legend_handles_labels(), strict=True):
            handles.setdefault(label, handle)
    figure.legend(
        list(handles.values()), list(handles), loc="outside upper center", ncols=7, frameon=False
    )
