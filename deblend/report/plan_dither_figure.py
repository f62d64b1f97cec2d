"""Pictures of the delays: distribution of differences, and what stays coherent."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from deblend.plan.contents import PlanContents
from deblend.plan.dither_diagnostics import (
    LOWEST_HZ,
    OCTAVES_HZ,
    WINDOW_SHOTS,
    Pairing,
    coherent_power,
    expected_power,
    pairings,
)
from deblend.plan.numbers import AlternativeNumbers
from deblend.plan.plan_file import speeds_m_s
from deblend.report.drawing import new_figure, plain, tidy
from deblend.report.plan_figures import style

PAIRS_SHOWN = 3
"""Curves of coherent power in one panel; more hide each other."""


def dither_figure(contents: PlanContents) -> Figure | None:
    """Differences of overlapping shots, and coherent power against frequency.

    None where no two shots of any alternative overlap.
    """
    found = [
        (k, column, pairs)
        for k, column in enumerate(contents.columns)
        if (pairs := _pairs(column, contents.target.record_length_s))
    ]
    if not found:
        return None
    figure = new_figure(2.7 * len(found))
    grid = np.reshape(figure.subplots(len(found), 2, squeeze=False), (len(found), 2))
    for row, (k, column, pairs) in zip(grid, found, strict=True):
        _differences(row[0], column, pairs, style(k)[0])
        _power(row[1], column, pairs, style(k)[0])
    grid[-1, 0].set_xlabel("time difference about its median (s)")
    grid[-1, 1].set_xlabel("frequency (Hz)")
    return figure


def _pairs(column: AlternativeNumbers, record_s: float) -> list[Pairing]:
    firing = column.firing
    times = firing.times_s(speeds_m_s(column.alternative)[1])
    return pairings(firing.shot_point, firing.source, times, record_s)


def _differences(axes: Axes, column: AlternativeNumbers, pairs: list[Pairing], colour: str) -> None:
    values = np.concatenate([pairing.varying_s for pairing in pairs])
    reach = max(float(np.abs(values).max()), 1e-3) * 1.05
    axes.hist(values, bins=61, range=(-reach, reach), density=True, color=colour, alpha=0.55)
    width = 2.0 * column.alternative.dither.range_s
    if column.alternative.dither.law == "uniform":
        at = np.linspace(-reach, reach, 400)
        triangle = np.maximum(1.0 - np.abs(at) / width, 0.0) / width
        axes.plot(at, triangle, color="black", linewidth=1.2, label="two uniform delays")
        axes.legend(frameon=False, fontsize=8)
    axes.set_ylabel("density (1/s)")
    axes.set_title(
        f"{plain(column.alternative.name)}: differences of overlapping shots",
        loc="left",
        fontsize=10,
    )
    tidy(axes)


def _power(axes: Axes, column: AlternativeNumbers, pairs: list[Pairing], colour: str) -> None:
    frequency = np.geomspace(0.3, OCTAVES_HZ[-1], 240)
    for number, pairing in enumerate(pairs[:PAIRS_SHOWN]):
        power = coherent_power(pairing.varying_s, frequency)
        label = "drawn, pairs of sources" if number == 0 else None
        axes.semilogx(frequency, _db(power), color=colour, linewidth=0.8, label=label)
    if column.alternative.dither.law == "uniform":
        width = 2.0 * column.alternative.dither.range_s
        shots = len(pairs[0].varying_s)
        expected = expected_power(frequency, width, shots)
        axes.semilogx(frequency, _db(expected), color="black", label="expected, whole line")
        window = expected_power(frequency, width, WINDOW_SHOTS)
        text = f"expected, {WINDOW_SHOTS} shots"
        axes.semilogx(frequency, _db(window), color="black", linestyle="--", label=text)
    axes.axvline(LOWEST_HZ, color="0.6", linestyle=":")
    axes.set_ylim(-45, 3)
    axes.set_ylabel("coherent power (dB)")
    axes.set_xticks([0.5, 1, 2, 4, 8, 16, 32, 64], ["0.5", "1", "2", "4", "8", "16", "32", "64"])
    axes.minorticks_off()
    axes.legend(frameon=False, fontsize=8, loc="lower left")
    tidy(axes)


def _db(power: np.ndarray) -> np.ndarray:
    return np.asarray(10.0 * np.log10(np.maximum(power, 1e-6)))
