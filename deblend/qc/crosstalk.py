"""How much of each source is left in the gathers of each other one: the crosstalk matrix.

The estimate of one source is shifted, shot by shot, to the fire times of another: what is left of
the other one then lines up from shot to shot, in common offset, while the wanted source scatters.
Its stack over neighbouring shots is compared with stacks in which the same shifts were dealt out to
the wrong shots.

The waveform of what may have leaked is known: it is the estimate of the other source. Fitted to the
stack by least squares it gives the amplitude of the leak, and an error bar from the shuffles. A
hundredth of the energy of a source cannot be told from chance by energy alone, its tenth of the
amplitude can by waveform; so the amplitude is the figure that counts, and energy serves to find
what lined up in any other waveform.

Stacks are weighted by the inverse of the local energy of the wanted source: a late arrival of one
source often lies under an early arrival of another that is a hundred times stronger, and is
measured where it does not.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, rfft

from deblend.arrays import fast_length, thread_count
from deblend.qc.measure_setup import (
    LEAST_SHOTS,
    Gathers,
    MeasureSetup,
    in_groups,
    ratio,
    shot_pairs,
    smooth_in_time,
)
from deblend.qc.significance import exceeds_null, exceeds_symmetric_null
from deblend.qc.sums import Sums

DRAWS: Final = 24
"""Shuffles of the delays."""
_PAD: Final = 32
_QUIETEST: Final = 1e-6
"""Least local energy, relative to the strongest, that a weight counts with."""


@dataclass(frozen=True, eq=False)
class CrosstalkEnergy(Sums):
    """Energies and products of stacks; add them over blocks of channels.

    Shapes are (source in, source from, window), behind the draws where there are any.
    """

    stacked: NDArray[np.float64]
    """Energy of the estimate of the first, stacked at the times of the second."""
    own: NDArray[np.float64]
    """Energy of the estimate of the second in the same stacks."""
    null: NDArray[np.float64]
    """(draw, ...): As `stacked`, with shuffled delays."""
    joint: NDArray[np.float64]
    """Product of the two stacks."""
    product: NDArray[np.float64]
    """As `joint`, without the product of each shot with itself: that looks alike where interference
    was split between two sources."""
    reference: NDArray[np.float64]
    """As `product`, of the second with itself."""
    product_null: NDArray[np.float64]
    """(draw, ...): As `joint`, with shuffled delays."""

    @property
    def copied(self) -> NDArray[np.float64]:
        """Part of the amplitude of the second source that is in the gathers of the first.

        Below zero where too much was taken out.
        """
        return ratio(self.product, self.reference)

    @property
    def copied_error(self) -> NDArray[np.float64]:
        """One standard deviation of `copied` by chance."""
        return ratio(np.sqrt(np.mean(self.product_null**2, axis=0)), self.reference)

    @property
    def copied_chance(self) -> NDArray[np.float64]:
        """Chance of so much, of either sign, without a leak; NaN where nothing overlaps."""
        chance = 2.0 * exceeds_symmetric_null(np.abs(self.product), self.product_null)
        return np.where(self.reference > 0, np.minimum(chance, 1.0), np.nan)

    @property
    def other_energy(self) -> NDArray[np.float64]:
        """Energy of what lines up in another waveform, relative to the second source.

        Chance is taken off, so that it may be negative.
        """
        return ratio(self._rest - self.null.mean(axis=0), self.own)

    @property
    def other_surely(self) -> NDArray[np.float64]:
        """What `other_energy` is at least: less two standard deviations of chance."""
        most = self.null.mean(axis=0) + 2.0 * self.null.std(axis=0, ddof=1)
        return ratio(np.maximum(self._rest - most, 0.0), self.own)

    @property
    def other_chance(self) -> NDArray[np.float64]:
        """Chance of so much in another waveform; NaN where nothing overlaps."""
        return np.where(self.own > 0, exceeds_null(np.maximum(self._rest, 0), self.null), np.nan)

    @property
    def _rest(self) -> NDArray[np.float64]:
        """Energy of the stack without the copy of the second source in it.

        A copy that was read wrongly, in a window that few shots reach, would add its own energy
        when it is taken off: then nothing is.
        """
        part = np.nan_to_num(self.copied)
        without = self.stacked - 2.0 * part * self.joint + part**2 * self.own
        return np.minimum(without, self.stacked)

    def leaked(
        self, copy_found: NDArray[np.bool_], other_found: NDArray[np.bool_]
    ) -> NDArray[np.float64]:
        """Energy of what was found to have leaked, relative to the second source.

        `copied` counts where the copy stands out from chance, `other_energy` where that does.
        """
        copy = np.where(copy_found, self.copied**2, 0.0)
        return copy + np.where(other_found, np.maximum(self.other_energy, 0.0), 0.0)

    def surely_leaked(
        self, copy_found: NDArray[np.bool_], other_found: NDArray[np.bool_]
    ) -> NDArray[np.float64]:
        """The value less two standard deviations."""
        least = np.maximum(np.abs(self.copied) - 2.0 * self.copied_error, 0.0)
        return np.where(copy_found, least**2, 0.0) + np.where(other_found, self.other_surely, 0.0)


def crosstalk_energy(estimate: Gathers, setup: MeasureSetup, draws: int = DRAWS) -> CrosstalkEnergy:
    """Stack every source at the fire times of every other.

    What leaked in scattered form, changed from shot to shot, does not line up and is not seen;
    neither is what lies below the setup's lowest frequency.

    Parameters
    ----------
    estimate : ndarray of float32, shape (shot, channel, time)
        Low-cut estimates of some channels, rows in the order of the setup's shots.
    setup : MeasureSetup
        Windows count from the firing of the source that leaks.
    draws : int, optional
        Shuffles of the delays.
    """
    sources = setup.sources
    shape = (len(sources), len(sources), len(setup.windows))
    sums, nulls = np.zeros((5, *shape)), np.zeros((2, draws, *shape))
    if estimate.shape[1]:
        groups = [
            ((i, j), pairs[part], np.random.default_rng([i, j, lag + 1000, number]))
            for i, first in enumerate(sources)
            for j, second in enumerate(sources)
            if i != j
            for lag, pairs in shot_pairs(setup, first, second).items()
            for number, part in enumerate(in_groups(np.arange(len(pairs)), setup.group_shots))
        ]

        def stacks(group: tuple[tuple[int, int], NDArray[np.int64], np.random.Generator]) -> Stacks:
            return _group_stacks(estimate, group[1], setup, group[2], draws)

        with ThreadPoolExecutor(thread_count()) as pool:
            for ((i, j), _, _), found in zip(groups, pool.map(stacks, groups), strict=True):
                if found is not None:
                    sums[:, i, j] += found[0]
                    nulls[:, :, i, j] += found[1]
    stacked, own, reference, joint, product = sums
    return CrosstalkEnergy(stacked, own, nulls[0], joint, product, reference, nulls[1])


Stacks = tuple[NDArray[np.float64], NDArray[np.float64]] | None


def _group_stacks(
    estimate: Gathers,
    pairs: NDArray[np.int64],
    setup: MeasureSetup,
    random: np.random.Generator,
    draws: int,
) -> Stacks:
    """Sums of one group of shots; None where its traces do not overlap."""
    from deblend.qc.stack_kernels import add_stacks

    whole, fraction = np.divmod(pairs[:, 2] * 1e-9 / setup.interval_s, 1.0)
    delay = whole.astype(np.int64)
    if np.abs(delay).min() >= setup.length:
        return None
    advanced = _advance(estimate[pairs[:, 0]], fraction)
    weight = _quietness(advanced, setup)
    advanced *= weight
    shuffled = random.permuted(np.broadcast_to(delay, (draws, len(delay))), axis=1)
    sums, nulls = np.zeros((5, len(setup.windows))), np.zeros((2, draws, len(setup.windows)))
    add_stacks(
        advanced,
        np.ascontiguousarray(estimate[pairs[:, 1]]),
        weight,
        np.concatenate([delay[None], shuffled]),
        np.array(setup.windows, dtype=np.int64).reshape(-1, 2),
        max(LEAST_SHOTS, len(pairs) // 2),
        np.zeros((7, setup.length), np.float32),
        sums,
        nulls,
    )
    return sums, nulls


def _quietness(traces: Gathers, setup: MeasureSetup) -> Gathers:
    """Inverse of the local energy of a group of shots, shape (channel, time)."""
    energy = smooth_in_time(np.square(traces).mean(axis=0), setup)
    least = np.float32(_QUIETEST) * energy.max(axis=-1, keepdims=True)
    quiet = np.zeros_like(energy)
    np.divide(1.0, np.maximum(energy, least), out=quiet, where=least > 0)
    return quiet


def _advance(traces: Gathers, fraction: NDArray[np.float64]) -> Gathers:
    """Traces moved to earlier times by a fraction of a sample, one for each shot."""
    length = traces.shape[-1]
    padded = fast_length(length + _PAD)
    frequency = np.arange(padded // 2 + 1, dtype=np.float32) / np.float32(padded)
    angle = (2 * np.pi * fraction[:, None]).astype(np.float32) * frequency
    ramp = np.empty(angle.shape, np.complex64)
    np.cos(angle, out=ramp.real)
    np.sin(angle, out=ramp.imag)
    moved = irfft(rfft(traces, padded, axis=-1) * ramp[:, None], padded, axis=-1)
    return np.ascontiguousarray(moved[..., :length])
