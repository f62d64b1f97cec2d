"""Signal that a separation lost, found by its likeness to what it kept.

The estimate is too small where the coherence filter lost part of an event. What was lost is still
in the unexplained part of the record, and there it looks, place by place, like a small multiple of
the estimate. Local orthogonalisation finds that multiple and adds it to the estimate.
"""

from __future__ import annotations

from types import ModuleType
from typing import Final

import numpy as np

from deblend.arrays import Array, by_rows
from deblend.blending.operator import BlendingOperator

SMOOTHING_SHOTS: Final = 9
"""Shots over which the likeness is averaged: half the foot of a triangle."""
SMOOTHING_S: Final = 0.1
"""Half the foot of that triangle along time, in seconds."""
CHANCE_FACTOR: Final = 3.0
"""Likeness below this many standard deviations of chance is none."""
LARGEST_WEIGHT: Final = 1.0
"""More than the estimate itself is not leakage of it."""


def leakage_weights(
    signal: Array,
    removed: Array,
    xp: ModuleType,
    *,
    shots: int = SMOOTHING_SHOTS,
    samples: int,
) -> Array:
    r"""Part of the signal that is also in what was removed, place by place.

    .. math:: w = \frac{\langle s n \rangle}{\langle s^2 \rangle}

    with triangular averages over shots and time [1]_; its magnitude is a map of leakage. What is
    left of :math:`n` after :math:`w s` has been taken from it is locally orthogonal to the signal.
    A ratio of averages takes the place of the regularised division of the reference.

    Signal and removed part that have nothing to do with each other are alike by chance; the
    standard deviation of that is estimated from the products of signal and what is left, and from
    how long each stays like itself along time. Weights are shrunk by it, so that clean results
    stay as they are.

    Parameters
    ----------
    signal, removed : array of float32, shape (source, shot, channel, time)
        Estimate, and what was taken away from the same gathers.
    shots, samples : int
        Half the foot of the triangle along shots and along time.

    Notes
    -----
    Fails where the signal that was lost does not look like what was kept in the same place: an
    event that is missing altogether does not come back, and of two crossing ones the stronger
    speaks for both. Interference that is unexplained and happens to line up with the signal is
    taken for it.

    References
    ----------
    .. [1] Y. Chen and S. Fomel, 2015, Random noise attenuation using local
       signal-and-noise orthogonalization, Geophysics 80(6), WD1-WD9.
    """
    power = _averaged(signal**2, shots, samples, xp)
    product = _averaged(signal * removed, shots, samples, xp)
    least = 1e-6 * xp.max(power, axis=(1, 2, 3), keepdims=True)
    power = xp.maximum(power, xp.maximum(least, 1e-30))
    weight = product / power
    # What is alike by more than chance must not count as scatter.
    rest = removed - weight * signal
    spread = _averaged((signal * rest) ** 2, shots, samples, xp)
    independent = _triangle_energy(shots) * _triangle_energy(samples)
    chance = spread * (independent * _alike_samples(signal, rest, xp)) / power**2
    shrunk = 1 - CHANCE_FACTOR**2 * chance / xp.maximum(weight**2, 1e-30)
    weight = xp.clip(weight * xp.maximum(shrunk, 0), -LARGEST_WEIGHT, LARGEST_WEIGHT)
    return weight.astype(signal.dtype)


def return_leakage(
    estimate: Array,
    residual: Array,
    operator: BlendingOperator,
    source_count: int,
    interval_s: float,
) -> Array:
    """Estimate, shape (shot, channel, time), with what leaked from it put back.

    What was removed from a gather is the interference, as far as it is explained, and the
    unexplained rest. Signal can only be in the rest, so that the interference is left out of
    account: it would make likeness by chance many times larger.
    """
    xp = operator.xp
    form = (source_count, -1, *estimate.shape[1:])
    signal = estimate.reshape(form)
    removed = operator.pseudo_deblend(residual).reshape(form)
    samples = max(1, round(SMOOTHING_S / interval_s))
    repaired = xp.empty_like(signal)

    def part(channels: slice) -> None:
        # Each by itself: it takes some thirty arrays of its gathers, and blocks must not matter.
        own, rest = (xp.moveaxis(x[:, :, channels], 2, 1) for x in (signal, removed))
        flat = (-1, own.shape[2], 1, own.shape[3])
        weight = leakage_weights(own.reshape(flat), rest.reshape(flat), xp, samples=samples)
        repaired[:, :, channels] = xp.moveaxis(own + weight.reshape(own.shape) * own, 1, 2)

    by_rows(part, signal.shape[2], xp)
    return repaired.reshape(estimate.shape)


def _averaged(values: Array, shots: int, samples: int, xp: ModuleType) -> Array:
    """Triangular average along shots and time; beyond the ends there is nothing."""
    for axis, half in ((1, shots), (3, samples)):
        for _ in range(2):
            values = _running_mean(values, min(half, values.shape[axis]), axis, xp)
    return values


def _running_mean(values: Array, length: int, axis: int, xp: ModuleType) -> Array:
    """Sum over `length` samples about each one, divided by `length`."""
    if length <= 1:
        return values
    last = xp.moveaxis(values, axis, -1)
    before = length // 2
    ends = [(0, 0)] * (last.ndim - 1)
    total = xp.cumsum(
        xp.pad(last, [*ends, (before + 1, length - 1 - before)]), axis=-1, dtype=np.float64
    )
    mean = (total[..., length:] - total[..., :-length]) / length
    return xp.moveaxis(mean, -1, axis)


def _triangle_energy(half: int) -> float:
    """Sum of the squared weights of a triangular average: one over the values that it averages."""
    triangle = np.convolve(np.ones(half), np.ones(half)) / half**2
    return float(np.sum(triangle**2))


def _alike_samples(signal: Array, removed: Array, xp: ModuleType) -> Array:
    """Neighbouring samples that repeat each other in the product of two random traces.

    The sum over lags of the product of both autocorrelations, shape (source, 1, 1, 1).
    """
    length = 2 * signal.shape[3]
    powers = []
    for values in (signal, removed):
        power = xp.mean(xp.abs(xp.fft.rfft(values, length, axis=3)) ** 2, axis=(1, 2))
        powers.append(power / xp.maximum(xp.mean(power, axis=1, keepdims=True), 1e-30))
    return xp.maximum(xp.mean(powers[0] * powers[1], axis=1), 1.0)[:, None, None, None]
