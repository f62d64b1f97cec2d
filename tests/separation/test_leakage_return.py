"""Leakage comes back, and nothing else does."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.in_memory import separate
from deblend.separation.leakage_return import leakage_weights
from deblend.synth.scenes import make_scene

SHAPE = (2, 40, 3, 250)


def events(seed=0):
    """Two sources with flat and dipping events."""
    shot, time = np.meshgrid(np.arange(SHAPE[1]), np.arange(SHAPE[3]), indexing="ij")
    gather = np.zeros((SHAPE[1], SHAPE[3]))
    for at, dip, strength in ((30, 0.0, 1.0), (130, 0.4, 0.5), (225, -0.3, 0.2)):
        phase = np.square(np.pi * 0.1 * (time - at - dip * shot))
        gather += strength * (1 - 2 * phase) * np.exp(-phase)
    scale = np.random.default_rng(seed).uniform(0.8, 1.2, (SHAPE[0], 1, SHAPE[2], 1))
    return (gather[None, :, None] * scale).astype(np.float32)


def test_planted_leakage_comes_back():
    truth = events()
    share = np.where(np.arange(SHAPE[3]) > 80, 0.4, 0.0).astype(np.float32)
    kept, lost = truth * (1 - share), truth * share
    noise = 0.02 * np.random.default_rng(1).standard_normal(SHAPE).astype(np.float32)
    weight = leakage_weights(kept, lost + noise, np, samples=25)
    repaired = kept + weight * kept
    before = np.linalg.norm(kept - truth)
    assert np.linalg.norm(repaired - truth) < 0.4 * before
    # The definition: what is left of the removed part is orthogonal to the signal, nearby.
    left = lost + noise - weight * kept
    assert abs(np.sum(left * kept)) < 0.1 * np.sum((lost + noise) * kept)
    # Where nothing was lost the weight is that of chance, which is none.
    assert np.abs(weight[..., :40]).max() < 0.02


def test_noise_returns_nothing():
    rng = np.random.default_rng(2)
    kept = events()
    noise = rng.standard_normal(SHAPE).astype(np.float32)
    # Coloured, so that neighbouring samples repeat each other and chance is likelier.
    noise = (noise + np.roll(noise, 1, 3) + np.roll(noise, 2, 3)) * np.float32(0.3)
    weight = leakage_weights(kept, noise, np, samples=25)
    assert np.mean(np.square(weight * kept)) < 0.002 * np.mean(np.square(noise))
    assert np.linalg.norm(weight * kept) < 0.1 * np.linalg.norm(kept)


def test_nothing_removed_changes_nothing():
    kept = events()
    assert not leakage_weights(kept, np.zeros_like(kept), np, samples=25).any()
    assert not leakage_weights(np.zeros_like(kept), kept, np, samples=25).any()
    one = kept[:, :1, :1, :3]
    assert np.isfinite(leakage_weights(one, one, np, samples=25)).all()


def test_the_weight_is_the_ratio_of_smoothed_products():
    # An exact multiple leaves nothing over, and nothing is then put down to chance.
    kept = np.random.default_rng(3).standard_normal((1, 60, 1, 200)).astype(np.float32)
    weight = leakage_weights(kept, 0.5 * kept, np, samples=20)
    middle = weight[:, 15:-15, :, 40:-40]
    np.testing.assert_allclose(middle, 0.5, rtol=1e-3)


def score(line, estimate):
    error = estimate.values - line.gathers
    return 10 * np.log10(np.sum(line.gathers**2) / np.sum(error**2))


@pytest.mark.parametrize("scene", ["three-sources"])
def test_a_clean_line_keeps_its_score(scene):
    line = make_scene(scene, "small")
    common = {"length_s": line.length_s, "method": "fk", "iterations": 12}
    plain = separate(line.recording, line.shots, **common)
    repaired = separate(line.recording, line.shots, return_leakage=True, **common)
    assert score(line, repaired.estimate) > score(line, plain.estimate) - 0.2
    assert repaired.settings["return_leakage"] is True
    assert not np.array_equal(repaired.estimate.values, plain.estimate.values)
