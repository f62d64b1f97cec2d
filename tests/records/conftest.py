"""Continuous SEG-Y files to read, and single words of them to damage."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.synth.segy_write import write_continuous_segy

START_NS = 1_748_779_203_512_345_678  # 2025-06-01T12:00:03.512345678
INTERVAL_NS = 2_000_000


@pytest.fixture
def samples():
    return np.random.default_rng(5).standard_normal((4, 300)).astype(np.float32)


@pytest.fixture
def write(tmp_path):
    """Write ``name`` with the given samples, `delay` samples after START_NS; returns the path."""

    def write_slice(name, samples, delay=0, **changes):
        settings = {
            "interval_ns": INTERVAL_NS,
            "start_ns": START_NS + delay * INTERVAL_NS,
            "time_scale": "utc",
            "channel_numbers": np.arange(1, len(samples) + 1),
        } | changes
        write_continuous_segy(tmp_path / name, samples, **settings)
        return tmp_path / name

    return write_slice


@pytest.fixture
def patch():
    """Overwrite bytes of a file, `position` counted from 1 as in the standard."""

    def overwrite(path, position, data):
        with path.open("r+b") as file:
            file.seek(position - 1)
            file.write(data)

    return overwrite


@pytest.fixture
def patch_traces(patch):
    """Overwrite bytes of a header of every trace; `header` 0 is the standard one."""

    def overwrite(path, position, data, *, header=0, revision=2, sample_count=300, traces=(0, 4)):
        headers = 1 if revision == 1 else 2
        for trace in range(*traces):
            begin = 3600 + trace * (240 * headers + 4 * sample_count) + 240 * header
            patch(path, begin + position, data)

    return overwrite
