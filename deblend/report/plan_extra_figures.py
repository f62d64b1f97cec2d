"""Pictures of a plan: predicted separation, and far-field signatures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from deblend.plan.contents import PlanContents
from deblend.plan.prediction import Prediction
from deblend.plan.signature import SignatureMeasures
from deblend.report.drawing import COLOURS, LINES, new_figure, plain, tidy
from deblend.report.plan_figures import style

LOWEST_DB = -40.0
SHOWN_HZ = 250.0
SHOWN_S = 0.25


def prediction_figure(contents: PlanContents) -> Figure:
    """Ratios before and after by window, one panel an alternative that was simulated."""
    shown = [(k, one) for k, one in enumerate(contents.predictions) if one.snr_db.size]
    figure = new_figure(4.6)
    panels = np.atleast_1d(figure.subplots(1, len(shown), sharex=True, sharey=True))
    for axes, (k, one) in zip(panels, shown, strict=True):
        axes.axhspan(*contents.target.window_s, color="0.93", zorder=0)
        _ratios(axes, one, style(k)[0])
    panels[0].set_ylabel("time after firing (s)")
    panels[0].set_ylim(contents.target.record_length_s, 0.0)
    panels[0].legend(frameon=False, fontsize=8)
    return figure


def _ratios(axes: Axes, one: Prediction, colour: str) -> None:
    centre = np.array([0.5 * (low + high) for low, high in one.windows_s])
    rows = np.array([row[1:] for row in one.rows()])
    start, mean, low, high = rows.T
    axes.plot(np.maximum(start, LOWEST_DB), centre, "o", mfc="white", mec=colour, label="before")
    axes.errorbar(
        mean,
        centre,
        xerr=[mean - low, high - mean],
        fmt="o-",
        color=colour,
        capsize=3,
        label="after",
    )
    axes.axvline(0.0, color="0.5", linewidth=0.8)
    axes.set_title(plain(one.alternative), fontsize=9)
    axes.set_xlabel("truth over error (dB)")
    tidy(axes)


def signature_figure(signatures: Sequence[SignatureMeasures]) -> Figure:
    """Signatures on one time axis, and their spectra on one level axis."""
    figure = new_figure(4.8)
    left, right = figure.subplots(1, 2)
    for k, one in enumerate(signatures):
        far_field, colour = one.far_field, COLOURS[k % len(COLOURS)]
        line = LINES[(k // len(COLOURS)) % len(LINES)]
        time = np.arange(len(far_field.samples)) * far_field.interval_s
        text = f"{plain(far_field.name)}, {far_field.ghost}"
        left.plot(time, far_field.samples, color=colour, linestyle=line, label=text)
        right.plot(one.frequency_hz, one.spectrum_db, color=colour, linestyle=line)
        for notch in one.expected_notches_hz:
            right.axvline(notch, color=colour, linestyle=":", linewidth=1)
    top = max(float(one.spectrum_db.max()) for one in signatures)
    right.set_xlim(0.0, min(SHOWN_HZ, max(float(s.frequency_hz[-1]) for s in signatures)))
    right.set_ylim(top - 50.0, top + 5.0)
    left.set_xlim(0.0, min(SHOWN_S, max(one.far_field.gate_s for one in signatures)))
    left.set_xlabel("time (s)")
    left.set_ylabel("pressure at 1 m (bar-m)")
    right.set_xlabel("frequency (Hz)")
    right.set_ylabel("level (dB re 1 µPa·m/Hz)")
    for axes in (left, right):
        tidy(axes)
    figure.legend(loc="outside upper left", ncols=3, frameon=False, fontsize=9)
    return figure
