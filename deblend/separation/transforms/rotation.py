"""Rotation of sources onto what they have in common, frequency by frequency.

All functions take coefficients of shape (patch, source, wavenumber, frequency) and work on each
patch and frequency for itself.
"""

from __future__ import annotations

from types import ModuleType

from deblend.arrays import Array


def source_covariance(spectrum: Array, xp: ModuleType) -> Array:
    """Covariance between sources, summed over wavenumbers.

    Parameters
    ----------
    spectrum : array of complex, shape (patch, source, wavenumber, frequency)
        Coefficients.

    Returns
    -------
    array of complex, shape (patch, frequency, source, source)
        Hermitian.
    """
    by_frequency = xp.moveaxis(spectrum, 3, 1)
    return by_frequency @ xp.conj(xp.swapaxes(by_frequency, 2, 3))


def rotate(spectrum: Array, vectors: Array, xp: ModuleType) -> Array:
    """Coefficients along orthonormal `vectors`, shape (patch, frequency, source, vector)."""
    by_frequency = xp.moveaxis(spectrum, 3, 1)
    return xp.moveaxis(xp.conj(xp.swapaxes(vectors, 2, 3)) @ by_frequency, 1, 3)


def rotate_back(spectrum: Array, vectors: Array, xp: ModuleType) -> Array:
    """Inverse of `rotate`."""
    return xp.moveaxis(vectors @ xp.moveaxis(spectrum, 3, 1), 1, 3)
