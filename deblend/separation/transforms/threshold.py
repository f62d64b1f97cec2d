"""Thresholds of complex coefficients: compiled on the host, array form elsewhere.

The array form of each is what the compiled one is tested against.
"""

from __future__ import annotations

from functools import cache
from types import ModuleType
from typing import Any

from deblend.arrays import Array, is_host


def hard_threshold(spectrum: Array, threshold: float, xp: ModuleType) -> Array:
    """Coefficients whose magnitude is at least `threshold`; the others become zero.

    Parameters
    ----------
    spectrum : array of complex64 or complex128
        Any shape; may be overwritten.
    threshold : float
        Not negative, in the units of the coefficients.
    xp : module
        Array namespace.

    Returns
    -------
    array
        Shape and type of `spectrum`.
    """
    if is_host(xp):
        _compiled_hard()(spectrum.reshape(-1), spectrum.real.dtype.type(threshold**2))
        return spectrum
    return hard_threshold_array(spectrum, threshold, xp)


def hard_threshold_array(spectrum: Array, threshold: float, xp: ModuleType) -> Array:
    """Array form of `hard_threshold`; leaves its input alone."""
    power = spectrum.real**2 + spectrum.imag**2
    return xp.where(power >= power.dtype.type(threshold**2), spectrum, spectrum.dtype.type(0))


def largest_magnitude(spectrum: Array, xp: ModuleType) -> float:
    """Largest magnitude of any coefficient."""
    return float(xp.sqrt(xp.max(spectrum.real**2 + spectrum.imag**2)))


@cache
def _compiled_hard() -> Any:
    """Compile on first use: importing numba alone takes half a second."""
    from deblend.separation.transforms.kernels import hard_threshold_in_place

    return hard_threshold_in_place
