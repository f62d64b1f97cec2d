"""Fire times moved to the sample clock."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from deblend.errors import InputError
from deblend.model.recording import Recording, SourceFile
from deblend.model.shots import make_shots
from deblend.records.clock_correction import correct_by_timestamps, correct_given_drift

INTERVAL_NS = 2_000_000
PARTS = 8e-6
LENGTH = 50_000


def drifting(files: int = 6) -> Recording:
    """Samples that take 8 parts in a million longer than the header says."""
    true_ns = round(LENGTH * INTERVAL_NS * (1 + PARTS))
    return Recording(
        np.zeros((1, files * LENGTH), np.float32),
        interval_s=0.002,
        start=0,
        time_scale="gps",
        files=tuple(
            SourceFile(Path(f"{k}.sgy"), k * LENGTH, (k + 1) * LENGTH, k * true_ns)
            for k in range(files)
        ),
    )


def shots_at(seconds):
    fire_ns = np.rint(np.asarray(seconds) * 1e9).astype(np.int64)
    return make_shots(np.ones(len(fire_ns), int), np.arange(len(fire_ns)), fire_ns, "gps")


def test_timestamps() -> None:
    seconds = np.array([1.0, 99.0, 250.5, 599.0])
    moved, finding = correct_by_timestamps(drifting(), shots_at(seconds))
    # Sample n was taken at n * interval * (1 + parts); the fire time has to name that sample.
    wanted = seconds / (1 + PARTS)
    np.testing.assert_allclose(moved.fire_time_ns * 1e-9, wanted, atol=3e-9)
    assert finding.verdict == "note"
    assert finding.value == pytest.approx(-599.0 * PARTS * 1e3, rel=1e-3)


def test_stated_drift() -> None:
    moved, finding = correct_given_drift(drifting(), shots_at([0.0, 100.0]), 2.5)
    assert (moved.fire_time_ns - np.array([0, 100_000_000_000])).tolist() == [0, 250_000]
    assert "+2.5 µs a second" in finding.message


def test_refusals() -> None:
    with pytest.raises(InputError, match="no timestamps of their own"):
        correct_by_timestamps(
            Recording(np.zeros((1, 9)), interval_s=0.002, start=0, time_scale="gps"),
            shots_at([0.0]),
        )
    with pytest.raises(InputError, match="drift_ppm is 5000"):
        correct_given_drift(drifting(), shots_at([0.0]), 5000.0)
