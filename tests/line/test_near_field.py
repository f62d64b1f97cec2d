"""Shots judged by hydrophones beside a source."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.line.near_field import near_field
from deblend.line.source_states import apply_near_field
from deblend.model.shots import make_shots

INTERVAL_NS = 2_000_000
COUNT = 30


def pulse(time_s: np.ndarray) -> np.ndarray:
    """Pressure of a bubble: a sharp rise, a decay and one more, weaker oscillation."""
    late = np.maximum(time_s, 0.0)
    # A rise of some milliseconds, as behind the filters of a recorder.
    rise = (late / 0.004) ** 2 * np.exp(-late / 0.004)
    return rise + 0.2 * (1.0 - np.exp(-((late / 0.02) ** 2))) * np.exp(-late / 0.03) * np.sin(
        70 * late
    )


def heard(levels: np.ndarray, moved_s: np.ndarray, extra_s: tuple[float, ...] = ()):
    """Record of two hydrophones and the table of fire times."""
    random = np.random.default_rng(4)
    fire_s = 3.0 + 5.0 * np.arange(COUNT) + random.uniform(-0.3, 0.3, COUNT)
    time_s = np.arange(round(160.0 / 0.002)) * 0.002
    record = 0.01 * random.standard_normal((2, time_s.size)) + np.sin(time_s * 0.6)
    for level, at in [*zip(levels, fire_s + moved_s, strict=True), *((1.0, at) for at in extra_s)]:
        near = np.abs(time_s - at) < 0.3
        record[0, near] += level * pulse(time_s[near] - at)
        record[1, near] += 0.7 * level * pulse(time_s[near] - at - 0.001)
    fire_ns = np.rint(fire_s * 1e9).astype(np.int64)
    return record.astype(np.float32), fire_ns


def test_states_and_autofire() -> None:
    levels, moved_s = np.ones(COUNT), np.zeros(COUNT)
    levels[7], levels[12] = 0.0, 0.8
    moved_s[20], moved_s[25] = 0.003, -0.12
    record, fire_ns = heard(levels, moved_s, (81.7,))
    found = near_field(record, fire_ns, start_ns=0, interval_ns=INTERVAL_NS)
    assert found is not None
    assert found.level[7] < 0.1
    assert found.level[12] == pytest.approx(0.8, abs=0.05)
    assert found.late_s[20] == pytest.approx(0.003, abs=2e-4)
    assert np.abs(np.delete(found.late_s, [7, 20, 25])).max() < 5e-4

    shots = make_shots(np.ones(COUNT, int), np.arange(100, 100 + COUNT), fire_ns, "utc")
    fired, findings = apply_near_field(shots, 1, np.arange(COUNT), found)
    named = {(finding.metric, finding.shot_point) for finding in findings}
    assert named == {
        ("near_field_misfired", 107),
        ("near_field_reduced", 112),
        ("near_field_timing_error", 120),
        ("near_field_timing_error", 125),
        ("near_field_autofire", None),
    }
    assert np.flatnonzero(~fired.live).tolist() == [7]
    assert len(fired) == COUNT + 1
    assert not fired.deliver[-1]
    assert fired.fire_time_ns[-1] == pytest.approx(81.7e9, abs=2e6)
    assert shots.fire_time_ns[25] == fired.fire_time_ns[25], "nothing is moved unasked"


def test_nothing_found_where_nothing_is_wrong() -> None:
    for seed in range(5):
        levels = 1.0 + 0.01 * np.random.default_rng(seed).standard_normal(COUNT)
        record, fire_ns = heard(levels, np.zeros(COUNT))
        found = near_field(record, fire_ns, start_ns=0, interval_ns=INTERVAL_NS)
        assert found is not None
        shots = make_shots(np.ones(COUNT, int), np.arange(COUNT), fire_ns, "utc")
        same, findings = apply_near_field(shots, 1, np.arange(COUNT), found)
        assert not findings
        assert same.live.all()
        assert len(same) == COUNT


def test_too_few_shots() -> None:
    record, fire_ns = heard(np.ones(COUNT), np.zeros(COUNT))
    assert near_field(record, fire_ns[:4], start_ns=0, interval_ns=INTERVAL_NS) is None
