"""Small errors of fire times, estimated from the data for the whole line at once.

A separation on some channels gives, for every shot, its own record freed of the other shots
(residual plus own contribution). Other shots of the same source predict it, and all shifts follow
together from what the predictions leave of the record (`shift_fit`). Two predictions see different
errors:

- neighbouring shots, by a parabola. Errors that last longer than it are taken for the earth.
- the mean of shots far along the line, where arrivals do not change: the direct arrival, as sources
  and streamer are towed together. It sees all errors but the mean of each source, which no data can
  tell from a later wavelet.

A distance between source and streamer that drifts by 0.15 m looks like a time that drifts by
0.1 ms, and positions are not known so well. What tells them apart is the spectrum along the line:
errors of single shots hold as much power in slow changes as in fast ones, drift does not. Slow
shifts with more than `SLOW_LIMIT` times the power of fast ones are therefore left at zero, and
reported.

Only shifts that lower the misfit of their own shot, in a separation with all of them, are accepted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct, idct

from deblend.arrays import Array, irfft, rfft, to_host
from deblend.model.findings import Finding
from deblend.separation.block import Block, block_reference, separate_block, split_unknown
from deblend.separation.job import Job
from deblend.separation.schedule import FLOOR
from deblend.separation.settings import SeparationSettings
from deblend.separation.shift_fit import (
    Predictor,
    alike,
    fit_shifts,
    predict,
    prediction_weights,
    time_derivative,
)

CHANNELS: Final = 12
"""Neighbouring channels that times are estimated from."""
LARGEST_S: Final = 0.005
"""Larger errors are reported and never corrected."""
SEARCHED_S: Final = 0.06
"""Errors up to this are noticed."""
ROUNDS: Final = 4
SLOW_LIMIT: Final = 5.0
"""Slow over fast power of the shifts of a source; 1 is expected of errors of single shots."""
_PART: Final = 2 / 3
"""Part of the iterations: the threshold is low by then, and still above what wrong times leave."""
_NEAR: Final = 8
"""Shots on either side of a parabola."""
_FAR: Final = 100
"""Shots on either side of a mean."""
_SLOW_SHOTS: Final = 12
"""A parabola does not see changes of longer wavelength, in shots."""
_GAIN: Final = 0.2
"""Part of its misfit that the line must lose for any shift to be accepted."""
_MOST_ROWS: Final = 12


@dataclass(frozen=True, eq=False)
class TimeShifts:
    """What was estimated; one row for every row of the shot table."""

    shift_s: NDArray[np.float64]
    """(shot,): True fire time minus that of the table, in seconds; zero for shots without estimate.
    """
    accepted: NDArray[np.bool_]
    """(shot,): Shifts that lower the residual of their own shot and may be applied."""
    gross_s: NDArray[np.float64]
    """(shot,): Lag of the best correlation with neighbouring shots where that is beyond
    `LARGEST_S`; zero elsewhere. Reported and never applied."""
    slow_ratio: NDArray[np.float64]
    """(source,): Slow over fast power of the shifts of each source; beyond `SLOW_LIMIT` the slow
    part is left at zero. NaN for sources with too few shots."""

    @property
    def applied_s(self) -> NDArray[np.float64]:
        """Accepted shifts, zero elsewhere."""
        return np.where(self.accepted, self.shift_s, 0.0)


@dataclass(frozen=True, eq=False)
class _SourceLine:
    """Shots of one source that can be predicted."""

    number: int
    """Place of the source in the table of sources."""
    rows: NDArray[np.int64]
    """(shot,): In the shot table."""
    near: Predictor
    far: Predictor
    """By neighbouring shots, and by shots far along the line."""


def estimate_shifts(job: Job) -> TimeShifts:
    """Estimate the errors of all fire times of a line.

    `CHANNELS` of its channels are separated ``ROUNDS + 1`` times with two thirds of the iterations,
    which takes as long as some 40 channels of the line.
    """
    record = _strong_channels(job)
    shift = np.zeros(len(job.shots))
    ratio = np.full(job.layout.source_count, np.nan)
    own, estimate = _own_records(job, record)
    gross = _gross_errors(own, job)
    lines = _source_lines(job, gross)
    parts = [_alike_in(own, line.near, job.recording.interval_s) for line in lines]
    before = _misfits(own, lines, parts, len(shift))
    for number in range(ROUNDS):
        far = [number > 0 and not ratio[line.number] > SLOW_LIMIT for line in lines]
        predictors = [line.far if use else line.near for line, use in zip(lines, far, strict=True)]
        more = _more_shift(with_shifted_times(job, shift), record, own, estimate, predictors)
        shift = np.clip(shift + more, -LARGEST_S, LARGEST_S)
        for line, use in zip(lines, far, strict=True):
            if use:
                ratio[line.number] = slow_over_fast(shift[line.rows])
            if ratio[line.number] > SLOW_LIMIT:
                shift[line.rows] = without_slow(shift[line.rows])
        own, estimate = _own_records(with_shifted_times(job, shift), record)
    after = _misfits(own, lines, parts, len(shift))
    accepted = (shift != 0) & (after < before)
    if after.sum() > (1 - _GAIN) * before.sum():
        accepted[:] = False
    return TimeShifts(shift, accepted, gross, ratio)


def refinement_iterations(iterations: int) -> int:
    """Iterations of all separations that `estimate_shifts` makes of its channels."""
    return (ROUNDS + 1) * _iterations_of(iterations)


def _iterations_of(iterations: int) -> int:
    return max(1, round(_PART * iterations))


def with_shifted_times(job: Job, shift_s: NDArray[np.float64]) -> Job:
    """The line with shifted fire times; slots stay as they are."""
    ns = np.rint(shift_s * 1e9).astype(np.int64)
    if not ns.any():
        return job
    return replace(job, shots=replace(job.shots, fire_time_ns=job.shots.fire_time_ns + ns))


def _strong_channels(job: Job) -> Array:
    """Record of the neighbouring channels with most energy, shape (channel, time)."""
    count = job.recording.shape[0]
    size = min(CHANNELS, count)
    energy = np.zeros(count)
    for channel in range(count):
        samples = to_host(job.read(range(channel, channel + 1)))[0]
        known = np.isfinite(samples)
        energy[channel] = np.mean(np.square(samples[known])) if known.any() else 0.0
    middle = np.sqrt(np.minimum(energy, 9 * np.median(energy)))  # a wild channel decides nothing
    total = np.convolve(middle, np.ones(size), "valid")
    first = int(np.argmax(total))
    return job.read(range(first, first + size))


def _own_records(job: Job, record: Array) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Residual plus own contribution of each shot, and that contribution; shots in slot order."""
    settings = SeparationSettings(
        iterations=_iterations_of(job.settings.iterations), seed=job.settings.seed, robust=False
    )
    reference = block_reference(
        record,
        job.operator,
        job.method,
        (job.first_slot, 0, 0),
        source_count=job.layout.source_count,
        interval_s=job.recording.interval_s,
        seed=settings.seed,
    )
    done = separate_block(
        record,
        job.operator,
        job.method,
        (job.first_slot, 0, 0),
        block=Block(
            job.layout.source_count,
            job.layout.slot_count,
            job.recording.interval_s,
            reference,
            settings,
            FLOOR**_PART,
        ),
    )
    own = job.operator.pseudo_deblend(done.residual) + done.estimate
    return to_host(own), to_host(done.estimate)


def _source_lines(job: Job, gross: NDArray[np.float64]) -> list[_SourceLine]:
    """Sources with enough shots, without shots whose time is wrong beyond correction."""
    lines = []
    live = job.operator.live.reshape(job.layout.source_count, -1)
    for number, (rows, alive) in enumerate(zip(job.layout.row, live, strict=True)):
        slots = np.flatnonzero(alive)
        slots = slots[gross[rows[slots]] == 0]
        if len(slots) < 2 * _NEAR:
            continue
        places = number * live.shape[1] + slots
        near = Predictor(places, prediction_weights(slots, _NEAR, 2))
        far = Predictor(places, prediction_weights(slots, _FAR, 0))
        lines.append(_SourceLine(number, rows[slots], near, far))
    return lines


def _gross_errors(own: NDArray[np.float32], job: Job) -> NDArray[np.float64]:
    """Lags of the best correlation with neighbouring shots, zero up to `LARGEST_S`."""
    gross = np.zeros(len(job.shots))
    for line in _source_lines(job, gross):
        some = own[line.near.places]
        lags = best_lags(some, line.near.of(some), job.recording.interval_s)
        gross[line.rows] = np.where(np.abs(lags) > LARGEST_S, lags, 0.0)
    return gross


def best_lags(
    gathers: NDArray[np.float32], predicted: NDArray[np.float32], interval_s: float
) -> NDArray[np.float64]:
    """Lag of the best correlation of each shot with its prediction, in seconds.

    Own records of one source and what other shots say of them have shape (shot, channel, time).
    Lags are multiples of the sample interval, up to `SEARCHED_S`.
    """
    length = gathers.shape[-1]
    reach = min(round(SEARCHED_S / interval_s), length - 1)
    lags = np.zeros(len(gathers))
    for shot, (one, other) in enumerate(zip(gathers, predicted, strict=True)):
        spectrum = rfft(np, one, 2 * length) * rfft(np, other, 2 * length).conj()
        cross = irfft(np, spectrum.sum(axis=0), 2 * length)
        near = np.concatenate([cross[-reach:], cross[: reach + 1]])
        lags[shot] = (int(np.argmax(near)) - reach) * interval_s
    return lags


def _alike_in(
    own: NDArray[np.float32], predictor: Predictor, interval_s: float
) -> NDArray[np.float32]:
    """Where the shots of a source resemble their predictions, shape (channel, time)."""
    some = own[predictor.places]
    predicted = predictor.of(some)
    return alike(some, predicted, time_derivative(predicted, interval_s), interval_s)


def _misfits(
    own: NDArray[np.float32],
    lines: list[_SourceLine],
    parts: list[NDArray[np.float32]],
    row_count: int,
) -> NDArray[np.float64]:
    """Energy in which each shot, a row of the table, differs from its neighbours."""
    misfit = np.zeros(row_count)
    for line, part in zip(lines, parts, strict=True):
        some = own[line.near.places]
        difference = part * (some - line.near.of(some))
        misfit[line.rows] = np.sum(np.square(difference), axis=(1, 2), dtype=np.float64)
    return misfit


def _more_shift(
    job: Job,
    record: Array,
    own: NDArray[np.float32],
    estimate: NDArray[np.float32],
    predictors: list[Predictor],
) -> NDArray[np.float64]:
    """What the times of the job are still wrong by; one value a row of the table."""
    samples, known = split_unknown(record, job.operator)
    predicted = predict(own, estimate, predictors, job.recording.interval_s)
    found = fit_shifts(samples, known, job.operator, predicted, predictors)
    more = np.zeros(len(job.shots))
    for predictor in predictors:
        more[job.layout.row.ravel()[predictor.places]] = found[predictor.places]
    return more


def slow_over_fast(shift_s: NDArray[np.float64]) -> float:
    """Mean power of slow changes along the line over that of fast ones; the mean is neither."""
    power = np.square(dct(shift_s, norm="ortho"))
    first_fast = _first_fast(len(shift_s))
    fast = float(np.mean(power[first_fast:]))
    return float(np.mean(power[1:first_fast])) / fast if fast > 0 else 0.0


def without_slow(shift_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shifts without what changes slowly along the line."""
    spectrum = dct(shift_s, norm="ortho")
    spectrum[: _first_fast(len(shift_s))] = 0
    return np.asarray(idct(spectrum, norm="ortho"))


def _first_fast(count: int) -> int:
    """First cosine along the line that is shorter than `_SLOW_SHOTS`."""
    return 2 * count // _SLOW_SHOTS


def shift_findings(shifts: TimeShifts, job: Job) -> Iterator[Finding]:
    """What was found of the fire times."""
    shots = job.shots
    live = shots.live
    rms_ms = 1e3 * float(np.sqrt(np.mean(shifts.shift_s[live] ** 2))) if live.any() else 0.0
    count = int(np.count_nonzero(shifts.accepted))
    yield Finding(
        "fire_time_error_rms",
        rms_ms,
        "ms",
        "look" if count else "note",
        "Fire times of the table against the data; an error that all shots of a source share "
        f"cannot be seen. {count} shifts lower the misfit of their own shot and were applied. "
        "Such errors may come from the gun controller: have it checked, shifts can hide a fault.",
    )
    for source, ratio in zip(shots.sources, shifts.slow_ratio, strict=True):
        if count and ratio > SLOW_LIMIT:
            yield Finding(
                "fire_time_slow_error",
                float(ratio),
                "",
                "note",
                "Power of the slow changes of the shifts along the line over that of the fast "
                "ones. So slow a change is more likely one of the distance between source and "
                "streamer: it was left at zero, and only fast changes were applied.",
                source=source,
                limit=SLOW_LIMIT,
            )
    for row in np.flatnonzero(shifts.gross_s)[:_MOST_ROWS]:
        yield Finding(
            "fire_time_gross_error",
            1e3 * float(shifts.gross_s[row]),
            "ms",
            "look",
            "The record of this shot fits its neighbours best at this delay. So large an error is "
            "never corrected silently: check the shot in the log, correct the table or mark it as "
            "not live.",
            source=shots.source[row].item(),
            shot_point=int(shots.shot_point[row]),
            limit=1e3 * LARGEST_S,
        )


def shifts_csv(shifts: TimeShifts, job: Job) -> str:
    """Table of the shifts: source, shot_point, shift_ms, applied."""
    rows = ["source,shot_point,shift_ms,accepted,gross_error_ms"]
    rows += [
        f"{job.shots.source[row]},{job.shots.shot_point[row]},{1e3 * shifts.shift_s[row]:.4f},"
        f"{str(bool(shifts.accepted[row])).lower()},{1e3 * shifts.gross_s[row]:.1f}"
        for row in range(len(job.shots))
    ]
    return "\n".join(rows) + "\n"
