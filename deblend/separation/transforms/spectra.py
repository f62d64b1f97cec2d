"""Filters of the spectra of patches, without work on patches in which nothing is kept."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import numpy as np

from deblend.arrays import Array, irfftn, is_host, rfftn

AXES = (2, 3, 4)
"""Shot, channel and time of a batch."""


def filter_spectra(
    amplitude: Array, threshold: Array, keep: Callable[[Array, Array], Array], xp: ModuleType
) -> Array:
    """Transform patches, filter their coefficients, and transform them back.

    Parameters
    ----------
    amplitude : array of float, shape (patch, source, shot, channel, time)
        Patches.
    threshold : array of float, shape (patch, frequency)
        No coefficient below it is kept.
    keep : callable
        ``keep(spectrum, threshold)`` gives what is kept of coefficients of shape (patch, source,
        wavenumber, frequency), which it may overwrite.
    xp : module
        Array namespace.

    Returns
    -------
    array
        Shape of `amplitude`.

    Notes
    -----
    On the host, patches too weak for any coefficient to reach the threshold are not transformed,
    and those of which nothing was kept are not transformed back. By Cauchy and Schwarz no
    coefficient is larger than the root of the number of samples times their sum of squares.
    """
    if not is_host(xp):
        return _back(_kept(amplitude, threshold, keep, xp), amplitude.shape, xp)
    from deblend.separation.transforms.kernels import any_filled, may_reach

    out = np.zeros_like(amplitude)
    rows = np.flatnonzero(may_reach(_flat(amplitude, 2), threshold.min(axis=1)))
    if not len(rows):
        return out
    everything = len(rows) == len(amplitude)
    kept = _kept(
        amplitude if everything else amplitude[rows],
        threshold if everything else threshold[rows],
        keep,
        xp,
    )
    filled = any_filled(_flat(kept, 1))
    if everything and filled.all():
        return _back(kept, amplitude.shape, xp)
    if filled.any():
        out[rows[filled]] = _back(kept[filled], amplitude.shape, xp)
    return out


def _kept(
    amplitude: Array, threshold: Array, keep: Callable[[Array, Array], Array], xp: ModuleType
) -> Array:
    spectrum = rfftn(xp, amplitude, AXES)
    wavenumbers = spectrum.reshape(*spectrum.shape[:2], -1, spectrum.shape[-1])
    return keep(wavenumbers, threshold).reshape(spectrum.shape)


def _back(kept: Array, shape: tuple[int, ...], xp: ModuleType) -> Array:
    return irfftn(xp, kept, shape[2:], AXES)


def _flat(values: Array, axes: int) -> Array:
    """All but the first axes made one, in one piece."""
    return np.ascontiguousarray(values).reshape(*values.shape[:axes], -1)
