"""Stacks against the square root of fold, and both estimates of noise against known noise."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from test_moveout import INTERVAL_S, LENGTH, hyperbola

from deblend.stack.bins import BinGrid
from deblend.stack.stacking import StackSums, add_to_stack, no_stack, snr_of_halves
from deblend.stack.velocity import VelocityTable
from deblend.trial.likeness import neighbour_snr_db

BINS, FOLD = 40, 16
GRID = BinGrid((0.0, 0.0), (1.0, 0.0), 6.25, 25.0, (BINS, 1))
VELOCITIES = VelocityTable(np.zeros(1), (np.zeros(1),), (np.full(1, 2000.0),))


def line(noise: float, seed: int = 0) -> tuple[NDArray, NDArray, NDArray]:
    """Every bin holds the same reflection at sixteen offsets."""
    offset = np.tile(np.linspace(0.0, 600.0, FOLD), BINS)
    traces = hyperbola(offset, 1.0, 2000.0)
    traces = traces + noise * np.random.default_rng(seed).standard_normal(traces.shape)
    return traces.astype(np.float32), np.repeat(np.arange(BINS), FOLD), offset


def stacked(traces: NDArray, bins: NDArray, offset: NDArray) -> StackSums:
    sums = no_stack(GRID, LENGTH)
    add_to_stack(sums, traces, bins, offset, GRID, VELOCITIES, INTERVAL_S)
    return sums


def test_signal_stays_and_noise_falls_by_the_root_of_fold() -> None:
    signal, noisy = (stacked(*line(noise)) for noise in (0.0, 0.5))
    assert (noisy.fold.sum(axis=0)[:, 300:480] == FOLD).all()
    np.testing.assert_allclose(signal.stack[:, 250], 1.0, atol=0.01)
    left = (noisy.stack - signal.stack)[:, 300:480].std()
    # Moveout interpolates, which takes some of the noise next to the Nyquist frequency.
    assert left == pytest.approx(0.5 / np.sqrt(FOLD), rel=0.05)


def test_blocks_add_up() -> None:
    traces, bins, offset = line(0.3)
    whole = stacked(traces, bins, offset)
    halves = [stacked(traces[s], bins[s], offset[s]) for s in (slice(0, 320), slice(320, None))]
    joined = halves[0] + halves[1]
    np.testing.assert_allclose(joined.stack, whole.stack, atol=1e-6)
    np.testing.assert_array_equal(joined.fold, whole.fold)


def test_traces_outside_take_no_part() -> None:
    traces, bins, offset = line(0.0)
    traces[0], bins[0] = 1e6, -1
    traces[20], offset[20] = 1e6, np.nan
    assert np.abs(stacked(traces, bins, offset).stack).max() < 2.0


def test_both_estimates_read_a_known_ratio() -> None:
    traces, bins, offset = line(0.5)
    sums = stacked(traces, bins, offset)
    window = slice(235, 265)
    signal = np.mean(stacked(*line(0.0)).stack[:, window] ** 2)
    expected = 10 * np.log10(signal / (0.25 / FOLD))
    assert snr_of_halves(sums, 235, 265) == pytest.approx(expected, abs=0.6)
    assert neighbour_snr_db(sums.stack[:, 235:265]) == pytest.approx(expected, abs=0.6)


def test_no_signal_is_no_number() -> None:
    traces, bins, offset = line(0.0)
    assert np.isnan(snr_of_halves(stacked(0 * traces, bins, offset), 0, LENGTH))
    assert np.isnan(neighbour_snr_db(np.zeros((1, 10), np.float32)))
