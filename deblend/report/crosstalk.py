"""The crosstalk matrix: how much of each source is left in the gathers of each other one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.figure import Figure

from deblend.model.findings import Finding, Verdict
from deblend.report.drawing import COLOUR_MAP, new_figure, plain
from deblend.report.tables import Range, decibels, natural_order, whole_line, window_text

CROSSTALK: Final = "crosstalk"
LEFT: Final = "interference_left"
_SCALES: Final = {
    CROSSTALK: "energy that lines up, over its source (dB)",
    LEFT: "amplitude that lines up (% of its source)",
}


@dataclass(frozen=True)
class Cell:
    """What is left of one source in the gathers of another."""

    value: float
    """In the unit of the metric; an upper bound where nothing was found."""
    verdict: Verdict
    """Advice."""
    error: float | None = None
    """Its standard deviation; a bound has none."""

    @property
    def text(self) -> str:
        """The number and its standard deviation, a sign before a bound, a dash for neither."""
        if self.value != self.value:
            return "–"
        if self.error is None:
            return f"< {decibels(self.value)}"
        return f"{decibels(self.value)} ± {decibels(self.error)}"


@dataclass(frozen=True)
class Matrix:
    """One window of the crosstalk matrix; rows are the sources in whose gathers it was found."""

    window_s: Range
    sources: tuple[int | str, ...]
    cells: dict[tuple[int | str, int | str], Cell]

    @property
    def title(self) -> str:
        """The window in words."""
        return window_text(self.window_s)


def crosstalk_matrices(findings: Iterable[Finding], metric: str = CROSSTALK) -> list[Matrix]:
    """Matrices of all windows, in order of time, of a metric between two sources."""
    rows = [one for one in whole_line(findings) if one.metric == metric]
    rows = [one for one in rows if one.source is not None and one.other_source is not None]
    named = {name for one in rows for name in (one.source, one.other_source) if name is not None}
    sources = tuple(sorted(named, key=natural_order))
    windows = sorted({one.window_s for one in rows}, key=lambda window: window or (-1.0, -1.0))
    return [
        Matrix(
            window,
            sources,
            {
                (one.source, one.other_source): Cell(one.value, one.verdict, one.error)
                for one in rows
                if one.window_s == window and one.source is not None
                if one.other_source is not None
            },
        )
        for window in windows
    ]


def crosstalk_figure(findings: Iterable[Finding], metric: str = CROSSTALK) -> Figure:
    """The matrices side by side, brighter where more is left."""
    matrices = crosstalk_matrices(findings, metric)
    figure = new_figure(4.2)
    if not matrices:
        figure.text(0.5, 0.5, "no crosstalk was measured", ha="center")
        return figure
    values = np.array([cell.value for one in matrices for cell in one.cells.values()])
    low, high = float(np.nanmin(values)) - 1, float(np.nanmax(values)) + 1
    grid = figure.subplots(1, len(matrices), squeeze=False)[0]
    for axes, matrix in zip(grid, matrices, strict=True):
        count = len(matrix.sources)
        shown = np.full((count, count), np.nan)
        for (into, origin), cell in matrix.cells.items():
            place = matrix.sources.index(into), matrix.sources.index(origin)
            shown[place] = cell.value
            ink = "black" if cell.value > 0.5 * (low + high) else "white"
            lines = cell.text.replace(" ± ", "\n± ")
            axes.text(place[1], place[0], lines, ha="center", va="center", color=ink)
        image = axes.imshow(np.ma.masked_invalid(shown), cmap=COLOUR_MAP, vmin=low, vmax=high)
        labels = [plain(source) for source in matrix.sources]
        axes.set_xticks(range(count), labels)
        axes.set_yticks(range(count), labels)
        axes.set_xlabel("from source")
        axes.set_title(matrix.title, fontsize=11)
    grid[0].set_ylabel("in the gathers of source")
    figure.colorbar(image, ax=list(grid), shrink=0.8, label=_SCALES.get(metric, plain(metric)))
    return figure
