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
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import spsolve

from deblend.blending.operator import operator_at
from deblend.model.timebase import NS_PER_S
from deblend.qc.source_likeness import SourceLikeness, source_likeness

LEAD_S: Final = 0.06
_PULSE_S: Final = 0.12
_ECHO_S: Final = 3.0
"""Reflections of a shot resemble its direct arrival for so long; what is usual is subtracted."""
_WIDE_ENOUGH: Final = 4.0
"""Samples from the first arrival to the last."""
_FEWEST_CHANNELS: Final = 4
_FIRST_BREAK: Final = 0.2
"""Of the largest amplitude: where a usual arrival is taken to begin."""
STRAY_AMPLITUDE: Final = 0.6
_STRAY_DEVIATIONS: Final = 8.0
_STRAY_APART_S: Final = 0.05
_STRAY_LIKENESS: Final = 0.4
"""Of the energy there: a weak source is not seen in every loud event."""
_MOST_STRAYS: Final = 1000


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
    first_break_s : ndarray of float64, shape (source,)
        Begin of the usual arrival after the predicted time.
    slowness : ndarray of float64, shape (source,)
        Of the usual arrivals across the channels, over the predicted one; NaN where channels lie
        too close together to say.
    left_energy : float
        Of the record, once the fitted arrivals are taken off.
    overlap : ndarray of float64, shape (shot,)
        Largest correlation, up to 1, with the arrival of another shot: beyond a half the two
        amplitudes are not independent.
    partner : ndarray of int64, shape (shot,)
        That other shot; -1 where none is near.
    likeness : SourceLikeness or None
        Which sources the shots look like; None where it was not asked for, like strays.
    strays : tuple of Stray
        In the order of time.
    stray_null : float
        Deviation of what is left when no shot is there, relative to a usual arrival; NaN where
        strays were not looked for.
    """

    amplitude: NDArray[np.float64]
    lag_s: NDArray[np.float64]
    first_break_s: NDArray[np.float64]
    slowness: NDArray[np.float64]
    left_energy: float
    overlap: NDArray[np.float64]
    partner: NDArray[np.int64]
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
    """
    interval_s = interval_ns / NS_PER_S
    samples = np.where(known, record, 0.0).astype(np.float64)
    length = round((LEAD_S + _PULSE_S + float(np.ptp(delay_s, axis=1).max())) / interval_s)
    begin_s = delay_s.min(axis=1) - LEAD_S
    window_ns = fire_time_ns + np.rint(begin_s[source_row] * NS_PER_S).astype(np.int64)
    operator = operator_at(
        window_ns,
        np.ones(len(window_ns), dtype=np.bool_),
        start_ns=start_ns,
        interval_ns=interval_ns,
        sample_count=record.shape[1],
        length=length,
        dtype=np.float64,
    )
    gathers = operator.pseudo_deblend(samples)
    complete = _complete(known, (window_ns - start_ns) // interval_ns, length)
    usual = _usual(gathers, source_row, live & complete, len(delay_s))
    wanted = usual[source_row]
    amplitude, overlap, partner = _fit(
        gathers, usual, source_row, (window_ns - window_ns.min()) / interval_ns
    )
    left = samples - operator.blend(wanted * amplitude[:, None, None])
    own = operator.pseudo_deblend(left) + wanted * amplitude[:, None, None]
    late_s = _first_breaks(usual, delay_s, interval_s)
    found = DirectArrivals(
        amplitude=np.where(complete, amplitude, np.nan),
        lag_s=np.where(complete, _fine_lag(own, wanted) * interval_s, np.nan),
        first_break_s=np.median(late_s, axis=1),
        slowness=_slowness(late_s, delay_s, interval_s),
        left_energy=float(np.einsum("ct,ct->", left, left)),
        overlap=overlap,
        partner=partner,
    )
    if not search:
        return found
    likeness = source_likeness(
        _in_one_frame(own, source_row, begin_s / interval_s),
        source_row,
        live & complete,
        len(usual),
        wider=1.0 / np.sqrt(np.maximum(1.0 - overlap**2, 1e-6)),
    )
    matched, null = _match(left, usual, known)
    matched -= _echoes(matched, window_ns, source_row, live, start_ns, interval_ns)
    offset_ns = np.rint(begin_s * NS_PER_S).astype(np.int64)
    strays = _strays(matched, left, usual, null, start_ns - offset_ns, interval_ns)
    return replace(found, likeness=likeness, strays=strays, stray_null=null)


def _complete(known: NDArray[np.bool_], first: NDArray[np.int64], length: int) -> NDArray[np.bool_]:
    """Whether every sample of the window of each shot was recorded."""
    count = known.shape[1]
    missing = np.concatenate([[0], np.cumsum(~known.all(axis=0))])
    begin, end = np.clip(first - 1, 0, count), np.clip(first + length + 1, 0, count)
    inside = (first >= 1) & (first + length < count)
    return np.asarray(inside & (missing[end] == missing[begin]))


def _usual(
    gathers: NDArray[np.float64],
    source_row: NDArray[np.int64],
    good: NDArray[np.bool_],
    source_count: int,
) -> NDArray[np.float64]:
    """Median over the good shots of each source, shape (source, channel, time)."""
    out = np.zeros((source_count, *gathers.shape[1:]))
    for row in range(source_count):
        shots = np.flatnonzero(good & (source_row == row))
        if shots.size:
            out[row] = np.median(gathers[shots], axis=0)
    return out


def _fit(
    gathers: NDArray[np.float64],
    usual: NDArray[np.float64],
    source_row: NDArray[np.int64],
    window: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Least-squares amplitudes of all shots, overlap and with whom; `window` in samples."""
    length = usual.shape[2]
    padded = next_fast_len(2 * length, real=True)
    spectra = rfft(usual, padded, axis=2)
    # S[i, j, f]: cross-spectrum summed over channels.
    cross = np.einsum("icf,jcf->ijf", spectra, np.conj(spectra))
    frequency = 2j * np.pi * np.arange(cross.shape[2]) / padded
    weight = np.full(cross.shape[2], 2.0)
    weight[0] = 1.0
    if padded % 2 == 0:
        weight[-1] = 1.0
    order = np.argsort(window, kind="stable")
    energy = np.einsum("sct,sct->s", usual, usual)[source_row]
    ridge = 1e-6 * energy + np.finfo(np.float64).tiny
    overlap, partner = np.zeros(len(window)), np.full(len(window), -1, dtype=np.int64)
    rows, columns, values = [*range(len(window))], [*range(len(window))], [*(energy + ridge)]
    for position, one in enumerate(order):
        for other in order[position + 1 :]:
            apart = window[other] - window[one]
            if apart >= length:
                break
            spectrum = cross[source_row[one], source_row[other]] * np.exp(frequency * apart)
            value = float((weight * spectrum.real).sum() / padded)
            rows += [one, other]
            columns += [other, one]
            values += [value, value]
            share = abs(value) / np.sqrt((energy + ridge)[one] * (energy + ridge)[other])
            for mine, its in ((one, other), (other, one)):
                if share > overlap[mine]:
                    overlap[mine], partner[mine] = share, its
    normal = csc_matrix((values, (rows, columns)), shape=(len(window), len(window)))
    projected = np.einsum("sct,sct->s", gathers, usual[source_row])
    return np.asarray(spsolve(normal, projected), dtype=np.float64), overlap, partner


def _fine_lag(own: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Delay of each shot against the usual arrival, in samples, to first order."""
    slope = np.gradient(wanted, axis=2)
    steep = np.einsum("sct,sct->s", slope, slope)
    plain = np.einsum("sct,sct->s", wanted, wanted)
    amplitude = np.einsum("sct,sct->s", own, wanted) / np.where(plain > 0, plain, np.inf)
    moved = np.einsum("sct,sct->s", own, slope)
    scale = np.where(np.abs(amplitude) > 0.1, amplitude, np.inf) * np.where(
        steep > 0, steep, np.inf
    )
    return np.asarray(-moved / scale, dtype=np.float64)


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


def _match(
    left: NDArray[np.float64], usual: NDArray[np.float64], known: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], float]:
    """Amplitude of each source's usual arrival at every sample, and its robust deviation."""
    count = left.shape[1]
    padded = next_fast_len(count + usual.shape[2], real=True)
    matched = np.zeros((len(usual), count))
    for channel in range(len(left)):
        spectrum = rfft(left[channel], padded)
        for row in range(len(usual)):
            pattern = np.conj(rfft(usual[row, channel], padded))
            matched[row] += irfft(spectrum * pattern, padded)[:count]
    energy = np.einsum("sct,sct->s", usual, usual)
    matched /= np.where(energy > 0, energy, np.inf)[:, None]
    deviation = 1.4826 * np.median(np.abs(matched[:, known.all(axis=0)]), axis=1)
    return matched, float(deviation.max(initial=0.0))


def _echoes(
    matched: NDArray[np.float64],
    window_ns: NDArray[np.int64],
    source_row: NDArray[np.int64],
    live: NDArray[np.bool_],
    start_ns: int,
    interval_ns: int,
) -> NDArray[np.float64]:
    """What reflections of the known shots usually leave in `matched`."""
    count = matched.shape[1]
    span = min(round(_ECHO_S * NS_PER_S / interval_ns), count)
    out = np.zeros_like(matched)
    first = np.rint((window_ns - start_ns) / interval_ns).astype(np.int64)
    for row in range(len(matched)):
        shots = first[live & (source_row == row) & (first >= 0) & (first + span <= count)]
        if shots.size < 5:
            continue
        for pattern in range(len(matched)):
            stretches = matched[pattern][shots[:, None] + np.arange(span)]
            usual = np.median(stretches, axis=0)
            for shot in shots:
                out[pattern, shot : shot + span] += usual
    return out


def _strays(
    matched: NDArray[np.float64],
    left: NDArray[np.float64],
    usual: NDArray[np.float64],
    null: float,
    origin_ns: NDArray[np.int64],
    interval_ns: int,
) -> tuple[Stray, ...]:
    """Peaks of `matched` that are no chance, none within 50 ms of a larger one."""
    best = matched.max(axis=0)
    apart = max(1, round(_STRAY_APART_S * NS_PER_S / interval_ns))
    limit = max(STRAY_AMPLITUDE, _STRAY_DEVIATIONS * null)
    strays: list[Stray] = []
    for _ in range(_MOST_STRAYS):
        at = int(best.argmax())
        if not best[at] > limit:
            break
        near = slice(max(0, at - apart), at + apart)
        places = near.start + matched[:, near].argmax(axis=1)
        alike = [
            _likeness(left, usual[row], int(place), float(matched[row, place]))
            for row, place in enumerate(places)
        ]
        row = int(np.argmax(alike))
        place, amplitude = int(places[row]), float(matched[row, places[row]])
        if alike[row] > _STRAY_LIKENESS and amplitude > limit:
            strays.append(Stray(int(origin_ns[row] + place * interval_ns), amplitude, row))
        best[near] = 0.0
    return tuple(sorted(strays, key=lambda stray: stray.time_ns))


def _likeness(
    left: NDArray[np.float64], usual: NDArray[np.float64], place: int, amplitude: float
) -> float:
    """Part of the energy at a place that the usual arrival explains."""
    window = left[:, place : place + usual.shape[1]]
    energy = float((window**2).sum())
    return amplitude**2 * float((usual**2).sum()) / energy if energy > 0 and amplitude > 0 else 0.0
