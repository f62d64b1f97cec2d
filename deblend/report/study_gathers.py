"""Gathers of all methods of a study side by side, with what each gets wrong."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill

import numpy as np
from matplotlib.figure import Figure

from deblend.report.contents import GatherSection
from deblend.report.drawing import CLIP_PERCENTILE, new_figure, plain
from deblend.report.section_figure import draw_gather

_PANEL_IN = 3.6
_WORDS = 34
"""Letters in a line of a heading, by the width of a panel."""


def gathers_figure(sections: Sequence[GatherSection], titles: Sequence[str]) -> Figure:
    """Truth and record cut at the fire times, then for each method its estimate and its error.

    All panels share both axes and one amplitude scale, that of the truth; `titles` are the
    methods with their settings, in the order of `sections`.
    """
    first = sections[0]
    assert first.truth is not None  # a line with a known answer
    size = np.abs(first.truth[first.live])
    clip = float(np.percentile(size[size > 0], CLIP_PERCENTILE)) if size.any() else 1.0
    columns = 1 + len(sections)
    figure = new_figure(2 * _PANEL_IN + 1.0)
    grid = figure.subplots(2, columns, sharex=True, sharey=True, squeeze=False)
    panels = [(first.truth, first.before - first.truth)]
    panels += [(one.after, one.after - first.truth) for one in sections]
    heads = [("truth", "interference and noise"), *((title, "error") for title in titles)]
    for column, (pair, words) in enumerate(zip(panels, heads, strict=True)):
        for axes, amplitude, head in zip(grid[:, column], pair, words, strict=True):
            image = draw_gather(axes, first, amplitude, clip)
            text = fill(plain(head), max(12, _WORDS * 4 // columns))
            axes.set_title(text, fontsize=10, loc="left")
            if axes in grid[1]:
                axes.set_xlabel("")
                axes.tick_params(labeltop=False)
            if column:
                axes.set_ylabel("")
                axes.tick_params(labelleft=False)
    bar = figure.colorbar(image, ax=list(grid.ravel()), orientation="horizontal", aspect=60)
    bar.set_label(
        f"amplitude (recorded unit), one scale for all panels, clipped at percentile "
        f"{CLIP_PERCENTILE:g} of the truth; positive dark"
    )
    return figure
