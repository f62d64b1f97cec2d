"""Scores against a known answer: per source, time window and octave, each with its start.

Energies come first, because they add up over blocks of channels; decibels and findings last.
Column 0 of the windows is the whole trace, row 0 of the bands is the whole spectrum.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.qc.bands import octave_bands, split_bands
from deblend.qc.residual import decibels

Gathers = NDArray[np.float32]
Energies = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class TruthEnergy:
    """Energies against the truth; add them over blocks of channels."""

    truth: Energies
    error: Energies
    start_error: Energies
    """float64, shape (row, 1 + band, 1 + window): Of the truth, of estimate minus truth, and of the
    starting value minus truth, in squared amplitude units. A row is a shot, or a pair of shots."""
    trace_count: int
    """Channels that were added up."""

    def __add__(self, other: TruthEnergy) -> TruthEnergy:
        return TruthEnergy(
            self.truth + other.truth,
            self.error + other.error,
            self.start_error + other.start_error,
            self.trace_count + other.trace_count,
        )


def truth_energy(
    truth: Gathers,
    estimate: Gathers,
    start: Gathers,
    windows: Sequence[tuple[int, int]],
    interval_s: float,
) -> TruthEnergy:
    """Energies of every shot.

    Parameters
    ----------
    truth, estimate, start : ndarray of float32, shape (shot, channel, time)
        The answer, what was found, and what the work began with (pseudo-deblended, as a rule).
    windows : sequence of (int, int)
        Sample ranges ``[start, stop)`` after the time break.
    interval_s : float
        Sample interval in seconds.

    Raises
    ------
    InputError
        If the shapes differ.
    """
    _check_gathers(truth, estimate, start)

    def row(k: int) -> tuple[Gathers, Gathers, Gathers]:
        return truth[k], estimate[k] - truth[k], start[k] - truth[k]

    return _energies(row, len(truth), truth.shape[1], windows, interval_s)


def difference_energy(
    truth: Gathers,
    estimate: Gathers,
    start: Gathers,
    pairs: NDArray[np.int64],
    windows: Sequence[tuple[int, int]],
    interval_s: float,
) -> TruthEnergy:
    """Energies of the differences between two sources, which is what several sources are towed for.

    The error is that of the difference: common errors cancel, opposite ones count twice.

    Parameters
    ----------
    truth, estimate, start, windows, interval_s
        As in `truth_energy`.
    pairs : ndarray of int64, shape (pair, 2)
        Rows of shots to subtract, from `pair_shots`.
    """
    _check_gathers(truth, estimate, start)

    def row(k: int) -> tuple[Gathers, Gathers, Gathers]:
        i, j = pairs[k]
        expected = truth[i] - truth[j]
        return (
            expected,
            estimate[i] - estimate[j] - expected,
            start[i] - start[j] - expected,
        )

    return _energies(row, len(pairs), truth.shape[1], windows, interval_s)


def pair_shots(
    shots: Shots, first: int | str, second: int | str, counted: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Shots of two sources that belong together: each is nearest in time to the other.

    They must also lie closer than three quarters of the median interval between shots of a source
    (sources in turn are half of it apart, give or take the dither), so that a missing shot does not
    pair its neighbours.

    Parameters
    ----------
    shots : Shots
        The table.
    first, second : int or str
        Two sources.
    counted : ndarray of bool, shape (shot,)
        Shots that take part.

    Returns
    -------
    ndarray of int64, shape (pair, 2)
        Row numbers, in the order of the first source's rows.
    """
    rows = [shots.rows_of(source) for source in (first, second)]
    rows = [some[counted[some]] for some in rows]
    if not len(rows[0]) or not len(rows[1]):
        return np.empty((0, 2), np.int64)
    time = [shots.fire_time_ns[some] for some in rows]
    apart = np.abs(time[0][:, None] - time[1][None, :])
    there, back = apart.argmin(axis=1), apart.argmin(axis=0)
    mutual = back[there] == np.arange(len(there))
    limit_ns = 0.75 * min(_median_interval(shots, source) for source in (first, second))
    mutual &= apart.min(axis=1) < limit_ns
    return np.stack([rows[0][mutual], rows[1][there[mutual]]], axis=1)


def _median_interval(shots: Shots, source: int | str) -> float:
    """In nanoseconds; infinite for a single shot."""
    between = np.diff(np.sort(shots.fire_time_ns[shots.rows_of(source)]))
    return float(np.median(between)) if len(between) else float("inf")


def _energies(
    row: Callable[[int], tuple[Gathers, Gathers, Gathers]],
    count: int,
    channel_count: int,
    windows: Sequence[tuple[int, int]],
    interval_s: float,
) -> TruthEnergy:
    bands = octave_bands(interval_s)
    out = np.empty((3, count, 1 + len(bands), 1 + len(windows)))
    for k in range(count):  # a row at a time bounds the memory of the bands
        parts = np.stack(row(k))
        power = np.empty((3, 1 + len(bands), parts.shape[-1]))
        power[:, 0] = np.einsum("pct,pct->pt", parts, parts, dtype=np.float64)
        for band, samples in enumerate(split_bands(parts, interval_s, bands), start=1):
            power[:, band] = np.einsum("pct,pct->pt", samples, samples, dtype=np.float64)
        out[:, k, :, 0] = power.sum(axis=-1)
        for column, (start, stop) in enumerate(windows, start=1):
            out[:, k, :, column] = power[..., start:stop].sum(axis=-1)
    return TruthEnergy(out[0], out[1], out[2], channel_count)


def _check_gathers(truth: Gathers, estimate: Gathers, start: Gathers) -> None:
    if not truth.shape == estimate.shape == start.shape or truth.ndim != 3:
        raise InputError(
            f"truth, estimate and start have shapes {truth.shape}, {estimate.shape} and "
            f"{start.shape}",
            remedy="Give three arrays (shot, channel, time) of one shape.",
        )


@dataclass(frozen=True)
class _Cell:
    """Where a number was taken."""

    band: int
    window: int
    band_hz: tuple[float, float] | None
    window_s: tuple[float, float] | None


def _cells(windows_s: Sequence[tuple[float, float]], interval_s: float) -> Iterator[_Cell]:
    """The whole, then each window of the whole spectrum, then each octave of the whole trace."""
    yield _Cell(0, 0, None, None)
    for column, window_s in enumerate(windows_s, start=1):
        yield _Cell(0, column, None, window_s)
    for band, band_hz in enumerate(octave_bands(interval_s), start=1):
        yield _Cell(band, 0, band_hz, None)


def truth_findings(
    energy: TruthEnergy,
    shots: Shots,
    counted: NDArray[np.bool_],
    windows_s: Sequence[tuple[float, float]],
    interval_s: float,
    *,
    sample_count: int,
    noise_rms: float | None = None,
) -> list[Finding]:
    """Rows ``snr``, ``snr_start`` and, where noise is known, ``snr_noise_limit`` of each source.

    Parameters
    ----------
    energy : TruthEnergy
        Over all channels, one row a shot.
    shots : Shots
        What the rows are.
    counted : ndarray of bool, shape (shot,)
        Shots that take part, the delivered ones as a rule.
    windows_s : sequence of (float, float)
        The windows, in seconds after firing.
    interval_s : float
        Sample interval in seconds.
    sample_count : int
        Samples of a trace.
    noise_rms : float, optional
        Rms of the noise in one trace. If the truth itself is noisy (recorded data blended
        numerically), the limit is the best that an estimate free of noise can score against it; if
        the truth is clean and the record noisy, it is what a perfect separation that keeps the
        noise of one record scores.
    """
    found = []
    for source in shots.sources:
        chosen = counted & (shots.source == source)
        for cell in _cells(windows_s, interval_s):
            found += _snr_rows(energy, chosen, cell, "snr", source, f"source {source}")
            if noise_rms is not None and cell.band == 0:
                samples = sample_count
                if cell.window_s is not None:
                    samples = round((cell.window_s[1] - cell.window_s[0]) / interval_s)
                noise = noise_rms**2 * samples * energy.trace_count * int(chosen.sum())
                found += _limit_row(energy, chosen, cell, noise, source)
    return found


def difference_findings(
    energy: TruthEnergy,
    first: int | str,
    second: int | str,
    windows_s: Sequence[tuple[float, float]],
    interval_s: float,
) -> list[Finding]:
    """Rows ``difference_snr`` and ``difference_snr_start`` of one pair of sources.

    Parameters
    ----------
    energy : TruthEnergy
        Over all channels, one row a pair of shots.
    first, second : int or str
        The sources.
    windows_s, interval_s
        As in `truth_findings`.
    """
    every = np.ones(len(energy.truth), dtype=np.bool_)
    name = f"{first} - {second}"
    found: list[Finding] = []
    for cell in _cells(windows_s, interval_s):
        found += _snr_rows(energy, every, cell, "difference_snr", name, f"sources {name}")
    return found


def source_pairs(shots: Shots) -> list[tuple[int | str, int | str]]:
    """Every pair of sources of a table."""
    return list(combinations(shots.sources, 2))


def _snr_rows(
    energy: TruthEnergy,
    chosen: NDArray[np.bool_],
    cell: _Cell,
    metric: str,
    source: int | str,
    words: str,
) -> list[Finding]:
    truth = energy.truth[chosen, cell.band, cell.window].sum()
    rows = []
    for name, error, message in (
        (metric, energy.error, f"Truth over error of the estimate, {words}."),
        (f"{metric}_start", energy.start_error, f"The same before separation, {words}."),
    ):
        value = -decibels(error[chosen, cell.band, cell.window].sum(), truth)
        if not np.isnan(value):
            rows.append(
                Finding(
                    name,
                    value,
                    "dB",
                    "note",
                    message,
                    source=source,
                    window_s=cell.window_s,
                    band_hz=cell.band_hz,
                )
            )
    return rows


def _limit_row(
    energy: TruthEnergy,
    chosen: NDArray[np.bool_],
    cell: _Cell,
    noise: float,
    source: int | str,
) -> list[Finding]:
    value = -decibels(noise, energy.truth[chosen, cell.band, cell.window].sum())
    if not np.isfinite(value):
        return []
    return [
        Finding(
            "snr_noise_limit",
            value,
            "dB",
            "note",
            "Truth over the noise of one record: what a perfect separation without noise removal "
            "scores, and the most that any can score against a truth that holds this noise.",
            source=source,
            window_s=cell.window_s,
        )
    ]


def score(
    truth: Gathers,
    estimate: Gathers,
    start: Gathers,
    shots: Shots,
    *,
    interval_s: float,
    windows_s: Sequence[tuple[float, float]] = (),
    counted: NDArray[np.bool_] | None = None,
    noise_rms: float | None = None,
) -> list[Finding]:
    """All scores of gathers held in memory: sources, then differences between sources.

    Parameters
    ----------
    truth, estimate, start : ndarray of float32, shape (shot, channel, time)
        The answer, what was found, and what the work began with, in the order of `shots`.
    shots : Shots
        The table.
    interval_s : float
        Sample interval in seconds.
    windows_s : sequence of (float, float), optional
        Windows in seconds after firing.
    counted : ndarray of bool, shape (shot,), optional
        Shots that take part; by default the live ones to be delivered.
    noise_rms : float, optional
        As in `truth_findings`.

    Returns
    -------
    list of Finding

    Raises
    ------
    InputError
        If the shapes differ.
    """
    chosen = shots.live & shots.deliver if counted is None else counted
    windows = [(round(a / interval_s), round(b / interval_s)) for a, b in windows_s]
    found = truth_findings(
        truth_energy(truth, estimate, start, windows, interval_s),
        shots,
        chosen,
        windows_s,
        interval_s,
        sample_count=truth.shape[2],
        noise_rms=noise_rms,
    )
    for first, second in source_pairs(shots):
        pairs = pair_shots(shots, first, second, chosen)
        energy = difference_energy(truth, estimate, start, pairs, windows, interval_s)
        found += difference_findings(energy, first, second, windows_s, interval_s)
    return found
