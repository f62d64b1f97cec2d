"""Scores of one separation against its answer, as one row of the table."""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from deblend.blending.operator import make_operator
from deblend.qc.bands import octave_bands
from deblend.qc.scores import (
    TruthEnergy,
    difference_energy,
    pair_shots,
    source_pairs,
    truth_energy,
)
from deblend.synth.line import Line

EARLY_S = 0.5
"""Arrivals that are called early: from the time break of the next shot."""
AMBIENT = 0.01
"""Ambient noise over the rms of the record, which interference is held against."""

Row = dict[str, str]
Settings = dict[str, str | int | float | bool]


def score_row(
    line: Line, estimate: NDArray[np.float32], windows_s: list[tuple[float, float]]
) -> Row:
    """All scores in dB, lists from early to late and from low to high separated by blanks.

    Energies are pooled over all sources, or over all pairs of sources. `start` is the
    pseudo-deblended record; `unblended` what the noise of the record alone would leave.
    """
    shots, interval_s = line.shots, line.recording.interval_s
    live, truth = shots.live, line.gathers
    start = pseudo_deblended(line)
    windows = [(round(a / interval_s), round(b / interval_s)) for a, b in windows_s]
    whole = truth_energy(truth[live], estimate[live], start[live], windows, interval_s)
    differences = [
        difference_energy(truth, estimate, start, pairs, windows, interval_s)
        for a, b in source_pairs(shots)
        if len(pairs := pair_shots(shots, a, b, live))
    ]
    row = _scores(whole, "")
    row |= _scores(reduce(_pooled, differences), "difference_") if differences else {}
    per_source = [
        _decibels(whole.truth[chosen, 0, 0], whole.error[chosen, 0, 0])
        for chosen in (shots.source[live] == source for source in shots.sources)
    ]
    row["worst_source_db"] = f"{min(per_source):.2f}"
    row["window_s"] = " ".join(f"{a:.2f}:{b:.2f}" for a, b in windows_s)
    row["octave_hz"] = " ".join(f"{a:.1f}:{b:.1f}" for a, b in octave_bands(interval_s))
    row["unblended_window_db"] = _unblended(line, whole, windows)
    row["under_next_shot_db"] = _under_next_shot(line, estimate - truth)
    return row


def pseudo_deblended(line: Line) -> NDArray[np.float32]:
    recording = line.recording
    operator = make_operator(
        line.shots,
        start_ns=recording.start_ns,
        interval_ns=recording.interval_ns,
        sample_count=recording.shape[1],
        length=line.gathers.shape[2],
    )
    return np.asarray(operator.pseudo_deblend(_samples(line)), np.float32)


def settings_text(settings: Settings) -> str:
    """Settings that may change a score, in one cell."""
    told = {
        key: value for key, value in settings.items() if key not in ("method", "length_s", "seed")
    }
    return json.dumps(told, sort_keys=True)


def _samples(line: Line) -> NDArray[np.float32]:
    recording = line.recording
    return np.nan_to_num(recording.read(range(recording.shape[0]), 0, recording.shape[1]), nan=0.0)


def _pooled(one: TruthEnergy, other: TruthEnergy) -> TruthEnergy:
    """Rows of both below each other."""
    joined = [
        np.concatenate([getattr(one, name), getattr(other, name)])
        for name in ("truth", "error", "start_error")
    ]
    return TruthEnergy(*joined, one.trace_count)


def _scores(energy: TruthEnergy, prefix: str) -> Row:
    row = {}
    for name, error in (("snr", energy.error), ("start", energy.start_error)):
        cells = [
            [
                _decibels(energy.truth[:, band, window], error[:, band, window])
                for band, window in at
            ]
            for at in _cells(energy.truth.shape[1], energy.truth.shape[2])
        ]
        for kind, values in zip(("", "window_", "octave_"), cells, strict=True):
            row[f"{prefix}{name}_{kind}db"] = _listed(values)
    return row


def _cells(bands: int, windows: int) -> tuple[list[tuple[int, int]], ...]:
    """Whole, windows of the whole spectrum, octaves of the whole trace."""
    return (
        [(0, 0)],
        [(0, window) for window in range(1, windows)],
        [(band, 0) for band in range(1, bands)],
    )


def _decibels(truth: NDArray[np.float64], error: NDArray[np.float64]) -> float:
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(10 * np.log10(truth.sum() / error.sum()))


def _listed(values: Iterable[float]) -> str:
    return " ".join(f"{value:.2f}" for value in values)


def _unblended(line: Line, whole: TruthEnergy, windows: list[tuple[int, int]]) -> str:
    """The same noisy line never blended: truth over the noise of one record."""
    if not line.total_noise_rms:
        return ""
    traces = len(whole.truth) * whole.trace_count
    noise = [line.total_noise_rms**2 * traces * (stop - start) for start, stop in windows]
    truth = whole.truth[:, 0, 1:].sum(axis=0)
    return _listed(10 * np.log10(truth / np.array(noise)))


def _under_next_shot(line: Line, error: NDArray[np.float32]) -> str:
    """Rms of what is wrong under early arrivals of later shots over an ambient noise of 1 %."""
    shots, interval_s = line.shots, line.recording.interval_s
    times_s = (shots.fire_time_ns - shots.fire_time_ns.min()) * 1e-9
    own = np.sort(times_s[shots.rows_of(shots.sources[0])])
    half = 0.5 * float(np.median(np.diff(own)))
    at = np.arange(error.shape[2]) * interval_s
    total, count = 0.0, 0
    for row in np.flatnonzero(shots.live):
        later = times_s[shots.live] - times_s[row]
        later = later[(later > half) & (later < at[-1])]
        under = ((at >= later[:, None]) & (at < later[:, None] + EARLY_S)).any(axis=0)
        total += float(np.sum(np.square(error[row][:, under], dtype=np.float64)))
        count += int(under.sum()) * error.shape[1]
    if not count:
        return ""
    signal = float(np.sqrt(np.mean(np.square(_samples(line), dtype=np.float64))))
    return f"{20 * np.log10(np.sqrt(total / count) / (AMBIENT * signal)):.2f}"
