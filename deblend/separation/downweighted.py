"""What weights took out of the fit: by channel, shot and frequency band; findings on it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import to_host
from deblend.blending.operator import LEAD, BlendingOperator
from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.separation.weights import RecordWeights

BAD_CHANNEL: Final = 0.5
"""Part of its weight that a channel may lose before it is called bad."""
BAD_SHOT: Final = 0.3
"""Part of the weight of its windows that a shot may lose before it is named."""
MOST_ROWS: Final = 12
"""Channels, and shots, that are named."""


@dataclass(frozen=True, eq=False)
class Downweighted:
    """Weight that was lost; every figure is a sum, so that blocks add up."""

    channel: NDArray[np.float64]
    shot: NDArray[np.float64]
    band: NDArray[np.float64]
    """(row, 2): Weight lost and weight there was, of each channel and shot of the line and each
    band. Of shots on the channels that are not bad themselves: a bad channel shows nothing of a
    shot."""
    sample: NDArray[np.float64]
    """(channel, 2): Samples left out, and samples known."""
    band_hz: NDArray[np.float64]
    """(band + 1,): Edges of the bands in hertz."""

    def __add__(self, other: Downweighted) -> Downweighted:
        """Sum of two blocks."""
        return Downweighted(
            self.channel + other.channel,
            self.shot + other.shot,
            self.band + other.band,
            self.sample + other.sample,
            self.band_hz,
        )


def downweighted(
    weights: RecordWeights,
    known: NDArray[np.bool_],
    operator: BlendingOperator,
    block: range,
    channel_count: int,
) -> Downweighted:
    """Add up the weights of a block over its known samples, of shape (channel, time)."""
    windows = weights.windows
    share = windows.bins_of_band / windows.bins_of_band.sum()
    there = np.asarray(known.any(axis=1), np.float64)
    lost = np.asarray(1.0 - weights.band, np.float64) * there[:, None, None]
    by_window = lost @ share
    channel = np.zeros((channel_count, 2))
    channel[block.start : block.stop] = np.stack(
        [by_window.sum(axis=1), np.full(len(block), float(windows.count))], axis=1
    )
    sample = np.zeros((channel_count, 2))
    out = (to_host(weights.sample) < 1) & known
    sample[block.start : block.stop] = np.stack([out.sum(axis=1), known.sum(axis=1)], axis=1)
    return Downweighted(
        channel=channel,
        shot=_of_shots(by_window[by_window.mean(axis=1) <= BAD_CHANNEL], operator, windows.step),
        band=np.stack(
            [lost.sum(axis=(0, 1)), np.full(len(share), float(lost[..., 0].size))], axis=1
        ),
        sample=sample,
        band_hz=windows.band_hz,
    )


def _of_shots(
    by_window: NDArray[np.float64], operator: BlendingOperator, step: int
) -> NDArray[np.float64]:
    """Weight lost by the windows that each shot covers, and their number."""
    channels, count = by_window.shape
    total = np.concatenate([[0.0], np.cumsum(by_window.sum(axis=0))])
    first = (operator.first_sample + LEAD) // step + 1
    edges = np.clip([first, first + operator.length // step + 1], 0, count)
    lost = np.where(operator.live, total[edges[1]] - total[edges[0]], 0.0)
    return np.stack([lost, channels * (edges[1] - edges[0]).astype(np.float64)], axis=1)


def downweighted_findings(
    found: Downweighted, shots: Shots, channel_numbers: NDArray[np.int64]
) -> Iterator[Finding]:
    """What was fitted less than the rest, where, and whether that can be trusted."""
    if not (found.channel[:, 0].any() or found.sample[:, 0].any()):
        return
    by_channel, by_shot = _share(found.channel), _share(found.shot)
    yield _whole(found)
    bad = np.flatnonzero(by_channel > BAD_CHANNEL)
    there = int(np.count_nonzero(found.sample[:, 1]))
    if 2 * len(bad) > there > 1:
        yield Finding(
            "bad_channels",
            100.0 * len(bad) / there,
            "%",
            "fail",
            f"{len(bad)} of {there} channels were taken for bad, more than half: what is usual "
            "can no longer be told from neighbours. Look at the record, and separate with "
            "robust = false or without those channels.",
            limit=50.0,
        )
    for channel in bad[np.argsort(-by_channel[bad], kind="stable")][:MOST_ROWS]:
        yield Finding(
            "channel_fitted_less",
            100.0 * float(by_channel[channel]),
            "%",
            "look",
            "The channel is unlike its neighbours most of the time and took little part in the "
            "fit: its gathers are continued from other channels and shots there.",
            channel=int(channel_numbers[channel]),
            limit=100.0 * BAD_CHANNEL,
        )
    rows = np.flatnonzero(by_shot > BAD_SHOT)
    for row in rows[np.argsort(-by_shot[rows], kind="stable")][:MOST_ROWS]:
        yield Finding(
            "shot_fitted_less",
            100.0 * float(by_shot[row]),
            "%",
            "look",
            "What was recorded during this shot is unlike neighbouring shots or channels, as "
            "interference or swell are, and took less part in the fit.",
            source=shots.source[row].item(),
            shot_point=int(shots.shot_point[row]),
            limit=100.0 * BAD_SHOT,
        )


def _whole(found: Downweighted) -> Finding:
    lost = _share(found.band)
    strongest = int(np.argmax(lost))
    bins = np.diff(found.band_hz)
    share = float(lost @ bins / bins.sum())
    spikes = float(_share(found.sample.sum(axis=0, keepdims=True))[0])
    low, high = found.band_hz[strongest], found.band_hz[strongest + 1]
    return Finding(
        "fitted_less",
        100.0 * share,
        "%",
        "note",
        f"Part of the weight of the record that was lost by windows unlike their neighbours "
        f"(swell, a bad channel, other vessels); most between {low:.1f} and {high:.1f} Hz, "
        f"{100.0 * lost[strongest]:.2f} %. {100.0 * spikes:.3f} % of the samples were left out as "
        "spikes.",
    )


def _share(sums: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(sums[:, 0] / np.maximum(sums[:, 1], 1.0))
