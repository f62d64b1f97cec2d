"""Refinement of fire times: found where they are wrong, left alone where they are right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import deblend
from deblend.blending.operator import make_operator
from deblend.model.shots import Shots, make_shots
from deblend.separation.fire_times import (
    SLOW_LIMIT,
    TimeShifts,
    best_lags,
    estimate_shifts,
    shift_findings,
    shifts_csv,
    slow_over_fast,
    without_slow,
)
from deblend.separation.job import prepare
from deblend.separation.settings import SeparationSettings

LENGTH, INTERVAL_NS, COUNT, CHANNELS = 100, 4_000_000, 24, 4


def ricker(time_s: np.ndarray, peak_hz: float = 25.0) -> np.ndarray:
    """Ricker wavelet (Ricker 1953, Geophysics 18, 10-40)."""
    x = (np.pi * peak_hz * time_s) ** 2
    return (1 - 2 * x) * np.exp(-x)


def line(
    error_s: np.ndarray, gross: dict[int, float] | None = None
) -> tuple[deblend.Recording, Shots]:
    """Record of two sources at the true times, and a table that is wrong by `error_s`."""
    random = np.random.default_rng(7)
    base = 0.5 + 0.6 * np.arange(COUNT)
    times = np.concatenate([base + random.uniform(0, 0.2, COUNT) for _ in range(2)])
    shots = make_shots(
        np.repeat([1, 2], COUNT),
        np.tile(np.arange(COUNT), 2),
        np.rint(times * 1e9).astype(np.int64),
        "utc",
    )
    at = np.arange(LENGTH) * 0.004
    trace = ricker(at[None, :] - 0.1 - 0.004 * np.arange(CHANNELS)[:, None])
    trace = trace + 0.3 * ricker(at[None, :] - 0.24 - 0.002 * np.arange(CHANNELS)[:, None])
    truth = np.broadcast_to(trace, (2 * COUNT, CHANNELS, LENGTH)).astype(np.float32)
    operator = make_operator(
        shots, start_ns=0, interval_ns=INTERVAL_NS, sample_count=4200, length=LENGTH
    )
    record = operator.blend(truth) + 0.01 * random.standard_normal((CHANNELS, 4200))
    wrong = error_s.copy()
    for row, value in (gross or {}).items():
        wrong[row] = value
    table = replace(shots, fire_time_ns=shots.fire_time_ns - np.rint(wrong * 1e9).astype(np.int64))
    recording = deblend.Recording(
        record.astype(np.float32), interval_s=0.004, start="1970-01-01T00:00:00", time_scale="utc"
    )
    return recording, table


def estimated(
    error_s: np.ndarray, gross: dict[int, float] | None = None
) -> tuple[TimeShifts, deblend.separation.job.Job]:
    recording, table = line(error_s, gross)
    job = prepare(
        recording, table, length_s=0.4, method="fk", settings=SeparationSettings(iterations=24)
    )
    return estimate_shifts(job), job


def test_lag_is_that_of_the_delayed_shot() -> None:
    at = np.arange(LENGTH) * 0.004
    delay = np.array([0.0, 0.016, -0.02])
    gathers = ricker(at[None, None, :] - 0.2 - delay[:, None, None]).astype(np.float32)
    found = best_lags(gathers, np.broadcast_to(gathers[:1], gathers.shape), 0.004)
    np.testing.assert_allclose(found, delay, atol=1e-9)


def test_errors_of_single_shots_are_as_strong_slow_as_fast_and_drift_is_not() -> None:
    random = np.random.default_rng(4)
    white = [slow_over_fast(random.normal(0, 5e-4, 96)) for _ in range(200)]
    assert np.mean(white) == pytest.approx(1.0, abs=0.1)
    assert np.mean(np.array(white) > SLOW_LIMIT) < 0.01
    drift = 5e-4 * np.sin(2 * np.pi * np.arange(96) / 60)
    assert slow_over_fast(drift + random.normal(0, 1e-4, 96)) > 10 * SLOW_LIMIT
    assert np.std(without_slow(drift)) < 0.1 * np.std(drift)
    alternating = np.where(np.arange(96) % 2, 1e-4, -1e-4)
    np.testing.assert_allclose(without_slow(alternating), alternating, atol=2e-5)


def test_wrong_times_are_found_and_separation_with_them_is_better() -> None:
    error = np.random.default_rng(3).normal(0, 5e-4, 2 * COUNT)
    shifts, job = estimated(error)
    assert shifts.accepted.mean() > 0.8
    left = error - shifts.applied_s
    for rows in (slice(COUNT), slice(COUNT, None)):  # the mean of a source cannot be seen
        assert np.std(left[rows]) < 0.15 * np.std(error[rows])
    (told,) = shift_findings(shifts, job)
    assert told.metric == "fire_time_error_rms"
    assert told.value == pytest.approx(1e3 * np.sqrt(np.mean(shifts.shift_s**2)))
    table = shifts_csv(shifts, job).splitlines()
    assert len(table) == 1 + 2 * COUNT
    assert table[0] == "source,shot_point,shift_ms,accepted,gross_error_ms"


def test_drift_is_left_to_the_distance_between_source_and_streamer() -> None:
    random = np.random.default_rng(3)
    drift = np.tile(7e-4 * np.cos(np.pi * (np.arange(COUNT) + 0.5) / COUNT), 2)
    shots_alone = random.normal(0, 2e-4, 2 * COUNT)
    shifts, job = estimated(drift + shots_alone)
    assert (shifts.slow_ratio > SLOW_LIMIT).all()
    for rows in (slice(COUNT), slice(COUNT, None)):
        fast = without_slow(shots_alone[rows])
        assert np.std(shifts.applied_s[rows] - fast) < 0.3 * np.std(fast)
    told = [f for f in shift_findings(shifts, job) if f.metric == "fire_time_slow_error"]
    assert [f.source for f in told] == [1, 2]


def test_too_few_shots_give_no_shifts() -> None:
    recording, table = line(np.zeros(2 * COUNT))
    few = replace(table, live=np.tile(np.arange(COUNT) < 10, 2))
    shifts = estimate_shifts(
        prepare(
            recording, few, length_s=0.4, method="fk", settings=SeparationSettings(iterations=3)
        )
    )
    assert not shifts.shift_s.any()
    assert np.isnan(shifts.slow_ratio).all()


def test_right_times_are_left_alone() -> None:
    shifts, job = estimated(np.zeros(2 * COUNT))
    assert not shifts.applied_s.any()
    (told,) = shift_findings(shifts, job)
    assert told.verdict == "note"


def test_a_gross_error_is_told_and_not_corrected() -> None:
    shifts, job = estimated(np.zeros(2 * COUNT), {10: 0.032})
    assert shifts.gross_s[10] == pytest.approx(0.032, abs=0.009)
    assert shifts.applied_s[10] == 0
    told = [f for f in shift_findings(shifts, job) if f.metric == "fire_time_gross_error"]
    assert [(f.source, f.shot_point) for f in told] == [(1, 10)]


def test_separate_begins_its_gathers_at_refined_times() -> None:
    error = np.random.default_rng(3).normal(0, 5e-4, 2 * COUNT)
    recording, table = line(error)
    result = deblend.separate(
        recording, table, length_s=0.4, method="fk", iterations=24, refine_times=True
    )
    assert result.time_shifts is not None
    moved_ns = result.estimate.fire_time.values.astype(np.int64) - table.fire_time_ns
    np.testing.assert_allclose(moved_ns * 1e-9, result.time_shifts.applied_s, atol=1e-9)
    plain = deblend.separate(recording, table, length_s=0.4, method="fk", iterations=24)
    assert plain.time_shifts is None
    assert result.history[-1].residual_db < plain.history[-1].residual_db
