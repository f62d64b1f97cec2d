"""Normal moveout with a stretch mute, and the semblance that checks its velocities."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, rfft
from scipy.ndimage import uniform_filter1d

from deblend.errors import InputError

Traces = NDArray[np.float32]
Floats = NDArray[np.float64]

STRETCH_LIMIT: Final = 0.3
"""Samples stretched by more than this are muted (common practice, no source)."""
FINER: Final = 8
"""Traces are interpolated to so many times the samples, then linearly in between."""


def flatten(
    traces: Traces,
    offset_m: Floats,
    velocity_m_s: Floats,
    interval_s: float,
    *,
    stretch_limit: float = STRETCH_LIMIT,
) -> tuple[Traces, NDArray[np.bool_]]:
    """Traces of one midpoint moved to zero offset, zero where muted; and where none is muted.

    A sample at two-way time t comes from sqrt(t^2 + x^2 / v^2), the arrival of a reflection under a
    medium of rms velocity v at small offset [1]_. A pulse there is longer by dt/dt0 = (source time)
    / t, less the change of velocity; where it is longer by more than the limit it is muted. Fails
    for large offset over depth, where arrivals are no hyperbolas, and for dips at a velocity that
    is not corrected for them.

    Parameters
    ----------
    traces : ndarray of float32, shape (trace, time)
        Sample 0 is the time break.
    offset_m : ndarray of float64, shape (trace,)
        Of either sign.
    velocity_m_s : ndarray of float64, shape (time,)
        Rms velocity at each two-way time.
    stretch_limit : float, optional
        Largest stretch that is kept, 0.3 for 30 %.

    References
    ----------
    .. [1] C. H. Dix, 1955, Seismic velocities from surface measurements, Geophysics 20(1), 68-86.
    """
    length = traces.shape[-1]
    time_s = np.arange(length) * interval_s
    arrival_s = np.hypot(time_s[None, :], offset_m[:, None] / velocity_m_s[None, :])
    slope = np.gradient(arrival_s, interval_s, axis=-1) if length > 1 else np.ones_like(arrival_s)
    with np.errstate(divide="ignore", invalid="ignore"):
        stretch = np.where(slope > 0, np.where(offset_m[:, None] == 0, 1.0, 1.0 / slope), np.inf)
    kept = (stretch <= 1.0 + stretch_limit) & (arrival_s <= time_s[-1])
    flat = np.where(kept, _read_at(traces, arrival_s / interval_s), 0.0)
    return flat.astype(np.float32), kept


def _read_at(traces: Traces, sample: Floats) -> Floats:
    """Values between samples, shape of `sample`."""
    length = traces.shape[-1]
    padded = 2 * length
    spectrum = rfft(traces, padded, axis=-1)
    spectrum[:, -1] *= 0.5  # the Nyquist frequency has a mirror image once there are more samples
    fine = irfft(spectrum, FINER * padded, axis=-1)[:, : FINER * length] * FINER
    place = np.clip(sample * FINER, 0, FINER * length - 2)
    lower = place.astype(np.int64)
    part = place - lower
    low = np.take_along_axis(fine, lower, axis=1)
    high = np.take_along_axis(fine, lower + 1, axis=1)
    return np.asarray(low + part * (high - low), dtype=np.float64)


def semblance_panel(
    traces: Traces,
    offset_m: Floats,
    velocity_m_s: Floats,
    interval_s: float,
    *,
    smoothing_s: float = 0.04,
    stretch_limit: float = STRETCH_LIMIT,
) -> Floats:
    """Semblance of one midpoint gather for trial velocities.

    Energy of the stack over the energy of the traces times their number [1]_, both summed over a
    short window: 1 for equal traces, 1 / N for N unrelated ones.

    Parameters
    ----------
    traces, offset_m, interval_s, stretch_limit
        As in `flatten`.
    velocity_m_s : ndarray of float64, shape (velocity,) or (velocity, time)
        Trial velocities, alike at all times or functions of time.
    smoothing_s : float, optional
        Length of the window.

    Returns
    -------
    ndarray of float64, shape (velocity, time)
        Zero where fewer than two traces are left.

    References
    ----------
    .. [1] N. S. Neidell and M. T. Taner, 1971, Semblance and other coherency measures for
       multichannel data, Geophysics 36(3), 482-497.
    """
    if len(velocity_m_s) == 0 or not np.all(velocity_m_s > 0):
        raise InputError("a trial velocity is not positive", remedy="Give velocities in m/s.")
    size = max(1, round(smoothing_s / interval_s))
    panel = np.zeros((len(velocity_m_s), traces.shape[-1]))
    for row, velocity in enumerate(velocity_m_s):
        flat, kept = flatten(
            traces,
            offset_m,
            np.broadcast_to(velocity, traces.shape[-1:]),
            interval_s,
            stretch_limit=stretch_limit,
        )
        fold = kept.sum(axis=0)
        top = uniform_filter1d(np.square(flat.sum(axis=0, dtype=np.float64)), size)
        below = uniform_filter1d(fold * np.square(flat, dtype=np.float64).sum(axis=0), size)
        enough = (fold >= 2) & (below > 1e-12 * below.max(initial=0.0))
        np.divide(top, below, out=panel[row], where=enough)
    return panel
