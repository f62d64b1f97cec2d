"""The joint threshold against explicit matrices, and the compiled filter against its array form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deblend.separation.contract import PatchBatch
from deblend.separation.methods.fk import FkThreshold
from deblend.separation.methods.joint import JointThreshold
from deblend.separation.transforms.spectra import filter_patches, filter_patches_array
from deblend.separation.transforms.threshold import (
    joint_threshold,
    rotate,
    rotate_back,
    source_covariance,
)


def spectrum_of(shape: tuple[int, ...], seed: int, alike: float = 1.0) -> np.ndarray:
    """Coefficients (patch, source, wavenumber, frequency): a common part and one of their own."""
    rng = np.random.default_rng(seed)

    def normal(size: tuple[int, ...]) -> np.ndarray:
        return rng.standard_normal(size) + 1j * rng.standard_normal(size)

    patches, sources, wavenumbers, frequencies = shape
    common = normal((patches, 1, wavenumbers, frequencies)) ** 3
    weight = normal((patches, sources, 1, frequencies))
    return alike * common * weight + normal(shape)


def explicit(spectrum: np.ndarray, threshold: np.ndarray) -> tuple[np.ndarray, list[int]]:
    """The definition, one S x S matrix at a time, and where plain, mixed and rotated were used."""
    out = np.zeros_like(spectrum)
    used = [0, 0, 0]
    for p, f in np.ndindex(spectrum.shape[0], spectrum.shape[3]):
        coefficients = spectrum[p, :, :, f]
        _, vectors = np.linalg.eigh(coefficients @ coefficients.conj().T)
        rotated = vectors.conj().T @ coefficients
        part, along = (
            np.interp(np.abs(some) ** 2, np.array([0.5, 1.5]) * threshold[p, f] ** 2, [0, 1])
            for some in (coefficients, rotated)
        )
        apart = (part.sum() - along.sum()) / (part.sum() + along.sum())
        share = np.interp(apart, [-0.1, 0.1], [0, 1])
        out[p, :, :, f] = share * (vectors @ (along * rotated)) + (1 - share) * part * coefficients
        used[int(np.ceil(share) + np.floor(share))] += 1
    return out, used


def test_equals_an_explicit_rotation() -> None:
    # Reference: numpy.linalg.eigh of each matrix by itself.
    spectrum = spectrum_of((3, 4, 25, 6), seed=2, alike=0.3)
    threshold = np.abs(spectrum).max(axis=(1, 2)) * np.linspace(0.05, 0.7, 3)[:, None]
    expected, used = explicit(spectrum, threshold)
    assert min(used) > 0
    found = joint_threshold(spectrum, threshold, np)
    np.testing.assert_allclose(found, expected, atol=1e-4 * np.abs(spectrum).max())


SHAPES = st.tuples(st.integers(1, 3), st.integers(1, 6), st.integers(1, 40), st.integers(1, 5))


PATCHES = st.tuples(
    st.integers(1, 19), st.integers(1, 5), st.integers(1, 9), st.integers(1, 5), st.integers(1, 28)
)


@settings(derandomize=True, max_examples=80, deadline=None)
@given(PATCHES, st.integers(0, 1000), st.floats(0.0, 3.0), st.floats(0.0, 1.1), st.booleans())
def test_compiled_filter_equals_its_array_form(
    shape: tuple[int, ...], seed: int, alike: float, part: float, jointly: bool
) -> None:
    # Patches of any size and number, some of them too weak for the threshold.
    rng = np.random.default_rng(seed)
    common = alike * rng.standard_normal((shape[0], 1, *shape[2:])) ** 3
    amplitude = common + rng.standard_normal(shape)
    amplitude *= rng.choice([0.01, 1.0], (shape[0], 1, 1, 1, 1))
    largest = np.abs(np.fft.rfftn(amplitude, axes=(2, 3, 4))).max()
    threshold = part * largest * rng.uniform(0.5, 1.5, (shape[0], shape[4] // 2 + 1))
    expected = filter_patches_array(amplitude, threshold, np, jointly=jointly)
    single = amplitude.astype(np.float32), threshold.astype(np.float32)
    found = filter_patches(*single, np, jointly=jointly)
    assert found.dtype == np.float32
    np.testing.assert_allclose(found, expected, atol=2e-6 * np.abs(amplitude).max())


@settings(derandomize=True, max_examples=15, deadline=None)
@given(SHAPES, st.integers(0, 1000))
def test_rotation_is_unitary_and_sorts_energy(shape: tuple[int, int, int, int], seed: int) -> None:
    spectrum = spectrum_of(shape, seed)
    value, vectors = np.linalg.eigh(source_covariance(spectrum, np))
    rotated = rotate(spectrum, vectors, np)
    np.testing.assert_allclose(rotate_back(rotated, vectors, np), spectrum, atol=1e-9)
    energy = np.moveaxis(np.sum(np.abs(rotated) ** 2, axis=2), 1, 2)
    np.testing.assert_allclose(energy, value, atol=1e-8 * value.max())


def batch_of(amplitude: np.ndarray) -> PatchBatch:
    noise = np.zeros((amplitude.shape[0], amplitude.shape[4] // 2 + 1), np.float32)
    return PatchBatch(amplitude, np.ones(amplitude.shape[:4], bool), noise, 0.004, np)


SHAPE = (16, 8, 32)


def plane_wave(waves: tuple[int, int, int]) -> np.ndarray:
    """Whole numbers of periods along shots, channels and time."""
    axes = np.meshgrid(*(np.arange(n) / n for n in SHAPE), indexing="ij")
    phase = 2 * np.pi * sum(k * axis for k, axis in zip(waves, axes, strict=True))
    return np.cos(phase).astype(np.float32)


@pytest.mark.parametrize(
    ("method", "parts"),
    [
        (FkThreshold(patch=SHAPE), {0.66: 1, 0.8: 0.75, 1: 0.5, 1.25: 0.3, 1.99: 0.0025, 2.01: 0}),
        # Three equal sources are one coefficient of three times the power. It is used where it is
        # less than three parts: at 1.2, where each is a third, it is one half of the mixture.
        (JointThreshold(patch=SHAPE), {1: 1, 1.2: 0.6667, 1.4: 0.2143, 1.99: 0.0025, 2.01: 0}),
    ],
)
def test_a_plane_wave_is_one_coefficient(
    method: FkThreshold | JointThreshold, parts: dict[float, float]
) -> None:
    # The transform of cos(2 pi k n / N) is N / 2 at k and -k, and zero elsewhere. Power of the
    # threshold over that of the wave, and the part of it that is kept.
    wave = np.broadcast_to(plane_wave((3, 2, 5)), (1, 3, *SHAPE)).astype(np.float32)
    batch = batch_of(wave)
    reference = method.largest(batch)
    assert reference == pytest.approx(np.prod(SHAPE) / 2, rel=1e-4)
    for power, part in parts.items():
        kept = method.keep(batch, power**0.5, reference)
        np.testing.assert_allclose(kept, part * wave, atol=1e-3)


def test_an_event_of_one_source_stays_with_it() -> None:
    common, own = plane_wave((3, 2, 5)), plane_wave((-4, 1, 9))
    amplitude = np.stack([common, common, common, common])[None].copy()
    amplitude[0, 2] += own
    kept = JointThreshold(patch=SHAPE).keep(batch_of(amplitude), 0.8, np.prod(SHAPE) / 2)
    np.testing.assert_allclose(kept, amplitude, atol=1e-3)


def test_what_all_sources_see_takes_up_less_noise() -> None:
    # Events of one frequency in four equal sources: along one eigenvector each takes up the noise
    # of one coefficient, not of four. It needs several events, or the eigenvector fits the noise.
    event = sum(plane_wave((i, j, 5)) for i in (-6, -3, 1, 4, 7) for j in (-2, 0, 3))
    common = np.broadcast_to(event, (1, 4, *SHAPE)).astype(np.float32)
    noise = np.random.default_rng(4).standard_normal(common.shape).astype(np.float32)
    batch, one = batch_of(common + 4 * noise), np.prod(SHAPE) / 2
    error = [
        np.sum((method.keep(batch, 0.6, one) - common) ** 2)
        for method in (JointThreshold(patch=SHAPE), FkThreshold(patch=SHAPE))
    ]
    assert error[0] < 0.5 * error[1]


def test_noise_raises_the_threshold() -> None:
    wave = np.broadcast_to(plane_wave((3, 2, 5)), (1, 2, *SHAPE)).astype(np.float32)
    one = np.prod(SHAPE) / 2
    for method in (FkThreshold(patch=SHAPE), JointThreshold(patch=SHAPE)):
        batch = batch_of(wave)
        loud = replace(batch, noise=np.full_like(batch.noise, 2 * one))
        assert np.abs(method.keep(batch, 0.1, one)).max() > 0.9
        assert np.abs(method.keep(loud, 0.1, one)).max() < 1e-4
