"""Thresholds of complex coefficients, as arrays; `patch_kernels` does the same compiled.

All take coefficients of shape (patch, source, wavenumber, frequency) and one threshold for each
patch and frequency.
"""

from __future__ import annotations

from types import ModuleType

from deblend.arrays import Array
from deblend.separation.transforms.rotation import rotate, rotate_back, source_covariance


def hard_threshold(spectrum: Array, threshold: Array, xp: ModuleType) -> Array:
    """Coefficients whose magnitude is at least the threshold; the others become zero.

    Parameters
    ----------
    spectrum : array of complex, shape (patch, source, wavenumber, frequency)
        Left alone.
    threshold : array of float, shape (patch, frequency)
        Not negative, in the units of the coefficients.
    xp : module
        Array namespace.

    Returns
    -------
    array
        Shape and type of `spectrum`.
    """
    above = _power(spectrum) >= (threshold**2)[:, None, None, :]
    return xp.where(above, spectrum, spectrum.dtype.type(0))


def joint_threshold(spectrum: Array, threshold: Array, xp: ModuleType) -> Array:
    """Hard threshold along the eigenvectors between sources where that keeps fewer coefficients.

    In each patch and frequency the sources are rotated onto the eigenvectors of their covariance.
    Whichever of rotated and plain coefficients has fewer at or above the threshold is used, so
    that sources which have nothing in common lose nothing. Parameters and result as of
    `hard_threshold`.
    """
    _, vectors = xp.linalg.eigh(source_covariance(spectrum, xp))
    rotated = rotate(spectrum, vectors, xp)
    least = (threshold**2)[:, None, None, :]
    above, above_rotated = _power(spectrum) >= least, _power(rotated) >= least
    fewer = above_rotated.sum(axis=(1, 2)) < above.sum(axis=(1, 2))
    none = spectrum.dtype.type(0)
    back = rotate_back(xp.where(above_rotated, rotated, none), vectors, xp)
    kept = xp.where(fewer[:, None, None, :], back, xp.where(above, spectrum, none))
    return kept.astype(spectrum.dtype)


def largest_magnitude(spectrum: Array, xp: ModuleType) -> float:
    """Largest magnitude of any coefficient."""
    return float(xp.sqrt(xp.max(_power(spectrum))))


def _power(spectrum: Array) -> Array:
    return spectrum.real**2 + spectrum.imag**2
