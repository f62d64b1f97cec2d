"""Whether the clocks of recorder and source controller agree, all along the line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import theilslopes

from deblend.check.clocks.onsets import (
    PEAK_HALF_WIDTH_S,
    ClockLag,
    Onsets,
    alike_lags,
    correlate_onsets,
    find_clock_lag,
    segments_of,
)

SEGMENT_SHOTS: Final = 24
_STILL: Final = 0.7
"""Of the highest peak: a clock is not thought to be stepped where the lag before it fits as well;
firing that is nearly regular has such peaks, a step leaves nothing of the one before."""
_FAR_NEAREST: Final = 0.3
"""Of the distance of the next one."""
SMALLEST_STEP_S: Final = 0.05
"""Coarser than onsets can be timed with a dither of that size; smaller ones show shot by shot."""
_MOST_STEPS: Final = 2
"""More are no steps of a clock: arrivals move along the line. Where no lag of the whole line stands
out, two are too many."""
_ACROSS: Final = 2
"""Shots by which a segment may reach across a step."""
_CLEAREST_SHOTS: Final = 72
FEWEST_SEGMENTS: Final = 4
"""For a drift."""


@dataclass(frozen=True)
class ClockStep:
    """A sudden change of the difference between the two clocks."""

    shot: int
    """First shot after it, in the order of fire times."""
    size_s: float
    """Change of the lag."""
    latest: int = -1
    """Last shot that may as well be the first one after it, because shots between were not
    recorded; -1 where there is none."""


@dataclass(frozen=True, eq=False)
class ClockCourse:
    """Lag of the record behind the fire times along the line."""

    lag: ClockLag
    """Over a long stretch, with its null."""
    steps: tuple[ClockStep, ...]
    """Sudden changes."""
    lag_s: NDArray[np.float64]
    """(shot,): For each shot in the order of fire times, to a sample; a straight line between
    steps. Zero where nothing could be determined."""
    drift: float = 0.0
    """Growth of the lag in seconds a second, of the longest stretch between steps; 0 where it is
    within the scatter."""


def clock_course(
    onsets: Onsets,
    fire_sample: NDArray[np.float64],
    source_row: NDArray[np.int64],
    *,
    likely_s: Sequence[float] = (0.0,),
    tested: NDArray[np.bool_] | None = None,
    seed: int = 0,
) -> ClockCourse:
    """Follow the lag of the record behind the fire times.

    Parameters
    ----------
    fire_sample : ndarray of float64, shape (shot,)
        Rising fire times in samples of the record, live shots only.
    source_row : ndarray of int64, shape (shot,)
        Row of `onsets` of each shot.
    likely_s : sequence of float, optional
        Lags to choose where several fit alike, since firing is nearly regular.
    tested : ndarray of bool, shape (shot,), optional
        Shots that are held against the null: those from which nothing was learnt. All if not given.
    """
    count = len(fire_sample)
    whole = find_clock_lag(onsets, fire_sample, source_row, tested=tested, seed=seed)
    whole = whole.nearest(likely_s)
    near_s = whole.lag_s if whole.usable else None
    inside = _inside(onsets, fire_sample, near_s)
    trusted: list[tuple[slice, float]] = []
    for segment in segments_of(count, SEGMENT_SHOTS):
        before_s = trusted[-1][1] if trusted else None
        shots = np.arange(count)[segment][inside[segment]]
        lag = _segment_lag(onsets, fire_sample[shots], source_row[shots], near_s, before_s)
        if lag is not None:
            trusted.append((segment, lag))
    if len(trusted) < 2:
        constant = whole.lag_s if whole.usable else 0.0
        return ClockCourse(whole, (), np.full(count, constant))
    steps, sides = _steps(onsets, fire_sample, source_row, trusted)
    if len(steps) > (_MOST_STEPS if whole.found else 1):
        return ClockCourse(replace(whole, changes=len(steps)), (), np.zeros(count))
    edges = [0, *(step.shot for step in steps), count]
    lag_s = np.zeros(count)
    drifts = []
    for (begin, end), side_s in zip(pairwise(edges), sides, strict=True):
        # Segments that reach across a step show either lag or none.
        middles = [
            (0.5 * (part.start + part.stop), lag)
            for part, lag in trusted
            if begin - _ACROSS <= part.start and part.stop <= end + _ACROSS
        ]
        middles = middles or [(0.5 * (begin + end), side_s)]
        slope, level = _line_through(middles, onsets.interval_s)
        lag_s[begin:end] = level + slope * np.arange(begin, end)
        drifts.append((end - begin, slope))
    # One segment next to a step may be off; the level of all of them is not.
    steps = [
        replace(step, size_s=float(lag_s[step.shot] - lag_s[step.shot - 1]))
        for step in steps
        if step.shot > 0
    ]
    slope = max(drifts)[1]
    rate = slope * count / max(1.0, float(np.ptp(fire_sample)) * onsets.interval_s)
    return ClockCourse(whole, tuple(steps), lag_s, rate)


def _steps(
    onsets: Onsets,
    fire_sample: NDArray[np.float64],
    source_row: NDArray[np.int64],
    trusted: list[tuple[slice, float]],
) -> tuple[list[ClockStep], list[float]]:
    """Steps between segments, and the lag before, between and behind them."""
    steps: list[ClockStep] = []
    sides = [trusted[0][1]]
    for (before, lag), (after, next_lag) in pairwise(trusted):
        if abs(next_lag - lag) > SMALLEST_STEP_S:
            between = before.start, after.stop
            shot = _place_step(onsets, fire_sample, source_row, between, (lag, next_lag))
            if shot <= (steps[-1].shot if steps else 0):
                continue
            steps.append(ClockStep(shot, next_lag - lag))
            sides.append(next_lag)
    return steps, sides


def clearest_shots(
    onsets: Onsets,
    fire_sample: NDArray[np.float64],
    source_row: NDArray[np.int64],
    lag_s: float,
) -> slice:
    """Stretch of at most half the shots at which the onsets agree best with a lag."""
    strength = _strength_at(onsets, fire_sample + lag_s / onsets.interval_s, source_row)
    width = max(1, min(_CLEAREST_SHOTS, len(strength) // 2))
    sums = np.convolve(strength, np.ones(width), mode="valid")
    first = int(sums.argmax())
    return slice(first, first + width)


def _line_through(points: list[tuple[float, float]], interval_s: float) -> tuple[float, float]:
    """Slope and level of lags along the line; the slope is 0 where scatter may explain it."""
    place, lag = (np.array(values) for values in zip(*points, strict=True))
    level = float(np.median(lag))
    if len(points) < FEWEST_SEGMENTS:
        return 0.0, level
    slope = float(theilslopes(lag, place)[0])
    rest = lag - slope * place
    scatter = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    if abs(slope) * np.ptp(place) <= max(2.0 * interval_s, 4.0 * scatter):
        return 0.0, level
    return slope, float(np.median(rest))


def _inside(
    onsets: Onsets, fire_sample: NDArray[np.float64], near_s: float | None
) -> NDArray[np.bool_]:
    """Shots in the record at the lag of the line; others would be given to whatever fits them."""
    late = fire_sample + (near_s or 0.0) / onsets.interval_s
    inside = (late >= 0.0) & (late < onsets.strength.shape[1])
    return np.asarray(inside if near_s is not None else np.ones_like(inside))


def _segment_lag(
    onsets: Onsets,
    fire: NDArray[np.float64],
    source_row: NDArray[np.int64],
    near_s: float | None,
    before_s: float | None,
) -> float | None:
    """Lag of a few shots: that of the shots before where it still fits.

    Else the highest peak, of several alike the one far nearest to `near_s`, or None.
    """
    if len(fire) < SEGMENT_SHOTS // 2:
        return None
    values = correlate_onsets(onsets, fire, source_row)
    if before_s is not None:
        middle, width = len(values) // 2, round(PEAK_HALF_WIDTH_S / onsets.interval_s)
        begin = max(0, middle + round(before_s / onsets.interval_s) - width)
        about = values[begin : begin + 2 * width + 1]
        if about.size and about.max() >= _STILL * values.max():
            return (begin + int(about.argmax()) - middle) * onsets.interval_s
    alike = alike_lags(values, onsets.interval_s)
    if len(alike) == 1:
        return alike[0]
    if near_s is None or not alike:
        return None
    first, second = sorted(alike, key=lambda lag: abs(lag - near_s))[:2]
    return first if abs(first - near_s) < _FAR_NEAREST * abs(second - near_s) else None


def _place_step(
    onsets: Onsets,
    fire_sample: NDArray[np.float64],
    source_row: NDArray[np.int64],
    between: tuple[int, int],
    lags: tuple[float, float],
) -> int:
    """First shot that agrees better with the second lag than with the first."""
    shots = np.arange(*between)
    strength = [
        _strength_at(onsets, fire_sample[shots] + lag / onsets.interval_s, source_row[shots])
        for lag in lags
    ]
    gain = np.concatenate([[0.0], np.cumsum(strength[0] - strength[1])])
    return int(between[0] + gain.argmax())


def _strength_at(
    onsets: Onsets, sample: NDArray[np.float64], source_row: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Largest onset strength within two samples of each place."""
    count = onsets.strength.shape[1]
    near = np.rint(sample).astype(np.int64)[:, None] + np.arange(-2, 3)
    inside = (near >= 0) & (near < count)
    values = onsets.strength[source_row[:, None], np.clip(near, 0, count - 1)]
    return np.asarray(np.where(inside, values, 0.0).max(axis=1), dtype=np.float64)
