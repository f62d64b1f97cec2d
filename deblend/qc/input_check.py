"""Fire times, clocks and shots of a line verified against the samples of its nearest channels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.geometry import Geometry
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.qc.direct_arrivals import (
    DirectArrivals,
    arrival_strength,
    fit_direct_arrivals,
    later_by_s,
)
from deblend.qc.input_clock import ClockCourse, clearest_shots, clock_course
from deblend.qc.input_findings import (
    WEAK_BELOW,
    clock_findings,
    mixed_scales_s,
    offset_findings,
    remaining_drift,
    shot_findings,
)
from deblend.qc.onsets import FEWEST_SHOTS, Onsets, onset_strength

WATER_VELOCITY_M_S: Final = 1500.0
MOST_CHANNELS: Final = 6
_WITHOUT_OFFSETS: Final = 2
_STEP_SHOTS: Final = 6
_SAME_TIME_S: Final = 0.01
_SWAP_ROUNDS: Final = 4
_DRIFT_ROUNDS: Final = 5
_DRIFT_FOLLOWED_S: Final = 0.0002


class Fit(Protocol):
    """Fits the arrivals with given fire times and live shots."""

    def __call__(
        self,
        fire_time_ns: NDArray[np.int64],
        live: NDArray[np.bool_],
        *,
        form: NDArray[np.float64] | None = None,
    ) -> DirectArrivals:
        """Looking for nothing else; with usual arrivals that are known, or from these shots."""


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
        that are not in the table.
    """
    sources = np.array([shots.sources.index(source) for source in shots.source.tolist()])
    for row, source in (placed_as or {}).items():
        sources[row] = shots.sources.index(source)
    offset_m = np.abs(geometry.offset_m)
    known_offsets = bool(np.isfinite(offset_m).any(axis=0).any())
    rows, record = _near_channels(recording, geometry, known_offsets)
    if not len(rows) or np.count_nonzero(shots.live) < FEWEST_SHOTS:
        message = (
            f"{np.count_nonzero(shots.live)} live shots and {len(rows)} usable channels are too "
            "few to verify the fire times against the samples."
        )
        return [Finding("not_verified", np.nan, "", "look", message)]
    known = np.isfinite(record)
    delay_s = _delays(offset_m[:, rows], sources, len(shots.sources), known_offsets)
    order = np.argsort(shots.fire_time_ns, kind="stable")
    order = order[shots.live[order]]
    seen = _Seen(record, known, sources, delay_s, recording.start_ns, recording.interval_ns)
    course = _course(seen, shots, order, seed)

    def fit(
        fire_time_ns: NDArray[np.int64],
        live: NDArray[np.bool_],
        fired: NDArray[np.int64] = sources,
        *,
        search: bool = False,
        form: NDArray[np.float64] | None = None,
    ) -> DirectArrivals:
        return fit_direct_arrivals(
            record,
            known,
            fire_time_ns,
            live,
            fired,
            delay_s,
            start_ns=recording.start_ns,
            interval_ns=recording.interval_ns,
            search=search,
            form=form,
        )

    course = _level_steps(shots, course, order, fit, recording.interval_s)
    course = _place_steps(shots, course, order, fit)
    course, corrected_ns, arrivals = _follow_drift(shots, course, order, fit)
    findings = clock_findings(shots, course, arrivals, order, positions_known=known_offsets)
    if not course.lag.usable:
        return findings
    wrong: dict[int, int] = {}
    for _ in range(_SWAP_ROUNDS):
        fired = sources.copy()
        fired[list(wrong)] = list(wrong.values())
        arrivals = fit(corrected_ns, shots.live, fired, search=True, form=arrivals.form)
        more = _looks_like(arrivals, fired, corrected_ns)
        if not more or more.keys() <= wrong.keys():
            break
        # Fitted as what they look like, such shots disturb their neighbours no more.
        wrong |= more
    wrong = {row: source for row, source in wrong.items() if source != sources[row]}
    if known_offsets:
        findings += offset_findings(arrivals, WATER_VELOCITY_M_S)
    fitted = replace(shots, source=np.array(shots.sources)[sources])
    named = {row: source for row, source in wrong.items() if row not in (placed_as or {})}
    return findings + shot_findings(fitted, arrivals, corrected_ns, named)


@dataclass(frozen=True, eq=False)
class _Seen:
    """What is looked at.

    Parameters
    ----------
    record : ndarray of float32, shape (channel, time)
        Some channels near the sources.
    known : ndarray of bool, shape (channel, time)
        False where a sample is missing.
    sources : ndarray of int64, shape (shot,)
        Source of each row of the table, from 0.
    delay_s : ndarray of float64, shape (source, channel)
        Travel time of the direct arrival.
    start_ns, interval_ns : int
        Of the record.
    """

    record: NDArray[np.float32]
    known: NDArray[np.bool_]
    sources: NDArray[np.int64]
    delay_s: NDArray[np.float64]
    start_ns: int
    interval_ns: int


def _course(seen: _Seen, shots: Shots, order: NDArray[np.int64], seed: int) -> ClockCourse:
    """Lag of the record, from onsets at first, then from the waveform that they lead to.

    Where sources fire nearly together, energy rises with the first of them only, and onsets are
    good for some 50 ms. A waveform, once it is known from the shots that agree best, tells all
    shots of its source to a sample.
    """
    interval_s = seen.interval_ns * 1e-9
    likely_s = (0.0, *mixed_scales_s(shots))
    sample = (shots.fire_time_ns[order] - seen.start_ns) / seen.interval_ns
    rows = seen.sources[order]
    strength = [
        onset_strength(seen.record, seen.known, interval_s, delay) for delay in seen.delay_s
    ]
    onsets = Onsets(np.stack(strength), interval_s)
    course = clock_course(onsets, sample, rows, likely_s=likely_s, seed=seed)
    if not course.lag.usable:
        return course
    learnt = np.zeros(len(shots), dtype=np.bool_)
    learnt[order[clearest_shots(onsets, sample, rows, course.lag.lag_s)]] = True
    likeness, late_s = arrival_strength(
        seen.record,
        seen.known,
        shots.fire_time_ns + round(course.lag.lag_s * 1e9),
        learnt,
        seen.sources,
        seen.delay_s,
        start_ns=seen.start_ns,
        interval_ns=seen.interval_ns,
    )
    finer = clock_course(
        Onsets(likeness, interval_s),
        sample,
        rows,
        likely_s=likely_s,
        judged=~learnt[order],
        seed=seed,
    )
    # Lags count from the begin of the arrival.
    finer = replace(finer, lag_s=finer.lag_s + late_s)
    return finer if finer.lag.usable else course


def _looks_like(
    arrivals: DirectArrivals, sources: NDArray[np.int64], corrected_ns: NDArray[np.int64]
) -> dict[int, int]:
    """Row of each shot that looks like another source, and that source.

    Either as a whole, or because it left nothing, and another source something at that time.
    """
    found = {}
    for row in np.flatnonzero(arrivals.unusual & (arrivals.amplitude < WEAK_BELOW)).tolist():
        for stray in arrivals.strays:
            apart_s = abs(stray.time_ns - int(corrected_ns[row])) * 1e-9
            if stray.source_row != sources[row] and apart_s < _SAME_TIME_S:
                found[row] = stray.source_row
    if arrivals.likeness is not None:
        other = arrivals.likeness.looks_like
        found |= {int(row): int(other[row]) for row in np.flatnonzero(other >= 0)}
    return found


def _level_steps(
    shots: Shots, course: ClockCourse, order: NDArray[np.int64], fit: Fit, interval_s: float
) -> ClockCourse:
    """Sizes of steps from the usual arrivals on either side, finer than a sample."""
    if not course.steps:
        return course
    lag_s = course.lag_s.copy()
    edges = [0, *(step.shot for step in course.steps), len(order)]
    corrected_ns = shots.fire_time_ns + _correction_ns(shots, order, lag_s)
    forms = []
    for begin, end in pairwise(edges):
        live = np.zeros(len(shots), dtype=np.bool_)
        live[order[begin:end]] = True
        forms.append(fit(corrected_ns, live).form)
    steps = []
    for step, before, after in zip(course.steps, forms, forms[1:], strict=False):
        finer = later_by_s(after, before, interval_s)
        steps.append(replace(step, size_s=step.size_s + finer))
        lag_s[step.shot :] += finer
    return replace(course, steps=tuple(steps), lag_s=lag_s)


def _place_steps(
    shots: Shots,
    course: ClockCourse,
    order: NDArray[np.int64],
    fit: Fit,
) -> ClockCourse:
    """Move each step to the shot at which the fitted arrivals leave least of the record."""
    if not course.steps:
        return course
    steps = []
    lag_s = course.lag_s
    form = fit(shots.fire_time_ns + _correction_ns(shots, order, lag_s), shots.live).form
    for step in course.steps:
        near = np.arange(max(1, step.shot - _STEP_SHOTS), min(len(order), step.shot + _STEP_SHOTS))
        sides = lag_s[max(0, step.shot - 1)], lag_s[step.shot]
        best = np.inf
        for first in near.tolist():
            tried = course.lag_s.copy()
            tried[near] = np.where(near < first, *sides)
            corrected_ns = shots.fire_time_ns + _correction_ns(shots, order, tried)
            arrivals = fit(corrected_ns, shots.live, form=form)
            if arrivals.left_energy < best:
                best, place, chosen = arrivals.left_energy, first, tried[near]
        lag_s = lag_s.copy()
        lag_s[near] = chosen
        steps.append(replace(step, shot=place))
    return replace(course, steps=tuple(steps), lag_s=lag_s)


def _follow_drift(
    shots: Shots, course: ClockCourse, order: NDArray[np.int64], fit: Fit
) -> tuple[ClockCourse, NDArray[np.int64], DirectArrivals]:
    """Fit, and fit again along the drift that the arrivals still show."""
    seconds = (shots.fire_time_ns[order] - shots.fire_time_ns[order[0]]) * 1e-9
    for _ in range(_DRIFT_ROUNDS):
        corrected_ns = shots.fire_time_ns + _correction_ns(shots, order, course.lag_s)
        arrivals = fit(corrected_ns, shots.live)
        more = remaining_drift(shots, arrivals)
        if abs(more) * seconds[-1] < _DRIFT_FOLLOWED_S:
            break
        course = replace(
            course,
            lag_s=course.lag_s + more * (seconds - 0.5 * seconds[-1]),
            drift=course.drift + more,
        )
    return course, corrected_ns, arrivals


def _near_channels(
    recording: Recording, geometry: Geometry, known_offsets: bool
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Rows and samples of the nearest channels that are not dead."""
    candidates = np.array(nearest_channels(recording, geometry), dtype=np.int64)
    wanted = MOST_CHANNELS if known_offsets else _WITHOUT_OFFSETS
    record = recording.read(candidates.tolist(), 0, recording.shape[1])
    finite = np.isfinite(record)
    mean_square = np.array(
        [
            np.square(trace[good], dtype=np.float64).mean() if good.any() else 0.0
            for trace, good in zip(record, finite, strict=True)
        ]
    )
    alive = np.flatnonzero(mean_square > 0.0)
    if not known_offsets:
        # The louder end is the near one.
        alive = alive[np.argsort(-mean_square[alive], kind="stable")]
    chosen = alive[:wanted]
    return candidates[chosen].astype(np.int64), record[chosen]


def nearest_channels(recording: Recording, geometry: Geometry) -> list[int]:
    """Rows of the channels nearest to the sources; of both ends where offsets are unknown."""
    offset_m = np.abs(geometry.offset_m)
    some = np.isfinite(offset_m).any(axis=0)
    count = recording.shape[0]
    if not some.any():
        return sorted({min(max(row, 0), count - 1) for row in (0, 1, count - 2, count - 1)})
    nearest = np.full(count, np.inf)
    nearest[some] = np.nanmedian(offset_m[:, some], axis=0)
    order = np.argsort(nearest, kind="stable")[: 2 * MOST_CHANNELS]
    return [int(row) for row in order if np.isfinite(nearest[row])]


def _delays(
    offset_m: NDArray[np.float64],
    sources: NDArray[np.int64],
    source_count: int,
    known_offsets: bool,
) -> NDArray[np.float64]:
    """Travel time of the direct arrival, shape (source, channel)."""
    out = np.zeros((source_count, offset_m.shape[1]))
    if not known_offsets:
        return out
    whole = np.nanmedian(offset_m, axis=0) / WATER_VELOCITY_M_S
    for source in range(source_count):
        own = offset_m[sources == source]
        some = np.isfinite(own).any(axis=0)
        out[source] = whole
        out[source, some] = np.nanmedian(own[:, some], axis=0) / WATER_VELOCITY_M_S
    return out


def _correction_ns(
    shots: Shots, order: NDArray[np.int64], lag_s: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Lag of each row of the table; rows that are not live take that of the live shot before."""
    times = shots.fire_time_ns[order]
    before = np.searchsorted(times, shots.fire_time_ns, side="right") - 1
    lag = lag_s[np.clip(before, 0, len(order) - 1)].copy()
    lag[order] = lag_s
    return np.rint(lag * 1e9).astype(np.int64)
