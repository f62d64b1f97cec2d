"""The direct arrival of every shot held against what its source usually leaves in the record.

On the channels nearest to the sources the direct arrival is the strongest event. Its usual form for
each source is the median over shots, in which the randomly timed arrivals of other sources vanish.
One amplitude a shot is then fitted to the record by least squares, all shots together, so that
arrivals that overlap do not disturb each other. What is left is searched for the same form: a shot
that the table does not know.

It fails where the direct arrival is weaker than what else arrives within a quarter of a second, and
with fewer than five shots of a source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from deblend.model.timebase import NS_PER_S
from deblend.qc.arrival_companions import with_companions
from deblend.qc.arrival_fit import Fired, UsualArrivals, usual_arrivals
from deblend.qc.arrival_null import far_deviation, matched_arrivals
from deblend.qc.arrival_search import (
    STRAY_AMPLITUDE,
    robust_deviation,
    search_changes,
    unusual_shots,
)
from deblend.qc.arrival_view import View, fine_lag, fit_moving, fit_shots
from deblend.qc.source_likeness import SourceLikeness, source_likeness

LEAD_S: Final = 0.06
_PULSE_S: Final = 0.12
_WIDE_ENOUGH: Final = 4.0
"""Samples from the first arrival to the last."""
_FEWEST_CHANNELS: Final = 4
_FIRST_BREAK: Final = 0.2
"""Of the largest amplitude: where a usual arrival is taken to begin."""
_MEDIANS: Final = 6
_SETTLED: Final = 1e-4
"""Of their energy: usual arrivals that change less are known."""
_STIFFNESS: Final = 0.05
_STIFFNESS_LIMITS: Final = (0.02, 1.0)
_USUAL_DEVIATION: Final = 0.1
"""Of amplitudes from shot to shot."""
_LARGEST: Final = 1.5
_FINER: Final = 16
"""Lags between two samples at which usual arrivals are compared."""
_EXACT: Final = 0.04
"""Samples: fire times that scatter less are taken as they are."""
_UNDISTURBED: Final = 1.15
_FEWEST: Final = 8


@dataclass(frozen=True)
class Stray:
    """Energy like a direct arrival that no shot of the table explains.

    Parameters
    ----------
    time_ns : int
        Instant at which a source would have fired.
    amplitude : float
        Relative to the usual arrival of the source that it resembles most.
    source_row : int
        That source.
    """

    time_ns: int
    amplitude: float
    source_row: int


@dataclass(frozen=True, eq=False)
class DirectArrivals:
    """What the direct arrivals say.

    Parameters
    ----------
    amplitude : ndarray of float64, shape (shot,)
        Relative to the usual one of the source; NaN where not wholly recorded.
    lag_s : ndarray of float64, shape (shot,)
        Arrival after the usual time; good for a few milliseconds. NaN as above.
    form : ndarray of float64, shape (source, channel, time)
        The usual arrivals.
    first_break_s : ndarray of float64, shape (source,)
        Begin of the usual arrival after the predicted time.
    slowness : ndarray of float64, shape (source,)
        Of the usual arrivals across the channels, over the predicted one; NaN where channels lie
        too close together to say.
    left_energy : float
        Of the record, once the fitted arrivals are taken off.
    wider : ndarray of float64, shape (shot,)
        How much more the amplitude scatters than that of a shot by itself, because arrivals of
        other shots look alike: 1 or above.
    likeness : SourceLikeness or None
        Which sources the shots look like; None where it was not asked for, like strays.
    unusual : ndarray of bool, shape (shot,)
        Shots whose amplitude is not as expected, whatever else is assumed; all False where it was
        not asked for.
    strays : tuple of Stray
        In the order of time.
    stray_null : float
        Deviation of what is left when no shot is there, relative to a usual arrival; NaN where
        strays were not looked for.
    """

    amplitude: NDArray[np.float64]
    lag_s: NDArray[np.float64]
    form: NDArray[np.float64]
    first_break_s: NDArray[np.float64]
    slowness: NDArray[np.float64]
    left_energy: float
    wider: NDArray[np.float64]
    unusual: NDArray[np.bool_]
    likeness: SourceLikeness | None = None
    strays: tuple[Stray, ...] = ()
    stray_null: float = np.nan


def fit_direct_arrivals(
    record: NDArray[np.float32],
    known: NDArray[np.bool_],
    fire_time_ns: NDArray[np.int64],
    live: NDArray[np.bool_],
    source_row: NDArray[np.int64],
    delay_s: NDArray[np.float64],
    *,
    start_ns: int,
    interval_ns: int,
    search: bool = True,
    form: NDArray[np.float64] | None = None,
) -> DirectArrivals:
    """Fit the usual direct arrival of each source to every shot.

    Parameters
    ----------
    record : ndarray of float32, shape (channel, time)
        Some channels near the sources.
    known : ndarray of bool, shape (channel, time)
        False where a sample is missing.
    fire_time_ns : ndarray of int64, shape (shot,)
        Fire times by the clock of the record, in any order.
    live : ndarray of bool, shape (shot,)
        Shots that should have left energy; the others are fitted all the same.
    source_row : ndarray of int64, shape (shot,)
        Source of each shot, from 0.
    delay_s : ndarray of float64, shape (source, channel)
        Travel time of the direct arrival.
    start_ns, interval_ns : int
        Of the record.
    search : bool, optional
        Also look for strays, and for shots that look like another source.
    form : ndarray of float64, shape (source, channel, time), optional
        Usual arrivals, where they are known from an earlier fit.
    """
    interval_s = interval_ns / NS_PER_S
    samples = np.where(known, record, 0.0).astype(np.float64)
    length = round((LEAD_S + _PULSE_S + float(np.ptp(delay_s, axis=1).max())) / interval_s)
    begin = (delay_s.min(axis=1) - LEAD_S) / interval_s
    window = (fire_time_ns - start_ns) / interval_ns + begin[source_row]
    view = View(samples, length)
    complete = _complete(known, np.floor(window).astype(np.int64), length)
    if form is None:
        form = _usual(view, window, source_row, live, complete, len(delay_s))
    usual = usual_arrivals(form)
    fired = Fired(
        window,
        source_row,
        live.astype(np.float64),
        window,
        np.zeros(len(window)),
        np.full(len(window), _STIFFNESS),
    )
    if search:
        fired = _as_firm_as_noise(view, usual, fired, known, live & complete)
        found, chance = search_changes(
            usual,
            fired,
            lambda fired: fit_moving(view, usual, fired),
            known,
            complete=complete,
            interval_s=interval_s,
        )
        found = with_companions(view, usual, found, fired, complete, chance)
    else:
        found, chance = fit_shots(view, usual, fired), None
    unusual = unusual_shots(found.fired, fired)
    fired, fit = found.fired, found.fit
    own = view.own(found, usual)[: len(window)]
    wanted = usual.form[source_row]
    moved = (fired.window - fired.origin)[: len(window)]
    late_s = _first_breaks(usual.form, delay_s, interval_s)
    arrivals = DirectArrivals(
        amplitude=np.where(
            complete, np.where(unusual, fit.fitted[: len(window)], fit.alone[: len(window)]), np.nan
        ),
        lag_s=np.where(complete, (fine_lag(own, wanted) + moved) * interval_s, np.nan),
        form=usual.form,
        first_break_s=np.median(late_s, axis=1),
        slowness=_slowness(late_s, delay_s, interval_s),
        left_energy=found.cost,
        wider=fit.wider[: len(window)],
        unusual=unusual,
    )
    if chance is None:
        return arrivals
    likeness = source_likeness(
        _in_one_frame(own, source_row, begin),
        source_row,
        live & complete,
        len(delay_s),
        wider=fit.wider[: len(window)],
    )
    at_ns = start_ns + np.rint((fired.window - begin[fired.source_row]) * interval_ns)
    strays = [
        Stray(int(at_ns[row]), float(fit.fitted[row]), int(fired.source_row[row]))
        for row in range(len(window), len(fired.window))
        if fit.fitted[row] > STRAY_AMPLITUDE
    ]
    strays.sort(key=lambda stray: stray.time_ns)
    null = float(chance.far.max(initial=0.0))
    return replace(arrivals, likeness=likeness, strays=tuple(strays), stray_null=null)


def _as_firm_as_noise(
    view: View,
    usual: UsualArrivals,
    fired: Fired,
    known: NDArray[np.bool_],
    good: NDArray[np.bool_],
) -> Fired:
    """Expected amplitudes as firm as noise, and fire times as firm as their scatter asks for."""
    found = fit_shots(view, usual, fired)
    null = far_deviation(matched_arrivals(found.left, usual), known)
    stiffness = np.clip((null / _USUAL_DEVIATION) ** 2, *_STIFFNESS_LIMITS)
    lag = fine_lag(view.own(found, usual), usual.form[fired.source_row])
    alone = good & (found.fit.wider < _UNDISTURBED)
    scatter = robust_deviation(lag[alone]) if alone.sum() >= _FEWEST else 0.0
    return replace(
        fired,
        stiffness=stiffness[fired.source_row],
        slack=np.full(len(lag), scatter if scatter > _EXACT else 0.0),
    )


def later_by_s(one: NDArray[np.float64], other: NDArray[np.float64], interval_s: float) -> float:
    """How much later usual arrivals of one stretch of shots come than those of another.

    Parameters
    ----------
    one, other : ndarray of float64, shape (source, channel, time)
        Arrivals, in windows after the fire times.
    interval_s : float
        Sample interval.
    """
    padded = next_fast_len(2 * one.shape[2], real=True)
    cross = np.einsum("scf,scf->f", rfft(one, padded, axis=2), np.conj(rfft(other, padded, axis=2)))
    fine = irfft(cross, padded * _FINER)
    lag = (int(fine.argmax()) + len(fine) // 2) % len(fine) - len(fine) // 2
    return lag / _FINER * interval_s


def arrival_strength(
    record: NDArray[np.float32],
    known: NDArray[np.bool_],
    fire_time_ns: NDArray[np.int64],
    live: NDArray[np.bool_],
    source_row: NDArray[np.int64],
    delay_s: NDArray[np.float64],
    *,
    start_ns: int,
    interval_ns: int,
) -> tuple[NDArray[np.float32], float]:
    """How much of the usual arrival of each source begins at every instant.

    The usual arrivals are learnt from the `live` shots; other parameters are those of
    `fit_direct_arrivals`.

    Returns
    -------
    ndarray of float32, shape (source, time)
        At the fire time: 1 for a usual arrival, at most 1.5 either way.
    float
        Begin of the usual arrivals after the predicted time, in seconds: median of the sources.
    """
    interval_s = interval_ns / NS_PER_S
    samples = np.where(known, record, 0.0).astype(np.float64)
    length = round((LEAD_S + _PULSE_S + float(np.ptp(delay_s, axis=1).max())) / interval_s)
    begin = (delay_s.min(axis=1) - LEAD_S) / interval_s
    window = (fire_time_ns - start_ns) / interval_ns + begin[source_row]
    complete = _complete(known, np.floor(window).astype(np.int64), length)
    form = _usual(View(samples, length), window, source_row, live, complete, len(delay_s))
    matched = matched_arrivals(samples, usual_arrivals(form))
    out = np.zeros(matched.shape, dtype=np.float32)
    for row, values in enumerate(np.clip(matched, -_LARGEST, _LARGEST)):
        shift = round(float(begin[row]))
        inside = values[max(0, shift) : len(values) + min(0, shift)]
        first = max(0, -shift)
        out[row, first : first + len(inside)] = inside
    late_s = _first_breaks(form, delay_s, interval_s)
    late_s = late_s[np.isfinite(late_s)]
    return out, float(np.median(late_s)) if late_s.size else 0.0


def _complete(known: NDArray[np.bool_], first: NDArray[np.int64], length: int) -> NDArray[np.bool_]:
    """Whether every sample of the window of each shot was recorded."""
    count = known.shape[1]
    missing = np.concatenate([[0], np.cumsum(~known.all(axis=0))])
    begin, end = np.clip(first - 1, 0, count), np.clip(first + length + 1, 0, count)
    inside = (first >= 1) & (first + length < count)
    return np.asarray(inside & (missing[end] == missing[begin]))


def _usual(
    view: View,
    window: NDArray[np.float64],
    source_row: NDArray[np.int64],
    live: NDArray[np.bool_],
    complete: NDArray[np.bool_],
    source_count: int,
) -> NDArray[np.float64]:
    """Median over the good shots of each source, shape (source, channel, time).

    Arrivals of other sources vanish in the median only as far as their times vary; so they are
    taken off by what was found for them, and the median is taken again.
    """
    rows = [np.flatnonzero(source_row == row) for row in range(source_count)]
    operators = [view.operator(window[own]) for own in rows]
    good = live & complete
    form = np.zeros((source_count, len(view.samples), view.length))
    left = view.samples.copy()
    for _ in range(_MEDIANS):
        changed = 0.0
        # One source after the other: all at once would overshoot where they fire nearly together.
        for row, own in enumerate(rows):
            if not good[own].any():
                continue
            there = live[own].astype(np.float64)[:, None, None]
            gathers = operators[row].pseudo_deblend(left) + there * form[row]
            before, form[row] = form[row].copy(), np.median(gathers[good[own]], axis=0)
            left -= operators[row].blend((form[row] - before) * there)
            changed += float(((form[row] - before) ** 2).sum())
        if changed < _SETTLED * float((form**2).sum()):
            break
    return form


def _first_breaks(
    usual: NDArray[np.float64], delay_s: NDArray[np.float64], interval_s: float
) -> NDArray[np.float64]:
    """Begin of the usual arrivals after the predicted times, (source, channel), in seconds."""
    size = np.abs(usual)
    largest = size.max(axis=2, keepdims=True)
    first = (size >= _FIRST_BREAK * largest).argmax(axis=2) * interval_s
    expected = LEAD_S + delay_s - delay_s.min(axis=1, keepdims=True)
    return np.where(largest[:, :, 0] > 0, first - expected, np.nan)


def _slowness(
    late_s: NDArray[np.float64], delay_s: NDArray[np.float64], interval_s: float
) -> NDArray[np.float64]:
    """Slope of the arrivals across the channels over that of the predicted ones."""
    centred = delay_s - delay_s.mean(axis=1, keepdims=True)
    spread = (centred**2).sum(axis=1)
    slope = 1.0 + (centred * late_s).sum(axis=1) / np.where(spread > 0, spread, np.inf)
    wide = np.ptp(delay_s, axis=1) > _WIDE_ENOUGH * interval_s
    return np.where(wide & (delay_s.shape[1] >= _FEWEST_CHANNELS), slope, np.nan)


def _in_one_frame(
    own: NDArray[np.float64], source_row: NDArray[np.int64], begin: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Shots of all sources in windows that begin alike; `begin` in samples."""
    length = own.shape[2]
    padded = next_fast_len(2 * length, real=True)
    delay = (begin - begin.min())[source_row, None, None]
    ramp = np.exp(-2j * np.pi * np.arange(padded // 2 + 1) / padded * delay)
    return np.asarray(irfft(rfft(own, padded, axis=2) * ramp, padded, axis=2)[:, :, :length])
