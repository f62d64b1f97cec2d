"""Spectra in, out and removed: amplitude against frequency, and energy octave by octave."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np
import scipy.fft
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.report.contents import GatherSection
from deblend.report.drawing import COLOURS, heading, new_figure, plain, tidy
from deblend.report.tables import band_text, whole_line

FLOOR_DB: Final = -70.0
STYLES: Final[tuple[dict[str, Any], ...]] = (
    {"color": "black", "linestyle": "-", "linewidth": 1.6},
    {"color": COLOURS[0], "linestyle": "-", "linewidth": 1.6},
    {"color": COLOURS[1], "linestyle": "--", "linewidth": 1.4},
    {"color": "0.75", "linestyle": "-", "linewidth": 4.5, "zorder": 1.5},
    {"color": COLOURS[3], "linestyle": ":", "linewidth": 1.8},
)
"""Before, after, removed, truth and error."""
_OCTAVES: Final = ("octave_kept", "octave_removed")


def spectra_figure(sections: Sequence[GatherSection], findings: Sequence[Finding] = ()) -> Figure:
    """Mean amplitude spectra of the gathers of each source; below, the octaves of the whole line.

    The octaves are the rows ``octave_kept`` and ``octave_removed`` of the findings.
    """
    sources = list(dict.fromkeys(section.source for section in sections))
    octaves = [one for one in whole_line(findings) if one.metric in _OCTAVES and one.band_hz]
    figure = new_figure(6.4 if octaves else 3.6)
    grid = figure.subplots(2 if octaves else 1, max(1, len(sources)), sharey="row", squeeze=False)
    for k, source in enumerate(sources):
        own = [section for section in sections if section.source == source]
        _draw_mean(grid[0, k], own)
        heading(grid[0, k], f"source {plain(source)}")
        if octaves:
            _draw_octaves(grid[1, k], [one for one in octaves if str(one.source) == str(source)])
    grid[0, 0].set_ylabel("amplitude (dB re peak of before)")
    if octaves:
        grid[1, 0].set_ylabel("energy (dB re before)")
    grid[0, -1].legend(frameon=False, fontsize=9, loc="upper right")
    return figure


def draw_spectra(axes: Axes, section: GatherSection, parts: dict[str, NDArray[np.float32]]) -> None:
    """Spectra of the parts of one gather, relative to the peak of `before`."""
    frequency, reference = mean_spectrum(section, section.before)
    top = float(reference.max()) or 1.0
    for (label, amplitude), style in zip(parts.items(), STYLES, strict=False):
        levels = mean_spectrum(section, amplitude)[1] / top
        axes.plot(frequency, _decibels(levels), label=label, **style)
    _frame(axes, section.interval_s)


def mean_spectrum(
    section: GatherSection, amplitude: NDArray[np.float32]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies and mean amplitude spectrum of the live traces; unknown samples count as 0."""
    samples = amplitude.shape[1]
    live = np.nan_to_num(amplitude[section.live], nan=0.0, posinf=0.0, neginf=0.0)
    spectra = np.abs(scipy.fft.rfft(live, axis=1))
    mean = spectra.mean(axis=0, dtype=np.float64) if len(spectra) else np.zeros(samples // 2 + 1)
    return scipy.fft.rfftfreq(samples, section.interval_s), mean


def _draw_mean(axes: Axes, sections: Sequence[GatherSection]) -> None:
    """Mean over all gathers of a source that have one length."""
    first = sections[0]
    same = [one for one in sections if one.before.shape[1] == first.before.shape[1]]
    weights = np.array([one.live.sum() for one in same], np.float64)
    frequency = mean_spectrum(first, first.before)[0]
    means = []
    for part in ("before", "after", "removed"):
        spectra = [mean_spectrum(one, getattr(one, part))[1] for one in same]
        means.append(np.average(spectra, axis=0, weights=weights + 1e-9))
    top = float(means[0].max()) or 1.0
    for mean, label, style in zip(means, ("before", "after", "removed"), STYLES, strict=False):
        axes.plot(frequency, _decibels(mean / top), label=label, **style)
    _frame(axes, first.interval_s)
    axes.set_xlabel("frequency (Hz)")


def _draw_octaves(axes: Axes, rows: Iterable[Finding]) -> None:
    rows = list(rows)
    bands = sorted({row.band_hz for row in rows if row.band_hz})
    for metric, style, marker, label in (
        ("octave_kept", STYLES[1], "o", "kept"),
        ("octave_removed", STYLES[2], "s", "removed"),
    ):
        values = {row.band_hz: row.value for row in rows if row.metric == metric}
        levels = [values.get(band, np.nan) for band in bands]
        axes.plot(range(len(bands)), levels, marker=marker, markersize=5, label=label, **style)
    labels = [band_text(band).replace(" Hz", "") for band in bands]
    axes.set_xticks(range(len(bands)), labels, fontsize=8, rotation=30)
    axes.set_xlabel("octave (Hz)")
    axes.legend(frameon=False, fontsize=9)
    tidy(axes)


def _decibels(levels: NDArray[np.float64]) -> NDArray[np.float64]:
    return 20 * np.log10(np.maximum(levels, 10 ** (FLOOR_DB / 20 - 1)))


def _frame(axes: Axes, interval_s: float) -> None:
    axes.set_ylim(FLOOR_DB, 5)
    axes.set_xlim(0, 0.5 / interval_s)
    tidy(axes)
