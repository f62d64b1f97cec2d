"""What the samples of the record are like: dead channels and samples that are no numbers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.recording import Gap
from deblend.qc.metric import MeasuredLine, Metric


@dataclass(frozen=True, eq=False)
class SampleCounts:
    """One entry a channel."""

    dead: NDArray[np.bool_]
    """(channel,): All known samples are equal, zero as a rule, or none is known."""
    unusable: NDArray[np.int64]
    """(channel,): Samples that were recorded and are NaN or infinite."""


@dataclass(frozen=True, eq=False)
class SampleRange:
    """What the samples looked at so far are like, one entry a channel."""

    low: NDArray[np.float32]
    high: NDArray[np.float32]
    """(channel,): Smallest and largest known sample."""
    unknown: NDArray[np.int64]
    """(channel,): Samples that are missing, NaN or infinite."""

    def seen(self, part: NDArray[np.float32]) -> SampleRange:
        """Counts with more samples, shape (channel, time)."""
        low = np.min(part, axis=1, initial=np.inf)  # NaN where any sample is
        high = np.max(part, axis=1, initial=-np.inf)
        unknown = np.zeros_like(self.unknown)
        doubtful = ~(np.isfinite(low) & np.isfinite(high))
        if doubtful.any():
            some = part[doubtful]
            known = np.isfinite(some)
            low[doubtful] = np.min(some, axis=1, initial=np.inf, where=known)
            high[doubtful] = np.max(some, axis=1, initial=-np.inf, where=known)
            unknown[doubtful] = np.count_nonzero(~known, axis=1)
        return SampleRange(
            np.minimum(self.low, low), np.maximum(self.high, high), self.unknown + unknown
        )

    def counts(self, gaps: Sequence[Gap]) -> SampleCounts:
        """Dead channels and unusable samples; those in gaps, which no file holds, are neither."""
        in_gaps = sum(gap.stop - gap.start for gap in gaps)
        return SampleCounts(dead=self.high <= self.low, unusable=self.unknown - in_gaps)


def nothing_seen(channel_count: int) -> SampleRange:
    """Before the first sample."""
    return SampleRange(
        np.full(channel_count, np.inf, np.float32),
        np.full(channel_count, -np.inf, np.float32),
        np.zeros(channel_count, np.int64),
    )


def sample_findings(line: MeasuredLine, _: object = None) -> Iterator[Finding]:
    """One row for each dead channel, one for each channel with unusable samples."""
    counts, numbers = line.counts, line.channel_numbers
    if counts is None:
        return
    for row in np.flatnonzero(counts.dead):
        yield Finding(
            "dead_channel",
            float("nan"),
            "",
            "look",
            "All samples of the channel are equal or unknown; it is delivered as zeros and its "
            "traces are marked dead.",
            channel=int(numbers[row]),
        )
    for row in np.flatnonzero((counts.unusable > 0) & ~counts.dead):
        yield Finding(
            "unusable_samples",
            float(counts.unusable[row]),
            "samples",
            "look",
            "NaN, infinite or clipped samples, "
            f"{100 * counts.unusable[row] / line.sample_count:.3g} % of the channel; they were "
            "treated as unknown.",
            channel=int(numbers[row]),
        )


SAMPLES: Final = Metric("samples", rows=sample_findings)
