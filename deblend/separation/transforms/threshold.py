"""Thresholds of complex coefficients, as arrays; `patch_kernels` does the same compiled.

A threshold is not a step but a ramp, as in firm shrinkage [1]_: a coefficient of half the power of
the threshold is dropped, one of one and a half times that is kept whole. With a step, one
coefficient that rounding tips from one side to the other tips others in the next iteration, and
results of the same data computed in another order differ as much as those of other data.

References
----------
.. [1] H.-Y. Gao and A. G. Bruce, 1997, WaveShrink with firm shrinkage, Statistica Sinica 7,
   855-874.
"""

from __future__ import annotations

from types import ModuleType
from typing import Final

from deblend.arrays import Array

DROPPED: Final = 0.5
"""Power over that of the threshold up to which nothing of a coefficient is kept.

All of it is kept from one more on."""
LEAST_AMPLITUDE: Final = DROPPED**0.5
"""`DROPPED` as amplitude over the threshold."""
STEEPNESS: Final = 5.0
"""Of the choice between rotated and plain: a mixture up to a tenth of what both keep apart."""
LEAST_POWER: Final = 1e-30
"""Of a threshold: silence is dropped at a threshold of zero, too."""


def kept_part(power: Array, threshold: Array, xp: ModuleType) -> Array:
    """Part, from 0 to 1, that is kept of coefficients, by their power; the arrays broadcast."""
    return xp.clip(power / xp.maximum(threshold**2, LEAST_POWER) - DROPPED, 0, 1)


def firm_threshold(spectrum: Array, threshold: Array, xp: ModuleType) -> Array:
    """Coefficients above the threshold, and part of those near it; the others become zero.

    Parameters
    ----------
    spectrum : array of complex, shape (patch, source, wavenumber, frequency)
        Left alone.
    threshold : array of float, shape (patch, frequency)
        Not negative, in the units of the coefficients: half of one of this magnitude is kept.
    """
    part = kept_part(_power(spectrum), threshold[:, None, None, :], xp)
    return (spectrum * part).astype(spectrum.dtype)


def joint_threshold(spectrum: Array, threshold: Array, xp: ModuleType) -> Array:
    """Threshold along the eigenvectors between sources where that keeps fewer coefficients.

    In each patch and frequency the sources are rotated onto the eigenvectors of their covariance.
    Whichever of rotated and plain coefficients keeps fewer, parts added up, is used, so that
    sources which have nothing in common lose nothing; a mixture where the two are much alike.
    Parameters and result as of `firm_threshold`.
    """
    _, vectors = xp.linalg.eigh(source_covariance(spectrum, xp))
    rotated, least = rotate(spectrum, vectors, xp), threshold[:, None, None, :]
    plain, turned = (kept_part(_power(some), least, xp) for some in (spectrum, rotated))
    count, count_turned = plain.sum(axis=(1, 2)), turned.sum(axis=(1, 2))
    apart = (count_turned - count) / (count_turned + count + LEAST_POWER)
    share = xp.clip(0.5 + STEEPNESS * apart, 0, 1)[:, None, None, :]
    back = rotate_back(rotated * turned, vectors, xp)
    return (spectrum * plain * share + back * (1 - share)).astype(spectrum.dtype)


def source_covariance(spectrum: Array, xp: ModuleType) -> Array:
    """Hermitian covariance between sources, (patch, frequency, source, source).

    Summed over wavenumbers of `spectrum`: (patch, source, wavenumber, frequency).
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


def largest_magnitude(spectrum: Array, xp: ModuleType) -> float:
    """Largest magnitude of any coefficient."""
    return float(xp.sqrt(xp.max(_power(spectrum))))


def _power(spectrum: Array) -> Array:
    return spectrum.real**2 + spectrum.imag**2
