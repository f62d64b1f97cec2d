"""Dead channels and samples that are no numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from qc_line import measured_line, small_setup

from deblend.model.recording import Gap
from deblend.model.shots import make_shots
from deblend.qc.metric import MeasuredLine
from deblend.qc.record_samples import SampleCounts, nothing_seen, sample_findings


def line_of(counts: SampleCounts, numbers: NDArray[np.int64], sample_count: int) -> MeasuredLine:
    setup = small_setup(make_shots(np.ones(1), np.ones(1), np.ones(1, np.int64), "utc"), [(0, 10)])
    line = measured_line(setup, counts=counts)
    return replace(line, channel_numbers=numbers, sample_count=sample_count)


def test_counts_and_findings() -> None:
    samples = np.random.default_rng(0).standard_normal((5, 100)).astype(np.float32)
    samples[1] = 0.0
    samples[2] = 7.5
    samples[3, 50:53] = [np.nan, np.inf, -np.inf]
    samples[4] = np.nan
    samples[:, 10:20] = np.nan  # a gap between files
    seen = nothing_seen(5)
    for start in (0, 15, 60):
        seen = seen.seen(samples[:, start : {0: 15, 15: 60, 60: 100}[start]])
    counts = seen.counts([Gap(10, 20)])
    np.testing.assert_array_equal(counts.dead, [False, True, True, False, True])
    np.testing.assert_array_equal(counts.unusable, [0, 0, 0, 3, 90])
    rows = list(sample_findings(line_of(counts, np.arange(101, 106), 100)))
    assert [(row.metric, row.channel) for row in rows] == [
        ("dead_channel", 102),
        ("dead_channel", 103),
        ("dead_channel", 105),
        ("unusable_samples", 104),
    ]
    assert rows[-1].value == 3
    assert "3 % of the channel" in rows[-1].message


def test_a_clean_record_has_none() -> None:
    record = np.random.default_rng(0).standard_normal((2, 50)).astype(np.float32)
    counts = nothing_seen(2).seen(record).counts([])
    assert not list(sample_findings(line_of(counts, np.array([1, 2]), 50)))
