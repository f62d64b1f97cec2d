"""The noise floor: right on noise, silent where there is none, and able to go down again."""

from __future__ import annotations

import numpy as np

from deblend.separation import noise as noise_module
from deblend.separation.methods.fk import FkThreshold
from deblend.separation.noise import NoiseFloor
from deblend.separation.patch_grid import axis_windows

SHAPE = (2, 40, 12, 90)
METHOD = FkThreshold(patch=(16, 6, 24), overlap=0.25)


def floor_of(unexplained, thresholds):
    floor = NoiseFloor(METHOD, SHAPE, np)
    for threshold in thresholds:
        for _ in range(noise_module._EVERY):
            floor.observe(unexplained, threshold)
    return floor


def white(rms, seed=0):
    return (rms * np.random.default_rng(seed).standard_normal(SHAPE)).astype(np.float32)


def expected_level(rms):
    """Rms coefficient of tapered white noise: rms times the root of the sum of the weights squared.

    Closed form of the discrete Fourier transform of white noise.
    """
    weights = [axis_windows(3 * n, n, METHOD.overlap, 0).analysis[1] for n in METHOD.patch]
    return rms * np.sqrt(np.prod([np.sum(axis**2) for axis in weights]))


def test_white_noise_is_measured_within_ten_percent():
    level = floor_of(white(0.3), [1e-9]).level
    inner = level[..., 1:-1]  # the first and last frequency are real and spread more
    assert abs(np.sqrt(np.mean(inner**2)) / expected_level(0.3) - 1) < 0.1
    assert (np.abs(inner / expected_level(0.3) - 1) < 0.35).all()


def test_nothing_is_noise_while_the_threshold_is_far_above():
    assert not floor_of(white(0.3), [100 * expected_level(0.3)]).level.any()


def test_what_the_threshold_just_meets_and_just_misses_has_the_same_level():
    usual = floor_of(white(1.0), [1e-9]).level[0, 0, 0, 5]
    levels = []
    for factor in (1 + 1e-4, 1 - 1e-4):
        floor = NoiseFloor(METHOD, SHAPE, np)
        for rms, threshold in ((1.0, 8), (0.7, 0.7 * noise_module._NEAR * factor), (0.49, 0.7)):
            for _ in range(noise_module._EVERY):
                floor.observe(white(rms), threshold * usual)
            levels.append(float(floor.level[0, 0, 0, 5] / usual))
    np.testing.assert_allclose(levels[:3], levels[3:], rtol=1e-3)
    np.testing.assert_allclose(levels[1:3], 0.7, rtol=1e-3)


def test_a_level_is_read_off_between_two_measurements():
    usual = floor_of(white(1.0), [1e-9]).level[0, 0, 0, 5]
    floor = floor_of(white(1.0), [noise_module._NEAR * usual + 1.0])
    for _ in range(noise_module._EVERY):
        floor.observe(white(0.5), noise_module._NEAR * usual * 0.5 - 1.0)
    np.testing.assert_allclose(floor.level[0, 0, 0, 5], 0.75 * usual, rtol=1e-4)


def test_noise_follows_place_and_frequency():
    loud = white(0.1)
    loud[:, :16] *= 5
    level = floor_of(loud, [1e-9]).level
    ratio = np.median(level[0]) / np.median(level[-1])
    assert 4 < ratio < 6
    smooth = np.cumsum(white(0.1), axis=3, dtype=np.float32)
    red = np.median(floor_of(smooth, [1e-9]).level, axis=(0, 1, 2))
    assert red[1] > 3 * red[-1]


def test_a_level_that_was_interference_goes_down_again():
    floor = floor_of(white(0.3), [1e-9])
    before = floor.level.copy()
    for _ in range(noise_module._EVERY):
        floor.observe(white(0.01), 1e-9)
    assert (floor.level < 0.1 * before).all()


def test_noise_that_the_estimate_absorbs_in_part_keeps_its_level():
    floor = floor_of(white(0.3), [1e-9])
    before = floor.level.copy()
    for _ in range(noise_module._EVERY):
        floor.observe(white(0.3 * 0.8), 1e-9)
    np.testing.assert_array_equal(floor.level, before)


def test_patches_look_up_the_nearest_place():
    floor = floor_of(white(0.1), [1e-9])
    floor.level[1, 1, 2] = 7.0
    found = floor.of_patches(18, np.array([5]), np.array([0, 47, 50]))
    assert found.shape == (3, 13)
    assert (found[1:] == 7.0).all()
    assert (found[0] != 7.0).all()


def test_missing_traces_do_not_lower_the_level():
    holes = white(0.3)
    holes[:, ::2] = 0
    level = floor_of(holes, [1e-9]).level[..., 1:-1]
    assert np.median(level) > 0.8 * expected_level(0.3)


def test_places_of_a_block_are_those_of_its_line():
    unexplained = white(0.3)
    whole = floor_of(unexplained, [1e-9])
    part = NoiseFloor(METHOD, (2, 35, 9, 90), np, (5, 3, 0))
    for _ in range(noise_module._EVERY):
        part.observe(unexplained[:, 5:, 3:], 1e-9)
    time = np.arange(0, 60, 7)
    inside = part.of_patches(
        16 - 5, np.array([6 - 3]), time
    )  # the place at slot 16 and channel 6 of the line
    np.testing.assert_array_equal(inside, whole.of_patches(16, np.array([6]), time))
