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

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft, rfftfreq

from deblend.arrays import thread_count
from deblend.qc.measure_setup import Gathers, MeasureSetup, ratio, smooth_in_time
from deblend.qc.significance import exceeds_null, exceeds_symmetric_null
from deblend.qc.sums import Sums

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
class RemovedSignal(Sums):
    """Energies and products of stacks; add them over blocks of channels."""

    product: Energies
    """float64, shape (source, window): Of kept and removed part, each shot of the one with all
    other shots of the other."""
    kept: Energies
    """float64, shape (source, window): The same of the kept part with itself."""
    product_null: Energies
    """float64, shape (draw, source, window): As `product`, with random polarities of the removed
    part."""
    coherent: Energies
    """float64, shape (source, window): Energy of the removed part along the best slope of each
    window."""
    coherent_null: Energies
    """float64, shape (draw, source, window): The same with random polarities."""
    coherent_floor: Energies
    """float64, shape (source, window): Mean over all slopes and polarities: what chance adds to any
    one slope."""
    share: Energies
    """float64, shape (source, window): What `coherent` minus its floor would be if all that is kept
    lined up."""

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
    def coherent_surely(self) -> Energies:
        """What `coherent_over_kept` is at least: less what chance adds, and two deviations."""
        most = self.coherent_null.mean(axis=0) + 2.0 * self.coherent_null.std(axis=0, ddof=1)
        return ratio(np.maximum(self.coherent - most, 0.0), self.share)

    @property
    def coherent_chance(self) -> Energies:
        """Chance of so much without removed signal; NaN where nothing was kept."""
        return np.where(self.share > 0, exceeds_null(self.coherent, self.coherent_null), np.nan)


def removed_signal(
    kept: Gathers, removed: Gathers, setup: MeasureSetup, draws: int = DRAWS
) -> RemovedSignal:
    """Stack kept and removed part of some channels, low-cut, in `draws` random polarities, too.

    Rows are in the order of the setup's shots. Signal steeper than 8 ms a shot, and signal that
    changes from shot to shot, is not seen. Within a window the figures hold for the places where
    interference is weakest. Coherent energy reads high near the limit of detection, because the
    best slope is picked.
    """
    shape = (len(setup.sources), len(setup.windows))
    one, many = np.zeros((5, *shape)), np.zeros((2, draws, *shape))
    groups = [
        (i, rows, np.random.default_rng([i, number]))
        for i, source in enumerate(setup.sources)
        for number, rows in enumerate(setup.groups[source])
        if kept.shape[1]
    ]

    sizes = {(len(rows), stop - start) for _, rows, _ in groups for start, stop in setup.windows}
    steering = {size: _steering(*size, setup) for size in sizes}

    def sums(group: tuple[int, NDArray[np.int64], np.random.Generator]) -> GroupSums:
        _, rows, random = group
        sign = random.choice(np.array([-1.0, 1.0], np.float32), (draws, len(rows)))
        return _group_sums(kept[rows], removed[rows], sign, setup, steering)

    with ThreadPoolExecutor(thread_count()) as pool:
        for (i, _, _), (single, null) in zip(groups, pool.map(sums, groups), strict=True):
            one[:, i] += single
            many[:, :, i] += null
    product, own, coherent, floor, share = one
    return RemovedSignal(product, own, many[0], coherent, many[1], floor, share)


GroupSums = tuple[NDArray[np.float64], NDArray[np.float64]]


def _group_sums(
    kept: Gathers,
    removed: Gathers,
    sign: NDArray[np.float32],
    setup: MeasureSetup,
    steering: Mapping[tuple[int, int], _Steering],
) -> GroupSums:
    """Product, kept, coherent, floor, share (5, window), and nulls (2, draw, window), of a group.

    `sign` (draw, shot) are the polarities of the nulls, `steering` goes by shots and samples.
    """
    one, many = np.zeros((5, len(setup.windows))), np.zeros((2, len(sign), len(setup.windows)))
    signs = np.concatenate([np.ones((1, len(removed)), np.float32), sign])
    weight = _weights(kept, removed, setup)
    mean = np.square(kept).mean(axis=0)
    mean *= weight.sum(axis=0) ** 2 - np.square(weight).sum(axis=0)
    kept, removed = kept * weight, removed * weight
    for column, (start, stop) in enumerate(setup.windows):
        inside = slice(start, stop)
        products, one[1, column] = _likeness(kept[..., inside], removed[..., inside], signs)
        one[0, column], many[0, :, column] = products[0], products[1:]
        taper = np.sin(np.pi * (np.arange(stop - start) + 0.5) / (stop - start))
        best, one[3, column] = _along_best_slope(
            removed[..., inside] * taper.astype(np.float32),
            signs,
            steering[len(removed), stop - start],
        )
        one[2, column], many[1, :, column] = best[0], best[1:]
        one[4, column] = float(np.sum(mean[:, inside] * taper**2))
    return one, many


def _weights(kept: Gathers, removed: Gathers, setup: MeasureSetup) -> Gathers:
    """Inverse variance of each sample over the root of its sum over shots."""
    variance = smooth_in_time(np.square(removed), setup)
    level = smooth_in_time(np.square(kept).mean(axis=0), setup)
    strongest = level.max(axis=-1, keepdims=True, initial=0.0)
    variance += np.float32(_QUIETEST) * level + np.float32(1e-6) * strongest
    inverse = np.zeros_like(variance)
    np.divide(1.0, variance, out=inverse, where=variance > 0)
    whole = np.sqrt(inverse.sum(axis=0))
    whole[whole == 0] = 1.0
    weights: Gathers = inverse / whole
    return weights


def _likeness(
    kept: Gathers, removed: Gathers, signs: NDArray[np.float32]
) -> tuple[NDArray[np.float64], float]:
    """Products of the stacks of one window for each set of polarities, and energy kept."""
    summed = kept.sum(axis=0)
    flat = removed.reshape(len(removed), -1)
    with_stack = flat.astype(np.float64) @ summed.ravel().astype(np.float64)
    with_itself = np.einsum("sct,sct->s", kept, removed, dtype=np.float64)
    squares = np.sum(np.square(summed, dtype=np.float64))
    whole = float(squares - np.sum(np.square(kept, dtype=np.float64)))
    return signs @ (with_stack - with_itself), whole


@dataclass(frozen=True, eq=False)
class _Steering:
    """Phases that flatten every slope: float32 complex, shape (shot, slope, frequency)."""

    phases: NDArray[np.complex64]
    used: NDArray[np.bool_]
    padded: int


def _steering(count: int, length: int, setup: MeasureSetup) -> _Steering:
    padded = next_fast_len(length, real=True)
    frequency = rfftfreq(padded, setup.interval_s)
    used = (frequency >= setup.low_cut_hz) & (
        frequency <= HIGHEST_OVER_NYQUIST * 0.5 / setup.interval_s
    )
    steps = round(STEEPEST_S / SLOPE_STEP_S)
    slope_s = SLOPE_STEP_S * np.arange(-steps, steps + 1)
    shot = np.arange(count) - 0.5 * (count - 1)
    lag_s = shot[:, None, None] * slope_s[:, None]
    phases = np.exp(2j * np.pi * frequency[used] * lag_s).astype(np.complex64)
    return _Steering(phases, used, padded)


def _along_best_slope(
    traces: Gathers, signs: NDArray[np.float32], steering: _Steering
) -> tuple[NDArray[np.float64], float]:
    """Coherent energy of a window with each set of polarities, and its floor.

    A slant stack of tapered traces in the frequency domain; the best slope channel by channel. The
    first set of polarities is the true one and has no part in the floor.
    """
    count, channels, _ = traces.shape
    slopes = steering.phases.shape[1]
    best, mean = np.zeros(len(signs)), np.zeros(len(signs))
    for channel in range(channels):  # one at a time: all slopes of all polarities at once
        spectrum = rfft(traces[:, channel], steering.padded, axis=-1)[:, None, steering.used]
        steered = (steering.phases * spectrum).view(np.float32).reshape(count, -1)
        stacked = (signs @ steered).reshape(len(signs), slopes, -1)
        energy = np.einsum("dsf,dsf->ds", stacked, stacked)
        best += energy.max(axis=1)
        mean += energy.mean(axis=1)
    both_halves = 2.0 / steering.padded
    return best * both_halves, float(mean[1:].mean()) * both_halves
