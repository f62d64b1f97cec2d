"""Amplitudes of a record: the usual size of its samples, and those that no recorder can have given.

The loop works on samples whose usual peak is about one, so that results do not depend on the unit
of the record. The factor is a power of two, which changes no digit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.recording import Recording, SampleSource
from deblend.model.timebase import format_instant
from deblend.words import counted

IMPOSSIBLE: Final = 1e6
"""Times the usual peak; between the noise and the largest number of a 24-bit converter lies less.
"""
_WINDOWS: Final = 16
_CHANNELS: Final = 8
_WINDOW_SAMPLES: Final = 1024
_PART: Final = 75.0
"""Percentile of the peaks of windows: above most of the noise, and below what a quarter of them
holds of bad samples."""
_NAMED: Final = 4
_MOST_KEPT: Final = 1000


@dataclass(frozen=True, eq=False)
class PossibleSamples:
    """Samples of another source, unknown where they are larger than any that can be real."""

    source: SampleSource
    """As recorded."""
    largest: float
    """Samples above are unknown."""
    impossible: dict[tuple[int, int], float] = field(default_factory=dict)
    """What was met while reading: channel row and sample, and its value; the first thousand."""

    @property
    def shape(self) -> tuple[int, int]:
        """Number of channels and of samples."""
        return self.source.shape

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        """Samples ``[start, stop)``; NaN where none can be believed."""
        samples = self.source.read(channels, start, stop)
        largest = max(
            float(np.fmax.reduce(samples, axis=None, initial=0)),
            -float(np.fmin.reduce(samples, axis=None, initial=0)),
        )
        if largest <= self.largest:
            return samples
        beyond = (np.abs(samples) > self.largest) & np.isfinite(samples)
        for row, at in np.argwhere(beyond)[: _MOST_KEPT - len(self.impossible)].tolist():
            self.impossible[int(channels[row]), start + at] = float(samples[row, at])
        return np.where(beyond, np.float32(np.nan), samples)


def usual_peak(recording: Recording) -> float:
    """Peak of most windows of the record, read here and there; 0 where all of it is silent."""
    channel_count, count = recording.shape
    rows = np.unique(np.linspace(0, channel_count - 1, min(_CHANNELS, channel_count)).astype(int))
    length = max(1, min(_WINDOW_SAMPLES, count // _WINDOWS))  # windows do not overlap
    peaks = []
    for start in np.unique(np.linspace(0, count - length, _WINDOWS).astype(int)).tolist():
        part = recording.read(rows.tolist(), start, start + length)
        peaks.append(np.where(np.isfinite(part), np.abs(part), 0).max(axis=1))
    found = np.concatenate(peaks)
    found = found[found > 0]
    return float(np.percentile(found, _PART, method="lower")) if found.size else 0.0


def with_possible_samples(recording: Recording) -> tuple[Recording, float]:
    """The record without impossible samples, and the power of two next to its usual peak."""
    peak = usual_peak(recording)
    if not peak:
        return recording, 1.0
    samples = PossibleSamples(recording.source, IMPOSSIBLE * peak)
    return replace(recording, samples=samples), float(2.0 ** np.rint(np.log2(peak)))


def impossible_findings(recording: Recording) -> list[Finding]:
    """What a record of `with_possible_samples` met while it was read."""
    source = recording.source
    if not isinstance(source, PossibleSamples) or not source.impossible:
        return []
    named = [
        f"channel {recording.channel_numbers[row]} at "
        f"{format_instant(recording.start_ns + at * recording.interval_ns, recording.scale, 6)} "
        f"({value:.3g})"
        for (row, at), value in sorted(source.impossible.items())
    ]
    more = f" and {len(named) - _NAMED} more" if len(named) > _NAMED else ""
    message = (
        f"{counted(len(named), 'sample')} of more than {source.largest:.3g} "
        f"{recording.amplitude_unit}, a million times the usual peak: "
        f"{', '.join(named[:_NAMED])}{more}. No recorder gives that; taken as unknown."
    )
    return [Finding("impossible_samples", float(len(named)), "samples", "look", message)]
