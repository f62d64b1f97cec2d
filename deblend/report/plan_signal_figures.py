"""Pictures of a plan: predicted separation, differences of fire times, far-field signatures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from deblend.report.drawing import COLOURS, LINES, new_figure, plain, tidy
from deblend.report.plan_figures import style

Floats = NDArray[np.float64]
LOWEST_DB: Final = -40.0
SHOWN_HZ: Final = 250.0
SHOWN_S: Final = 0.25


@dataclass(frozen=True, eq=False)
class PredictedCurves:
    """Predicted ratios of truth over error of one alternative."""

    number: int
    name: str
    """Place of the alternative among all, for its colour, and its name."""
    time_s: Floats
    """(window,): Middle of each window after firing."""
    start_db: Floats
    mean_db: Floats
    low_db: Floats
    high_db: Floats
    """(window,): Before separation; after it, mean, lowest and highest draw of the delays."""


@dataclass(frozen=True, eq=False)
class DelayCurves:
    """Differences of fire times of one alternative, and what stays coherent."""

    number: int
    name: str
    """As in `PredictedCurves`."""
    difference_s: Floats
    """(shot,): Differences of overlapping shots about their median, all pairs of sources."""
    uniform_s: float | None
    """Range of the delays where they are uniform, twice the plus and minus of the plan."""
    frequency_hz: Floats
    power_db: Sequence[Floats]
    """(frequency,): Coherent power of the first pairs of sources, as drawn."""
    expected_db: Sequence[tuple[str, Floats]]
    """(frequency,): What uniform delays lead to, each with its label; empty for others."""
    lowest_hz: float
    """Low end of the band."""


@dataclass(frozen=True, eq=False)
class SignatureCurves:
    """A far-field signature."""

    name: str
    """Of the source, with whether its ghost is in it."""
    bar_m: Floats
    """(time,): Pressure at 1 m."""
    interval_s: float
    """Between samples."""
    frequency_hz: Floats
    level_db: Floats
    """(frequency,): Amplitude spectrum, re 1 µPa·m/Hz."""
    notches_hz: tuple[float, ...]
    """To be expected from the depth."""


def prediction_figure(
    ratios: Sequence[PredictedCurves], window_s: tuple[float, float], record_length_s: float
) -> Figure:
    """Ratios before and after by window, one panel an alternative that was simulated."""
    figure = new_figure(4.6)
    panels = np.atleast_1d(figure.subplots(1, len(ratios), sharex=True, sharey=True))
    for axes, one in zip(panels, ratios, strict=True):
        axes.axhspan(*window_s, color="0.93", zorder=0)
        _ratios(axes, one)
    panels[0].set_ylabel("time after firing (s)")
    panels[0].set_ylim(record_length_s, 0.0)
    panels[0].legend(frameon=False, fontsize=8)
    return figure


def _ratios(axes: Axes, one: PredictedCurves) -> None:
    colour, _ = style(one.number)
    start_db = np.maximum(one.start_db, LOWEST_DB)
    axes.plot(start_db, one.time_s, "o", mfc="white", mec=colour, label="before")
    axes.errorbar(
        one.mean_db,
        one.time_s,
        xerr=[one.mean_db - one.low_db, one.high_db - one.mean_db],
        fmt="o-",
        color=colour,
        capsize=3,
        label="after",
    )
    axes.axvline(0.0, color="0.5", linewidth=0.8)
    axes.set_title(plain(one.name), fontsize=9)
    axes.set_xlabel("truth over error (dB)")
    tidy(axes)


def dither_figure(alternatives: Sequence[DelayCurves]) -> Figure:
    """Differences of overlapping shots, and coherent power against frequency."""
    figure = new_figure(2.7 * len(alternatives))
    grid = figure.subplots(len(alternatives), 2, squeeze=False)
    for row, one in zip(grid, alternatives, strict=True):
        _differences(row[0], one)
        _power(row[1], one)
    grid[-1, 0].set_xlabel("time difference about its median (s)")
    grid[-1, 1].set_xlabel("frequency (Hz)")
    return figure


def _differences(axes: Axes, one: DelayCurves) -> None:
    values, width = one.difference_s, one.uniform_s
    reach = max(float(np.abs(values).max()), 1e-3) * 1.05
    colour = style(one.number)[0]
    axes.hist(values, bins=61, range=(-reach, reach), density=True, color=colour, alpha=0.55)
    if width is not None:
        at = np.linspace(-reach, reach, 400)
        triangle = np.maximum(1.0 - np.abs(at) / width, 0.0) / width
        axes.plot(at, triangle, color="black", linewidth=1.2, label="two uniform delays")
        axes.legend(frameon=False, fontsize=8)
    axes.set_ylabel("density (1/s)")
    title = f"{plain(one.name)}: differences of overlapping shots"
    axes.set_title(title, loc="left", fontsize=10)
    tidy(axes)


def _power(axes: Axes, one: DelayCurves) -> None:
    colour = style(one.number)[0]
    for number, power_db in enumerate(one.power_db):
        label = "drawn, pairs of sources" if number == 0 else None
        axes.semilogx(one.frequency_hz, power_db, color=colour, linewidth=0.8, label=label)
    for line, (label, power_db) in zip(LINES, one.expected_db, strict=False):
        axes.semilogx(one.frequency_hz, power_db, color="black", linestyle=line, label=label)
    axes.axvline(one.lowest_hz, color="0.6", linestyle=":")
    axes.set_ylim(-45, 3)
    axes.set_ylabel("coherent power (dB)")
    axes.set_xticks([0.5, 1, 2, 4, 8, 16, 32, 64], ["0.5", "1", "2", "4", "8", "16", "32", "64"])
    axes.minorticks_off()
    axes.legend(frameon=False, fontsize=8, loc="lower left")
    tidy(axes)


def signature_figure(signatures: Sequence[SignatureCurves]) -> Figure:
    """Signatures on one time axis, and their spectra on one level axis."""
    figure = new_figure(4.8)
    left, right = figure.subplots(1, 2)
    for k, one in enumerate(signatures):
        colour, line = COLOURS[k % len(COLOURS)], LINES[(k // len(COLOURS)) % len(LINES)]
        time = np.arange(len(one.bar_m)) * one.interval_s
        left.plot(time, one.bar_m, color=colour, linestyle=line, label=plain(one.name))
        right.plot(one.frequency_hz, one.level_db, color=colour, linestyle=line)
        for notch in one.notches_hz:
            right.axvline(notch, color=colour, linestyle=":", linewidth=1)
    top = max(float(one.level_db.max()) for one in signatures)
    right.set_xlim(0.0, min(SHOWN_HZ, max(float(one.frequency_hz[-1]) for one in signatures)))
    right.set_ylim(top - 50.0, top + 5.0)
    longest_s = max(len(one.bar_m) * one.interval_s for one in signatures)
    left.set_xlim(0.0, min(SHOWN_S, longest_s))
    left.set_xlabel("time (s)")
    left.set_ylabel("pressure at 1 m (bar-m)")
    right.set_xlabel("frequency (Hz)")
    right.set_ylabel("level (dB re 1 µPa·m/Hz)")
    for axes in (left, right):
        tidy(axes)
    figure.legend(loc="outside upper left", ncols=3, frameon=False, fontsize=9)
    return figure
