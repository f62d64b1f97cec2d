"""Shot intervals, fold, time between shots, clean record length and overlap, in closed form."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.water import WATER_VELOCITY_M_S

Floats = NDArray[np.float64]
ROUNDING: Final = 1e-9


def source_interval_m(shot_interval_m: float, source_count: int, *, together: bool) -> float:
    """``P = n p`` for sources in sequence, ``P = p`` for sources that fire together."""
    return shot_interval_m if together else source_count * shot_interval_m


def fold(streamer_length_m: float, source_interval_m: float) -> float:
    """``L / (2 P)`` of one source: nominal, without feathering or missed shots."""
    return streamer_length_m / (2.0 * source_interval_m)


def time_between_shots_s(shot_interval_m: float, speed_m_s: float) -> float:
    """``T = p / v``."""
    return shot_interval_m / speed_m_s


def clean_length_s(time_s: float, dead_time_s: float = 0.0, dither_s: float = 0.0) -> float:
    """``T - ts - 2 d``, not below 0: data before the earliest next and after the latest own shot.

    T is between shots, ts the dead time of the recorder, delays lie within plus and minus d.
    """
    return max(0.0, time_s - dead_time_s - 2.0 * dither_s)


def clean_length_by_channel_s(clean_s: float, offset_m: Floats) -> Floats:
    """Clean record length of channels, ``T - ts - 2 d + x / 1500``, shape (channel,).

    The next shot reaches a channel at offset x with its direct wave in the water; a refracted wave
    may be earlier at far offsets.
    """
    return clean_s + offset_m / WATER_VELOCITY_M_S


def shots_in_record(
    record_s: float, time_s: float, dither_s: float = 0.0, *, fired_together: int = 1
) -> int:
    """``ceil((R + 2 d) / T)``, own shot included, times the sources that fire together."""
    return fired_together * math.ceil((record_s + 2.0 * dither_s) / time_s - ROUNDING)


def fastest_clean_speed_m_s(
    shot_interval_m: float, record_s: float, dead_time_s: float = 0.0, dither_s: float = 0.0
) -> float:
    """``p / (R + ts + 2 d)``: beyond this speed records of length R overlap."""
    return shot_interval_m / (record_s + dead_time_s + 2.0 * dither_s)


def overlap_share(record_s: float, clean_s: float) -> float:
    """``1 - clean / R``: part of the record under the energy of later shots."""
    return max(0.0, 1.0 - clean_s / record_s)


def blending_fold(times_s: Floats, record_s: float, after_s: Floats) -> Floats:
    """How many shots are active at times after each shot, shape (shot, time).

    A shot is active for `record_s` after it fires. Shots whose neighbours would lie beyond the ends
    of the list are left out, so that every row is complete. `times_s` are those of all sources;
    `after_s` goes from 0 to below `record_s`.
    """
    times = np.sort(times_s)
    whole = times[(times >= times[0] + record_s) & (times <= times[-1] - record_s)]
    whole = whole if whole.size else times
    at = whole[:, None] + after_s[None, :]
    fired = np.searchsorted(times, at + ROUNDING, side="right")
    ended = np.searchsorted(times, at - record_s + ROUNDING, side="right")
    return (fired - ended).astype(np.float64)


def level_db(after_s: Floats, record_s: float, loss_db: float, first_s: float = 0.1) -> Floats:
    """Assumed envelope of a shot: 0 dB up to `first_s`, then a power law to -loss at the end.

    Amplitude falls as ``(t / first)^-a`` with a chosen so that the level at `record_s` is
    ``-loss_db``; before firing there is nothing (minus infinity).
    """
    slope = loss_db / math.log10(record_s / first_s)
    level = -slope * np.log10(np.maximum(after_s, first_s) / first_s)
    return np.where((after_s >= 0.0) & (after_s < record_s), level, -np.inf)


def interference_level_db(
    after_s: Floats, delays_s: Floats, record_s: float, loss_db: float
) -> Floats:
    """Level of all other shots together at times after a shot, shape (time,).

    `delays_s` says when the others fire after (or before) it; the rest is as in `level_db`.
    """
    levels = level_db(after_s[None, :] - delays_s[:, None], record_s, loss_db)
    energy = np.sum(10.0 ** (levels / 10.0), axis=0)
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(energy), dtype=np.float64)
