"""Weights of record samples: what neighbours do not have loses weight, and nothing else does."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from deblend.blending.operator import LEAD, BlendingOperator, make_operator
from deblend.model.shots import Shots, make_shots
from deblend.separation.downweighted import Downweighted, downweighted, downweighted_findings
from deblend.separation.outliers import (
    _median_of,
    _median_of_five,
    across_shots,
    find_outliers,
)
from deblend.separation.weights import RecordWeights, windows_of

CHANNELS, COUNT, LENGTH, SAMPLES = 8, 20, 150, 6000
INTERVAL_S = 0.004
Samples = NDArray[np.float32]


def shots_of_line() -> Shots:
    times = 0.6 + 1.0 * np.arange(COUNT) + np.random.default_rng(1).uniform(0, 0.3, COUNT)
    return make_shots(
        np.ones(COUNT, np.int64), np.arange(COUNT), np.rint(times * 1e9).astype(np.int64), "utc"
    )


def operator_of_line() -> BlendingOperator:
    return make_operator(
        shots_of_line(), start_ns=0, interval_ns=4_000_000, sample_count=SAMPLES, length=LENGTH
    )


def noise(seed: int = 0) -> Samples:
    random = np.random.default_rng(seed)
    return random.standard_normal((CHANNELS, SAMPLES)).astype(np.float32)


def weights_of(residual: Samples, explained: Samples | float = 0.0) -> RecordWeights:
    known = np.ones_like(residual)
    record = residual + np.asarray(explained, np.float32)
    return find_outliers(record, residual, known, operator_of_line(), 1, INTERVAL_S)


def weights_like(band: float, seed: int | None = None) -> RecordWeights:
    windows = windows_of(SAMPLES, INTERVAL_S)
    shape = (CHANNELS, windows.count, len(windows.first_bin))
    random = np.random.default_rng(seed)
    return RecordWeights(
        windows=windows,
        band=(np.full(shape, band) if seed is None else random.random(shape)).astype(np.float32),
        sample=np.ones((CHANNELS, SAMPLES), np.float32),
        root_fold=np.sqrt(np.maximum(operator_of_line().fold, 1)).astype(np.float32),
        xp=np,
        removed_share=0.0,
    )


@pytest.mark.parametrize("band", [0.0, 0.25, 1.0])
def test_equal_weights_are_a_factor(band: float) -> None:
    """Sines of half-overlapping windows are a tight frame (Portnoff condition, from memory)."""
    residual = noise()
    np.testing.assert_allclose(weights_like(band).apply(residual), band * residual, atol=2e-5)


def test_weights_are_symmetric_and_between_zero_and_one() -> None:
    weights = weights_like(0.0, seed=3)
    one, other = noise(1), noise(2)
    root = weights.root_fold
    left = np.sum(other / root * weights.apply(one) / root, dtype=np.float64)
    right = np.sum(one / root * weights.apply(other) / root, dtype=np.float64)
    assert left == pytest.approx(right, rel=1e-4)
    energy = np.sum(one / root * weights.apply(one) / root, dtype=np.float64)
    assert 0 < energy < np.sum(np.square(one / root), dtype=np.float64)


def test_noise_alone_keeps_its_weight() -> None:
    weights = weights_of(noise())
    assert (weights.band < 1).mean() < 4e-3
    assert weights.removed_share < 0.01
    assert (weights.sample < 1).mean() < 1e-4


def test_a_swell_burst_loses_its_band_on_its_channels_only() -> None:
    residual = noise()
    at = np.arange(1500) * INTERVAL_S
    residual[3:5, 2000:3500] += (40 * np.sin(2 * np.pi * 5 * at) * np.hanning(1500)).astype(
        np.float32
    )
    weights = weights_of(residual)
    low, high = weights.windows.band_hz[:-1], weights.windows.band_hz[1:]
    (swell,) = np.flatnonzero((low < 5) & (high > 5))
    middle = 2750 // weights.windows.step + 1
    assert (weights.band[3:5, middle, swell] < 0.01).all()
    assert (weights.band[3:5, middle, low > 20] == 1).mean() > 0.9
    assert (weights.band[[0, 1, 6, 7]] < 1).mean() < 4e-3
    assert (weights.band[3:5, :6] < 1).mean() < 2e-2


def test_spikes_are_left_out() -> None:
    residual = noise()
    random = np.random.default_rng(4)
    where = random.choice(residual.size, 200, replace=False)
    residual.flat[where] += 25
    weights = weights_of(residual)
    assert (weights.sample.ravel()[where] == 0).mean() > 0.97
    assert (weights.sample == 0).mean() < 3 * 200 / residual.size


def test_arrivals_that_neighbours_have_too_are_no_outliers() -> None:
    """The trap: a strong arrival that is not explained yet stands out from its surroundings."""
    operator = operator_of_line()
    gathers = np.zeros((COUNT, CHANNELS, LENGTH), np.float32)
    for channel in range(CHANNELS):
        gathers[:, channel, 40 + 2 * channel : 48 + 2 * channel] = 100 * np.hanning(8)
    weights = weights_of(noise() + operator.blend(gathers))
    assert (weights.band < 1).mean() < 5e-3
    assert (weights.sample < 1).mean() < 1e-3


def leftover(amplitude: float, begin: int) -> Samples:
    """The same arrival of every shot on the first channel only, as an end channel keeps it."""
    at = (np.arange(24) - 12) * INTERVAL_S
    gathers = np.zeros((COUNT, CHANNELS, LENGTH), np.float32)
    gathers[:, 0, begin : begin + 24] = amplitude * np.sin(2 * np.pi * 60 * at) * np.hanning(24)
    return np.asarray(operator_of_line().blend(gathers))


def test_what_is_left_of_an_arrival_at_an_end_of_the_streamer_is_no_spike() -> None:
    """Half of an arrival on one channel alone: high over its surroundings, but not alone there."""
    weights = weights_of(0.1 * noise() + leftover(10.0, 60), explained=leftover(20.0, 60))
    assert (weights.sample < 1).sum() < COUNT / 4


def test_every_window_that_a_shot_reaches_into_has_a_level_from_other_shots() -> None:
    """Also where shots are far apart, and the first window has the beginning of one shot only."""
    times = 1.0 + 2.3 * np.arange(10)
    shots = make_shots(
        np.ones(10, np.int64), np.arange(10), np.rint(times * 1e9).astype(np.int64), "utc"
    )
    operator = make_operator(
        shots, start_ns=0, interval_ns=4_000_000, sample_count=SAMPLES, length=LENGTH
    )
    windows = windows_of(SAMPLES, INTERVAL_S)
    level = across_shots(
        np.ones((1, windows.count, 1), np.float32), operator, source_count=1, windows=windows
    )
    begin = windows.step * (np.arange(windows.count) - 1)
    first = np.rint(times / INTERVAL_S)[:, None]
    reached = ((begin + windows.size > first) & (begin < first + LENGTH)).any(axis=0)
    assert np.isfinite(level[0, reached, 0]).all()
    assert np.isnan(level[0, :, 0]).any()


@pytest.mark.parametrize("count", [6, 7, 9, 24])
def test_what_shots_justify_equals_the_lower_median_of_their_neighbours(count: int) -> None:
    # Reference: numpy.nanpercentile of the eight nearest shots, window by window.
    random = np.random.default_rng(count)
    times = 0.6 + 1.0 * np.arange(count) + random.uniform(0, 0.3, count)
    shots = make_shots(
        np.ones(count, np.int64), np.arange(count), np.rint(times * 1e9).astype(np.int64), "utc"
    )
    operator = make_operator(
        shots, start_ns=0, interval_ns=4_000_000, sample_count=SAMPLES, length=LENGTH
    )
    windows = windows_of(SAMPLES, INTERVAL_S)
    found = random.random((2, windows.count, 3)).astype(np.float32)
    found[random.random(found.shape) < 0.2] = np.nan
    expected = np.full_like(found, np.nan)
    later = np.fmax(found[:, :-1], found[:, 1:])
    at = (operator.first_sample + LEAD).tolist()
    for shot in range(count):
        first = min(max(shot - 4, 0), max(count - 9, 0))
        near = [k for k in range(first, min(first + 9, count)) if k != shot]
        begin = at[shot] // windows.step
        for own in range(max(begin, 0), min(begin + 2 + LENGTH // windows.step, windows.count)):
            window = [own + (at[k] - at[shot]) // windows.step for k in near]
            values = later[:, [w for w in window if 0 <= w < later.shape[1]]]
            known = np.isfinite(values).sum(axis=1)
            lower = np.nanpercentile(
                np.where(known[:, None] > 0, values, 0), 50, axis=1, method="lower"
            )
            usual = np.where(known >= 6, lower, np.nan)
            expected[:, own] = np.fmax(expected[:, own], usual)
    level = across_shots(found, operator, source_count=1, windows=windows)
    np.testing.assert_array_equal(level, expected)
    assert np.isfinite(level).any() == (count > 6)


def test_interference_on_all_channels_at_no_fixed_time_loses_weight() -> None:
    residual = noise()
    at = np.arange(250) * INTERVAL_S
    residual[:, 3000:3250] += (20 * np.sin(2 * np.pi * 15 * at) * np.hanning(250)).astype(
        np.float32
    )
    weights = weights_of(residual)
    (band,) = np.flatnonzero(
        (weights.windows.band_hz[:-1] < 15) & (weights.windows.band_hz[1:] > 15)
    )
    assert (weights.band[:, 3125 // weights.windows.step + 1, band] < 0.1).all()
    assert (weights.band < 1).mean() < 0.03


def test_weights_of_a_channel_do_not_depend_on_the_block() -> None:
    residual = noise()
    residual[4, 2000:3000] *= 20
    residual[3, 4000] = 60
    whole, part = weights_of(residual), weights_of(residual[1:])
    np.testing.assert_array_equal(part.band[3:], whole.band[4:])
    np.testing.assert_array_equal(part.sample[3:], whole.sample[4:])
    louder = weights_of(1000 * residual)
    np.testing.assert_allclose(louder.band, whole.band, rtol=1e-3)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_too_few_channels_to_tell_keep_their_weight(count: int) -> None:
    residual = noise()[:count].copy()
    residual[0, 1000:2000] *= 50
    known = np.ones_like(residual)
    weights = find_outliers(residual, residual, known, operator_of_line(), 1, INTERVAL_S)
    assert (weights.band == 1).all()
    assert (weights.sample == 1).all()


def losses(bad: int) -> Downweighted:
    weights = weights_like(1.0)
    weights.band[:bad] = 0.0
    known = np.ones((CHANNELS, SAMPLES), np.bool_)
    return downweighted(weights, known, operator_of_line(), range(2, 2 + CHANNELS), 12)


def test_losses_are_counted_by_channel_shot_and_band() -> None:
    found = losses(2)
    share = found.channel[:, 0] / np.maximum(found.channel[:, 1], 1)
    np.testing.assert_allclose(share, [0, 0, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0], atol=1e-6)
    assert found.shot[:, 1].min() > 0
    assert not found.shot[:, 0].any()  # bad channels say nothing of shots
    np.testing.assert_allclose(found.band[:, 0] / found.band[:, 1], 0.25, atol=1e-6)
    twice = found + found
    np.testing.assert_allclose(twice.channel, 2 * found.channel)


def test_a_shot_that_lost_weight_on_all_channels_is_named() -> None:
    weights = weights_like(1.0)
    middle = (shots_of_line().fire_time_ns[7] // 4_000_000) // weights.windows.step + 1
    weights.band[:, middle : middle + 2] = 0.0
    known = np.ones((CHANNELS, SAMPLES), np.bool_)
    found = downweighted(weights, known, operator_of_line(), range(CHANNELS), CHANNELS)
    rows = downweighted_findings(found, shots_of_line(), np.arange(CHANNELS))
    assert 7 in [row.shot_point for row in rows if row.metric == "shot_fitted_less"]


def test_bad_channels_are_named_and_too_many_are_a_failure() -> None:
    numbers = np.arange(101, 113)
    few = list(downweighted_findings(losses(2), shots_of_line(), numbers))
    named = [row.channel for row in few if row.metric == "channel_fitted_less"]
    assert named == [103, 104]
    assert all(row.verdict != "fail" for row in few)
    many = list(downweighted_findings(losses(5), shots_of_line(), numbers))
    (told,) = [row for row in many if row.metric == "bad_channels"]
    assert told.verdict == "fail"
    assert "5 of 8 channels" in told.message
    assert list(downweighted_findings(losses(0), shots_of_line(), numbers)) == []


def test_medians_without_a_sort_equal_those_of_numpy() -> None:
    # Whole numbers, so that many are equal.
    rng = np.random.default_rng(3)
    row = rng.integers(-3, 4, 400).astype(np.float32)
    near = np.lib.stride_tricks.sliding_window_view(np.pad(row, 2, mode="edge"), 5)
    np.testing.assert_array_equal(_median_of_five(row[None], np)[0], np.median(near, axis=1))
    for count in (3, 6):
        rows = rng.standard_normal((count, 50)).astype(np.float32)
        np.testing.assert_array_equal(_median_of(list(rows), np), np.median(rows, axis=0))
