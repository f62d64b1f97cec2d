"""Choosing weak events from the data: times, velocities by semblance, amplitudes below signal."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from deblend.inject.injected_events import OCTAVES_HZ, Events
from deblend.qc.bands import octave_bands, split_bands
from deblend.stack.moveout import semblance_panel

Gathers = NDArray[np.float32]
Floats = NDArray[np.float64]

TRIAL_M_S: Final = np.arange(1400.0, 4001.0, 50.0)
EARLIEST: Final = 0.12
LATEST: Final = 0.9
"""Events lie between these parts of the trace."""
TIMES: Final = 4


def design_events(
    estimate: Gathers,
    source_number: NDArray[np.int64],
    offset_m: Floats | None,
    interval_s: float,
    *,
    level_db: float,
    seed: int,
    times: int = TIMES,
) -> Events:
    """Events for a line: octaves centred on 8 to 64 Hz as far as the sample interval allows.

    Those of different octaves lie at different times.

    Parameters
    ----------
    estimate : ndarray of float32, shape (shot, channel, time)
        Separated gathers of some shots of every source.
    offset_m : ndarray of float64, shape (shot, channel), or None
        Offsets; without them events have no moveout.
    level_db : float
        Rms of an event over its length, relative to the rms of the estimate around it, in its own
        octave and source.
    """
    length = estimate.shape[-1]
    bands = octave_bands(interval_s)
    centres = [f for f in OCTAVES_HZ if 1.5 * f < 0.5 / interval_s]
    count = times * len(centres)
    fraction = EARLIEST + (LATEST - EARLIEST) * (np.arange(count) + 0.5) / count
    time_s = fraction * length * interval_s
    frequency = np.tile(centres, times)
    sources = int(source_number.max()) + 1
    rms = np.zeros((sources, count))
    half = max(2, round(0.25 / interval_s))
    for source in range(sources):
        split = split_bands(estimate[source_number == source], interval_s, bands)
        power = np.square(split, dtype=np.float64).mean(axis=(1, 2))
        for event in range(count):
            band = next(k for k, (low, high) in enumerate(bands) if low < frequency[event] < high)
            middle = round(time_s[event] / interval_s)
            rms[source, event] = np.sqrt(power[band, max(0, middle - half) : middle + half].mean())
    random = np.random.default_rng([seed, 0xE7])
    # Over two standard lengths either side the mean square of a pulse is 0.22 of its peak squared.
    peak = rms * 10 ** (level_db / 20) / np.sqrt(0.22)
    return Events(
        time_s=time_s,
        frequency_hz=frequency,
        velocity_m_s=_velocities(estimate, offset_m, time_s, interval_s),
        amplitude=peak * random.choice([-1.0, 1.0], peak.shape),
        phase=random.uniform(0, 2 * np.pi, count) + 0.3 * np.arange(sources)[:, None],
    )


def _velocities(
    estimate: Gathers, offset_m: Floats | None, time_s: Floats, interval_s: float
) -> Floats:
    """Velocity of the best semblance of shot gathers, smoothed over time and never falling.

    Good to what the offsets resolve: over short ones deep velocities come out too high, and the
    moveout is that of the data all the same.
    """
    if offset_m is None or estimate.shape[1] < 4:
        return np.full(len(time_s), np.inf)
    panel = np.zeros((len(TRIAL_M_S), estimate.shape[-1]))
    for gather, offset in zip(estimate, offset_m, strict=True):
        panel += semblance_panel(gather, offset, TRIAL_M_S, interval_s)
    edges = np.linspace(0, estimate.shape[-1], 9).round().astype(int)
    at, best = [], []
    for start, stop in pairwise(edges.tolist()):
        window = panel[:, start:stop].sum(axis=1)
        if window.max() > 0:
            at.append(0.5 * (start + stop) * interval_s)
            best.append(TRIAL_M_S[int(np.argmax(window))])
    if not best:
        return np.full(len(time_s), np.inf)
    smooth = np.maximum.accumulate(median_filter(np.array(best), 3, mode="nearest"))
    return np.asarray(np.interp(time_s, at, smooth), dtype=np.float64)
