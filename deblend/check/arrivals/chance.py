"""What a search for arrivals finds where there are none: by chance, by echoes, by what varies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import median_filter

from deblend.check.arrivals.amplitude_fit import Fired, UsualArrivals, independent_energy

_ECHO_S: Final = 3.0
"""Reflections of a shot resemble its direct arrival for so long; what is usual is subtracted."""
_FEWEST: Final = 5
_NEIGHBOURS: Final = 9
_OVERLAPPED: Final = 0.15
"""Share of its energy below which an arrival says nothing of its own."""


@dataclass(frozen=True, eq=False)
class Chance:
    """What is found where nothing is."""

    far: NDArray[np.float64]
    """(source,): Deviation of the amplitude of an arrival where no shot is near."""
    near: NDArray[np.float64]
    """(source,): Deviation near shots, where what varies from shot to shot remains."""
    excess_of_shots: NDArray[np.float64]
    """(shot,): Residual energy of shots like it along the line, beyond that of most, in units of
    the usual arrival."""
    window: NDArray[np.float64]
    """(shot,): Where the shots are, in samples."""

    def excess_at(self, count: int) -> NDArray[np.float64]:
        """`excess_of_shots` of the nearest shot at each sample, shape (time,)."""
        order = np.argsort(self.window, kind="stable")
        middle = 0.5 * (self.window[order][1:] + self.window[order][:-1])
        nearest = np.searchsorted(middle, np.arange(count))
        return np.asarray(self.excess_of_shots[order][nearest])


@dataclass(frozen=True, eq=False)
class Projected:
    """The residual of a record, seen as arrivals."""

    matched: NDArray[np.float64]
    """(source, time): Projection on the arrival of each source at every sample, without echoes; 1
    for an arrival."""
    share: NDArray[np.float64]
    """(source, time): Part of the energy of an arrival that the fitted shots cannot take up."""


def project(
    residual: NDArray[np.float64], usual: UsualArrivals, fired: Fired, interval_s: float
) -> Projected:
    """Project the residual of a record, shape (channel, time), on usual arrivals."""
    matched = without_echoes(matched_arrivals(residual, usual), fired, interval_s)
    share = independent_energy(usual, fired, matched.shape[1]) / usual.energy[:, None]
    return Projected(matched, share)


def chance_of(
    projected: Projected,
    residual: NDArray[np.float64],
    usual: UsualArrivals,
    fired: Fired,
    known: NDArray[np.bool_],
) -> Chance:
    """Null of a search, from the `residual` (channel, time) of the fitted shots."""
    far = far_deviation(projected.matched, known)
    near = far.copy()
    for row, share in enumerate(projected.share):
        overlapping = (share > _OVERLAPPED) & (share < 1.0)
        if overlapping.any():
            values = np.abs(projected.matched[row, overlapping]) / np.sqrt(share[overlapping])
            near[row] = max(near[row], 1.4826 * float(np.median(values)))
    return Chance(far, near, _excess_of_shots(residual, usual, fired), fired.window)


def far_deviation(matched: NDArray[np.float64], known: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Robust deviation of `matched` for each source, shape (source,)."""
    return np.asarray(1.4826 * np.median(np.abs(matched[:, known.all(axis=0)]), axis=1))


def _excess_of_shots(
    residual: NDArray[np.float64], usual: UsualArrivals, fired: Fired
) -> NDArray[np.float64]:
    """Residual of each shot and its neighbours of that source, beyond the median of all."""
    energy = residual_in_windows(residual, usual, fired) / usual.energy[fired.source_row]
    out = np.zeros(len(energy))
    for row in range(len(usual.energy)):
        own = np.flatnonzero(fired.source_row == row)
        own = own[np.argsort(fired.window[own], kind="stable")]
        if own.size:
            along = median_filter(energy[own], size=_NEIGHBOURS, mode="nearest")
            out[own] = np.maximum(along - np.median(energy[own]), 0.0)
    return out


def residual_in_windows(
    residual: NDArray[np.float64], usual: UsualArrivals, fired: Fired
) -> NDArray[np.float64]:
    """Residual energy in the window of each shot."""
    running = np.concatenate([[0.0], np.cumsum((residual**2).sum(axis=0))])
    first = np.clip(np.rint(fired.window).astype(np.int64), 0, residual.shape[1])
    return np.asarray(running[np.minimum(first + usual.length, residual.shape[1])] - running[first])


def excess_residual(
    residual: NDArray[np.float64], usual: UsualArrivals, fired: Fired
) -> NDArray[np.float64]:
    """Residual energy of each shot, beyond that of most of its source."""
    energy = residual_in_windows(residual, usual, fired)
    for row in range(len(usual.energy)):
        own = fired.source_row == row
        if own.any():
            energy[own] = np.maximum(energy[own] - np.median(energy[own]), 0.0)
    return energy


def matched_arrivals(residual: NDArray[np.float64], usual: UsualArrivals) -> NDArray[np.float64]:
    """Projection of a record on the arrival of each source at every sample, (source, time)."""
    count = residual.shape[1]
    padded = next_fast_len(count + usual.length, real=True)
    matched = np.zeros((len(usual.energy), count))
    for channel in range(len(residual)):
        spectrum = rfft(residual[channel], padded)
        for row in range(len(matched)):
            pattern = np.conj(rfft(usual.form[row, channel], padded))
            matched[row] += irfft(spectrum * pattern, padded)[:count]
    return np.asarray(matched / usual.energy[:, None])


def without_echoes(
    matched: NDArray[np.float64], fired: Fired, interval_s: float
) -> NDArray[np.float64]:
    """`matched` without what reflections of the shots usually leave in it."""
    count = matched.shape[1]
    span = min(round(_ECHO_S / interval_s), count)
    out = matched.copy()
    first = np.rint(fired.window).astype(np.int64)
    inside = (first >= 0) & (first + span <= count) & (fired.expected > 0)
    for row in range(len(matched)):
        shots = first[inside & (fired.source_row == row)]
        if shots.size < _FEWEST:
            continue
        for pattern in range(len(matched)):
            stretches = matched[pattern][shots[:, None] + np.arange(span)]
            usual = np.median(stretches, axis=0)
            for shot in shots:
                out[pattern, shot : shot + span] -= usual
    return out
