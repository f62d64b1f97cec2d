"""How each shot was really fired, from hydrophones beside the source.

A hydrophone a metre from the guns hears its own source far louder than anything else. Each shot is
held against the median of its neighbours of the same source: by the height of the correlation, its
level, and by the place of the peak, its timing. What resembles a shot and belongs to none of the
table went off by itself.

It fails with fewer than five shots of a source, and tells nothing of a gun whose loss changes the
hydrophone by less than shots scatter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import find_peaks

from deblend.blending.operator import operator_at
from deblend.model.timebase import NS_PER_S

LEAD_S: Final = 0.05
PULSE_S: Final = 0.08
_LARGEST_LAG_S: Final = 0.045
_NEIGHBOURS: Final = 21
FEWEST_SHOTS: Final = 5
MISFIRE_BELOW: Final = 0.3
REDUCED_BELOW: Final = 0.9
_DEVIATIONS: Final = 8.0
STRAY_ABOVE: Final = 0.5
_STRAY_LIKENESS: Final = 0.6
"""Of the energy there: another source fired nearby is loud, and of another form."""


@dataclass(frozen=True, eq=False)
class NearField:
    """What the hydrophones of one source say."""

    level: NDArray[np.float64]
    """(shot,): Relative to the neighbouring shots; NaN where not wholly recorded."""
    late_s: NDArray[np.float64]
    """(shot,): Later than neighbouring shots by; NaN where not recorded or too weak."""
    scatter: float
    """Robust deviation of `level`."""
    stray_ns: NDArray[np.int64]
    """(stray,): Time breaks of what fired and is in no row of the table."""

    @property
    def reduced_below(self) -> float:
        """Level that scatter does not explain."""
        return min(REDUCED_BELOW, 1.0 - _DEVIATIONS * self.scatter)


def near_field(
    record: NDArray[np.float32],
    fire_time_ns: NDArray[np.int64],
    *,
    start_ns: int,
    interval_ns: int,
) -> NearField | None:
    """Look at the shots of one source; None with fewer than five recorded shots.

    `record` has its hydrophones, (channel, time), NaN where unknown; its shots are those of the
    table, live or not.
    """
    interval_s = interval_ns / NS_PER_S
    known = np.isfinite(record)
    samples = np.where(known, record, 0.0).astype(np.float64)
    length = round((LEAD_S + PULSE_S) / interval_s)
    window_ns = fire_time_ns - round(LEAD_S * NS_PER_S)
    first = (window_ns - start_ns) // interval_ns
    inside = (first >= 1) & (first + length < record.shape[1])
    missing = np.concatenate([[0], np.cumsum(~known.all(axis=0))])
    ends = np.clip(np.stack([first, first + length]), 0, record.shape[1])
    good = inside & (missing[ends[1]] == missing[ends[0]])
    if np.count_nonzero(good) < FEWEST_SHOTS:
        return None
    operator = operator_at(
        window_ns[good],
        np.ones(int(good.sum()), dtype=np.bool_),
        start_ns=start_ns,
        interval_ns=interval_ns,
        sample_count=record.shape[1],
        length=length,
        dtype=np.float64,
    )
    gathers = operator.pseudo_deblend(samples)
    # The pressure before the pulse is swell; the difference of neighbours takes it out.
    gathers = np.diff(gathers, axis=2)
    usual = np.median(gathers, axis=0)
    height, lag = _correlated(gathers, usual, round(_LARGEST_LAG_S / interval_s))
    level, late_s = np.full((2, len(fire_time_ns)), np.nan)
    order = np.flatnonzero(good)[np.argsort(fire_time_ns[good], kind="stable")]
    level[good], late_s[good] = height, lag * interval_s
    level[order] /= _running_median(level[order])
    late_s[order] -= _running_median(late_s[order])
    late_s[level < MISFIRE_BELOW] = np.nan
    known_level = level[good]
    scatter = 1.4826 * float(np.median(np.abs(known_level - np.median(known_level))))
    origin_ns = start_ns + round(LEAD_S * NS_PER_S)
    places = _strays(np.diff(samples, axis=1), usual)
    stray_ns = origin_ns + places * interval_ns
    of_shots = np.abs(stray_ns[:, None] - fire_time_ns).min(axis=1) < _LARGEST_LAG_S * NS_PER_S
    return NearField(level, late_s, scatter, stray_ns[~of_shots])


def _correlated(
    gathers: NDArray[np.float64], usual: NDArray[np.float64], most: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Height of the correlation with the usual shot, 1 for that itself, and its lag in samples."""
    length = usual.shape[1]
    padded = next_fast_len(2 * length, real=True)
    spectrum = rfft(gathers, padded, axis=2) * np.conj(rfft(usual, padded, axis=1))
    values = irfft(spectrum, padded, axis=2).sum(axis=1)
    values = np.concatenate([values[:, -most:], values[:, : most + 1]], axis=1)
    energy = float((usual**2).sum()) or np.inf
    best = values[:, 1:-1].argmax(axis=1) + 1
    rows = np.arange(len(values))
    before, peak, after = (values[rows, best + step] for step in (-1, 0, 1))
    curve = before - 2.0 * peak + after
    part = np.where(curve < 0.0, 0.5 * (before - after) / np.where(curve < 0.0, curve, 1.0), 0.0)
    return (peak - 0.25 * (before - after) * part) / energy, best - most + part


def _running_median(values: NDArray[np.float64]) -> NDArray[np.float64]:
    half = min(_NEIGHBOURS // 2, len(values) - 1)
    longer = np.pad(values, half, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(longer, 2 * half + 1)
    return np.asarray(np.median(windows, axis=1), dtype=np.float64)


def _strays(samples: NDArray[np.float64], usual: NDArray[np.float64]) -> NDArray[np.int64]:
    """First samples of stretches that are like the usual shot, in form and at half its level."""
    count, length = samples.shape[1], usual.shape[1]
    padded = next_fast_len(count + length, real=True)
    matched, energy = np.zeros((2, count))
    for trace, pattern in zip(samples, usual, strict=True):
        matched += irfft(rfft(trace, padded) * np.conj(rfft(pattern, padded)), padded)[:count]
        running = np.concatenate([[0.0], np.cumsum(trace**2)])
        ends = np.minimum(np.arange(count) + length, count)
        energy += running[ends] - running[:-1]
    own = float((usual**2).sum())
    matched /= own or np.inf
    peaks, _ = find_peaks(matched, height=STRAY_ABOVE, distance=max(1, length // 2))
    alike = matched[peaks] ** 2 * own > _STRAY_LIKENESS * energy[peaks]
    return np.asarray(peaks[alike], dtype=np.int64)
