"""The page of a source test: lines beside each other in a table, and flipping in place in pictures.

Flipping is done by the browser's own buttons and style, so that the page runs no script.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from deblend.report.drawing import (
    CLIP_PERCENTILE,
    colour,
    fewer_samples,
    new_figure,
    plain,
    tidy,
    trace_ticks,
)
from deblend.report.page_frame import ReportFigure, render_page

Traces = NDArray[np.float32]
_ROWS: Final = 500


@dataclass(frozen=True, eq=False)
class LinesPanel:
    """The same places in all lines, matched in strength."""

    title: str
    caption: str
    """What is shown, with bins, fold and match."""
    traces: Mapping[str, Traces]
    """(trace, time) by the name of the line; NaN where it has no trace."""
    benchmark: str
    """Name of the line that differences are taken against; its amplitudes set the scale."""
    axis: NDArray[np.float64]
    axis_label: str
    """What tells the traces apart, with its unit."""
    interval_s: float

    @property
    def views(self) -> dict[str, Traces]:
        """Each line, then each less the benchmark."""
        own = self.traces[self.benchmark]
        differences = {
            f"{name} − {self.benchmark}": traces - own
            for name, traces in self.traces.items()
            if name != self.benchmark
        }
        return {**self.traces, **differences}

    @property
    def clip(self) -> float:
        """Amplitude of full black and white, one for all views."""
        size = np.abs(self.traces[self.benchmark])
        size = size[np.isfinite(size) & (size > 0)]
        return float(np.percentile(size, CLIP_PERCENTILE)) if size.size else 1.0


@dataclass(frozen=True, eq=False)
class Curves:
    """Curves of all lines in one panel."""

    title: str
    x_label: str
    y_label: str
    curves: Mapping[str, tuple[NDArray[np.float64], NDArray[np.float64]]]
    """x and y by the name of the line."""


def view_figure(panel: LinesPanel, name: str) -> Figure:
    """One view of a panel at the scale of all; time runs down, positive amplitudes are dark."""
    traces, clip = panel.views[name], panel.clip
    figure = new_figure(5.2)
    axes = figure.subplots()
    image = axes.imshow(
        np.ma.masked_invalid(np.clip(fewer_samples(traces, _ROWS), -clip, clip)).T,
        aspect="auto",
        cmap="gray_r",
        vmin=-clip,
        vmax=clip,
        interpolation="nearest",
        extent=(-0.5, len(traces) - 0.5, traces.shape[1] * panel.interval_s, 0.0),
    )
    axes.set_title(f"{plain(panel.title)}: {plain(name)}", fontsize=11, loc="left")
    axes.set_xticks(*trace_ticks(panel.axis))
    axes.set_xlabel(plain(panel.axis_label))
    axes.set_ylabel("time (s)")
    bar = figure.colorbar(
        image, ax=axes, aspect=40, pad=0.01, label="amplitude of the benchmark, gained"
    )
    bar.set_ticks([-clip, 0, clip], labels=[f"−{clip:.3g}", "0", f"+{clip:.3g}"])
    return figure


def curves_figure(panels: Sequence[Curves]) -> Figure:
    """Curves of all lines, panels side by side."""
    figure = new_figure(3.8)
    grid = figure.subplots(1, len(panels), squeeze=False)[0]
    for axes, panel in zip(grid, panels, strict=True):
        for number, (name, (x, y)) in enumerate(panel.curves.items()):
            axes.plot(x, y, color=colour(number), linewidth=1.3, label=plain(name))
        axes.set_title(plain(panel.title), fontsize=10, loc="left")
        axes.set_xlabel(panel.x_label)
        tidy(axes)
    grid[0].set_ylabel(panels[0].y_label)
    handles, labels = grid[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper center", ncols=4, frameon=False)
    return figure


def file_name(panel: LinesPanel, view: str) -> str:
    """Name of the picture of a view, without its ending."""
    words = f"{panel.title} {view}".replace("−", "minus")
    return "-".join("".join(c if c.isalnum() else " " for c in words).lower().split())


def panel_figures(panel: LinesPanel) -> list[ReportFigure]:
    """A figure for every view of a panel."""
    return [
        ReportFigure(
            name=file_name(panel, view),
            draw=lambda view=view: view_figure(panel, view),  # type: ignore[misc]
            alt=f"{panel.title} of {view}.",
            title=view,
        )
        for view in panel.views
    ]


def render_trial(
    values: Mapping[str, Any], panels: Sequence[LinesPanel], curves: Sequence[ReportFigure]
) -> str:
    """The page as text; `values` are the names that the template calls besides pictures."""
    flips = [
        {
            "title": panel.title,
            "caption": panel.caption,
            "views": [one.picture() for one in panel_figures(panel)],
        }
        for panel in panels
    ]
    return render_page(
        "trial.html", {**values, "flips": flips, "curves": [one.picture() for one in curves]}
    )
