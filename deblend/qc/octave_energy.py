"""Spectra in, out and removed: energy of every octave, per shot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfftfreq

from deblend.decibels import decibels
from deblend.model.findings import Finding
from deblend.qc.bands import band_weights, octave_bands
from deblend.qc.measure_setup import MeasureSetup
from deblend.qc.sums import Sums


@dataclass(frozen=True, eq=False)
class OctaveEnergy(Sums):
    """Energies of whole traces; add them over blocks of channels."""

    before: NDArray[np.float64]
    kept: NDArray[np.float64]
    removed: NDArray[np.float64]
    """(shot, band): Of pseudo-deblended gathers, of estimates, and of their difference."""


def octave_energy(
    kept: NDArray[np.complex64], removed: NDArray[np.complex64], padded: int, interval_s: float
) -> OctaveEnergy:
    """Energies in the octaves of `octave_bands`.

    Transforms of estimates and of what was removed have shape (shot, channel, frequency), and add
    up to pseudo-deblended gathers.
    """
    frequency = rfftfreq(padded, interval_s)
    twice = np.where((frequency == 0) | (2 * frequency * interval_s > 1 - 1e-9), 1.0, 2.0) / padded
    weight = (band_weights(frequency, octave_bands(interval_s)) ** 2 * twice).T
    own, other, product = (
        np.einsum("scf,scf->sf", a.real, b.real) + np.einsum("scf,scf->sf", a.imag, b.imag)
        for a, b in ((kept, kept), (removed, removed), (kept, removed))
    )
    return OctaveEnergy((own + other + 2.0 * product) @ weight, own @ weight, other @ weight)


def octave_rows(setup: MeasureSetup, energy: OctaveEnergy) -> Iterator[Finding]:
    """Rows ``octave_kept`` and ``octave_removed`` of each source, relative to pseudo-deblended."""
    for source in setup.sources:
        chosen = setup.counted & (setup.shots.source == source)
        for band, band_hz in enumerate(octave_bands(setup.interval_s)):
            whole = energy.before[chosen, band].sum()
            for name in ("kept", "removed"):
                value = decibels(getattr(energy, name)[chosen, band].sum(), whole)
                if np.isfinite(value):
                    yield Finding(
                        f"octave_{name}",
                        value,
                        "dB",
                        "note",
                        f"Energy {name} in the octave, relative to pseudo-deblended.",
                        source=source,
                        band_hz=band_hz,
                    )
