"""Fire times, clocks and shots of a line verified against the samples of its nearest channels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.check.clock_findings import (
    clock_findings,
    mixed_scales_s,
    offset_findings,
    remaining_drift,
    source_offset_findings,
)
from deblend.check.direct_arrivals import (
    DirectArrivals,
    arrival_strength,
    fit_direct_arrivals,
    later_by_s,
    usual_arrival_forms,
)
from deblend.check.input_clock import ClockCourse, clearest_shots, clock_course
from deblend.check.near_record import (
    WATER_VELOCITY_M_S,
    FiredShots,
    NearRecord,
    offsets_known,
    read_near_record,
)
from deblend.check.onsets import FEWEST_SHOTS, LONGEST_LAG_S, Onsets, onset_strength
from deblend.check.shot_findings import WEAK_BELOW, shot_findings
from deblend.model.findings import Finding
from deblend.model.geometry import Geometry
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.model.timebase import NS_PER_S

_STEP_SHOTS: Final = 6
_ALIKE: Final = 1e-6
"""Relative difference of costs that is none."""
_SAME_TIME_S: Final = 0.01
_SWAP_ROUNDS: Final = 4
_DRIFT_ROUNDS: Final = 5
_DRIFT_FOLLOWED_S: Final = 0.00005


def verify_against_samples(
    recording: Recording,
    shots: Shots,
    geometry: Geometry,
    *,
    placed_as: Mapping[int, int | str] | None = None,
    seed: int = 0,
) -> list[Finding]:
    """Look whether the record holds what the table of shots says.

    Reads up to six channels near the sources as a whole. Where offsets are unknown, two channels
    are read, and constant clock offsets from 0 to 2 s cannot be told from travel time.

    Parameters
    ----------
    recording : Recording
        The record.
    shots : Shots
        In its time scale.
    geometry : Geometry
        Offsets, or unknown.
    placed_as : mapping of int to int or str, optional
        Rows whose positions say that another source fired, and that source: they are fitted as
        such, and said to be no more than once.
    seed : int, optional
        Of the null.

    Returns
    -------
    list of Finding
        Clock offset, steps and drift; misfires, weak shots, wrong times and source numbers; shots
        that are not in the table; shots of which none of this can be said.
    """
    sources = np.array([shots.sources.index(source) for source in shots.source.tolist()])
    for row, source in (placed_as or {}).items():
        sources[row] = shots.sources.index(source)
    near = read_near_record(recording, geometry, sources, len(shots.sources))
    live = np.count_nonzero(shots.live if near is None else _of_use(near, shots))
    if near is None or live < FEWEST_SHOTS:
        usable = 0 if near is None else len(near.samples)
        message = (
            f"{live} live shots at the time of the record and {usable} usable channels are too few "
            f"to verify the fire times against the samples; at least {FEWEST_SHOTS} shots and one "
            "channel near the sources are needed. Separation takes the table as it is."
        )
        return [Finding("not_verified", np.nan, "", "look", message)]
    fired = FiredShots(shots.fire_time_ns, shots.live, sources)
    timed = _follow_clock(near, shots, fired, seed)
    positions_known = offsets_known(geometry)
    findings = clock_findings(
        shots, timed.course, timed.arrivals, timed.order, positions_known=positions_known
    )
    if not timed.course.lag.usable:
        return findings
    arrivals, wrong = _search(near, timed)
    if positions_known:
        findings += offset_findings(arrivals, WATER_VELOCITY_M_S)
        findings += source_offset_findings(shots, arrivals)
    fitted = replace(shots, source=np.array(shots.sources)[sources])
    named = {row: source for row, source in wrong.items() if row not in (placed_as or {})}
    return findings + shot_findings(fitted, arrivals, timed.fired.fire_time_ns, named)


def _of_use(near: NearRecord, shots: Shots) -> NDArray[np.bool_]:
    """Live shots that some lag brings into the record; a table may go far beyond the files."""
    seconds = (shots.fire_time_ns - near.start_ns) / NS_PER_S
    last_s = near.samples.shape[1] * near.interval_s + LONGEST_LAG_S
    return np.asarray(shots.live & (seconds > -LONGEST_LAG_S) & (seconds < last_s))


@dataclass(frozen=True, eq=False)
class _Timed:
    """Shots by the clock of the record."""

    fired: FiredShots
    """Their times."""
    course: ClockCourse
    """What was added to those of the table."""
    order: NDArray[np.int64]
    """Row of each live shot in the order of time: those of the course."""
    arrivals: DirectArrivals
    """Fitted at these times."""


def _follow_clock(near: NearRecord, shots: Shots, fired: FiredShots, seed: int) -> _Timed:
    """Find the clock of the record along the line, to a fraction of a sample."""
    order = np.argsort(shots.fire_time_ns, kind="stable")
    order = order[_of_use(near, shots)[order]]
    course = _course(near, fired, order, mixed_scales_s(shots), seed)
    course = _level_steps(near, fired, course, order)
    course = _place_steps(near, fired, course, order)
    timed = _follow_drift(near, shots, fired, course, order)
    if not (timed.course.steps and timed.course.drift):
        return timed
    # Levels on either side of a step had a part of the drift.
    course = _level_steps(near, fired, timed.course, order)
    return _follow_drift(near, shots, fired, course, order)


def _course(
    near: NearRecord,
    fired: FiredShots,
    order: NDArray[np.int64],
    mixed_s: tuple[float, float],
    seed: int,
) -> ClockCourse:
    """Lag of the record, from onsets at first, then from the waveform that they lead to.

    Where sources fire nearly together, energy rises with the first of them only, and onsets are
    good for some 50 ms. A waveform, once it is known from the shots that agree best, tells all
    shots of its source to a sample.
    """
    likely_s = (0.0, *mixed_s)
    sample = (fired.fire_time_ns[order] - near.start_ns) / near.interval_ns
    rows = fired.source_row[order]
    strength = [
        onset_strength(near.samples, near.known, near.interval_s, delay) for delay in near.delay_s
    ]
    onsets = Onsets(np.stack(strength), near.interval_s)
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
    judged = np.zeros(len(order), dtype=np.bool_)
    judged[recorded] = ~learnt[order[recorded]]
    likeness, late_s = arrival_strength(near, replace(late, live=learnt))
    finer = clock_course(
        Onsets(likeness, near.interval_s),
        sample,
        rows,
        likely_s=likely_s,
        judged=judged,
        seed=seed,
    )
    # Lags count from the begin of the arrival.
    finer = replace(finer, lag_s=finer.lag_s + late_s)
    return finer if finer.lag.usable else course


def _search(near: NearRecord, timed: _Timed) -> tuple[DirectArrivals, dict[int, int]]:
    """Look for what the table does not say; also rows that are another source, and that source.

    Fitted as what they look like, shots with a wrong number disturb their neighbours no more.
    """
    arrivals, sources = timed.arrivals, timed.fired.source_row
    wrong: dict[int, int] = {}
    for _ in range(_SWAP_ROUNDS):
        source_row = sources.copy()
        source_row[list(wrong)] = list(wrong.values())
        fired = replace(timed.fired, source_row=source_row)
        arrivals = fit_direct_arrivals(near, fired, form=arrivals.form)
        more = _looks_like(arrivals, fired)
        if not more or more.keys() <= wrong.keys():
            break
        wrong |= more
    return arrivals, {row: source for row, source in wrong.items() if source != sources[row]}


def _looks_like(arrivals: DirectArrivals, fired: FiredShots) -> dict[int, int]:
    """Row of each shot that looks like another source, and that source.

    Either as a whole, or because it left nothing, and another source something at that time.
    """
    found = {}
    for row in np.flatnonzero(arrivals.unusual & (arrivals.amplitude < WEAK_BELOW)).tolist():
        for stray in arrivals.strays:
            apart_s = abs(stray.time_ns - int(fired.fire_time_ns[row])) / NS_PER_S
            if stray.source_row != fired.source_row[row] and apart_s < _SAME_TIME_S:
                found[row] = stray.source_row
    if arrivals.likeness is not None:
        other = arrivals.likeness.looks_like
        found |= {int(row): int(other[row]) for row in np.flatnonzero(other >= 0)}
    return found


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
    """Move each step to the shot at which the fitted arrivals leave least of the record."""
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
            cost.append(fit_direct_arrivals(near, corrected, search=False, form=form).left_energy)
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
) -> _Timed:
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
    return _Timed(corrected, course, order, arrivals)


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
