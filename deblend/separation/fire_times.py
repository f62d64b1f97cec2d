"""Small errors of fire times, estimated from the data for the whole line at once.

A separation on some channels gives, for every shot, its own record freed of the other shots
(residual plus own contribution). Neighbouring shots of the same source predict it; what is left
is compared with the time derivative of the prediction, and the least-squares factor is the shift of
this shot against its neighbours [1]_. Shifts of all shots of a source then follow from one linear
system. A shift that changes slowly along the line cannot be told from a change of the earth, and
is left at zero. Only shifts that lower the residual of their own shot, in a separation with all of
them, are accepted.

References
----------
.. [1] The first-order expansion of a delay is textbook matter (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array, irfft, rfft, to_host
from deblend.model.findings import Finding
from deblend.separation.block import Block, block_reference, separate_block
from deblend.separation.job import Job
from deblend.separation.schedule import Schedule

CHANNELS: Final = 12
"""Neighbouring channels that times are estimated from."""
LARGEST_S: Final = 0.005
"""Larger errors are reported and never corrected."""
SEARCHED_S: Final = 0.06
"""Errors up to this are noticed."""
ROUNDS: Final = 3
_PART: Final = 2 / 3
"""Part of the iterations: the threshold is low by then, and still above what wrong times leave."""
_REACH: Final = 8
"""Neighbouring shots on either side; errors that last longer are taken for the earth."""
_GAIN: Final = 0.02
"""Part of its misfit that the line must lose for any shift to be accepted."""
_MOST_ROWS: Final = 12


@dataclass(frozen=True, eq=False)
class TimeShifts:
    """What was estimated; one row for every row of the shot table.

    Parameters
    ----------
    shift_s : ndarray of float64, shape (shot,)
        True fire time minus that of the table, in seconds; zero for shots without estimate.
    accepted : ndarray of bool, shape (shot,)
        Shifts that lower the residual of their own shot and may be applied.
    gross_s : ndarray of float64, shape (shot,)
        Lag of the best correlation with neighbouring shots where that is beyond `LARGEST_S`; zero
        elsewhere. Reported and never applied.
    """

    shift_s: NDArray[np.float64]
    accepted: NDArray[np.bool_]
    gross_s: NDArray[np.float64]

    @property
    def applied_s(self) -> NDArray[np.float64]:
        """Accepted shifts, zero elsewhere."""
        return np.where(self.accepted, self.shift_s, 0.0)


def estimate_shifts(job: Job) -> TimeShifts:
    """Estimate the errors of all fire times of a line.

    Parameters
    ----------
    job : Job
        The whole line; some of its channels are separated ``ROUNDS + 1`` times.

    Returns
    -------
    TimeShifts
    """
    record = _strong_channels(job)
    shift = np.zeros(len(job.shots))
    gross = np.zeros(len(job.shots))
    before: NDArray[np.float64] | None = None
    for number in range(ROUNDS):
        trial = moved(job, shift)
        more, lag, misfit = _shifts_of_round(_own_records(trial, record), trial)
        if before is None:
            before = misfit
        if number == 0:
            gross = np.where(np.abs(lag) > LARGEST_S, lag, 0.0)
        shift = np.where(gross == 0, np.clip(shift + more, -LARGEST_S, LARGEST_S), 0.0)
    assert before is not None
    trial = moved(job, shift)
    after = _shifts_of_round(_own_records(trial, record), trial)[2]
    accepted = (shift != 0) & (after < before)
    if after.sum() > (1 - _GAIN) * before.sum():
        accepted[:] = False
    return TimeShifts(shift, accepted, gross)


def moved(job: Job, shift_s: NDArray[np.float64]) -> Job:
    """The same line with shifted fire times; slots stay as they are."""
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


def _own_records(job: Job, record: Array) -> NDArray[np.float32]:
    """Residual plus own contribution of each shot, shape (source, slot, channel, time)."""
    iterations = max(1, round(_PART * job.schedule.iterations))
    schedule = Schedule(
        iterations, job.schedule.floor**_PART, job.schedule.step, job.schedule.momentum
    )
    reference = block_reference(
        record,
        job.operator,
        job.method,
        (job.first_slot, 0, 0),
        source_count=job.layout.source_count,
        interval_s=job.recording.interval_s,
        seed=job.seed,
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
            schedule,
            job.seed,
            "leave_out",
            robust=False,
        ),
    )
    own = to_host(job.operator.pseudo_deblend(done.residual) + done.estimate)
    return np.asarray(own.reshape(job.layout.source_count, -1, *own.shape[1:]))


def _shifts_of_round(
    own: NDArray[np.float32], job: Job
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Shift of each row of the table, lag of its best correlation, energy of its misfit."""
    shift, lag, misfit = np.zeros((3, len(job.shots)))
    live = job.operator.live.reshape(job.layout.source_count, -1)
    for gathers, rows, alive in zip(own, job.layout.row, live, strict=True):
        slots = np.flatnonzero(alive)
        if len(slots) < 2 * _REACH:
            continue
        weights = neighbour_weights(slots)
        observed, lags, left = against_neighbours(gathers[slots], weights, job.recording.interval_s)
        shift[rows[slots]] = absolute_shifts(observed, weights)
        lag[rows[slots]] = lags
        misfit[rows[slots]] = left
    return shift, lag, misfit


def neighbour_weights(slots: NDArray[np.int64]) -> NDArray[np.float64]:
    """Weights with which other shots predict each shot: a local parabola through `_REACH` each way.

    Returns
    -------
    ndarray of float64, shape (shot, shot)
        Rows add up to one; zero on the diagonal.
    """
    count = len(slots)
    weights = np.zeros((count, count))
    for place in range(count):
        first = min(max(place - _REACH, 0), max(count - 2 * _REACH - 1, 0))
        near = np.arange(first, min(first + 2 * _REACH + 1, count))
        near = near[near != place]
        distance = (slots[near] - slots[place]) / (2.0 * _REACH)
        basis = np.stack([np.ones(len(near)), distance, distance**2], axis=1)
        weights[place, near] = np.linalg.pinv(basis)[0]
    return weights


def against_neighbours(
    gathers: NDArray[np.float32], weights: NDArray[np.float64], interval_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Each shot against its prediction: delay by least squares, lag by correlation, misfit.

    Parameters
    ----------
    gathers : ndarray of float32, shape (shot, channel, time)
        Own records of one source.
    weights : ndarray of float64, shape (shot, shot)
        As of `neighbour_weights`.
    interval_s : float
        Sample interval.
    """
    count, _, length = gathers.shape
    predicted = np.tensordot(weights.astype(np.float32), gathers, axes=1)
    size = 2 * length
    spectrum = rfft(np, predicted, size)
    omega = 2j * np.pi * np.arange(spectrum.shape[-1]) / (size * interval_s)
    omega[-1] = 0  # no derivative at the Nyquist frequency
    derivative = irfft(np, spectrum * omega.astype(np.complex64), size)[..., :length]
    delay, lag, misfit = np.zeros((3, count))
    reach = min(round(SEARCHED_S / interval_s), length - 1)
    own = rfft(np, gathers, size)
    for shot in range(count):
        power = float(np.sum(np.square(derivative[shot], dtype=np.float64)))
        left = gathers[shot] - predicted[shot]
        misfit[shot] = np.sum(np.square(left, dtype=np.float64))
        if power > 0:
            delay[shot] = -float(np.sum(left * derivative[shot], dtype=np.float64)) / power
        cross = irfft(np, (own[shot] * spectrum[shot].conj()).sum(axis=0), size)
        near = np.concatenate([cross[-reach:], cross[: reach + 1]])
        lag[shot] = (int(np.argmax(near)) - reach) * interval_s
    return delay, lag, misfit


def absolute_shifts(
    observed: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Shifts of shots from their delays behind their neighbours, which are shifted themselves.

    The delay behind the prediction is the own shift minus the weighted shifts of the neighbours.
    Smooth shifts leave no delay; of all solutions that with the least shifts is taken.
    """
    against = np.eye(len(observed)) - weights
    doubtful = 0.1  # standard deviation of a delay over that of a shift
    system = against.T @ against + doubtful**2 * np.eye(len(observed))
    limited = np.clip(observed, -LARGEST_S, LARGEST_S)
    return np.asarray(np.linalg.solve(system, against.T @ limited))


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
        f"Fire times of the table against the data, shot to shot; slow changes along the line "
        f"cannot be seen. {count} shifts lower the misfit of their own shot and were applied. "
        "Such errors may come from the gun controller: have it checked, shifts can hide a fault.",
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
