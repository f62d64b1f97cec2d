"""Medians over neighbouring shots along the local slope of events."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

_FRACTIONS = 32
"""Steps within a sample at which there is an interpolator."""
_TAPS = 8
"""Length of an interpolator; the kernels count on it."""
_STEP = 0.5
"""Slopes that are tried differ by this many samples at the end of the window."""


def balanced(gathers: NDArray[np.float32], samples: int) -> NDArray[np.float32]:
    """Gathers (..., time) over their local rms, no trace counting more than others."""
    power = uniform_filter1d(np.square(gathers), samples, axis=-1, mode="nearest")
    level = np.sqrt(np.maximum(power, 0))
    least = 1e-6 * level.max(axis=(-2, -1), keepdims=True, initial=0)
    return np.asarray(gathers / np.maximum(level, np.maximum(least, 1e-30)), np.float32)


def slopes_to_try(steepest: float, half_shots: int) -> NDArray[np.float32]:
    """Slopes in samples per shot from minus to plus `steepest`, dense enough for the window."""
    count = int(np.ceil(steepest * max(half_shots, 1) / _STEP))
    return np.asarray(np.linspace(-steepest, steepest, 2 * count + 1), np.float32)


def interpolators() -> NDArray[np.float32]:
    """Windowed sine cardinals for fractions from 0 to 1 of a sample, shape (fraction, tap)."""
    fraction = np.arange(_FRACTIONS + 1)[:, None] / _FRACTIONS
    distance = np.arange(_TAPS) - (_TAPS // 2 - 1) - fraction
    taps = np.sinc(distance) * np.cos(0.5 * np.pi * distance / (_TAPS // 2 + 0.5)) ** 2
    return np.asarray(taps / taps.sum(axis=1, keepdims=True), np.float32)


def local_slopes(
    gathers: NDArray[np.float32],
    live: NDArray[np.bool_],
    steepest: float,
    half_shots: int,
    half_samples: int,
) -> NDArray[np.float32]:
    """Slope of the most coherent event at every sample of gathers, in samples per shot.

    Parameters
    ----------
    gathers : ndarray of float32, shape (gather, shot, time)
    live : ndarray of bool, shape (gather, shot)
    steepest : float
        Largest slope that is tried, in samples per shot.
    half_shots, half_samples : int
        Shots and samples on either side over which semblance is summed.
    """
    from deblend.separation.transforms.median_kernels import semblance_slopes

    slopes = np.zeros_like(gathers)
    if steepest == 0:
        return slopes
    tried = slopes_to_try(steepest, half_shots)
    even = balanced(gathers, 4 * half_samples + 1)
    for gather, alive, out in zip(even, live, slopes, strict=True):
        semblance_slopes(gather, alive, tried, half_shots, half_samples, out)
    return slopes


def medians(
    gathers: NDArray[np.float32],
    live: NDArray[np.bool_],
    slopes: NDArray[np.float32],
    half_shots: int,
    half_samples: int = 0,
) -> NDArray[np.float32]:
    """Median, or vector median, over neighbouring shots along the slopes of `local_slopes`.

    Zero on traces that are not live. Vectors are made of `half_samples` on either side; without
    them it is the plain median.
    """
    from deblend.separation.transforms import median_kernels

    out = np.zeros_like(gathers)
    taps = interpolators()
    for gather, alive, slope, target in zip(gathers, live, slopes, out, strict=True):
        if half_samples:
            median_kernels.vector_medians_along(
                gather, alive, slope, taps, half_shots, half_samples, target
            )
        else:
            median_kernels.medians_along(gather, alive, slope, taps, half_shots, target)
    return out


def local_level(gathers: NDArray[np.float32], samples: int) -> NDArray[np.float32]:
    """Rms over so many samples about each sample, gathers of shape (..., time)."""
    power = uniform_filter1d(np.square(gathers), samples, axis=-1, mode="constant")
    return np.asarray(np.sqrt(np.maximum(power, 0)), np.float32)
