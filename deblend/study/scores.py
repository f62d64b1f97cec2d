"""Scores of one separation against its answer, as columns of a results file.

Energies are pooled over all sources, or over all pairs of sources. ``start`` is the record cut at
the fire times. Windows go from early to late, octaves from low to high.
"""

from __future__ import annotations

from functools import reduce
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.blending.operator import record_operator
from deblend.decibels import amplitude_decibels, decibels
from deblend.qc.bands import octave_bands
from deblend.qc.scores import (
    TruthEnergy,
    difference_energy,
    pair_shots,
    source_pairs,
    truth_energy,
)
from deblend.study.lines import windows_of
from deblend.synth.line import MadeLine

EARLY_S: Final = 0.5
"""Arrivals that are called early: from the time break of the next shot."""
AMBIENT: Final = 0.01
"""Ambient noise over the rms of the record, which interference is held against."""
LEAKAGE_WINDOW: Final = 50
"""Samples of a window of `leakage_and_loss_db`, all channels of a shot together."""

Gathers = NDArray[np.float32]
Columns = dict[str, Any]


def about_line(line: MadeLine) -> Columns:
    """What a row says about its line."""
    operator = record_operator(line.recording, line.shots, line.gathers.shape[2])
    delays = _dither_s(line)
    samples = record_samples(line).astype(np.float64)
    signal = float(np.sqrt(np.mean(np.square(samples))))
    noise = line.total_noise_rms
    clean = np.sqrt(max(signal**2 - (noise or 0.0) ** 2, 0.0))
    return {
        "sources": len(line.shots.sources),
        "shots": len(line.shots),
        "channels": line.recording.shape[0],
        "samples": line.gathers.shape[2],
        "fold": float(operator.fold[operator.fold > 0].mean()),
        "dither_s": delays,
        "noise_percent": None if noise is None else float(100 * noise / clean),
    }


def score(line: MadeLine, estimate: Gathers) -> Columns:
    """All scores of an estimate of a line with a known answer, as columns of a study.

    Parameters
    ----------
    line : MadeLine
        From `make_scene`, for instance.
    estimate : ndarray of float32 or xarray.DataArray, shape (shot, channel, time)
        In the order of the shots of the line.

    Returns
    -------
    dict
        In dB; lists over windows and octaves. `deblend compare --columns` explains each.
    """
    estimate = np.asarray(estimate)
    live, start = line.shots.live, pseudo_deblended(line)
    windows_s = windows_of(line)
    row = score_against_truth(line, estimate, start, windows_s)
    leakage, loss = leakage_and_loss_db(line.gathers[live], estimate[live], start[live])
    row |= {"leakage_db": leakage, "loss_db": loss}
    row["window_end_s"] = [float(end) for _, end in windows_s]
    row["octave_end_hz"] = [float(end) for _, end in octave_bands(line.recording.interval_s)]
    return row


def score_against_truth(
    line: MadeLine, estimate: Gathers, start: Gathers, windows_s: list[tuple[float, float]]
) -> Columns:
    """Scores in dB against the truth, those of the record cut at the fire times beside them."""
    shots, interval_s = line.shots, line.recording.interval_s
    live, truth = shots.live, line.gathers
    windows = [(round(a / interval_s), round(b / interval_s)) for a, b in windows_s]
    whole = truth_energy(truth[live], estimate[live], start[live], windows, interval_s)
    differences = [
        difference_energy(truth, estimate, start, pairs, windows, interval_s)
        for a, b in source_pairs(shots)
        if len(pairs := pair_shots(shots, a, b, live))
    ]
    row = _scores(whole, "")
    if differences:
        row |= _scores(reduce(_pooled, differences), "difference_")
    row["worst_source_db"] = min(
        _ratio(whole.truth[chosen, 0, 0], whole.error[chosen, 0, 0])
        for chosen in (shots.source[live] == source for source in shots.sources)
    )
    row["unblended_window_db"] = _unblended(line, whole, windows)
    row["under_next_shot_db"] = _under_next_shot(line, estimate - truth)
    return row


def pseudo_deblended(line: MadeLine) -> Gathers:
    """The record cut at the fire times, unknown samples as zero."""
    operator = record_operator(line.recording, line.shots, line.gathers.shape[2])
    return np.asarray(operator.pseudo_deblend(record_samples(line)), np.float32)


def record_samples(line: MadeLine) -> Gathers:
    """All samples of the record, unknown ones as zero."""
    recording = line.recording
    return np.nan_to_num(recording.read(range(recording.shape[0]), 0, recording.shape[1]), nan=0.0)


def _dither_s(line: MadeLine) -> float:
    """Half the range of the delays of each shot against even firing of its source, on average."""
    ranges = []
    for source in line.shots.sources:
        fired = np.sort(line.shots.fire_time_ns[line.shots.rows_of(source)]) * 1e-9
        number = np.arange(len(fired))
        if len(fired) > 2:
            slope, level = np.polyfit(number, fired - fired[0], 1)
            ranges.append(0.5 * float(np.ptp(fired - fired[0] - slope * number - level)))
    return float(np.mean(ranges)) if ranges else 0.0


def _pooled(one: TruthEnergy, other: TruthEnergy) -> TruthEnergy:
    """Rows of both below each other."""
    return TruthEnergy(
        np.concatenate([one.truth, other.truth]),
        np.concatenate([one.error, other.error]),
        np.concatenate([one.start_error, other.start_error]),
    )


def _scores(energy: TruthEnergy, prefix: str) -> Columns:
    row: Columns = {}
    _, bands, windows = energy.truth.shape
    for name, error in (("snr", energy.error), ("start", energy.start_error)):
        row[f"{prefix}{name}_db"] = _ratio(energy.truth[:, 0, 0], error[:, 0, 0])
        row[f"{prefix}{name}_window_db"] = [
            _ratio(energy.truth[:, 0, k], error[:, 0, k]) for k in range(1, windows)
        ]
        row[f"{prefix}{name}_octave_db"] = [
            _ratio(energy.truth[:, k, 0], error[:, k, 0]) for k in range(1, bands)
        ]
    return row


def _ratio(truth: NDArray[np.float64], error: NDArray[np.float64]) -> float:
    return -decibels(float(error.sum()), float(truth.sum()))


def _unblended(
    line: MadeLine, whole: TruthEnergy, windows: list[tuple[int, int]]
) -> list[float] | None:
    """The noisy line never blended: truth over the noise of one record."""
    if not line.total_noise_rms:
        return None
    traces = len(whole.truth) * line.gathers.shape[1]
    noise = [line.total_noise_rms**2 * traces * (stop - start) for start, stop in windows]
    truth = whole.truth[:, 0, 1:].sum(axis=0)
    return [float(value) for value in 10 * np.log10(truth / np.array(noise))]


def _under_next_shot(line: MadeLine, error: Gathers) -> float | None:
    """Rms of what is wrong under early arrivals of later shots over an ambient noise of 1 %."""
    shots, interval_s = line.shots, line.recording.interval_s
    times_s = (shots.fire_time_ns - shots.fire_time_ns.min()) * 1e-9
    own = np.sort(times_s[shots.rows_of(shots.sources[0])])
    half = 0.5 * float(np.median(np.diff(own))) if len(own) > 1 else np.inf
    at = np.arange(error.shape[2]) * interval_s
    total, count = 0.0, 0
    for row in np.flatnonzero(shots.live):
        later = times_s[shots.live] - times_s[row]
        later = later[(later > half) & (later < at[-1])]
        under = ((at >= later[:, None]) & (at < later[:, None] + EARLY_S)).any(axis=0)
        total += float(np.sum(np.square(error[row][:, under], dtype=np.float64)))
        count += int(under.sum()) * error.shape[1]
    if not count:
        return None
    signal = float(np.sqrt(np.mean(np.square(record_samples(line), dtype=np.float64))))
    return amplitude_decibels(np.sqrt(total / count) / (AMBIENT * signal))


def leakage_and_loss_db(truth: Gathers, estimate: Gathers, start: Gathers) -> tuple[float, float]:
    """How much interference remains, and how much signal is missing.

    In short windows the estimate is explained by two parts, least squares: a part of the true
    signal and a part of the interference, which is the pseudo-deblended record `start` less the
    truth. All have the shape (shot, channel, time).

    Returns
    -------
    leakage_db : float
        Energy of the interference in the estimate over that of all interference.
    loss_db : float
        Energy of the signal that the estimate lacks (or has too much of) over that of all signal.
        What is wrong and resembles neither counts in neither, beyond chance likeness, which lies
        near minus ten times the logarithm of the independent samples of a window.
    """
    sums = np.zeros(4)
    for shot in range(len(truth)):
        signal, found, other = (
            _windows(part) for part in (truth[shot], estimate[shot], start[shot] - truth[shot])
        )
        pairs = (signal, signal), (other, other), (signal, other), (signal, found), (other, found)
        ss, oo, so, sf, of = (np.einsum("wct,wct->w", a, b) for a, b in pairs)
        determinant = ss * oo - so**2
        known = determinant > 1e-9 * ss * oo
        safe = np.where(known, determinant, 1.0)
        kept = np.where(known, (sf * oo - of * so) / safe, np.where(ss > 0, sf / (ss + 1e-300), 1))
        leaked = np.where(known, (of * ss - sf * so) / safe, 0.0)
        sums += (leaked**2 * oo).sum(), oo.sum(), ((1 - kept) ** 2 * ss).sum(), ss.sum()
    return decibels(sums[0], sums[1]), decibels(sums[2], sums[3])


def _windows(gather: Gathers) -> NDArray[np.float64]:
    """Windows of one shot, shape (window, channel, sample); the last samples may be left over."""
    channels, samples = gather.shape
    width = min(LEAKAGE_WINDOW, samples)
    count = samples // width
    cut = gather[:, : count * width].astype(np.float64).reshape(channels, count, width)
    return np.ascontiguousarray(cut.transpose(1, 0, 2))
