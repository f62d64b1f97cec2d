"""What the samples of the record are like: dead channels and samples that are no numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.recording import Gap


@dataclass(frozen=True, eq=False)
class SampleCounts:
    """One entry a channel.

    Parameters
    ----------
    dead : ndarray of bool, shape (channel,)
        All known samples are equal, zero as a rule, or none is known.
    unusable : ndarray of int64, shape (channel,)
        Samples that were recorded and are NaN or infinite.
    """

    dead: NDArray[np.bool_]
    unusable: NDArray[np.int64]


def count_samples(
    record: NDArray[np.float32], known: NDArray[np.bool_], gaps: Sequence[Gap]
) -> SampleCounts:
    """Look at every sample of some channels.

    Parameters
    ----------
    record : ndarray of float32, shape (channel, time)
        Values where `known`, anything elsewhere.
    known : ndarray of bool, shape (channel, time)
        False where the sample is missing, NaN or infinite.
    gaps : sequence of Gap
        Stretches that no file holds; they do not count as unusable.
    """
    low = np.min(record, axis=1, initial=np.inf, where=known)
    high = np.max(record, axis=1, initial=-np.inf, where=known)
    in_gaps = sum(gap.stop - gap.start for gap in gaps)
    return SampleCounts(
        dead=high <= low,
        unusable=np.count_nonzero(~known, axis=1).astype(np.int64) - in_gaps,
    )


def join_counts(parts: Sequence[SampleCounts]) -> SampleCounts:
    """Counts of consecutive blocks of channels as one."""
    return SampleCounts(
        np.concatenate([part.dead for part in parts]),
        np.concatenate([part.unusable for part in parts]),
    )


def sample_findings(
    counts: SampleCounts, channel_numbers: NDArray[np.int64], sample_count: int
) -> list[Finding]:
    """Rows of the findings table: one a dead channel, one a channel with unusable samples.

    Parameters
    ----------
    counts : SampleCounts
        Of all channels.
    channel_numbers : ndarray of int64, shape (channel,)
        Channel numbers.
    sample_count : int
        Samples of a channel.
    """
    rows = [
        Finding(
            "dead_channel",
            float("nan"),
            "",
            "look",
            "All samples of the channel are equal or unknown; it is delivered as zeros and its "
            "traces are marked dead.",
            channel=int(channel_numbers[row]),
        )
        for row in np.flatnonzero(counts.dead)
    ]
    rows += [
        Finding(
            "unusable_samples",
            float(counts.unusable[row]),
            "samples",
            "look",
            f"NaN or infinite samples, {100 * counts.unusable[row] / sample_count:.3g} % of the "
            "channel; they were treated as unknown.",
            channel=int(channel_numbers[row]),
        )
        for row in np.flatnonzero((counts.unusable > 0) & ~counts.dead)
    ]
    return rows
