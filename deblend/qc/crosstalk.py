"""How much of each source is left in the gathers of each other one: the crosstalk matrix.

The estimate of one source is shifted, shot by shot, to the fire times of another: what is left of
the other one then lines up from shot to shot, in common offset, while the wanted source scatters.
Its stack over neighbouring shots is compared with stacks in which the same shifts were dealt out to
the wrong shots.

Stacks are weighted by the inverse of the local energy of the wanted source: a late arrival of one
source often lies under an early arrival of another that is a hundred times stronger, and is
measured where it does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import fast_length, irfft, rfft
from deblend.qc.measure_plan import (
    LEAST_SHOTS,
    Gathers,
    MeasurePlan,
    in_groups,
    ratio,
    shot_pairs,
    smooth_in_time,
)
from deblend.qc.significance import exceeds_null, exceeds_symmetric_null

DRAWS: Final = 24
"""Shuffles of the delays."""
_PAD: Final = 32
_QUIETEST: Final = 1e-6
"""Least local energy, relative to the strongest, that a weight counts with."""


@dataclass(frozen=True, eq=False)
class CrosstalkEnergy:
    """Energies and products of stacks; add them over blocks of channels.

    Shapes are (source in, source from, window), behind the draws where there are any.

    Parameters
    ----------
    stacked : ndarray of float64
        Energy of the estimate of the first, stacked at the times of the second.
    own : ndarray of float64
        Energy of the estimate of the second in the same stacks.
    null : ndarray of float64, shape (draw, ...)
        As `stacked`, with shuffled delays.
    product : ndarray of float64
        Products of the two estimates, each shot of the one with all other shots of the other.
    reference : ndarray of float64
        The same products of the second with itself.
    product_null : ndarray of float64, shape (draw, ...)
        As `product`, with shuffled delays.
    """

    stacked: NDArray[np.float64]
    own: NDArray[np.float64]
    null: NDArray[np.float64]
    product: NDArray[np.float64]
    reference: NDArray[np.float64]
    product_null: NDArray[np.float64]

    def __add__(self, other: CrosstalkEnergy) -> CrosstalkEnergy:
        return CrosstalkEnergy(
            self.stacked + other.stacked,
            self.own + other.own,
            self.null + other.null,
            self.product + other.product,
            self.reference + other.reference,
            self.product_null + other.product_null,
        )

    @property
    def leaked(self) -> NDArray[np.float64]:
        """Energy of what leaked relative to the source that it came from; may be negative."""
        return ratio(self.stacked - self.null.mean(axis=0), self.own)

    @property
    def detectable(self) -> NDArray[np.float64]:
        """Relative energy that could just be told from chance, two standard deviations."""
        return ratio(2.0 * self.null.std(axis=0, ddof=1), self.own)

    @property
    def chance(self) -> NDArray[np.float64]:
        """Chance of so much without a leak; NaN where nothing overlaps."""
        return np.where(self.own > 0, exceeds_null(self.stacked, self.null), np.nan)

    @property
    def copied(self) -> NDArray[np.float64]:
        """Part of the amplitude of the second source that is in the gathers of the first."""
        return ratio(self.product, self.reference)

    @property
    def copied_error(self) -> NDArray[np.float64]:
        """One standard deviation of `copied` by chance."""
        return ratio(np.sqrt(np.mean(self.product_null**2, axis=0)), self.reference)

    @property
    def copied_chance(self) -> NDArray[np.float64]:
        """Chance of so much without a leak; NaN where nothing overlaps."""
        chance = exceeds_symmetric_null(self.product, self.product_null)
        return np.where(self.reference > 0, chance, np.nan)


def crosstalk_energy(estimate: Gathers, plan: MeasurePlan, draws: int = DRAWS) -> CrosstalkEnergy:
    """Stack every source at the fire times of every other.

    Parameters
    ----------
    estimate : ndarray of float32, shape (shot, channel, time)
        Low-cut estimates of some channels, rows in the order of the plan's shots.
    plan : MeasurePlan
        Shots and windows. Windows count from the firing of the source that leaks.
    draws : int, optional
        Shuffles of the delays.

    Notes
    -----
    What leaked in scattered form, changed from shot to shot, does not line up and is not seen;
    neither is what lies below the plan's lowest frequency.
    """
    sources = plan.sources
    shape = (len(sources), len(sources), len(plan.windows))
    many = (draws, *shape)
    total = CrosstalkEnergy(*(np.zeros(s) for s in (shape, shape, many, shape, shape, many)))
    if not estimate.shape[1]:
        return total
    for i, first in enumerate(sources):
        for j, second in enumerate(sources):
            if i == j:
                continue
            for lag, pairs in shot_pairs(plan, first, second).items():
                for number, part in enumerate(in_groups(np.arange(len(pairs)), plan.group_shots)):
                    random = np.random.default_rng([i, j, lag + 1000, number])
                    _add_group(total, (i, j), estimate, pairs[part], plan, random)
    return total


def _add_group(
    total: CrosstalkEnergy,
    place: tuple[int, int],
    estimate: Gathers,
    pairs: NDArray[np.int64],
    plan: MeasurePlan,
    random: np.random.Generator,
) -> None:
    """Add one group of shots, in place."""
    whole, fraction = np.divmod(pairs[:, 2] * 1e-9 / plan.interval_s, 1.0)
    delay = whole.astype(np.int64)
    advanced = _advance(estimate[pairs[:, 0]], fraction)
    weight = _quietness(advanced, plan)
    covers = _stack(np.ones((len(delay), 1, plan.length), np.float32), delay)
    summed = _stack(np.broadcast_to(weight, advanced.shape), delay)
    enough = (covers >= max(LEAST_SHOTS, len(pairs) // 2)) & (summed > 0)
    if not enough.any():
        return
    over = np.where(enough, 1.0 / np.where(enough, summed, 1.0), 0.0)
    weighted = advanced * weight
    stacked = _stack(weighted, delay)
    own, same_shot, own_same_shot = (np.zeros_like(stacked) for _ in range(3))
    for shot, (row, shift) in enumerate(zip(pairs[:, 1], delay.tolist(), strict=True)):
        begin, end = max(0, -shift), plan.length - max(0, shift)
        if begin < end:
            here, there = slice(begin, end), slice(begin + shift, end + shift)
            second = weight[:, there] * estimate[row, :, here]
            own[:, here] += second
            own_same_shot[:, here] += second**2
            same_shot[:, here] += second * weighted[shot, :, there]
    total.own[place] += _windowed(own**2 * over, plan)
    total.stacked[place] += _windowed(stacked**2 * over, plan)
    total.reference[place] += _windowed((own**2 - own_same_shot) * over, plan)
    total.product[place] += _windowed((stacked * own - same_shot) * over, plan)
    for draw in range(len(total.null)):
        shuffled = _stack(weighted, delay[random.permutation(len(delay))])
        total.null[draw, place[0], place[1]] += _windowed(shuffled**2 * over, plan)
        total.product_null[draw, place[0], place[1]] += _windowed(shuffled * own * over, plan)


def _quietness(traces: Gathers, plan: MeasurePlan) -> Gathers:
    """Inverse of the local energy of a group of shots, shape (channel, time)."""
    energy = smooth_in_time(np.square(traces).mean(axis=0), plan)
    least = np.float32(_QUIETEST) * energy.max(axis=-1, keepdims=True)
    quiet = np.zeros_like(energy)
    np.divide(1.0, np.maximum(energy, least), out=quiet, where=least > 0)
    return quiet


def _stack(traces: Gathers, delay: NDArray[np.int64]) -> Gathers:
    """Sum over shots after an advance by whole samples, shape (channel, time)."""
    length = traces.shape[-1]
    stacked = np.zeros(traces.shape[1:], np.float32)
    for shot, shift in enumerate(delay.tolist()):
        begin, end = max(0, -shift), length - max(0, shift)
        if begin < end:
            stacked[:, begin:end] += traces[shot, :, begin + shift : end + shift]
    return stacked


def _advance(traces: Gathers, fraction: NDArray[np.float64]) -> Gathers:
    """Traces moved to earlier times by a fraction of a sample, one for each shot."""
    length = traces.shape[-1]
    padded = fast_length(length + _PAD)
    frequency = np.arange(padded // 2 + 1) / padded
    ramp = np.exp(2j * np.pi * fraction[:, None] * frequency).astype(np.complex64)
    moved: Gathers = irfft(np, rfft(np, traces, padded) * ramp[:, None], padded)[..., :length]
    return moved


def _windowed(values: NDArray[np.floating], plan: MeasurePlan) -> NDArray[np.float64]:
    total = values.sum(axis=0, dtype=np.float64)
    return np.array([total[start:stop].sum() for start, stop in plan.windows])
