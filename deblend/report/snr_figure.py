"""Signal-to-noise ratio of each source and window, between its start and its cap."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Final

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from deblend.report.drawing import colour, new_figure, padded_limits, plain, tidy
from deblend.report.tables import SnrRow, decibels, with_minus

MOST_ABREAST: Final = 30
"""Bars whose labels find room beside each other; those of more stand upright."""


def snr_figure(rows: Sequence[SnrRow]) -> Figure:
    """Bars of the ratio reached, from the starting value up; a line shows the noise limit."""
    figure = new_figure(4.4)
    axes = figure.subplots()
    places = list(dict.fromkeys(row.place for row in rows))
    sources = list(dict.fromkeys(row.source for row in rows))
    width = 0.8 / max(1, len(sources))
    levels = [level for row in rows for level in (row.start, row.value, row.limit)]
    crowded = len(places) * len(sources) > MOST_ABREAST
    low, high = padded_limits(np.array([0.0, *levels]), 0.16 if crowded else 0.08)
    span = high - low
    for row in rows:
        if not isfinite(row.value):
            continue
        k = sources.index(row.source)
        centre = places.index(row.place) + (k - (len(sources) - 1) / 2) * width
        start = row.start if isfinite(row.start) else 0.0
        axes.bar(centre, row.value - start, 0.9 * width, start, color=colour(k))
        reach = 0.45 * width
        axes.hlines(row.limit, centre - reach, centre + reach, color="black", linewidth=2)
        axes.plot(centre, row.start, marker="o", mfc="white", mec="black", linestyle="none")
        axes.annotate(
            decibels(row.value),
            (centre, _label_height(row, start, span)),
            (0, 2),
            textcoords="offset points",
            ha="center",
            fontsize=9 if len(sources) <= 3 else 7,
            rotation=90 if crowded else 0,
        )
    axes.set_xticks(range(len(places)), places)
    axes.set_xlabel("frequency band" if rows and rows[0].band_hz else "time after firing")
    axes.set_ylabel("signal-to-noise ratio (dB)")
    axes.axhline(0, color="0.4", linewidth=0.8)
    axes.set_ylim(low, high)
    tidy(axes)
    axes.xaxis.grid(False)
    _key(figure, sources, has_limit=any(isfinite(row.limit) for row in rows))
    return figure


def _label_height(row: SnrRow, start: float, span: float) -> float:
    """Above the bar, and above the noise limit where that lies just over the bar."""
    top = max(row.value, start)
    return row.limit if top <= row.limit < top + 0.06 * span else top


def _key(figure: Figure, sources: Sequence[int | str], *, has_limit: bool) -> None:
    entries = [
        Line2D(
            [],
            [],
            color=colour(k),
            linewidth=7,
            label=f"source {plain(with_minus(str(name)))}",
        )
        for k, name in enumerate(sources)
    ]
    entries.append(
        Line2D([], [], marker="o", mfc="white", mec="black", ls="none", label="before separation")
    )
    if has_limit:
        entries.append(Line2D([], [], color="black", linewidth=2, label="noise limit"))
    figure.legend(
        handles=entries, loc="outside upper left", ncols=min(len(entries), 9), frameon=False
    )
