"""Patches that keep nothing are spared, and that changes nothing."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft

from deblend.separation.noise import _median_magnitude
from deblend.separation.transforms import patch_kernels
from deblend.separation.transforms.spectra import AXES, filter_patches


def patches_of_many_sizes():
    rng = np.random.default_rng(5)
    amplitude = rng.standard_normal((7, 2, 6, 3, 10)).astype(np.float32)
    return (
        amplitude * np.array([0, 1e-4, 0.03, 0.1, 0.3, 1, 0], np.float32)[:, None, None, None, None]
    )


def test_spared_patches_come_out_as_from_the_whole_transform():
    # Reference: scipy.fft on all patches.
    amplitude = patches_of_many_sizes()
    threshold = np.full((7, 6), 8.0, np.float32)
    spectrum = scipy.fft.rfftn(amplitude, axes=AXES)
    kept = spectrum * np.interp(np.abs(spectrum) ** 2, [0.5 * 8.0**2, 1.5 * 8.0**2], [0, 1])
    expected = scipy.fft.irfftn(kept, s=amplitude.shape[2:], axes=AXES)
    assert [bool(patch.any()) for patch in kept] == [False] * 4 + [True, True, False]
    found = filter_patches(amplitude, threshold, np, jointly=False)
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_patches_too_weak_are_not_transformed(monkeypatch):
    handed = []
    kernel = patch_kernels.filter_patches

    def watched(amplitude, rows, *rest):
        handed.append(rows.tolist())
        kernel(amplitude, rows, *rest)

    monkeypatch.setattr(patch_kernels, "filter_patches", watched)
    filter_patches(patches_of_many_sizes(), np.full((7, 6), 8.0, np.float32), np, jointly=False)
    # 180 samples of rms 0.03 give no coefficient above 0.03 * 180 = 5.4, which is below
    # 8 / sqrt(2) = 5.7, but 0.1 may give 18.
    assert handed == [[3, 4, 5]]


def test_at_a_threshold_of_zero_everything_but_silence_is_kept():
    amplitude = patches_of_many_sizes()
    found = filter_patches(amplitude, np.zeros((7, 6), np.float32), np, jointly=True)
    np.testing.assert_allclose(found, amplitude, atol=1e-6)


def test_compiled_median_equals_numpy():
    # Reference: numpy.median.
    rng = np.random.default_rng(0)
    spectrum = (rng.standard_normal((4, 900, 5)) + 1j * rng.standard_normal((4, 900, 5))).astype(
        np.complex64
    )
    expected = np.median(np.abs(spectrum[:, ::4]), axis=1)
    np.testing.assert_allclose(_median_magnitude(spectrum, np), expected, rtol=1e-5)


@pytest.mark.parametrize("jointly", [False, True])
def test_what_is_not_finite_is_not_spared(jointly):
    amplitude = patches_of_many_sizes()
    amplitude[2, 0, 0, 0, 0] = np.nan
    found = filter_patches(amplitude, np.full((7, 6), 8.0, np.float32), np, jointly=jointly)
    assert np.isnan(found[2]).any()
    assert np.isfinite(found[[0, 1, 3, 4, 5, 6]]).all()
