"""Onsets of energy in the record, and the clock offset at which they agree with the fire times.

Dense shooting leaves energy at every instant, so that the mere presence of energy at the fire times
proves nothing. What counts is the random part of the fire times: onsets are correlated with the
sequence of fire times over a minute either way, and the highest peak is held against what sequences
of the same sources, intervals and spread give whose dither was shuffled.

It fails where the fire times have no random part beyond the sharpness of an onset (some 20 ms), and
where noise is stronger than the direct arrival on the nearest channels.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

LONGEST_LAG_S: Final = 60.0
_BEFORE_S: Final = 0.03
_AFTER_S: Final = 0.012
_LARGEST_RISE: Final = 100.0
_FLOOR: Final = 0.1
"""Of the median energy: quieter stretches count as this loud, so that silence has no onsets."""

_SPARE_S: Final = 3.0
"""Shuffled fire times reach a little farther than those of the table."""
PEAK_HALF_WIDTH_S: Final = 0.1
_DISTINCT: Final = 1.1
"""A peak is trusted alone when it exceeds every other one by this factor."""
_MOST_LAGS: Final = 60
_PEAK_DEVIATIONS: Final = 8.0

FEWEST_SHOTS: Final = 12
MOST_SHOTS: Final = 600
"""Shots of the stretch that is held against the null; the rest follows in segments."""
_NULL_DRAWS: Final = 20
_NULL_DEVIATIONS: Final = 5.0
_TREND_SHOTS: Final = 11


@dataclass(frozen=True, eq=False)
class Onsets:
    """Onset strength after the travel time of the direct arrival is taken off."""

    strength: NDArray[np.float32]
    """(source, time): Natural logarithm of the rise of energy, averaged over channels; from 0 to
    4.6."""
    interval_s: float
    """Sample interval."""


@dataclass(frozen=True)
class ClockLag:
    """Where the fire times agree best with the onsets."""

    lag_s: float
    """Onsets come this much after the fire times and the travel times; NaN with too few shots."""
    peak: float
    """Mean onset strength there."""
    null_mean: float
    null_deviation: float
    """Of the highest peaks with shuffled dither."""
    alike_s: tuple[float, ...] = ()
    """Lags with a peak nearly as high, the highest first."""
    rises: bool = False
    """Whether the peak rises from all other lags, be it one of several."""
    changes: int = 0
    """Places along the line at which another lag fits, where these are more than clocks are ever
    stepped; else 0."""

    @property
    def found(self) -> bool:
        """Whether the peak stands out from the null."""
        beyond = self.peak > self.null_mean + _NULL_DEVIATIONS * self.null_deviation
        return beyond and not self.changes

    @property
    def usable(self) -> bool:
        """Whether shots can be compared at this lag: found, or one of a few that fit alike."""
        some = self.rises and len(self.alike_s) < _MOST_LAGS and not self.changes
        return self.found or some

    def nearest(self, wanted: Sequence[float]) -> ClockLag:
        """The lag itself where it was found, else the one like it nearest to a wanted one."""
        if self.found or not self.alike_s:
            return self
        away = [min(abs(lag - want) for want in wanted) for lag in self.alike_s]
        return replace(self, lag_s=self.alike_s[int(np.argmin(away))])


def onset_strength(
    record: NDArray[np.floating],
    known: NDArray[np.bool_],
    interval_s: float,
    delay_s: NDArray[np.float64],
) -> NDArray[np.float32]:
    """Rise of energy at every instant, averaged over channels: (time,), at the fire time.

    Nothing rises where samples of `record`, (channel, time), are not `known`. `delay_s` is the
    travel time of the direct arrival to each channel.
    """
    total = np.zeros(record.shape[1], dtype=np.float64)
    for channel in range(len(record)):
        rise = _rise(record[channel], known[channel], interval_s)
        shift = min(max(0, round(delay_s[channel] / interval_s)), len(total))
        total[: len(total) - shift] += rise[shift:]
    return (total / len(record)).astype(np.float32)


def _rise(
    trace: NDArray[np.floating], known: NDArray[np.bool_], interval_s: float
) -> NDArray[np.float64]:
    # The difference of neighbours takes the swell out, which is the strongest noise.
    samples = np.where(known, trace, 0.0).astype(np.float64)
    energy = np.diff(samples, prepend=samples[:1]) ** 2
    usable = known & np.roll(known, 1)
    energy[~usable] = 0.0
    if not usable.any():
        return energy
    floor = _FLOOR * float(np.median(energy[usable])) + np.finfo(np.float64).tiny
    before = max(8, round(_BEFORE_S / interval_s))
    after = max(3, round(_AFTER_S / interval_s))
    running = np.concatenate([[0.0], np.cumsum(energy)])
    at = np.arange(len(energy))
    first, last = np.maximum(at - before, 0), np.minimum(at + after, len(energy))
    earlier = (running[at] - running[first]) / before
    later = (running[last] - running[at]) / after
    rise = np.maximum(later, floor) / np.maximum(earlier, floor)
    # Where a stretch begins after a gap, everything rises; that is no onset.
    fresh = np.cumsum(np.concatenate([[0], ~usable]))
    rise[fresh[at + 1] - fresh[first] > 0] = 1.0
    return np.asarray(np.log(np.clip(rise, 1.0, _LARGEST_RISE)), dtype=np.float64)


def correlate_onsets(
    onsets: Onsets, fire_sample: NDArray[np.float64], source_row: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Mean onset strength of some shots at every lag up to a minute either way, shape (lag,).

    Fire times are in samples of the record. Lag 0 is in the middle; the mean of each source is
    taken off.
    """
    return _correlator(onsets, fire_sample, source_row)(fire_sample)


def _correlator(
    onsets: Onsets, fire_sample: NDArray[np.float64], source_row: NDArray[np.int64]
) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """Correlation of the onsets about some shots with fire times like theirs."""
    most = round(LONGEST_LAG_S / onsets.interval_s)
    spare = round(_SPARE_S / onsets.interval_s)
    begin = int(np.floor(fire_sample.min())) - most - spare
    length = int(np.ceil(fire_sample.max())) + most + spare + 2 - begin
    # Fire times keep more than the longest lag from either end, so that nothing wraps around.
    padded = next_fast_len(length, real=True)
    rows = np.unique(source_row).tolist()
    spectra = [rfft(_cut(onsets.strength[row], begin, length), padded) for row in rows]

    def correlate(fire: NDArray[np.float64]) -> NDArray[np.float64]:
        product = np.zeros(padded // 2 + 1, dtype=np.complex64)
        for row, spectrum in zip(rows, spectra, strict=True):
            spikes = _spikes(fire[source_row == row] - begin, length)
            product += spectrum * np.conj(rfft(spikes, padded))
        values = irfft(product, padded).astype(np.float64)
        return np.concatenate([values[-most:], values[: most + 1]]) / len(fire)

    return correlate


def _cut(strength: NDArray[np.float32], begin: int, length: int) -> NDArray[np.float32]:
    """Samples from `begin` on, zero outside the record, without their mean."""
    out = np.zeros(length, dtype=np.float32)
    low, high = max(begin, 0), min(begin + length, len(strength))
    if low < high:
        part = strength[low:high].astype(np.float64)
        out[low - begin : high - begin] = part - part.mean()
    return out


def _spikes(sample: NDArray[np.float64], length: int) -> NDArray[np.float32]:
    """Unit spikes between samples, shared by the two neighbours."""
    out = np.zeros(length)
    sample = sample[(sample >= 0.0) & (sample < length - 1)]
    whole = np.floor(sample).astype(np.int64)
    part = sample - whole
    np.add.at(out, whole, 1.0 - part)
    np.add.at(out, whole + 1, part)
    return out.astype(np.float32)


def find_clock_lag(
    onsets: Onsets,
    fire_sample: NDArray[np.float64],
    source_row: NDArray[np.int64],
    *,
    tested: NDArray[np.bool_] | None = None,
    seed: int,
) -> ClockLag:
    """The lag at which a stretch of shots agrees best with the onsets, and its null.

    Fire times rise, in samples of the record. Only `tested` shots are looked at; the others show
    the course along the line all the same.
    """
    if tested is None:
        tested = np.ones(len(fire_sample), dtype=np.bool_)
    if np.count_nonzero(tested) < FEWEST_SHOTS:
        return ClockLag(np.nan, np.nan, np.nan, np.nan)
    random = np.random.default_rng(seed)
    first = max(0, (len(fire_sample) - MOST_SHOTS) // 2)
    stretch = slice(first, first + MOST_SHOTS)
    fire, row, some = fire_sample[stretch], source_row[stretch], tested[stretch]
    if np.count_nonzero(some) < FEWEST_SHOTS:
        some = np.ones(len(fire), dtype=np.bool_)
    correlate = _correlator(onsets, fire[some], row[some])
    values = correlate(fire[some])
    shuffled = [shuffle_dither(fire, row, random)[some] for _ in range(_NULL_DRAWS)]
    null = [correlate(draw).max() for draw in shuffled]
    alike = alike_lags(values, onsets.interval_s)
    deviation = 1.4826 * float(np.median(np.abs(values - np.median(values))))
    return ClockLag(
        alike[0],
        float(values.max()),
        float(np.mean(null)),
        float(np.std(null)),
        alike,
        bool(values.max() > np.median(values) + _PEAK_DEVIATIONS * deviation),
    )


def alike_lags(values: NDArray[np.float64], interval_s: float) -> tuple[float, ...]:
    """The lag of the highest peak, and of those nearly as high, in seconds; the highest first."""
    left, middle = values.copy(), len(values) // 2
    width = round(PEAK_HALF_WIDTH_S / interval_s)
    least = values.max() / _DISTINCT
    lags: list[float] = []
    while len(lags) < _MOST_LAGS and left.max() >= least and np.isfinite(left.max()):
        best = int(left.argmax())
        lags.append((best - middle) * interval_s)
        left[max(0, best - width) : best + width + 1] = -np.inf
    return tuple(lags)


def shuffle_dither(
    fire: NDArray[np.float64], source_row: NDArray[np.int64], random: np.random.Generator
) -> NDArray[np.float64]:
    """Fire times with their course along the line kept, and the deviations from it shuffled."""
    out = fire.copy()
    half = _TREND_SHOTS // 2
    for row in np.unique(source_row):
        shots = np.flatnonzero(source_row == row)
        if len(shots) <= half:
            continue
        # An odd reflection keeps a straight course straight to its ends.
        longer = np.pad(fire[shots], half, mode="reflect", reflect_type="odd")
        course = np.convolve(longer, np.full(_TREND_SHOTS, 1.0 / _TREND_SHOTS), mode="valid")
        out[shots] = course + random.permutation(fire[shots] - course)
    return out


def segments_of(count: int, length: int) -> Sequence[slice]:
    """Stretches of `length` shots that overlap by half; the last one ends with the last shot."""
    if count <= length:
        return [slice(0, count)]
    starts = [*range(0, count - length, length // 2), count - length]
    return [slice(start, start + length) for start in starts]
