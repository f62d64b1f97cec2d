r"""How far thresholds stay above the noise, learned from samples that are withheld from the fit.

A level measured in the unexplained residual cannot tell noise from weak signal and interference
whose turn has not come. Samples withheld from the fit can: what was taken of the signal predicts
them, what was taken of the noise does not. Some channels are separated down to a low floor with a
few per cent of their samples withheld. Of the estimate x, and of the prediction error e at the
withheld samples brought back to the shots, the coefficients of a place give

.. math:: s = -\frac{\langle e, x \rangle}{p\,\langle x, x \rangle}

with p the part of the samples that was withheld: the wrong part of the energy that was taken. It is
0 for signal and 1 for noise, and below one half taking it was right [1]_. Each place counts by the
inverse of the energy of its errors.

References
----------
.. [1] The argument of cross-validation: M. Stone, 1974, Cross-validatory choice and assessment of
   statistical predictions, Journal of the Royal Statistical Society B 36(2), 111-147.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from types import ModuleType
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array, on_threads, to_host
from deblend.blending.operator import BlendingOperator
from deblend.separation.contract import last_method
from deblend.separation.job import Job, middle_of, separate_alone
from deblend.separation.loop import Callback
from deblend.separation.noise import NoiseFloor

LEAST_SHARE: Final = 0.4
"""Part of the noise level that thresholds stay above where no noise is shown to be taken."""
LEARNING: Final = "where noise begins, on some channels"
"""For progress."""
CHANNELS: Final = 24
"""Most channels that are separated to learn."""
LEAST_ITERATIONS: Final = 12
"""With fewer the threshold falls too steeply for the noise to be met before it is taken."""
_WITHHELD: Final = 0.03
_PIECE: Final = 40
"""Samples withheld in a row: longer than the windows of the methods, so that what predicts them
comes from other traces and not from the samples beside them."""
_RANGES: Final = ((0.0, 1.0), (1.0, 2.5))
"""Coefficients over the level of their place in which noise shows: weak ones where the level is
that of signal, stronger ones where it is that of the noise."""
_NO_NOISE: Final = 0.12
_ALL_NOISE: Final = 0.35
"""Wrong parts from which on thresholds rise, and at which they stay above all of the noise."""
_SPREAD: Final = 0.1
"""Standard deviation of the wrong part between octaves of a line, and times of an octave."""
_MARGIN: Final = 0.25
"""Standard errors that are taken off a wrong part."""
_LEAST_PART: Final = 0.3
"""Of a place may be withheld, over the usual part, for it to count."""
_TIMES: Final = 0.25
"""Part of the trace over which time places are put together."""
_LEAST: Final = 1e-30

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class WrongPart:
    """What was taken of some coefficients, and how much of it was wrong; cells add up."""

    wrong: Floats
    """Energy that withheld samples contradict, over the energy of the prediction errors."""
    taken: Floats
    """Energy that was taken and could have been contradicted, likewise."""
    variance: Floats
    """Of `wrong`, by chance."""

    @property
    def part(self) -> Floats:
        """Wrong part: 0 for signal, 1 for noise."""
        return np.asarray(self.wrong / np.maximum(self.taken, _LEAST))

    @property
    def part_variance(self) -> Floats:
        """Of `part`."""
        return np.asarray(np.maximum(self.variance / np.maximum(self.taken, _LEAST) ** 2, 1e-9))


@dataclass(frozen=True, eq=False)
class LearnedFloor:
    """What was learned of the noise of a line, as it is kept beside an unfinished run."""

    noise_share: NDArray[np.float32]
    """(time place, frequency): From `LEAST_SHARE` to 1."""


def learns_floor(job: Job) -> bool:
    """Whether the floor of a line is to be learned, and its method has one that can be."""
    learns = getattr(last_method(job.method), "learns_floor", False)
    return bool(learns and job.settings.learn_floor and job.settings.iterations >= LEAST_ITERATIONS)


def channels_to_learn_from(channels: range) -> range:
    """Those of a block that are separated to learn."""
    return middle_of(channels, CHANNELS)


def with_learned_floor(job: Job, callback: Callback | None = None) -> Job:
    """A line whose thresholds stay as far above the noise as channels of its middle block tell."""
    if not learns_floor(job):
        return job
    return replace(job, noise_share=learn_noise_share(job, job.middle_block, callback))


def learn_noise_share(
    job: Job, block: range, callback: Callback | None = None
) -> NDArray[np.float32]:
    """Part of the noise level that thresholds have to stay above, from channels of a block.

    Fails towards the low floor: where withheld samples cannot be predicted, as on one channel with
    steep events, noise is not shown either, and some of it is taken.

    Returns
    -------
    ndarray of float32, shape (time place, frequency)
        From `LEAST_SHARE` to 1.
    """
    channels = channels_to_learn_from(block)
    record = job.read(channels)
    pieces = withheld_pieces(record.shape, job.settings.seed, channels.start)
    withheld = job.xp.asarray(pieces) & job.xp.isfinite(record)
    settings = msgspec.structs.replace(job.settings, residual="leave_out", return_leakage=False)
    fitted = replace(
        job, settings=settings, noise_share=LEAST_SHARE, measured_reference=job.reference
    )
    done = separate_alone(fitted, channels, job.xp.where(withheld, np.nan, record), callback)
    assert done.noise is not None  # a block that was separated has a floor
    error = job.xp.where(withheld, record - job.operator.blend(done.estimate), 0)
    scale = np.float32(job.scale)  # the noise is measured in units of the loop
    measured = wrong_part(
        done.noise,
        done.estimate / scale,
        (error / scale).astype(np.float32),
        withheld,
        job.operator,
    )
    return noise_share(measured, done.noise.size[2])


def withheld_pieces(shape: tuple[int, int], seed: int, first_channel: int) -> NDArray[np.bool_]:
    """Samples to withhold, shape (channel, time): one piece in every stretch of a channel.

    Which ones depends on the seed and the channel of the line alone.
    """
    channels, samples = shape
    count = max(1, round(_WITHHELD * samples / _PIECE))
    stretch = samples / count
    withheld = np.zeros(shape, np.bool_)
    for channel in range(channels):
        random = np.random.default_rng([seed, first_channel + channel, _PIECE])
        spare = max(stretch - _PIECE, 1.0)
        starts = np.arange(count) * stretch + random.uniform(0, spare, count)
        for start in starts.astype(int):
            withheld[channel, start : start + _PIECE] = True
    return withheld


def wrong_part(
    noise: NoiseFloor,
    estimate: Array,
    error: Array,
    withheld: Array,
    operator: BlendingOperator,
) -> WrongPart:
    """What withheld samples say of an estimate, shape (range, time place, octave).

    Parameters
    ----------
    estimate : array of float32, shape (shot, channel, time)
        Made without the samples; in slot order, source after source.
    error : array of float32, shape (channel, time)
        Record less prediction at withheld samples; zero elsewhere.
    withheld : array of bool, shape (channel, time)
        Which they are.
    """

    def by_source(gathers: Array) -> Array:
        return gathers.reshape(noise.shape)

    taken, errors, counted = (
        by_source(gathers)
        for gathers in (
            estimate,
            operator.pseudo_deblend(error),
            operator.pseudo_deblend(withheld.astype(error.dtype)),
        )
    )
    slots, channels, _ = noise.places

    def of_place(place: tuple[int, int]) -> Array:
        slot, channel = place
        here = range(channel, channel + 1)
        return _of_place(
            noise.spectra(taken, slot, here)[0],
            noise.spectra(errors, slot, here)[0],
            noise.means(counted, slot, channel),
            noise.met[place],
            operator.xp,
        )

    sums = on_threads(of_place, product(range(slots), range(channels)), operator.xp)
    return WrongPart(*_by_octave(sum(to_host(place) for place in sums), noise.size[2]))


def _of_place(taken: Array, errors: Array, withheld: Array, level: Array, xp: ModuleType) -> Array:
    """Sums of one place, shape (quantity, range, time place, frequency)."""
    power = taken.real**2 + taken.imag**2
    energy = xp.mean(errors.real**2 + errors.imag**2, axis=1, keepdims=True)
    seen = energy > 0
    energy = xp.where(seen, energy, 1)
    # A place with hardly any withheld samples says little, and divides by next to nothing.
    usable = seen & (withheld[:, None, None] > _LEAST_PART * _WITHHELD) & (level > 0)[:, None, :]
    wrong = -(errors.real * taken.real + errors.imag * taken.imag) / energy
    each = xp.stack([wrong, power * withheld[:, None, None] / energy, power / (2 * energy)])
    ratio = xp.sqrt(power) / xp.maximum(level, _LEAST)[:, None, :]
    ranges = [
        xp.sum(xp.where(usable & (ratio >= low) & (ratio < high), each, 0), axis=2)
        for low, high in _RANGES
    ]
    return xp.stack(ranges, axis=1).astype(np.float64)


def _by_octave(sums: Floats, size: int) -> Floats:
    """Frequencies of a window put together by octaves, the mean alone, shape (..., octave)."""
    octave = octaves_of(size)
    pairs = np.where(np.arange(len(octave)) == 0, 1.0, 2.0)  # of both signs of frequency
    return np.stack(
        [(sums * pairs)[..., octave == k].sum(axis=-1) for k in range(octave[-1] + 1)], axis=-1
    )


def octaves_of(size: int) -> NDArray[np.int64]:
    """Octave of each frequency of a window of some samples: 0 for its mean, 1 for the first."""
    frequency = np.arange(size // 2 + 1)
    return np.where(frequency > 0, 1 + np.log2(np.maximum(frequency, 1)).astype(int), 0)


def noise_share(measured: WrongPart, size: int) -> NDArray[np.float32]:
    """Share of the noise for what was wrong, shape (time place, frequency)."""
    shown = np.max([_surely_wrong(measured, k) for k in range(len(_RANGES))], axis=0)
    # The mean of a window holds periods longer than a piece: what is beside it predicts noise, too.
    shown[:, 0] = np.maximum(shown[:, 0], shown[:, 1])
    rise = np.clip((shown - _NO_NOISE) / (_ALL_NOISE - _NO_NOISE), 0, 1)
    share = LEAST_SHARE + (1 - LEAST_SHARE) * rise
    return np.asarray(share[:, octaves_of(size)], np.float32)


def _surely_wrong(measured: WrongPart, number: int) -> Floats:
    """Wrong part of one range less its margin of error, shape (time place, octave).

    Cells of few coefficients scatter: they are drawn towards their octave, and that towards the
    line, by how certain each is.
    """
    cells = WrongPart(*(x[number] for x in (measured.wrong, measured.taken, measured.variance)))
    line = _summed(cells, (0, 1))
    octaves = _drawn(_summed(cells, (0,)), line.part, line.part_variance)
    part, variance = _drawn(_over_times(cells), *octaves)
    return np.asarray(part - _MARGIN * np.sqrt(variance))


def _drawn(cells: WrongPart, part: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Mean of what cells show and of what is expected of them, and its variance."""
    expected = variance + _SPREAD**2
    certain = 1 / (1 / cells.part_variance + 1 / expected)
    return certain * (cells.part / cells.part_variance + part / expected), certain


def _summed(cells: WrongPart, axes: tuple[int, ...]) -> WrongPart:
    return WrongPart(*(x.sum(axis=axes) for x in (cells.wrong, cells.taken, cells.variance)))


def _over_times(cells: WrongPart) -> WrongPart:
    """Each time place with those around it."""
    count = len(cells.wrong)
    half = max(3, int(_TIMES * count)) // 2
    near = abs(np.arange(count)[:, None] - np.arange(count)) <= half
    return WrongPart(*(near @ x for x in (cells.wrong, cells.taken, cells.variance)))
