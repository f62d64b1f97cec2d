"""The f-k threshold against a slow sum and against a plane wave."""

from __future__ import annotations

import numpy as np

from deblend.separation.contract import PatchBatch
from deblend.separation.methods.fk import FkThreshold
from deblend.separation.noise import NoiseFloor
from deblend.separation.patch_grid import patch_grid
from deblend.separation.patches import coherent_part


def batch_of(amplitude):
    quiet = np.zeros((len(amplitude), amplitude.shape[4] // 2 + 1), np.float32)
    return PatchBatch(amplitude, np.ones(amplitude.shape[:4], bool), quiet, 0.004, np)


def test_patch_equals_a_brute_force_transform():
    # Reference: the defining sum of the discrete Fourier transform, written out with numpy.
    patch = np.random.default_rng(0).standard_normal((6, 2, 8))
    size = patch.shape
    axes = [np.exp(-2j * np.pi * np.outer(np.arange(n), np.arange(n)) / n) for n in size]
    spectrum = np.einsum("ai,bj,ck,ijk->abc", *axes, patch)
    method = FkThreshold(patch=size)
    batch = batch_of(patch[None, None].astype(np.float32))
    reference = method.largest(batch)
    np.testing.assert_allclose(reference, np.abs(spectrum).max(), rtol=1e-5)
    power = np.abs(spectrum / (0.4 * reference)) ** 2
    kept = spectrum * np.interp(power, [0.5, 1.5], [0, 1])
    back = [np.conj(axis) / n for axis, n in zip(axes, size, strict=True)]
    expected = np.einsum("ai,bj,ck,abc->ijk", *back, kept).real
    np.testing.assert_allclose(method.keep(batch, 0.4, reference)[0, 0], expected, atol=1e-5)


def test_a_plane_wave_is_one_line_and_survives_where_noise_does_not():
    shot, time = np.meshgrid(np.arange(64), np.arange(128), indexing="ij")
    wave = np.cos(2 * np.pi * (shot / 16 + time / 8))[None, :, None].astype(np.float32)
    noise = np.random.default_rng(3).standard_normal(wave.shape).astype(np.float32)
    method = FkThreshold(patch=(16, 1, 32))
    live = np.ones(wave.shape[:3], bool)
    grid = patch_grid(wave.shape[1:], method, (0, 0, 0), seed=0, iteration=0)
    batch = batch_of(wave[:, :16, :, :32][None])
    reference = method.largest(batch)
    np.testing.assert_allclose(reference, 16 * 32 / 2, rtol=1e-3)
    unknown = NoiseFloor(method, wave.shape, np)
    kept = coherent_part(method, wave + noise, live, grid, unknown, 0.004, 0.25, reference, np)
    error = np.linalg.norm(kept - wave) / np.linalg.norm(wave)
    assert error < 0.35 < np.linalg.norm(noise) / np.linalg.norm(wave)


def test_the_threshold_stays_above_the_noise():
    patch = np.random.default_rng(2).standard_normal((1, 1, 16, 1, 32)).astype(np.float32)
    method = FkThreshold(patch=(16, 1, 32), noise_factor=2.0)
    batch = batch_of(patch)
    level = np.sqrt(16 * 32) * np.ones_like(batch.noise)
    noisy = PatchBatch(patch, batch.live, level, 0.004, np)
    assert method.keep(batch, 0.0, 1.0).any()
    # exp(-2) of complex normal coefficients have more than half the power of the threshold.
    left = np.abs(np.fft.rfftn(method.keep(noisy, 0.0, 1.0), axes=(2, 3, 4))) > 1e-3
    assert 0.08 < left.mean() < 0.2
