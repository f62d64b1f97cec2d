"""Octave energies against sine waves and scipy.signal."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from qc_line import small_setup
from scipy.fft import rfft
from scipy.signal import periodogram

from deblend.model.shots import make_shots
from deblend.qc.bands import band_weights, octave_bands
from deblend.qc.octave_energy import OctaveEnergy, octave_energy, octave_rows

INTERVAL_S = 0.004


def energies(before: NDArray[np.float32], kept: NDArray[np.float32]) -> OctaveEnergy:
    padded = before.shape[-1]
    return octave_energy(rfft(kept), rfft(before - kept), padded, INTERVAL_S)


def test_a_sine_lies_in_its_octave() -> None:
    time = np.arange(1000) * INTERVAL_S
    gathers = np.sin(2 * np.pi * 16.0 * time).astype(np.float32)[None, None]
    energy = energies(gathers, 0.5 * gathers)
    band = [low < 16 < high for low, high in octave_bands(INTERVAL_S)].index(True)
    assert energy.before[0, band] == pytest.approx(500.0, rel=1e-3)
    assert energy.kept[0, band] == pytest.approx(125.0, rel=1e-3)
    assert energy.removed[0, band] == pytest.approx(125.0, rel=1e-3)


def test_against_the_periodogram_of_scipy() -> None:
    gathers = np.random.default_rng(0).standard_normal((2, 3, 600)).astype(np.float32)
    energy = energies(gathers, gathers)
    frequency, density = periodogram(gathers, 1 / INTERVAL_S, detrend=False, axis=-1)
    weight = band_weights(frequency, octave_bands(INTERVAL_S)) ** 2
    expected = np.einsum("bf,scf->sb", weight, density) / INTERVAL_S * frequency[1] * INTERVAL_S
    np.testing.assert_allclose(energy.before, expected * 600, rtol=1e-4)
    np.testing.assert_allclose(energy.before.sum(axis=1), (gathers**2).sum((1, 2)), rtol=1e-4)
    assert not energy.removed.any()


def test_blocks_add_and_rows_are_relative() -> None:
    gathers = np.random.default_rng(1).standard_normal((4, 4, 300)).astype(np.float32)
    kept = np.float32(0.1) * gathers
    parts = [energies(gathers[:, s], kept[:, s]) for s in (slice(1), slice(1, 4))]
    shots = make_shots(np.array([1, 2, 1, 2]), np.arange(4), np.arange(4) * 10**9, "utc")
    counted = np.array([True, True, True, False])
    rows = list(octave_rows(small_setup(shots, [(0, 300)], counted), parts[0] + parts[1]))
    kept_rows = [row for row in rows if row.metric == "octave_kept"]
    assert len(kept_rows) == 2 * len(octave_bands(INTERVAL_S))
    assert all(row.value == pytest.approx(-20.0, abs=1e-3) for row in kept_rows)
