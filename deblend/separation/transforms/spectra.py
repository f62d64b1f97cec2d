"""Filters of the spectra of patches, without work on what cannot be kept."""

from __future__ import annotations

from functools import lru_cache
from types import ModuleType

import numpy as np

from deblend.arrays import Array, irfftn, is_host, rfftn
from deblend.separation.transforms.threshold import (
    LEAST_AMPLITUDE,
    firm_threshold,
    joint_threshold,
)

AXES = (2, 3, 4)
"""Shot, channel and time of a batch."""


def filter_patches(amplitude: Array, threshold: Array, xp: ModuleType, *, jointly: bool) -> Array:
    """Transform patches, keep their strong coefficients, and transform them back.

    Parameters
    ----------
    amplitude : array of float, shape (patch, source, shot, channel, time)
        Patches.
    threshold : array of float, shape (patch, frequency)
        Half of a coefficient of this magnitude is kept, see `threshold`.
    jointly : bool
        Whether the threshold is applied along what sources have in common where that keeps fewer
        coefficients (`joint_threshold`), or to each source for itself (`firm_threshold`).

    Notes
    -----
    On the host, patches too weak for any coefficient to come near the threshold are not
    transformed, frequencies not along shots and channels, and those of which nothing was kept not
    back. By Cauchy and Schwarz no coefficient is larger than the root of the number of samples
    times their sum of squares.
    """
    if not is_host(xp) or amplitude.dtype != np.float32:
        return filter_patches_array(amplitude, threshold, xp, jointly=jointly)
    from deblend.separation.transforms import kernels, patch_kernels

    patches = np.ascontiguousarray(amplitude)
    least = LEAST_AMPLITUDE * threshold.min(axis=1)
    reach = kernels.may_reach(patches.reshape(*patches.shape[:2], -1), least)
    rows = np.flatnonzero(reach)
    out = np.zeros_like(patches) if len(rows) < len(patches) else np.empty_like(patches)
    power = (threshold**2).astype(np.float32)
    patch_kernels.filter_patches(patches, rows, power, jointly, *_steps(patches.shape[2:]), out)
    return out


def filter_patches_array(
    amplitude: Array, threshold: Array, xp: ModuleType, *, jointly: bool
) -> Array:
    """Array form of `filter_patches`."""
    spectrum = rfftn(xp, amplitude, AXES)
    wavenumbers = spectrum.reshape(*spectrum.shape[:2], -1, spectrum.shape[-1])
    kept = (joint_threshold if jointly else firm_threshold)(wavenumbers, threshold, xp)
    return irfftn(xp, kept.reshape(spectrum.shape), amplitude.shape[2:], AXES)


@lru_cache(maxsize=64)
def _steps(lengths: tuple[int, ...]) -> tuple[tuple[Array, ...], Array]:
    """Factors of the transforms along three axes, and their weights there and back."""
    from deblend.vector_transforms.columns import steps_of

    there, back = ([steps_of(length, sign) for length in lengths] for sign in (1, -1))
    weights = np.concatenate([weights for _, weights in (*there, *back)])
    return tuple(factors for factors, _ in there), weights
