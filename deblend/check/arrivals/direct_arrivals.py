"""The direct arrival of every shot held against what its source usually leaves in the record.

On the channels nearest to the sources the direct arrival is the strongest event. Its usual form for
each source is the median over shots, in which the randomly timed arrivals of other sources vanish.
One amplitude a shot is then fitted to the record by least squares, all shots together, so that
arrivals that overlap do not disturb each other. The residual is searched for that form: a shot that
the table does not hold.

It fails where the direct arrival is weaker than what else arrives within a quarter of a second, and
with fewer than five shots of a source; such shots are reported as not verified.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from deblend.check.arrivals.amplitude_fit import Fired, UsualArrivals, usual_arrivals
from deblend.check.arrivals.chance import (
    far_deviation,
    matched_arrivals,
    residual_in_windows,
)
from deblend.check.arrivals.companions import with_companions
from deblend.check.arrivals.near_record import LEAD_S, FiredShots, NearRecord
from deblend.check.arrivals.search import (
    fired_together,
    robust_deviation,
    search_changes,
    unusual_shots,
    why_not_verified,
)
from deblend.check.arrivals.source_likeness import SourceLikeness, source_likeness
from deblend.check.arrivals.windows import Explained, fine_lag, fit_shots, fit_with_times

_WIDE_ENOUGH: Final = 4.0
"""Samples from the first arrival to the last."""
_FEWEST_CHANNELS: Final = 4
_FIRST_BREAK: Final = 0.2
"""Of the largest amplitude: where a usual arrival is taken to begin."""
_STRONG: Final = 0.7
_SHARP_S: Final = 0.015
_NO_NOISE: Final = 5.0
_OF_MEDIAN: Final = 1.2533
"""Deviation of a median of normal values over that of a mean."""
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
_STAND_OUT: Final = 0.5
"""Where reflections do not overlap with direct arrivals 0.05 to 0.3 is left, else 1 to 2."""


@dataclass(frozen=True)
class Stray:
    """Energy like a direct arrival that no shot of the table explains."""

    fired_ns: tuple[int, ...]
    """Instant at which each source would have fired."""
    amplitude: float
    """Relative to the usual arrival of the source that it resembles most."""
    source_row: int
    """That source."""

    @property
    def time_ns(self) -> int:
        """Instant at which the source fired that it resembles most."""
        return self.fired_ns[self.source_row]


@dataclass(frozen=True, eq=False)
class DirectArrivals:
    """Result of the fit of the direct arrivals."""

    amplitude: NDArray[np.float64]
    """(shot,): Relative to the usual one of the source; NaN where not wholly recorded."""
    lag_s: NDArray[np.float64]
    """(shot,): Arrival after the usual time; good for a few milliseconds. NaN as above."""
    form: NDArray[np.float64]
    """(source, channel, time): The usual arrivals."""
    first_break_s: NDArray[np.float64]
    """(source,): Begin of the usual arrival after the predicted time."""
    rise_s: NDArray[np.float64]
    """(source,): From that begin to seven tenths of the largest amplitude, on the channel where it
    is shortest."""
    slowness: NDArray[np.float64]
    """(source,): Of the usual arrivals across the channels, over the predicted one; NaN where
    channels lie too close together to say."""
    residual_energy: float
    """Of the record, once the fitted arrivals are taken off."""
    wider: NDArray[np.float64]
    """(shot,): How much more the amplitude scatters than that of a shot by itself, because arrivals
    of other shots look alike: 1 or above."""
    unusual: NDArray[np.bool_]
    """(shot,): Shots whose amplitude is not as expected, whatever else is assumed; all False where
    it was not asked for."""
    likeness: SourceLikeness | None = None
    """Which sources the shots look like; None where it was not asked for, like strays."""
    strays: tuple[Stray, ...] = ()
    """In the order of time."""
    stray_null: float = np.nan
    """Deviation of the residual where no shot is, relative to a usual arrival; NaN where
    strays were not looked for."""
    unverified: NDArray[np.str_] | None = None
    """(shot,): Why a shot could not be held against the record, one of `UNVERIFIED`; empty where it
    was. None where it was not asked for."""
    unexplained: float = 0.0
    """What is left in the window of a shot, over the energy of a usual arrival: upper quartile of
    all shots."""

    by_neighbours: bool = False
    """Whether shots were held against their neighbours in place of the usual arrivals."""

    @property
    def slow_rise_s(self) -> float:
        """Time over which the pulse rises, median of the sources; 0 where it begins sharply.

        Such a pulse is of low frequencies, or of zero phase, whose middle is at its time and not
        its begin.
        """
        known = self.rise_s[np.isfinite(self.rise_s)]
        rise_s = float(np.median(known)) if known.size else 0.0
        return rise_s if rise_s > _SHARP_S else 0.0

    @property
    def stand_out(self) -> bool:
        """Whether the usual arrivals explain most of what is in their windows, for most shots."""
        return self.unexplained < _STAND_OUT


def fit_direct_arrivals(
    near: NearRecord,
    shots: FiredShots,
    *,
    search: bool = True,
    form: NDArray[np.float64] | None = None,
) -> DirectArrivals:
    """Fit the usual direct arrival of each source to every shot.

    Parameters
    ----------
    search : bool, optional
        Also look for strays, and for shots that look like another source.
    form : ndarray of float64, shape (source, channel, time), optional
        Usual arrivals, where they are known from an earlier fit.
    """
    window = near.window(shots)
    usual = usual_arrivals(usual_arrival_forms(near, shots) if form is None else form)
    fired = Fired(
        window,
        shots.source_row,
        shots.live.astype(np.float64),
        window,
        np.zeros(len(window)),
        np.full(len(window), _STIFFNESS),
    )
    if not search:
        return _arrivals(near, usual, fit_shots(near.view, usual, fired), fired)
    fired = _as_firm_as_noise(near, usual, fired, shots.live)
    return _searched(near, usual, fired, shots)


def _searched(
    near: NearRecord, usual: UsualArrivals, table: Fired, shots: FiredShots
) -> DirectArrivals:
    """Fit, search for what is not in the table, and hold every shot against all sources."""
    view, count = near.view, len(table.window)
    at_first = fit_shots(view, usual, table)
    left = residual_in_windows(at_first.residual, usual, table) / usual.energy[table.source_row]
    complete = view.complete(table.window)
    search = search_changes(
        usual,
        table,
        lambda fired: fit_with_times(view, usual, fired),
        near.known,
        complete=complete,
        interval_s=near.interval_s,
    )
    found = with_companions(view, usual, search.found, table, complete, search.chance)
    fired, fit = found.fired, found.fit
    open_times = bool(table.slack.any())
    likeness = source_likeness(
        in_one_frame(view.own(found, usual)[:count], shots.source_row, near.begin),
        shots.source_row,
        shots.live & complete & ~(open_times & fired_together(table, near.interval_s)),
        near.source_count,
        wider=fit.wider[:count],
    )
    strays = [
        Stray(
            tuple(
                near.start_ns + int(late) for late in np.rint((at - near.begin) * near.interval_ns)
            ),
            float(amplitude),
            int(source),
        )
        for at, amplitude, source in zip(
            fired.window[count:], fit.fitted[count:], fired.source_row[count:], strict=True
        )
    ]
    return replace(
        _arrivals(near, usual, found, table),
        likeness=likeness,
        strays=tuple(sorted(strays, key=lambda stray: stray.time_ns)),
        stray_null=float(search.chance.far.max(initial=0.0)),
        unverified=why_not_verified(found, table, usual, search),
        unexplained=float(np.quantile(left[complete], 0.75)) if complete.any() else 0.0,
    )


def _arrivals(
    near: NearRecord, usual: UsualArrivals, found: Explained, table: Fired
) -> DirectArrivals:
    """Amplitudes and times of the shots of the table, from the fit."""
    count = len(table.window)
    fit, complete = found.fit, near.view.complete(table.window)
    unusual = unusual_shots(found.fired, table)
    amplitude = np.where(unusual, fit.fitted[:count], fit.alone[:count])
    own = near.view.own(found, usual)[:count]
    shift = (found.fired.window - found.fired.origin)[:count]
    lag = fine_lag(own, usual.form[table.source_row]) + shift
    learnt = np.bincount(
        table.source_row[complete & (table.expected > 0.0)], minlength=near.source_count
    )
    late_s = _first_breaks(usual.form, near, learnt, between_samples=True)
    strong_s = _first_breaks(usual.form, near, learnt, between_samples=True, part=_STRONG)
    return DirectArrivals(
        amplitude=np.where(complete, amplitude, np.nan),
        lag_s=np.where(complete, lag * near.interval_s, np.nan),
        form=usual.form,
        first_break_s=np.median(late_s, axis=1),
        rise_s=np.min(strong_s - late_s, axis=1),
        slowness=_slowness(late_s, near),
        residual_energy=found.cost,
        wider=fit.wider[:count],
        unusual=unusual,
    )


def _as_firm_as_noise(
    near: NearRecord, usual: UsualArrivals, fired: Fired, live: NDArray[np.bool_]
) -> Fired:
    """Expected amplitudes as firm as noise, and fire times as firm as their scatter asks for."""
    found = fit_shots(near.view, usual, fired)
    null = far_deviation(matched_arrivals(found.residual, usual), near.known)
    stiffness = np.clip((null / _USUAL_DEVIATION) ** 2, *_STIFFNESS_LIMITS)
    lag = fine_lag(near.view.own(found, usual), usual.form[fired.source_row])
    alone = live & found.complete & (found.fit.wider < _UNDISTURBED)
    scatter = robust_deviation(lag[alone]) if alone.sum() >= _FEWEST else 0.0
    return replace(
        fired,
        stiffness=stiffness[fired.source_row],
        slack=np.full(len(lag), scatter if scatter > _EXACT else 0.0),
    )


def later_by_s(one: NDArray[np.float64], other: NDArray[np.float64], interval_s: float) -> float:
    """How many seconds later usual arrivals, (source, channel, time), come than earlier ones."""
    padded = next_fast_len(2 * one.shape[2], real=True)
    cross = np.einsum("scf,scf->f", rfft(one, padded, axis=2), np.conj(rfft(other, padded, axis=2)))
    fine = irfft(cross, padded * _FINER)
    lag = (int(fine.argmax()) + len(fine) // 2) % len(fine) - len(fine) // 2
    return lag / _FINER * interval_s


def arrival_strength(near: NearRecord, shots: FiredShots) -> tuple[NDArray[np.float32], float]:
    """How much of the usual arrival of each source begins at every instant.

    Returns
    -------
    ndarray of float32, shape (source, time)
        At the fire time: 1 for a usual arrival, at most 1.5 either way.
    float
        Begin of the usual arrivals after the predicted time, in seconds: median of the sources.
    """
    form = usual_arrival_forms(near, shots)
    matched = matched_arrivals(near.samples, usual_arrivals(form))
    out = np.zeros(matched.shape, dtype=np.float32)
    for row, values in enumerate(np.clip(matched, -_LARGEST, _LARGEST)):
        shift = round(float(near.begin[row]))
        inside = values[max(0, shift) : len(values) + min(0, shift)]
        first = max(0, -shift)
        out[row, first : first + len(inside)] = inside
    learnt = np.bincount(shots.source_row[shots.live], minlength=near.source_count)
    late_s = _first_breaks(form, near, learnt)
    late_s = late_s[np.isfinite(late_s)]
    return out, float(np.median(late_s)) if late_s.size else 0.0


def usual_arrival_forms(near: NearRecord, shots: FiredShots) -> NDArray[np.float64]:
    """Median over the good shots of each source, shape (source, channel, time).

    Arrivals of other sources vanish in the median only as far as their times vary; so they are
    taken off by what was found for them, and the median is taken again.
    """
    window = near.window(shots)
    rows = [np.flatnonzero(shots.source_row == row) for row in range(near.source_count)]
    operators = [near.view.operator(window[own]) for own in rows]
    good = shots.live & near.view.complete(window)
    form = np.zeros((near.source_count, len(near.samples), near.length))
    residual = near.samples.copy()
    for _ in range(_MEDIANS):
        changed = 0.0
        # One source after the other: all at once would overshoot where they fire nearly together.
        for row, own in enumerate(rows):
            if not good[own].any():
                continue
            there = shots.live[own].astype(np.float64)[:, None, None]
            gathers = operators[row].pseudo_deblend(residual) + there * form[row]
            before, form[row] = form[row].copy(), np.median(gathers[good[own]], axis=0)
            residual -= operators[row].blend((form[row] - before) * there)
            changed += float(((form[row] - before) ** 2).sum())
        if changed < _SETTLED * float((form**2).sum()):
            break
    return form


def _first_breaks(
    usual: NDArray[np.float64],
    near: NearRecord,
    shots: NDArray[np.int64],
    *,
    between_samples: bool = False,
    part: float = _FIRST_BREAK,
) -> NDArray[np.float64]:
    """When the usual arrivals reach a part of their largest amplitude, (source, channel).

    In seconds after the predicted times.

    `shots` is how many each was learnt from: noise that is left of so many is no arrival. NaN where
    nothing rises above it.
    """
    size = np.abs(usual)
    largest = size.max(axis=2)
    noise = _NO_NOISE * _OF_MEDIAN * near.loudness / np.sqrt(np.maximum(shots, 1))[:, None]
    least = np.maximum(part * largest, noise)
    first = (size >= least[:, :, None]).argmax(axis=2).astype(np.float64)
    if between_samples:
        first -= _part_before(size, least)
    first *= near.interval_s
    expected = LEAD_S + near.delay_s - near.delay_s.min(axis=1, keepdims=True)
    return np.where((largest > 0) & (largest >= least), first - expected, np.nan)


def _part_before(size: NDArray[np.float64], least: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far before the first sample that reaches the least value it was reached, in samples."""
    at = (size >= least[..., None]).argmax(axis=-1)
    here, before = (
        np.take_along_axis(size, np.maximum(at - back, 0)[..., None], axis=-1)[..., 0]
        for back in (0, 1)
    )
    rise = here - before
    return np.where(rise > 0, (here - least) / np.where(rise > 0, rise, 1.0), 0.0)


def _slowness(late_s: NDArray[np.float64], near: NearRecord) -> NDArray[np.float64]:
    """Slope of the arrivals across the channels over that of the predicted ones."""
    centred = near.delay_s - near.delay_s.mean(axis=1, keepdims=True)
    spread = (centred**2).sum(axis=1)
    slope = 1.0 + (centred * late_s).sum(axis=1) / np.where(spread > 0, spread, np.inf)
    wide = np.ptp(near.delay_s, axis=1) > _WIDE_ENOUGH * near.interval_s
    return np.where(wide & (near.delay_s.shape[1] >= _FEWEST_CHANNELS), slope, np.nan)


def in_one_frame(
    own: NDArray[np.float64], source_row: NDArray[np.int64], begin: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Shots of all sources in windows that begin alike; `begin` in samples."""
    length = own.shape[2]
    padded = next_fast_len(2 * length, real=True)
    delay = (begin - begin.min())[source_row, None, None]
    ramp = np.exp(-2j * np.pi * np.arange(padded // 2 + 1) / padded * delay)
    return np.asarray(irfft(rfft(own, padded, axis=2) * ramp, padded, axis=2)[:, :, :length])
