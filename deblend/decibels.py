"""Ratios in decibels: of energies, unless a name says amplitude."""

from __future__ import annotations

from typing import Final

import numpy as np

NOTHING_DB: Final = -120.0
"""Stands for nothing at all, and for less than single precision shows."""


def decibels(part: float, whole: float) -> float:
    """10 log10 of a ratio of energies; NaN where `whole` is zero, -inf where only `part` is."""
    if not whole > 0:
        return float("nan")
    with np.errstate(divide="ignore"):
        return float(10.0 * np.log10(part / whole))


def floored_decibels(ratio: float) -> float:
    """10 log10 of a ratio of energies, `NOTHING_DB` at least."""
    return float(10.0 * np.log10(max(float(ratio), 10.0 ** (NOTHING_DB / 10.0))))


def positive_decibels(part: float, whole: float) -> float:
    """As `decibels`, and NaN as well where `part` is not positive, as measured signal may be."""
    return decibels(part, whole) if part > 0 else float("nan")


def amplitude_decibels(ratio: float) -> float:
    """20 log10 of a ratio of amplitudes, above zero."""
    return float(20.0 * np.log10(ratio))
