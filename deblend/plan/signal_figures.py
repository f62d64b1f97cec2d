"""Pictures of a plan: predicted separation, differences of fire times, far-field signatures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.plan.alternative import speeds_m_s
from deblend.plan.contents import PlanContents, Prediction
from deblend.plan.dither_diagnostics import (
    LOWEST_HZ,
    OCTAVES_HZ,
    WINDOW_SHOTS,
    Pairing,
    coherent_power,
    expected_power,
    pairings,
)
from deblend.plan.figures import style
from deblend.plan.keys import DitherTable
from deblend.plan.signature import SignatureMeasures
from deblend.report.drawing import COLOURS, LINES, Axes, Figure, new_figure, plain, tidy

Floats = NDArray[np.float64]
LOWEST_DB: Final = -40.0
SHOWN_HZ: Final = 250.0
SHOWN_S: Final = 0.25
PAIRS_SHOWN: Final = 3
"""Curves of coherent power in one panel; more hide each other."""


def prediction_figure(contents: PlanContents) -> Figure | None:
    """Ratios before and after by window, one panel an alternative; None if none was simulated."""
    simulated = [(k, one) for k, one in enumerate(contents.predictions) if one.snr_db.size]
    if not simulated:
        return None
    figure = new_figure(4.6)
    panels = np.atleast_1d(figure.subplots(1, len(simulated), sharex=True, sharey=True))
    for axes, (number, one) in zip(panels, simulated, strict=True):
        axes.axhspan(*contents.target.window_s, color="0.93", zorder=0)
        _ratios(axes, one, style(number)[0])
    panels[0].set_ylabel("time after firing (s)")
    panels[0].set_ylim(contents.target.record_length_s, 0.0)
    panels[0].legend(frameon=False, fontsize=8)
    return figure


def _ratios(axes: Axes, one: Prediction, colour: str) -> None:
    time_s = [0.5 * (low + high) for low, high in one.windows_s]
    start, mean, low, high = np.array([row[1:] for row in one.rows()]).T
    axes.plot(np.maximum(start, LOWEST_DB), time_s, "o", mfc="white", mec=colour, label="before")
    error = [mean - low, high - mean]
    axes.errorbar(mean, time_s, xerr=error, fmt="o-", color=colour, capsize=3, label="after")
    axes.axvline(0.0, color="0.5", linewidth=0.8)
    axes.set_title(plain(one.alternative), fontsize=9)
    axes.set_xlabel("truth over error (dB)")
    tidy(axes)


def dither_figure(contents: PlanContents) -> Figure | None:
    """Differences of overlapping shots, and coherent power against frequency; None without any."""
    overlapping = []
    for number, column in enumerate(contents.columns):
        firing, alternative = column.firing, column.alternative
        times = firing.times_s(speeds_m_s(alternative)[1])
        record_s = contents.target.record_length_s
        pairs = pairings(firing.shot_point, firing.source, times, record_s)
        if pairs:
            overlapping.append((style(number)[0], alternative, pairs))
    if not overlapping:
        return None
    figure = new_figure(2.7 * len(overlapping))
    grid = figure.subplots(len(overlapping), 2, squeeze=False)
    for (left, right), (colour, alternative, pairs) in zip(grid, overlapping, strict=True):
        _differences(left, pairs, alternative.dither, colour)
        title = f"{plain(alternative.name)}: differences of overlapping shots"
        left.set_title(title, loc="left", fontsize=10)
        _power(right, pairs, alternative.dither, colour)
    grid[-1, 0].set_xlabel("time difference about its median (s)")
    grid[-1, 1].set_xlabel("frequency (Hz)")
    return figure


def _differences(axes: Axes, pairs: list[Pairing], dither: DitherTable, colour: str) -> None:
    values = np.concatenate([pair.varying_s for pair in pairs])
    reach = max(float(np.abs(values).max()), 1e-3) * 1.05
    axes.hist(values, bins=61, range=(-reach, reach), density=True, color=colour, alpha=0.55)
    if dither.law == "uniform":
        width, at = 2.0 * dither.range_s, np.linspace(-reach, reach, 400)
        triangle = np.maximum(1.0 - np.abs(at) / width, 0.0) / width
        axes.plot(at, triangle, color="black", linewidth=1.2, label="two uniform delays")
        axes.legend(frameon=False, fontsize=8)
    axes.set_ylabel("density (1/s)")
    tidy(axes)


def _power(axes: Axes, pairs: list[Pairing], dither: DitherTable, colour: str) -> None:
    frequency = np.geomspace(0.3, OCTAVES_HZ[-1], 240)
    for number, pair in enumerate(pairs[:PAIRS_SHOWN]):
        label = "drawn, pairs of sources" if number == 0 else None
        power_db = _db(coherent_power(pair.varying_s, frequency))
        axes.semilogx(frequency, power_db, color=colour, linewidth=0.8, label=label)
    if dither.law == "uniform":
        shots = {"whole line": len(pairs[0].differences_s), f"{WINDOW_SHOTS} shots": WINDOW_SHOTS}
        for line, (name, count) in zip(LINES, shots.items(), strict=False):
            power_db = _db(expected_power(frequency, 2.0 * dither.range_s, count))
            label = f"expected, {name}"
            axes.semilogx(frequency, power_db, color="black", linestyle=line, label=label)
    axes.axvline(LOWEST_HZ, color="0.6", linestyle=":")
    axes.set_ylim(-45, 3)
    axes.set_ylabel("coherent power (dB)")
    axes.set_xticks([0.5, 1, 2, 4, 8, 16, 32, 64], ["0.5", "1", "2", "4", "8", "16", "32", "64"])
    axes.minorticks_off()
    axes.legend(frameon=False, fontsize=8, loc="lower left")
    tidy(axes)


def _db(power: Floats) -> Floats:
    return np.asarray(10.0 * np.log10(np.maximum(power, 1e-6)))


def signature_figure(signatures: Sequence[SignatureMeasures]) -> Figure:
    """Signatures on one time axis, and their spectra on one level axis."""
    figure = new_figure(4.8)
    left, right = figure.subplots(1, 2)
    for k, one in enumerate(signatures):
        colour, line = COLOURS[k % len(COLOURS)], LINES[(k // len(COLOURS)) % len(LINES)]
        field = one.far_field
        time = np.arange(len(field.samples)) * field.interval_s
        text = plain(f"{field.name}, {field.ghost}")
        left.plot(time, field.samples, color=colour, linestyle=line, label=text)
        right.plot(one.frequency_hz, one.spectrum_db, color=colour, linestyle=line)
        for notch in one.expected_notches_hz:
            right.axvline(notch, color=colour, linestyle=":", linewidth=1)
    top = max(float(one.spectrum_db.max()) for one in signatures)
    right.set_xlim(0.0, min(SHOWN_HZ, max(float(one.frequency_hz[-1]) for one in signatures)))
    right.set_ylim(top - 50.0, top + 5.0)
    fields = [one.far_field for one in signatures]
    left.set_xlim(0.0, min(SHOWN_S, max(len(one.samples) * one.interval_s for one in fields)))
    left.set_xlabel("time (s)")
    left.set_ylabel("pressure at 1 m (bar-m)")
    right.set_xlabel("frequency (Hz)")
    right.set_ylabel("level (dB re 1 µPa·m/Hz)")
    for axes in (left, right):
        tidy(axes)
    figure.legend(loc="outside upper left", ncols=3, frameon=False, fontsize=9)
    return figure
