"""Results do not depend on the unit of the record, and a sample that cannot be real is left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

import deblend
from deblend.blending.operator import make_operator
from deblend.model.recording import Recording
from deblend.model.shots import Shots, make_shots
from deblend.separation.amplitudes import usual_peak
from deblend.separation.job import prepare

INTERVAL_NS = 4_000_000
LENGTH = 96


def make_line() -> tuple[NDArray[np.float32], Shots]:
    """Two sources, twelve shots each, with one event."""
    random = np.random.default_rng(5)
    along = np.arange(24) // 2
    fire_ns = 400_000_000 * along + random.integers(0, 200_000_000, 24)
    shots = make_shots(np.arange(24) % 2 + 1, 100 + along, fire_ns, "utc")
    time = np.arange(LENGTH) - 30.0 - 0.3 * along[:, None]
    gathers = np.repeat(((1 - time**2 / 8) * np.exp(-(time**2) / 16))[:, None], 3, axis=1)
    operator = make_operator(
        shots, start_ns=0, interval_ns=INTERVAL_NS, sample_count=1500, length=LENGTH
    )
    return operator.blend(gathers.astype(np.float32)), shots


def separated(samples: NDArray[np.float32], shots: Shots) -> deblend.Separation:
    recording = Recording(samples, interval_s=0.004, start=0, time_scale="utc")
    method = deblend.FkThreshold(patch=(12, 1, 32))
    length_s = LENGTH * 0.004
    return deblend.separate(recording, shots, length_s=length_s, iterations=6, method=method)


@pytest.mark.parametrize("power", [-80, -1, 60])
def test_a_power_of_two_changes_no_digit(power: int) -> None:
    samples, shots = make_line()
    expected = separated(samples, shots).estimate.to_numpy()
    factor = np.float32(2.0**power)
    found = separated(samples * factor, shots).estimate.to_numpy()
    np.testing.assert_array_equal(found / factor, expected)


@pytest.mark.parametrize("factor", [1e-25, 1e-15, 1e25])
def test_the_unit_makes_no_difference(factor: float) -> None:
    samples, shots = make_line()
    expected = separated(samples, shots).estimate.to_numpy()
    scaled = (samples * factor).astype(np.float32)
    found = separated(scaled, shots).estimate.to_numpy().astype(float) / factor
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-6 * np.abs(expected).max())


@pytest.mark.parametrize("value", [1e30, -1e9])
def test_an_impossible_sample_is_named_and_unknown(value: float) -> None:
    samples, shots = make_line()
    unknown, spoilt = samples.copy(), samples.copy()
    unknown[1, 700], spoilt[1, 700] = np.nan, value
    expected, found = separated(unknown, shots), separated(spoilt, shots)
    np.testing.assert_array_equal(found.estimate, expected.estimate)
    (named,) = [each for each in found.findings if each.metric == "impossible_samples"]
    assert f"channel 2 at 1970-01-01T00:00:02.800000Z ({value:.3g})" in named.message
    assert named.verdict == "look"


def test_the_dynamic_range_of_a_recorder_is_possible() -> None:
    samples, shots = make_line()
    samples[0, 40] = 8388607 * np.abs(samples).max() / 100  # full scale, and a peak of 100 counts
    assert not [f for f in separated(samples, shots).findings if f.metric == "impossible_samples"]


def test_a_silent_record_has_no_usual_peak() -> None:
    recording = Recording(np.zeros((2, 50)), interval_s=0.004, start=0, time_scale="utc")
    assert usual_peak(recording) == 0.0


def test_shots_of_another_day_make_no_slots() -> None:
    samples, shots = make_line()
    recording = Recording(samples, interval_s=0.004, start=0, time_scale="utc")
    before = prepare(recording, shots, length_s=LENGTH * 0.004)
    late = shots.fire_time_ns.copy()
    late[7] += 30 * 86_400 * 10**9
    after = prepare(recording, replace(shots, fire_time_ns=late), length_s=LENGTH * 0.004)
    assert after.layout.slot_count == before.layout.slot_count
    assert 7 not in after.layout.row
    named = [finding.metric for finding in after.findings]
    assert "shots_outside_record" in named


def test_a_source_wholly_outside_has_no_slots_of_its_own() -> None:
    samples, shots = make_line()
    recording = Recording(samples, interval_s=0.004, start=0, time_scale="utc")
    times = np.where(shots.source == 2, -(10**15), 0) + shots.fire_time_ns
    job = prepare(recording, replace(shots, fire_time_ns=times), length_s=LENGTH * 0.004)
    assert job.layout.source_count == 2
    assert (job.layout.row[1] == -1).all()
