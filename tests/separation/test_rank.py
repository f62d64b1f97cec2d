"""Rank reduction against explicit Hankel matrices and their singular value decomposition."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.errors import SettingsError
from deblend.separation.choose import choose_method
from deblend.separation.methods.rank import RankReduction
from deblend.separation.transforms.hankel import (
    average_antidiagonals,
    columns_of,
    hankel_matrices,
    largest_singular_value,
    reduce_rank,
    singular_weights,
)
from deblend.testing import check_separator


def explicit(values):
    """Block-Hankel matrix of (shot, channel), element by element."""
    shots, channels = values.shape
    k, m = columns_of(shots), columns_of(channels)
    rows = [
        [values[i + a, p + b] for a in range(k) for b in range(m)]
        for i in range(shots - k + 1)
        for p in range(channels - m + 1)
    ]
    return np.array(rows)


def complex_noise(shape, seed=0):
    rng = np.random.default_rng(seed)
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)).astype(np.complex64)


def plane_waves(shape, dips):
    """Sum of waves along (shot, channel), dips in cycles per trace."""
    shot, channel = np.meshgrid(*map(np.arange, shape), indexing="ij")
    return sum(np.exp(2j * np.pi * (a * shot + b * channel)) for a, b in dips)


@pytest.mark.parametrize("shape", [(24, 1), (11, 1), (12, 6), (7, 4), (1, 1), (1, 5)])
def test_equals_the_decomposition_of_an_explicit_matrix(shape):
    # Reference: numpy.linalg.svd of the matrix written out, and its anti-diagonals averaged by
    # counting.
    values = complex_noise((3, *shape))
    matrices = [explicit(one) for one in values]
    singular = [np.linalg.svd(one, compute_uv=False) for one in matrices]
    largest = max(float(one[0]) for one in singular)
    assert largest_singular_value(values, np) == pytest.approx(largest, rel=1e-5)
    threshold = np.array([0.5 * one[0] for one in singular], np.float32)
    places = np.arange(np.prod(shape)).reshape(shape)
    place = explicit(places)
    found = reduce_rank(values, threshold, 3, 0.0, np)
    for matrix, least, kept in zip(matrices, threshold, found, strict=True):
        u, s, vh = np.linalg.svd(matrix, full_matrices=False)
        s = np.where((s >= least) & (np.arange(s.size) < 3), s, 0)
        low = (u * s) @ vh
        mean = [low[place == at].mean() for at in places.ravel()]
        np.testing.assert_allclose(kept.ravel(), mean, atol=2e-5 * np.abs(matrix).max())


def test_damping_is_that_of_the_paper():
    # Huang et al. 2016 (from memory): S_N (I - S_N^-P d^P), d the first value left out.
    singular = np.array([[1.0, 2.0, 4.0, 8.0]])
    weights = singular_weights(singular, np.array([0.0]), 2, 3.0, np)
    np.testing.assert_allclose(weights, [[0, 0, 1 - (2 / 4) ** 3, 1 - (2 / 8) ** 3]])
    np.testing.assert_allclose(
        singular_weights(singular, np.array([3.0]), 4, 0.0, np), [[0, 0, 1, 1]]
    )
    assert singular_weights(np.zeros((1, 3)), np.array([0.0]), 3, 2.0, np).max() <= 1


@pytest.mark.parametrize("shape", [(24, 1), (12, 6)])
def test_a_plane_wave_is_rank_one_and_two_dips_are_rank_two(shape):
    one = plane_waves(shape, [(0.11, 0.07)])[None].astype(np.complex64)
    two = plane_waves(shape, [(0.11, 0.07), (-0.23, 0.19)])[None].astype(np.complex64)
    none = np.zeros(1, np.float32)
    np.testing.assert_allclose(reduce_rank(one, none, 1, 0.0, np), one, atol=1e-5)
    np.testing.assert_allclose(reduce_rank(two, none, 2, 0.0, np), two, atol=1e-5)
    assert np.linalg.norm(reduce_rank(two, none, 1, 0.0, np) - two) > 0.3 * np.linalg.norm(two)
    noisy = one + 0.5 * complex_noise(one.shape, 4)
    kept = reduce_rank(noisy, none, 1, 0.0, np)
    assert np.linalg.norm(kept - one) < 0.5 * np.linalg.norm(noisy - one)


@pytest.mark.parametrize("shape", [(9, 1), (8, 5), (1, 3)])
def test_averaging_undoes_the_matrix(shape):
    values = complex_noise((2, *shape))
    matrices = hankel_matrices(values, np)
    np.testing.assert_array_equal(matrices[0], explicit(values[0]))
    np.testing.assert_allclose(average_antidiagonals(matrices, *shape, np), values, rtol=1e-6)


def test_compiled_form_equals_the_array_form(monkeypatch):
    values, threshold = complex_noise((4, 9, 4)), np.full(4, 2.0, np.float32)
    compiled = reduce_rank(values, threshold, 4, 2.0, np)
    monkeypatch.setattr("deblend.separation.transforms.hankel.is_host", lambda xp: False)
    np.testing.assert_allclose(compiled, reduce_rank(values, threshold, 4, 2.0, np), atol=1e-5)


def test_one_channel_passes_the_contract_and_is_what_a_short_streamer_gets():
    check_separator(RankReduction(patch=(13, 1, 20), damping=0.0))
    assert choose_method("rank", 2, 1).patch[1] == 1
    assert choose_method("rank", 2, 8).patch[1] == 6


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"rank": 0}, "rank is 0"),
        ({"damping": -1.0}, "damping is -1"),
        ({"noise_factor": float("nan")}, "noise_factor is nan"),
    ],
)
def test_settings_that_make_no_sense_are_refused(settings, message):
    with pytest.raises(SettingsError, match=message):
        RankReduction(**settings)
