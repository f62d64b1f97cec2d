"""Medians along slopes against scipy and against events whose slope is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import median_filter

from deblend.errors import SettingsError
from deblend.separation.choose import choose_method, method_name
from deblend.separation.methods.median import StructureMedian, VectorMedian
from deblend.separation.transforms.median_kernels import TAPS
from deblend.separation.transforms.medians import interpolators, local_slopes, medians
from deblend.testing import check_separator


def event(shots=24, samples=120, slope=1.3, at=40.0, width=0.1):
    shot, time = np.meshgrid(np.arange(shots), np.arange(samples), indexing="ij")
    phase = np.square(np.pi * width * (time - at - slope * shot))
    return ((1 - 2 * phase) * np.exp(-phase)).astype(np.float32)


def all_live(gathers):
    return np.ones(gathers.shape[:2], bool)


@pytest.mark.parametrize("shots", [1, 3, 5, 7, 11])
def test_flat_median_is_that_of_scipy_bit_by_bit(shots):
    # Reference: scipy.ndimage.median_filter, edges reflected.
    gathers = np.random.default_rng(shots).standard_normal((2, 17, 40)).astype(np.float32)
    flat = np.zeros_like(gathers)
    expected = [median_filter(one, (shots, 1), mode="reflect") for one in gathers]
    np.testing.assert_array_equal(medians(gathers, all_live(gathers), flat, shots // 2), expected)


def test_vector_median_equals_its_definition():
    # Reference: the definition (Astola et al. 1990), element by element.
    gather = np.random.default_rng(1).standard_normal((13, 30)).astype(np.float32)
    half_shots, half = 2, 3
    found = medians(gather[None], all_live(gather[None]), 0 * gather[None], half_shots, half)[0]
    for shot in range(half_shots, 13 - half_shots):
        for t in range(half, 30 - half):
            near = gather[shot - half_shots : shot + half_shots + 1]
            pieces = near[:, t - half : t + half + 1]
            apart = np.linalg.norm(pieces[:, None] - pieces[None], axis=2).sum(axis=1)
            assert found[shot, t] == near[np.argmin(apart), t]


def test_a_median_of_single_samples_is_the_vector_median_of_length_one():
    gathers = np.random.default_rng(2).standard_normal((1, 3, 12, 1, 64)).astype(np.float32)
    from deblend.testing.separator_batches import batch_of

    one = VectorMedian(vector_samples=1).keep(batch_of(gathers), 1e-4, 1.0)
    np.testing.assert_array_equal(one, StructureMedian().keep(batch_of(gathers), 1e-4, 1.0))


@pytest.mark.parametrize("slope", [0.0, 0.6, -1.3])
def test_slopes_are_found_under_stronger_interference(slope):
    clean = event(slope=slope, at=60 if slope < 0 else 40)
    mixed = clean.copy()
    rng = np.random.default_rng(3)
    for shot in rng.choice(24, 8, replace=False):
        mixed[shot] += np.roll(10 * clean[shot], int(rng.integers(-20, 20)))
    found = local_slopes(mixed[None], all_live(mixed[None]), 2.0, 4, 8)[0]
    inner = (np.abs(clean) > 0.5) & (np.arange(24)[:, None] > 3) & (np.arange(24)[:, None] < 20)
    assert np.median(np.abs(found[inner] - slope)) < 0.1
    kept = medians(mixed[None], all_live(mixed[None]), found[None], 4)[0]
    error = np.linalg.norm((kept - clean)[4:20]) / np.linalg.norm(clean[4:20])
    assert error < 0.25 < 4 < np.linalg.norm((mixed - clean)[4:20]) / np.linalg.norm(clean[4:20])
    plain = median_filter(mixed, (9, 1), mode="reflect")
    if slope:
        assert error < 0.4 * np.linalg.norm((plain - clean)[4:20]) / np.linalg.norm(clean[4:20])


def test_dead_traces_take_no_part():
    clean = event(slope=0.0)
    live = np.ones((1, 24), bool)
    live[0, [3, 10, 11]] = False
    spoilt = np.where(live[0][:, None], clean, 99).astype(np.float32)
    kept = medians(spoilt[None], live, 0 * clean[None], 3)[0]
    np.testing.assert_allclose(kept[live[0]], clean[live[0]], atol=1e-6)
    assert not kept[~live[0]].any()


def test_interpolators_shift_a_sine():
    taps = interpolators()
    assert taps.shape[1] == TAPS
    np.testing.assert_allclose(taps[0], np.eye(TAPS)[TAPS // 2 - 1], atol=1e-6)
    np.testing.assert_allclose(taps[-1], np.eye(TAPS)[TAPS // 2], atol=1e-6)
    # A quarter of the sampling rate, half a sample late.
    at = np.arange(TAPS) - (TAPS // 2 - 1)
    got = np.sum(taps[16] * np.cos(0.5 * np.pi * at))
    assert got == pytest.approx(np.cos(0.25 * np.pi), abs=0.01)


def test_the_window_shrinks_with_strictness():
    method = StructureMedian(shots=11, fewest_shots=5)
    found = [method.shots_at(s) for s in (1.0, 0.1, 0.01, 1e-3, 0.0)]
    assert found == [11, 9, 7, 5, 5]


def test_both_are_methods_by_name():
    check_separator(StructureMedian(shots=7, fewest_shots=7, steepest_s_per_shot=0.0))
    assert method_name(choose_method("vector-median", 2, 8)) == "vector-median"
    assert method_name(choose_method("median", 2, 8)) == "median"


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"shots": 8}, "shots is 8"),
        ({"shots": 5, "fewest_shots": 7}, "fewest_shots is 7 and shots is 5"),
        ({"steepest_s_per_shot": -0.1}, "steepest_s_per_shot is -0.1"),
    ],
)
def test_settings_that_make_no_sense_are_refused(settings, message):
    with pytest.raises(SettingsError, match=message):
        StructureMedian(**settings)
