"""How much signal is in the removed part: like the kept part, or coherent in its own right.

Removed is pseudo-deblended minus estimate. It should hold interference and noise, which do not line
up from shot to shot at the source's own times. Two things are looked for in stacks of neighbouring
shots: what looks like the kept part (a fraction of every event was taken), and what lines up along
any slope (events were taken whole). The null of both reverses the polarity of shots at random.

Stacks are weighted by the inverse of the local energy of the removed part, because interference is
often far stronger than the signal that it covers; and products of a shot with itself are left out,
because interference that was split between kept and removed part looks alike there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft, rfftfreq

from deblend.qc.measure_plan import Gathers, MeasurePlan, ratio, smooth_in_time
from deblend.qc.significance import exceeds_null, exceeds_symmetric_null

DRAWS: Final = 24
"""Random polarities."""
STEEPEST_S: Final = 0.008
"""Steepest slope looked for, in seconds a shot."""
SLOPE_STEP_S: Final = 0.001
HIGHEST_OVER_NYQUIST: Final = 0.7
_QUIETEST: Final = 0.01
"""A removed part that lies 20 dB below the kept one weighs no more for being quieter still."""

Energies = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RemovedSignal:
    """Energies and products of stacks; add them over blocks of channels.

    Parameters
    ----------
    product : ndarray of float64, shape (source, window)
        Of kept and removed part, each shot of the one with all other shots of the other.
    kept : ndarray of float64, shape (source, window)
        The same of the kept part with itself.
    product_null : ndarray of float64, shape (draw, source, window)
        As `product`, with random polarities of the removed part.
    coherent : ndarray of float64, shape (source, window)
        Energy of the removed part along the best slope of each window.
    coherent_null : ndarray of float64, shape (draw, source, window)
        The same with random polarities.
    coherent_floor : ndarray of float64, shape (source, window)
        Mean over all slopes and polarities: what chance adds to any one slope.
    share : ndarray of float64, shape (source, window)
        What `coherent` minus its floor would be if all that is kept lined up.
    """

    product: Energies
    kept: Energies
    product_null: Energies
    coherent: Energies
    coherent_null: Energies
    coherent_floor: Energies
    share: Energies

    def __add__(self, other: RemovedSignal) -> RemovedSignal:
        return RemovedSignal(
            self.product + other.product,
            self.kept + other.kept,
            self.product_null + other.product_null,
            self.coherent + other.coherent,
            self.coherent_null + other.coherent_null,
            self.coherent_floor + other.coherent_floor,
            self.share + other.share,
        )

    @property
    def lost_fraction(self) -> Energies:
        """Part of the amplitude of every event that was removed.

        With b removed and 1 - b kept the orthogonalisation weight w of the two [1]_ is b / (1 - b).

        References
        ----------
        .. [1] Y. Chen and S. Fomel, 2015, Random noise attenuation using local signal-and-noise
           orthogonalization, Geophysics 80(6), WD1-WD9.
        """
        weight = ratio(self.product, self.kept)
        return np.where(weight > -0.5, weight / (1.0 + weight), np.nan)

    @property
    def lost_error(self) -> Energies:
        """One standard deviation of `lost_fraction` by chance."""
        return ratio(np.sqrt(np.mean(self.product_null**2, axis=0)), self.kept)

    @property
    def lost_chance(self) -> Energies:
        """Chance of such a likeness of kept and removed part; NaN where nothing was kept."""
        chance = exceeds_symmetric_null(self.product, self.product_null)
        return np.where(self.kept > 0, chance, np.nan)

    @property
    def coherent_over_kept(self) -> Energies:
        """Coherent energy removed over energy kept; above zero even by chance."""
        return ratio(self.coherent - self.coherent_floor, self.share)

    @property
    def coherent_detectable(self) -> Energies:
        """What could just be told from chance: two standard deviations above the best slopes."""
        least = self.coherent_null.mean(axis=0) + 2.0 * self.coherent_null.std(axis=0, ddof=1)
        return ratio(least - self.coherent_floor, self.share)

    @property
    def coherent_chance(self) -> Energies:
        """Chance of so much without removed signal; NaN where nothing was kept."""
        return np.where(self.share > 0, exceeds_null(self.coherent, self.coherent_null), np.nan)


def removed_signal(
    kept: Gathers, removed: Gathers, plan: MeasurePlan, draws: int = DRAWS
) -> RemovedSignal:
    """Stack kept and removed part of some channels.

    Parameters
    ----------
    kept, removed : ndarray of float32, shape (shot, channel, time)
        Low-cut; rows in the order of the plan's shots.
    plan : MeasurePlan
        Shots and windows.
    draws : int, optional
        Random polarities.

    Notes
    -----
    Signal steeper than 8 ms a shot, and signal that changes from shot to shot, is not seen. Within
    a window the figures hold for the places where interference is weakest. Coherent energy reads
    high near the limit of detection, because the best slope is picked.
    """
    shape = (len(plan.sources), len(plan.windows))
    total = RemovedSignal(
        np.zeros(shape),
        np.zeros(shape),
        np.zeros((draws, *shape)),
        np.zeros(shape),
        np.zeros((draws, *shape)),
        np.zeros(shape),
        np.zeros(shape),
    )
    if not kept.shape[1]:
        return total
    for i, source in enumerate(plan.sources):
        for number, rows in enumerate(plan.groups[source]):
            random = np.random.default_rng([i, number])
            sign = random.choice(np.array([-1.0, 1.0], np.float32), (draws, len(rows)))
            weight = _weights(kept[rows], removed[rows], plan)
            weighted = removed[rows] * weight
            _add_likeness(total, i, kept[rows] * weight, weighted, sign, plan)
            mean = np.square(kept[rows]).mean(axis=0)
            mean *= weight.sum(axis=0) ** 2 - np.square(weight).sum(axis=0)
            for column, (start, stop) in enumerate(plan.windows):
                taper = np.sin(np.pi * (np.arange(stop - start) + 0.5) / (stop - start))
                total.share[i, column] += float(np.sum(mean[:, start:stop] * taper**2))
                best, floor = _along_best_slope(
                    weighted[..., start:stop] * taper.astype(np.float32), sign, plan
                )
                total.coherent[i, column] += best[0]
                total.coherent_floor[i, column] += floor
                total.coherent_null[:, i, column] += best[1:]
    return total


def _weights(kept: Gathers, removed: Gathers, plan: MeasurePlan) -> Gathers:
    """Inverse variance of each sample over the root of its sum over shots."""
    variance = smooth_in_time(np.square(removed), plan)
    level = smooth_in_time(np.square(kept).mean(axis=0), plan)
    strongest = level.max(axis=-1, keepdims=True, initial=0.0)
    variance += np.float32(_QUIETEST) * level + np.float32(1e-6) * strongest
    inverse = np.zeros_like(variance)
    np.divide(1.0, variance, out=inverse, where=variance > 0)
    whole = np.sqrt(inverse.sum(axis=0))
    whole[whole == 0] = 1.0
    weights: Gathers = inverse / whole
    return weights


def _add_likeness(
    total: RemovedSignal,
    source: int,
    kept: Gathers,
    removed: Gathers,
    sign: NDArray[np.float32],
    plan: MeasurePlan,
) -> None:
    """Products of the stacks of one group, in place."""
    summed = kept.sum(axis=0)
    signs = np.concatenate([np.ones((1, len(removed)), np.float32), sign])
    stacks = np.tensordot(signs, removed, axes=(1, 0))
    for column, (start, stop) in enumerate(plan.windows):
        inside = slice(start, stop)
        itself = np.einsum("sct,sct->s", kept[..., inside], removed[..., inside], dtype=np.float64)
        products = np.einsum("dct,ct->d", stacks[..., inside], summed[:, inside], dtype=np.float64)
        products -= signs @ itself
        total.product[source, column] += products[0]
        total.product_null[:, source, column] += products[1:]
        total.kept[source, column] += float(
            np.sum(np.square(summed[:, inside], dtype=np.float64))
            - np.sum(np.square(kept[..., inside], dtype=np.float64))
        )


def _along_best_slope(
    traces: Gathers, sign: NDArray[np.float32], plan: MeasurePlan
) -> tuple[NDArray[np.float64], float]:
    """Coherent energy of a window as it is and with each set of polarities, and its floor.

    A slant stack of tapered traces in the frequency domain; the best slope channel by channel.
    """
    count, _, length = traces.shape
    padded = next_fast_len(length, real=True)
    frequency = rfftfreq(padded, plan.interval_s)
    used = (frequency >= plan.low_cut_hz) & (
        frequency <= HIGHEST_OVER_NYQUIST * 0.5 / plan.interval_s
    )
    spectrum = rfft(traces, padded, axis=-1)[..., used].transpose(2, 0, 1)
    steps = round(STEEPEST_S / SLOPE_STEP_S)
    slope_s = SLOPE_STEP_S * np.arange(-steps, steps + 1)
    shot = np.arange(count) - 0.5 * (count - 1)
    lag_s = slope_s[:, None] * shot
    steering = np.exp(2j * np.pi * frequency[used, None, None] * lag_s).astype(np.complex64)
    signs = np.concatenate([np.ones((1, count), np.float32), sign])
    best, mean = np.empty(len(signs)), np.empty(len(signs))
    for row, polarity in enumerate(signs):
        stacked = np.matmul(steering * polarity, spectrum)
        energy = np.sum(np.square(stacked.real) + np.square(stacked.imag), axis=0)
        best[row] = float(energy.max(axis=0).sum())
        mean[row] = float(energy.mean(axis=0).sum())
    both_halves = 2.0 / padded
    return best * both_halves, float(mean[1:].mean()) * both_halves
