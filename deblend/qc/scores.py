"""Scores against a known answer: per source, time window and octave, each with its start.

Column 0 of the windows is the whole trace, row 0 of the bands is the whole spectrum.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from deblend.decibels import decibels
from deblend.errors import InputError
from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.qc.bands import octave_bands, split_bands
from deblend.qc.measure_setup import Gathers, MeasureSetup
from deblend.qc.metric import MeasuredBlock, MeasuredLine, Metric
from deblend.qc.sums import Sums, in_line_rows

Energies = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class TruthEnergy(Sums):
    """Energies against the truth; add them over blocks of channels."""

    truth: Energies
    error: Energies
    start_error: Energies
    """float64, shape (row, 1 + band, 1 + window): Of the truth, of estimate minus truth, and of the
    starting value minus truth, in squared amplitude units. A row is a shot, or a pair of shots."""


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

    return _energies(row, len(truth), windows, interval_s)


def difference_energy(
    truth: Gathers,
    estimate: Gathers,
    start: Gathers,
    pairs: NDArray[np.int64],
    windows: Sequence[tuple[int, int]],
    interval_s: float,
) -> TruthEnergy:
    """Energies of the differences between two sources, which is what several sources are towed for.

    The error is that of the difference: common errors cancel, opposite ones count twice. `pairs`
    are rows of shots to subtract, from `pair_shots`; the rest is as in `truth_energy`.
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

    return _energies(row, len(pairs), windows, interval_s)


def pair_shots(
    shots: Shots, first: int | str, second: int | str, counted: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Rows of two sources' shots that belong together, (pair, 2): each is nearest to the other.

    They must also lie closer than three quarters of the median interval between shots of a source
    (sources in turn are half of it apart, give or take the dither), so that a missing shot does not
    pair its neighbours. They are in the order of the first source's rows; only `counted` shots
    take part.
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


def source_pairs(shots: Shots) -> list[tuple[int | str, int | str]]:
    """Every pair of sources of a table."""
    return list(combinations(shots.sources, 2))


def _median_interval(shots: Shots, source: int | str) -> float:
    """In nanoseconds; infinite for a single shot."""
    between = np.diff(np.sort(shots.fire_time_ns[shots.rows_of(source)]))
    return float(np.median(between)) if len(between) else float("inf")


def _energies(
    row: Callable[[int], tuple[Gathers, Gathers, Gathers]],
    count: int,
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
    return TruthEnergy(out[0], out[1], out[2])


def _check_gathers(truth: Gathers, estimate: Gathers, start: Gathers) -> None:
    if not truth.shape == estimate.shape == start.shape or truth.ndim != 3:
        raise InputError(
            f"truth, estimate and start have shapes {truth.shape}, {estimate.shape} and "
            f"{start.shape}",
            remedy="Give three arrays (shot, channel, time) of one shape.",
        )


class TrueGathers(Protocol):
    """True gathers, read as they are needed."""

    def read(
        self, rows: NDArray[np.int64], channels: NDArray[np.int64] | slice, length: int
    ) -> Gathers:
        """Some shots, by row of the table, some channels, and the first samples."""
        ...


@dataclass(frozen=True, eq=False)
class LineTruth:
    """The answer of a line."""

    gathers: TrueGathers
    """True gathers."""
    noise_rms: float | None
    """Rms of the noise in one trace, where known."""
    pairs: dict[tuple[int | str, int | str], NDArray[np.int64]]
    """For every pair of sources, the rows of shots that belong together, shape (pair, 2)."""


@dataclass(frozen=True, eq=False)
class TruthMeasures:
    """Energies against the answer."""

    sources: TruthEnergy
    """One row for every row of the shot table."""
    pairs: tuple[TruthEnergy, ...]
    """One for each pair of sources; a row is a pair of shots."""

    def __add__(self, other: TruthMeasures) -> TruthMeasures:
        pairs = zip(self.pairs, other.pairs, strict=True)
        return TruthMeasures(self.sources + other.sources, tuple(a + b for a, b in pairs))


def measure_truth(block: MeasuredBlock) -> TruthMeasures | None:
    """Energies of a block; None where the answer is not known."""
    truth, setup, alive = block.truth, block.setup, block.alive
    if truth is None:
        return None
    channels = slice(block.channels.start, block.channels.stop)
    answer = truth.gathers.read(block.rows, channels, setup.length)[:, alive]
    gathers = answer, block.estimate[:, alive], block.pseudo_deblended[:, alive]
    place = np.full(len(setup.shots), -1)
    place[block.rows] = np.arange(len(block.rows))
    pairs = []
    for line_pairs in truth.pairs.values():
        here = np.flatnonzero((place[line_pairs] >= 0).all(axis=1))
        rows = place[line_pairs[here]]
        energy = difference_energy(*gathers, rows, setup.windows, setup.interval_s)
        pairs.append(in_line_rows(energy, here, len(line_pairs)))
    energy = truth_energy(*gathers, setup.windows, setup.interval_s)
    return TruthMeasures(block.in_line_rows(energy), tuple(pairs))


def truth_findings(line: MeasuredLine, measures: TruthMeasures) -> Iterator[Finding]:
    """Scores of each source, then of each difference of two sources.

    Rows ``snr``, ``snr_start`` and, where noise is known, ``snr_noise_limit``; then
    ``difference_snr`` and ``difference_snr_start``. The noise limit is what a perfect separation
    scores that leaves the noise of one record in; where the truth itself holds that noise (recorded
    data blended numerically), what a perfect estimate without noise scores.
    """
    assert line.truth is not None
    for source in line.setup.sources:
        chosen = line.setup.counted & (line.setup.shots.source == source)
        for cell in _cells(line.setup):
            yield from _snr_rows(measures.sources, chosen, cell, "snr", source)
            if line.truth.noise_rms is not None and cell.band == 0:
                yield from _limit_row(measures.sources, chosen, cell, source, line)
    for (first, second), energy in zip(line.truth.pairs, measures.pairs, strict=True):
        every = np.ones(len(energy.truth), dtype=np.bool_)
        for cell in _cells(line.setup):
            yield from _snr_rows(energy, every, cell, "difference_snr", f"{first} - {second}")


@dataclass(frozen=True)
class _Cell:
    """Where a number was taken."""

    band: int
    window: int
    samples: int
    """Length of the window."""
    band_hz: tuple[float, float] | None = None
    window_s: tuple[float, float] | None = None


def _cells(setup: MeasureSetup) -> Iterator[_Cell]:
    """The whole, then each window of the whole spectrum, then each octave of the whole trace."""
    yield _Cell(0, 0, setup.length)
    for column, (start, stop) in enumerate(setup.windows):
        yield _Cell(0, 1 + column, stop - start, window_s=setup.windows_s[column])
    for band, band_hz in enumerate(octave_bands(setup.interval_s), start=1):
        yield _Cell(band, 0, setup.length, band_hz=band_hz)


def _snr_rows(
    energy: TruthEnergy, chosen: NDArray[np.bool_], cell: _Cell, metric: str, source: int | str
) -> Iterator[Finding]:
    truth = energy.truth[chosen, cell.band, cell.window].sum()
    words = f"source{'s' if metric.startswith('difference') else ''} {source}"
    for name, error, message in (
        (metric, energy.error, f"Truth over error of the estimate, {words}."),
        (f"{metric}_start", energy.start_error, f"The same before separation, {words}."),
    ):
        value = -decibels(error[chosen, cell.band, cell.window].sum(), truth)
        if not np.isnan(value):
            yield Finding(
                name,
                value,
                "dB",
                "note",
                message,
                source=source,
                window_s=cell.window_s,
                band_hz=cell.band_hz,
            )


def _limit_row(
    energy: TruthEnergy,
    chosen: NDArray[np.bool_],
    cell: _Cell,
    source: int | str,
    line: MeasuredLine,
) -> Iterator[Finding]:
    assert line.truth is not None
    assert line.truth.noise_rms is not None
    noise = line.truth.noise_rms**2 * cell.samples * line.alive_count * int(chosen.sum())
    value = -decibels(noise, energy.truth[chosen, cell.band, cell.window].sum())
    if np.isfinite(value):
        yield Finding(
            "snr_noise_limit",
            value,
            "dB",
            "note",
            "Truth over the noise of one record: what a perfect separation scores that leaves the "
            "noise in; where the truth itself holds that noise, what a perfect estimate without "
            "noise scores.",
            source=source,
            window_s=cell.window_s,
        )


TRUTH: Final = Metric("truth", truth_findings, measure_truth)
