"""Kernels of a card against their array forms, run by the host (`emulator`) and by a card."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.arrays import to_host
from deblend.blending.operator import operator_at
from deblend.separation.block import Block, separate_block
from deblend.separation.methods.fk import FkThreshold
from deblend.separation.methods.joint import JointThreshold
from deblend.separation.noise import _median_magnitude
from deblend.separation.patch_grid import patch_grid
from deblend.separation.patches import coherent_part
from deblend.separation.settings import SeparationSettings
from deblend.separation.transforms.spectra import filter_patches, filter_patches_array
from tests.card.emulator import emulated_card, has_compiler, use


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    return tmp_path_factory.mktemp("kernels")


@pytest.fixture(
    params=[
        pytest.param("host", marks=pytest.mark.slow),
        pytest.param("card", marks=pytest.mark.gpu),
    ]
)
def card(request, monkeypatch, kept):
    """CuPy; or NumPy in its place, with kernels that the host runs."""
    if request.param == "card":
        return pytest.importorskip("cupy", reason="kernels of a card need CuPy and a CUDA device")
    if not has_compiler:
        pytest.skip("there is no g++ that compiles kernels")
    use(monkeypatch, kept)
    return emulated_card


@pytest.mark.parametrize("sources", [1, 2, 3])
@pytest.mark.parametrize("jointly", [False, True])
def test_thresholds(card, sources, jointly):
    rng = np.random.default_rng(sources)
    event = rng.standard_normal((4, 1, 6, 4, 12))
    noise = rng.standard_normal((4, sources, 6, 4, 12))
    noise[0] = 0
    patches = (event * rng.standard_normal((1, sources, 1, 1, 1)) + 0.5 * noise).astype("f4")
    threshold = rng.uniform(15, 60, (4, 7)).astype("f4")
    found = to_host(
        filter_patches(card.asarray(patches), card.asarray(threshold), card, jointly=jointly)
    )
    expected = filter_patches_array(patches, threshold, np, jointly=jointly)
    assert 0.05 < np.linalg.norm(expected) / np.linalg.norm(patches) < 0.97
    np.testing.assert_allclose(found, expected, atol=2e-5 * np.abs(expected).max())


@pytest.mark.parametrize("count", [1, 4, 97, 600])
def test_medians(card, count):
    rng = np.random.default_rng(count)
    spectrum = rng.standard_normal((3, count, 5)) + 1j * rng.standard_normal((3, count, 5))
    spectrum[1] = 0
    spectrum = spectrum.astype(np.complex64)
    found = to_host(_median_magnitude(card.asarray(spectrum), card))
    np.testing.assert_allclose(found, _median_magnitude(spectrum, np), rtol=1e-5)


def made_operator(xp, seed=0):
    rng = np.random.default_rng(seed)
    fire_s = np.concatenate([1.0 + 2.1 * np.arange(8) + rng.uniform(0, 0.6, 8) for _ in range(2)])
    live = np.ones(16, bool)
    live[3] = False
    fire_s[0] = -0.9  # begins before the record
    return operator_at(
        np.rint(fire_s * 1e9).astype(np.int64), live,
        start_ns=0, interval_ns=8_000_000, sample_count=2200, length=300, xp=xp,
    )  # fmt: skip


def test_blending_and_its_adjoint(card):
    rng = np.random.default_rng(1)
    record = rng.standard_normal((3, 2200)).astype("f4")
    gathers = rng.standard_normal((16, 3, 300)).astype("f4")
    host, other = made_operator(np), made_operator(card)
    for name, given in (("blend", gathers), ("pseudo_deblend", record), ("pseudo_inverse", record)):
        found, expected = (
            to_host(getattr(one, name)(one.xp.asarray(given))) for one in (other, host)
        )
        np.testing.assert_allclose(
            found, expected, atol=2e-5 * np.abs(expected).max(), err_msg=name
        )


@pytest.mark.parametrize("method", [FkThreshold((6, 1, 16)), JointThreshold((6, 5, 12))])
def test_patches(card, method):
    class Known:
        def __init__(self, xp):
            self.xp = xp

        def of_patches(self, slot, channel, time):
            shape = len(channel) * len(time), method.patch[2] // 2 + 1
            return self.xp.full(shape, 2.0, np.float32)

    data = np.random.default_rng(0).standard_normal((2, 15, 9, 50)).astype("f4")
    live = np.ones(data.shape[:3], bool)
    for iteration in range(3):
        grid = patch_grid(data.shape[1:], method, (0, 0, 0), seed=0, iteration=iteration)
        found, expected = (
            to_host(
                coherent_part(
                    method,
                    xp.asarray(data),
                    xp.asarray(live),
                    grid,
                    Known(xp),
                    0.004,
                    0.2,
                    50.0,
                    xp,
                )
            )
            for xp in (card, np)
        )
        assert 0.1 < np.linalg.norm(expected) / np.linalg.norm(data) < 0.9
        np.testing.assert_allclose(found, expected, atol=3e-5 * np.abs(expected).max())


def test_a_line(card):
    """Separated whole: floors, weights and the return of leakage included."""
    rng = np.random.default_rng(2)
    host, other = made_operator(np), made_operator(card)
    wavelet = np.exp(-((np.arange(300) - 120) ** 2) / 20) * np.cos(np.arange(300))
    gathers = np.broadcast_to(wavelet, (16, 4, 300)).astype("f4") * host.live[:, None, None]
    record = host.blend(gathers) + 0.02 * rng.standard_normal((4, 2200)).astype("f4")
    record[2, 500:520] = np.nan
    settings = SeparationSettings(iterations=8)
    method = JointThreshold((6, 4, 12))
    found, expected = (
        separate_block(
            operator.xp.asarray(record),
            operator,
            method,
            (0, 0, 0),
            block=Block(2, 8, 0.008, 60.0, settings),
        )
        for operator in (other, host)
    )
    scale = np.abs(expected.estimate).max()
    assert np.linalg.norm(expected.residual) < 0.5 * np.linalg.norm(expected.samples)
    np.testing.assert_allclose(to_host(found.estimate), expected.estimate, atol=1e-3 * scale)
