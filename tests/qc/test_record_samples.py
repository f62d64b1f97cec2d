"""Dead channels and samples that are no numbers."""

from __future__ import annotations

import numpy as np

from deblend.model.recording import Gap
from deblend.qc.record_samples import nothing_seen, sample_findings


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
    rows = sample_findings(counts, np.arange(101, 106), 100)
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
    assert sample_findings(counts, np.array([1, 2]), 50) == []
