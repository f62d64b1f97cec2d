"""Shifts of all shots at once: predictions, where they stand, and the least-squares fit."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.blending.operator import BlendingOperator, operator_at
from deblend.separation.shift_fit import (
    Predicted,
    Predictor,
    alike,
    fit_shifts,
    predict,
    prediction_weights,
    time_derivative,
)

INTERVAL_S, LENGTH, CHANNELS = 0.004, 120, 3


def ricker(time_s: np.ndarray, peak_hz: float = 25.0) -> np.ndarray:
    """Ricker wavelet (Ricker 1953, Geophysics 18, 10-40)."""
    x = (np.pi * peak_hz * time_s) ** 2
    return np.asarray((1 - 2 * x) * np.exp(-x))


def arrivals(delay_s: np.ndarray, at_s: float = 0.2) -> np.ndarray:
    """The same arrival on all shots and channels, late by `delay_s`."""
    at = np.arange(LENGTH) * INTERVAL_S
    trace = ricker(at - at_s - delay_s[:, None])[:, None]
    return np.repeat(trace, CHANNELS, axis=1).astype(np.float32)


def test_neighbours_predict_a_parabola_and_leave_their_own_shot_out() -> None:
    slots = np.array([0, 1, 2, 4, 5, 6, 7, 9, 10, 11, 12, 13, 15, 16, 17, 18, 19, 20])
    weights = prediction_weights(slots, 8, 2)
    np.testing.assert_allclose(np.diag(weights), 0)
    for power in range(3):
        np.testing.assert_allclose(
            weights @ slots.astype(float) ** power, slots.astype(float) ** power, atol=1e-8
        )


def test_a_constant_is_the_mean_of_the_others() -> None:
    weights = prediction_weights(np.arange(9), 100, 0)
    np.testing.assert_allclose(weights, (np.ones((9, 9)) - np.eye(9)) / 8, atol=1e-12)


def test_derivative_of_a_sampled_wavelet_is_that_of_its_formula() -> None:
    at = np.arange(LENGTH) * INTERVAL_S - 0.2
    exact = (ricker(at + 1e-6) - ricker(at - 1e-6)) / 2e-6
    np.testing.assert_allclose(
        time_derivative(ricker(at).astype(np.float32), INTERVAL_S), exact, atol=1e-3 * exact.max()
    )


def test_shots_are_alike_where_arrivals_do_not_move() -> None:
    count = 20
    still = arrivals(np.zeros(count), 0.12)
    moving = arrivals(0.001 * np.arange(count), 0.3)
    noise = 0.01 * np.random.default_rng(1).standard_normal(still.shape)
    own = (still + moving + noise).astype(np.float32)
    predicted = Predictor(np.arange(count), prediction_weights(np.arange(count), 100, 0)).of(own)
    part = alike(own, predicted, time_derivative(predicted, INTERVAL_S), INTERVAL_S)
    assert part[:, 30].min() > 0.5
    assert part[:, 75].max() < 0.1
    assert not alike(0 * own, 0 * own, 0 * own, INTERVAL_S).any()


def overlapping(error_s: np.ndarray) -> tuple[BlendingOperator, np.ndarray]:
    """Operator at the times of the table, and the record at times late by `error_s`."""
    count = len(error_s)
    times = 0.5 + 0.25 * np.arange(count) + np.random.default_rng(3).uniform(0, 0.1, count)
    ns = np.rint(times * 1e9).astype(np.int64)

    def operator(fired: np.ndarray) -> BlendingOperator:
        return operator_at(
            fired,
            np.ones(count, dtype=bool),
            start_ns=0,
            interval_ns=4_000_000,
            sample_count=2600,
            length=LENGTH,
            xp=np,
        )

    true = ns + np.rint(error_s * 1e9).astype(np.int64)
    return operator(ns), operator(true).blend(arrivals(np.zeros(count)))


def test_shifts_of_overlapping_shots_are_found_together() -> None:
    error = np.random.default_rng(5).normal(0, 3e-4, 36)
    error -= error.mean()
    operator, record = overlapping(error)
    predictors = [Predictor(np.arange(36), prediction_weights(np.arange(36), 100, 0))]
    exact = arrivals(np.zeros(36))
    predicted = Predicted(exact, time_derivative(exact, INTERVAL_S))
    found = fit_shifts(record, np.ones_like(record), operator, predicted, predictors)
    assert np.std(found - error) < 0.05 * np.std(error)


def test_shots_without_predictor_get_no_shift() -> None:
    operator, record = overlapping(np.zeros(36))
    estimate = arrivals(np.zeros(36))
    some = [Predictor(np.arange(20), prediction_weights(np.arange(20), 8, 2))]
    predicted = predict(estimate, estimate, some, INTERVAL_S)
    found = fit_shifts(record, np.ones_like(record), operator, predicted, some)
    assert not found[20:].any()
    assert np.abs(found[:20]).max() < 1e-6
    nothing = predict(estimate, estimate, [], INTERVAL_S)
    found = fit_shifts(record, np.ones_like(record), operator, nothing, [])
    assert found == pytest.approx(0)
