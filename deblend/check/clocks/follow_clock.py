"""The clock of the record followed along the line: from onsets at first, then from arrivals."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.check.arrivals.direct_arrivals import (
    DirectArrivals,
    arrival_strength,
    fit_direct_arrivals,
    later_by_s,
    usual_arrival_forms,
)
from deblend.check.arrivals.near_record import FiredShots, NearRecord
from deblend.check.clocks.clock_course import ClockCourse, clearest_shots, clock_course
from deblend.check.clocks.clock_findings import mixed_scales_s, remaining_drift
from deblend.check.clocks.onsets import (
    LONGEST_LAG_S,
    Onsets,
    find_clock_lag,
    onset_strength,
)
from deblend.check.clocks.source_lags import source_lags
from deblend.model.shots import Shots
from deblend.model.timebase import NS_PER_S

_STEP_SHOTS: Final = 6
_ALIKE: Final = 1e-6
"""Relative difference of costs that is none."""
_DRIFT_ROUNDS: Final = 5
_DRIFT_FOLLOWED_S: Final = 0.00005


@dataclass(frozen=True, eq=False)
class TimedShots:
    """Shots by the clock of the record."""

    fired: FiredShots
    """Their times."""
    course: ClockCourse
    """What was added to those of the table."""
    order: NDArray[np.int64]
    """Row of each live shot in the order of time: those of the course."""
    arrivals: DirectArrivals
    """Fitted at these times."""
    source_late_s: NDArray[np.float64]
    """(source,): Lateness of a whole source that is in these times."""


def follow_clock(near: NearRecord, shots: Shots, fired: FiredShots, seed: int) -> TimedShots:
    """Find the clock of the record along the line, to a fraction of a sample."""
    strength = [
        onset_strength(near.samples, near.known, near.interval_s, delay) for delay in near.delay_s
    ]
    onsets = Onsets(np.stack(strength), near.interval_s)
    likely_s = (0.0, *mixed_scales_s(shots))
    reached = within_reach(near, shots)
    late_s = _late_sources(near, onsets, fired, _in_time(fired, reached), likely_s, seed)
    late_ns = np.rint(late_s * NS_PER_S).astype(np.int64)
    fired = replace(fired, fire_time_ns=fired.fire_time_ns + late_ns[fired.source_row])
    order = _in_time(fired, reached)
    course = _course(near, onsets, fired, order, likely_s, seed)
    course = _level_steps(near, fired, course, order)
    course = _place_steps(near, fired, course, order)
    timed = _follow_drift(near, shots, fired, course, order)
    if timed.course.steps and timed.course.drift:
        # Levels on either side of a step had a part of the drift.
        course = _level_steps(near, fired, timed.course, order)
        timed = _follow_drift(near, shots, fired, course, order)
    return replace(timed, source_late_s=late_s)


def _in_time(fired: FiredShots, reached: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Rows of the shots within reach, in the order of time."""
    order = np.argsort(fired.fire_time_ns, kind="stable")
    return np.asarray(order[reached[order]], dtype=np.int64)


def _late_sources(
    near: NearRecord,
    onsets: Onsets,
    fired: FiredShots,
    order: NDArray[np.int64],
    likely_s: tuple[float, ...],
    seed: int,
) -> NDArray[np.float64]:
    """How much later than the others each source is throughout, shape (source,)."""
    sample = (fired.fire_time_ns[order] - near.start_ns) / near.interval_ns
    rows = fired.source_row[order]
    lag = find_clock_lag(onsets, sample, rows, seed=seed).nearest(likely_s)
    if not lag.usable or near.source_count < 2:
        return np.zeros(near.source_count)
    return source_lags(onsets, sample, rows, lag.lag_s, likely_s)


def _course(
    near: NearRecord,
    onsets: Onsets,
    fired: FiredShots,
    order: NDArray[np.int64],
    likely_s: tuple[float, ...],
    seed: int,
) -> ClockCourse:
    """Lag of the record, from onsets at first, then from the waveform that they lead to.

    Where sources fire nearly together, energy rises with the first of them only, and onsets are
    good for some 50 ms. A waveform, once it is known from the shots that agree best, times all
    shots of its source to a sample.
    """
    sample = (fired.fire_time_ns[order] - near.start_ns) / near.interval_ns
    rows = fired.source_row[order]
    course = clock_course(onsets, sample, rows, likely_s=likely_s, seed=seed)
    if not course.lag.usable:
        return course
    late_ns = round(course.lag.lag_s * NS_PER_S)
    late = replace(fired, fire_time_ns=fired.fire_time_ns + late_ns)
    recorded = np.flatnonzero(near.view.complete(near.window(late))[order])
    if not recorded.size:
        return course
    clear = clearest_shots(onsets, sample[recorded], rows[recorded], course.lag.lag_s)
    learnt = np.zeros(len(fired.live), dtype=np.bool_)
    learnt[order[recorded[clear]]] = True
    tested = np.zeros(len(order), dtype=np.bool_)
    tested[recorded] = ~learnt[order[recorded]]
    likeness, late_s = arrival_strength(near, replace(late, live=learnt))
    finer = clock_course(
        Onsets(likeness, near.interval_s),
        sample,
        rows,
        likely_s=likely_s,
        tested=tested,
        seed=seed,
    )
    # Lags count from the begin of the arrival.
    finer = replace(finer, lag_s=finer.lag_s + late_s)
    return finer if finer.lag.usable else course


def _level_steps(
    near: NearRecord, fired: FiredShots, course: ClockCourse, order: NDArray[np.int64]
) -> ClockCourse:
    """Sizes of steps from the usual arrivals on either side, finer than a sample."""
    if not course.steps:
        return course
    lag_s = course.lag_s.copy()
    edges = [0, *(step.shot for step in course.steps), len(order)]
    corrected = _corrected(fired, order, lag_s)
    forms = []
    for begin, end in pairwise(edges):
        live = np.zeros(len(fired.live), dtype=np.bool_)
        live[order[begin:end]] = True
        forms.append(usual_arrival_forms(near, replace(corrected, live=live)))
    steps = []
    for step, before, after in zip(course.steps, forms, forms[1:], strict=False):
        finer = later_by_s(after, before, near.interval_s)
        steps.append(replace(step, size_s=step.size_s + finer))
        lag_s[step.shot :] += finer
    return replace(course, steps=tuple(steps), lag_s=lag_s)


def _place_steps(
    near: NearRecord, fired: FiredShots, course: ClockCourse, order: NDArray[np.int64]
) -> ClockCourse:
    """Put each step at the shot where the residual of the fitted arrivals is least."""
    if not course.steps:
        return course
    steps = []
    lag_s = course.lag_s
    form = usual_arrival_forms(near, _corrected(fired, order, lag_s))
    for step in course.steps:
        places = np.arange(
            max(1, step.shot - _STEP_SHOTS), min(len(order), step.shot + _STEP_SHOTS)
        )
        sides = lag_s[max(0, step.shot - 1)], lag_s[step.shot]
        tried, cost = [], []
        for first in places:
            tried.append(lag_s.copy())
            tried[-1][places] = np.where(places < first, *sides)
            corrected = _corrected(fired, order, tried[-1])
            cost.append(
                fit_direct_arrivals(near, corrected, search=False, form=form).residual_energy
            )
        # Where shots were not recorded, several places fit alike.
        alike = np.flatnonzero(np.array(cost) <= min(cost) * (1.0 + _ALIKE))
        lag_s = tried[alike[0]]
        earliest, latest = int(places[alike[0]]), int(places[alike[-1]])
        steps.append(replace(step, shot=earliest, latest=latest))
    return replace(course, steps=tuple(steps), lag_s=lag_s)


def _follow_drift(
    near: NearRecord,
    shots: Shots,
    fired: FiredShots,
    course: ClockCourse,
    order: NDArray[np.int64],
) -> TimedShots:
    """Fit, and fit again along the drift that the arrivals still show."""
    seconds = (fired.fire_time_ns[order] - fired.fire_time_ns[order[0]]) / NS_PER_S
    stretch = np.zeros(len(shots), dtype=np.int64)
    stretch[order] = np.searchsorted([s.shot for s in course.steps], np.arange(len(order)), "right")
    for _ in range(_DRIFT_ROUNDS):
        corrected = _corrected(fired, order, course.lag_s)
        arrivals = fit_direct_arrivals(near, corrected, search=False)
        more = remaining_drift(shots, arrivals, stretch, certain=course.drift != 0.0)
        if abs(more) * seconds[-1] < _DRIFT_FOLLOWED_S:
            break
        course = replace(
            course,
            lag_s=course.lag_s + more * (seconds - 0.5 * seconds[-1]),
            drift=course.drift + more,
        )
    return TimedShots(corrected, course, order, arrivals, np.zeros(near.source_count))


def _corrected(
    fired: FiredShots, order: NDArray[np.int64], lag_s: NDArray[np.float64]
) -> FiredShots:
    """Shots by the clock of the record; those not live take the lag of the live one before."""
    times = fired.fire_time_ns[order]
    before = np.searchsorted(times, fired.fire_time_ns, side="right") - 1
    lag = lag_s[np.clip(before, 0, len(order) - 1)].copy()
    lag[order] = lag_s
    late_ns = np.rint(lag * NS_PER_S).astype(np.int64)
    return replace(fired, fire_time_ns=fired.fire_time_ns + late_ns)


def within_reach(near: NearRecord, shots: Shots) -> NDArray[np.bool_]:
    """Live shots that some lag brings into the record; a table may go far beyond the files."""
    seconds = (shots.fire_time_ns - near.start_ns) / NS_PER_S
    last_s = near.samples.shape[1] * near.interval_s + LONGEST_LAG_S
    return np.asarray(shots.live & (seconds > -LONGEST_LAG_S) & (seconds < last_s))
