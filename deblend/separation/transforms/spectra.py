"""Filters of the spectra of patches, without work on what cannot be kept."""

from __future__ import annotations

from functools import lru_cache
from types import ModuleType

import numpy as np

from deblend.arrays import Array, irfftn, irfftn_on_card, is_host, rfftn
from deblend.card import THREADS, kernel, launch, on_card
from deblend.separation.transforms.threshold import (
    LEAST_AMPLITUDE,
    firm_threshold,
    joint_threshold,
)

AXES = (2, 3, 4)
"""Shot, channel and time of a batch."""
MOST_SOURCES_ON_CARD = 6
"""More do not fit into the memory that threads of a card share."""


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
    if on_card(xp) and fits_card(amplitude.shape):
        return _filter_on_card(amplitude, threshold, xp, jointly=jointly)
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


def fits_card(shape: tuple[int, ...]) -> bool:
    """Whether the kernel of a card, which shares frequencies between threads, takes such patches.

    `shape` is (patch, source, shot, channel, time).
    """
    return shape[1] <= MOST_SOURCES_ON_CARD and shape[4] // 2 + 1 <= THREADS


def _filter_on_card(amplitude: Array, threshold: Array, xp: ModuleType, *, jointly: bool) -> Array:
    spectrum = rfftn(xp, amplitude, AXES)
    apply_threshold(spectrum, threshold, 1 / np.prod(amplitude.shape[2:]), jointly=jointly)
    return irfftn_on_card(spectrum, amplitude.shape[2:], AXES)


def apply_threshold(spectrum: Array, threshold: Array, scale: float, *, jointly: bool) -> None:
    """Threshold coefficients on a card, in place, and multiply what is kept.

    Parameters
    ----------
    spectrum : array of complex64, shape (patch, source, shot, channel, frequency)
        C-contiguous.
    threshold : array of float, shape (patch, frequency)
        As of `filter_patches`.
    """
    patches, sources, shots, channels, frequencies = spectrum.shape
    function = kernel(
        "separation/transforms/threshold.cu",
        "threshold",
        SOURCES=sources,
        WAVENUMBERS=shots * channels,
        FREQUENCIES=frequencies,
        JOINTLY=int(jointly and sources > 1),
    )
    launch(function, (patches,), (spectrum, threshold.astype(np.float32), np.float32(scale)))


@lru_cache(maxsize=64)
def _steps(lengths: tuple[int, ...]) -> tuple[tuple[Array, ...], Array]:
    """Factors of the transforms along three axes, and their weights there and back."""
    from deblend.vector_transforms.columns import steps_of

    there, back = ([steps_of(length, sign) for length in lengths] for sign in (1, -1))
    weights = np.concatenate([weights for _, weights in (*there, *back)])
    return tuple(factors for factors, _ in there), weights
