r"""How large the error of a separation is expected to be, without its answer.

Some channels are separated as they are, and once more with half of what came out added at the fire
times: the gathers of each source in the opposite order of its shots, a line of which the answer is
known. It has the amplitudes, dips and noise of this line, and overlaps as this line does. What is
missing of it, or appears beside it, over its energy is one sign of the error. Another is how far
single shots lie before or behind their neighbours, which shows wrong fire times: the mirrored line
is fired at the very times that are assumed. The third is what lines up from shot to shot in the
unexplained part, which too few iterations leave there: the mirrored line has no signal but what was
found. These errors have nothing to do with each other, so that their energies add up. How much of
each counts is fitted to separations of which the answer is known (`benchmarks.qc.verdict`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.blending.operator import BlendingOperator, record_operator
from deblend.model.findings import Finding
from deblend.model.recording import Recording
from deblend.qc.limits import EXPECTED_ERROR, verdict_row
from deblend.qc.measure_setup import LEAST_SHOTS, sample_windows
from deblend.qc.metric import MeasuredLine, Metric
from deblend.separation.job import Job, in_table_order, middle_of, separate_channels
from deblend.separation.loop import Callback

Floats = NDArray[np.float64]
Gathers = NDArray[np.float32]

CHANNELS: Final = 12
"""Most channels that are separated twice."""
SEPARATIONS: Final = 2
MEASURING: Final = "how large the error is expected to be, on some channels"
"""For progress."""
NOTHING_KNOWN: Final = "Nothing is known of the error"
_MIRRORED: Final = 0.5
"""Amplitude of the mirrored line."""
_LEAST_LEVEL: Final = 1e-4
"""Windows with less of the energy of the trace hold no signal to speak of."""
_MIRROR: Final = (1.008, -3.813)
"""Slope and constant of what is wrong of the mirrored line, in dB; all these numbers are printed by
`benchmarks.qc.verdict`."""
_SHIFT_DB: Final = 2.244
_UNEXPLAINED_DB: Final = 1.85
"""Added to what the shifts and the unexplained part make."""
_ERROR_DB: Final = 2.5
_ERROR_IN_WINDOW_DB: Final = 2.7
"""Root mean square error of the prediction for scenes that it was not fitted to, from there too."""
_NOT_SHIFTED: Final = 1e-16
_LEAST: Final = 1e-30


@dataclass(frozen=True, eq=False)
class ErrorTrial:
    """What trial separations show, each (source, 1 + window): the whole trace first."""

    level: Floats
    """Energy of the estimate over that of the whole trace; NaN for sources of too few shots."""
    mirror_error: Floats
    """Energy that is wrong of the mirrored line, over its own."""
    shift_error: Floats
    """Energy of the error that shifts of single shots make, over that of the estimate."""
    unexplained_error: Floats
    """Energy in the unexplained part that lines up from shot to shot, over it and the estimate."""
    sources: tuple[int | str, ...]
    """Whose the rows are."""
    channel_count: int
    """Channels that were separated."""

    @property
    def expected_db(self) -> Floats:
        """Energy of the error over that of the signal."""
        slope, constant = _MIRROR
        parts = (
            slope * _decibels(self.mirror_error) + constant,
            _decibels(self.shift_error) + _SHIFT_DB,
            _decibels(self.unexplained_error) + _UNEXPLAINED_DB,
        )
        known = 10 * np.log10(sum(10 ** (part / 10) for part in parts))
        return np.where(self.level >= _LEAST_LEVEL, known, np.nan)


def channels_to_try(channels: range) -> range:
    """Those of a block that are separated to see its error."""
    return middle_of(channels, CHANNELS)


def try_errors(job: Job, block: range, callback: Callback | None = None) -> ErrorTrial:
    """Separate `channels_to_try` of a block by themselves, as they are and with a mirrored line.

    The reference of the job is measured and its floor learned.
    Fails where what is wrong is alike in all shots, as a source that is late throughout, and where
    the earth differs so much from shot to shot that neighbours say nothing of it.
    """
    channels = channels_to_try(block)
    job = of_channels(job, channels)
    every = range(len(channels))
    base = separate_channels(job, every, callback)
    estimate, sums = base.estimate, EnergySums(job)
    operator = record_operator(job.recording, job.shots, job.length)
    cut = in_table_order(job, _cut(job.operator, base.residual), job.delivered)
    shift_error, unexplained = _shift_error(job, estimate, cut, sums), _lined_up(cut, sums)
    del base, cut
    more = job.recording.read(every, 0, job.recording.shape[1]) + operator.blend(
        mirrored_gathers(estimate, sums.rows)
    )
    change = separate_channels(with_samples(job, more), every, callback).estimate - estimate
    mirrored = mirrored_gathers(estimate, sums.rows)
    signal = sums(estimate)
    return ErrorTrial(
        level=signal / np.maximum(signal[:, :1], _LEAST),
        mirror_error=sums(change - mirrored) / np.maximum(sums(mirrored), _LEAST),
        shift_error=shift_error,
        unexplained_error=unexplained / np.maximum(unexplained + signal, _LEAST),
        sources=job.shots.sources,
        channel_count=len(channels),
    )


def of_channels(job: Job, channels: range) -> Job:
    """The job of some channels alone."""
    samples = job.recording.read(channels, 0, job.recording.shape[1])
    numbers = job.recording.channel_numbers[channels.start : channels.stop].tolist()
    job = replace(job, measured_reference=job.reference)
    return with_samples(job, samples, numbers)


def with_samples(job: Job, samples: NDArray[np.float32], numbers: list[int] | None = None) -> Job:
    """The job with other samples, and perhaps of other channels."""
    old = job.recording
    recording = Recording(
        samples,
        interval_s=old.interval_s,
        start=old.start_ns,
        time_scale=old.scale,
        channels=old.channel_numbers.tolist() if numbers is None else numbers,
    )
    return replace(job, recording=recording)


class EnergySums:
    """Energies of gathers (shot, channel, time) by source and window, NaN for too few shots."""

    def __init__(self, job: Job) -> None:
        shots = job.shots
        found = (
            np.flatnonzero(job.delivered & (shots.source == source)) for source in shots.sources
        )
        self.rows = [rows[np.argsort(shots.fire_time_ns[rows], kind="stable")] for rows in found]
        self.windows = sample_windows(job.length)

    def __call__(self, gathers: Gathers) -> Floats:
        """Sums, shape (source, 1 + window): the whole trace first."""
        out = self.unknown()
        for number, rows in enumerate(self.rows):
            if len(rows) >= LEAST_SHOTS:
                out[number] = self.by_window(_products(gathers[rows], gathers[rows])).sum(axis=0)
        return out

    def unknown(self) -> Floats:
        """Sums of which nothing is known."""
        return np.full((len(self.rows), 1 + len(self.windows)), np.nan)

    def by_window(self, power: Floats) -> Floats:
        """Sums of (shot, time), shape (shot, 1 + window)."""
        parts = (power[:, start:stop] for start, stop in ((0, None), *self.windows))
        return np.stack([part.sum(axis=1) for part in parts], axis=1)


def _products(one: Gathers, other: Gathers) -> Floats:
    """Products summed over channels, shape (shot, time)."""
    return np.asarray(np.einsum("sct,sct->st", one, other, dtype=np.float64))


def mirrored_gathers(estimate: Gathers, rows: list[NDArray[np.int64]]) -> Gathers:
    """Gathers of each source in the opposite order of its shots."""
    mirrored = np.zeros_like(estimate)
    for own in rows:
        mirrored[own] = np.float32(_MIRRORED) * estimate[own[::-1]]
    return mirrored


def _lined_up(cut: Gathers, sums: EnergySums) -> Floats:
    """Energy that neighbouring shots have in common, less two standard deviations of chance."""
    out = sums.unknown()
    for number, rows in enumerate(sums.rows):
        if len(rows) >= LEAST_SHOTS:
            product = sums.by_window(_products(cut[rows[1:]], cut[rows[:-1]]))
            found = product.sum(axis=0) - 2 * np.sqrt(np.sum(product**2, axis=0))
            out[number] = np.maximum(found, 0) * len(rows) / (len(rows) - 1)
    return out


def _shift_error(job: Job, estimate: Gathers, cut: Gathers, sums: EnergySums) -> Floats:
    """Energy of the error that the shifts of single shots make, over that of the estimate."""
    slope = np.gradient(estimate, job.recording.interval_s, axis=-1)
    shift2 = np.array([_shift2(estimate, cut, slope, rows) for rows in sums.rows])
    ratio = sums(slope) / np.maximum(sums(estimate), _LEAST)
    return np.asarray(np.maximum(shift2[:, None], _NOT_SHIFTED) * ratio)


def _cut(operator: BlendingOperator, record: NDArray[np.float32]) -> Gathers:
    gathers: Gathers = operator.pseudo_deblend(operator.xp.asarray(record))
    return gathers


def _shift2(estimate: Gathers, cut: Gathers, slope: Gathers, rows: NDArray[np.int64]) -> float:
    """Mean square shift of single shots against the mean of their neighbours, in s2.

    The record holds its shots where they were fired: the estimate with its unexplained part. What
    all channels share counts, where there are several: noise shifts each by itself.
    """
    if len(rows) < LEAST_SHOTS:
        return 0.0
    own = estimate[rows] + cut[rows]
    off = own[1:-1] - 0.5 * (own[:-2] + own[2:])
    steep = slope[rows[1:-1]]
    shift = -np.sum(off * steep, axis=-1, dtype=np.float64) / np.maximum(
        np.sum(steep**2, axis=-1, dtype=np.float64), _LEAST
    )
    count = shift.shape[1]
    if count == 1:
        return float(np.median(shift**2)) / _MEDIAN_OF_SQUARE / _OF_DIFFERENCE
    square = (shift.sum(axis=1) ** 2 - (shift**2).sum(axis=1)) / (count * (count - 1))
    return max(float(np.mean(square)), 0.0) / _OF_DIFFERENCE


_MEDIAN_OF_SQUARE: Final = 0.4549
"""Of a normal variable, over its variance."""
_OF_DIFFERENCE: Final = 1.5
"""Variance of one value less the mean of two others, over that of a value."""


def _decibels(ratio: Floats) -> Floats:
    return np.asarray(np.clip(10 * np.log10(np.maximum(ratio, 1e-12)), -60, 20))


def _rows(line: MeasuredLine, _: object = None) -> Iterator[Finding]:
    """One row a source, then one for each of its windows."""
    trial = line.error_trial
    if trial is None:
        yield _unknown(f"{NOTHING_KNOWN}: it was not asked for.")
        return
    expected = trial.expected_db
    for source in line.setup.sources:
        number = trial.sources.index(source) if source in trial.sources else None
        if number is None or not trial.level[number, 0] > 0:
            few = f"{NOTHING_KNOWN} of this source: fewer than {LEAST_SHOTS} shots are delivered"
            yield _unknown(f"{few}, or none of its channels holds anything.", source)
            continue
        for column, window_s in enumerate([None, *line.setup.windows_s]):
            value = float(expected[number, column])
            if np.isnan(value):
                message = "Next to no energy of this source is in this window."
                yield Finding(
                    EXPECTED_ERROR, value, "dB", "note", message, source=source, window_s=window_s
                )
                continue
            error = _ERROR_DB if window_s is None else _ERROR_IN_WINDOW_DB
            yield verdict_row(
                line.limits,
                EXPECTED_ERROR,
                value,
                "Energy of the error that is expected, over that of the true signal, give or take "
                f"{error:g} dB; from {trial.channel_count} channels that were separated twice.",
                error=error,
                source=source,
                window_s=window_s,
            )


def _unknown(message: str, source: int | str | None = None) -> Finding:
    return Finding(EXPECTED_ERROR, float("nan"), "dB", "look", message, source=source)


EXPECTED: Final = Metric(EXPECTED_ERROR, rows=_rows)
