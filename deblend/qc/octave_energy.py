"""Spectra in, out and removed: energy of every octave, per shot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfftfreq

from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.qc.bands import band_weights, octave_bands
from deblend.qc.residual import decibels


@dataclass(frozen=True, eq=False)
class OctaveEnergy:
    """Energies of whole traces; add them over blocks of channels."""

    before: NDArray[np.float64]
    kept: NDArray[np.float64]
    removed: NDArray[np.float64]
    """(shot, band): Of pseudo-deblended gathers, of estimates, and of their difference."""

    def __add__(self, other: OctaveEnergy) -> OctaveEnergy:
        return OctaveEnergy(
            self.before + other.before, self.kept + other.kept, self.removed + other.removed
        )


def octave_energy(
    kept: NDArray[np.complex64], removed: NDArray[np.complex64], padded: int, interval_s: float
) -> OctaveEnergy:
    """Energies in the octaves of `octave_bands`.

    Parameters
    ----------
    kept, removed : ndarray of complex64, shape (shot, channel, frequency)
        Transforms of estimates and of what was removed, which add up to pseudo-deblended gathers.
    padded : int
        Length of the transforms.
    interval_s : float
        Sample interval in seconds.
    """
    frequency = rfftfreq(padded, interval_s)
    twice = np.where((frequency == 0) | (2 * frequency * interval_s > 1 - 1e-9), 1.0, 2.0) / padded
    weight = (band_weights(frequency, octave_bands(interval_s)) ** 2 * twice).T
    own, other, product = (
        np.einsum("scf,scf->sf", a.real, b.real) + np.einsum("scf,scf->sf", a.imag, b.imag)
        for a, b in ((kept, kept), (removed, removed), (kept, removed))
    )
    return OctaveEnergy((own + other + 2.0 * product) @ weight, own @ weight, other @ weight)


def octave_findings(
    energy: OctaveEnergy, shots: Shots, counted: NDArray[np.bool_], interval_s: float
) -> list[Finding]:
    """Rows ``octave_kept`` and ``octave_removed`` of each source, relative to pseudo-deblended."""
    rows = []
    for source in shots.sources:
        chosen = counted & (shots.source == source)
        for band, band_hz in enumerate(octave_bands(interval_s)):
            whole = energy.before[chosen, band].sum()
            for name, part in (("octave_kept", energy.kept), ("octave_removed", energy.removed)):
                value = decibels(part[chosen, band].sum(), whole)
                if np.isfinite(value):
                    rows.append(
                        Finding(
                            name,
                            value,
                            "dB",
                            "note",
                            f"Energy {name.removeprefix('octave_')} in the octave, relative to "
                            "pseudo-deblended.",
                            source=source,
                            band_hz=band_hz,
                        )
                    )
    return rows
