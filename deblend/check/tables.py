"""Tables of the input check: the files of the record and the sources of the shot table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.model.timebase import format_instant

_LONGEST_STEADY: Final = 1.5
"""Of the median interval: a longer one holds a shot that is not in the table."""


@dataclass(frozen=True)
class FileRow:
    """One file of the record."""

    name: str
    """File name."""
    start: str
    """Instant of its first sample, by its own header."""
    samples: int
    """That the record takes from it."""
    duration_s: float
    """Their length."""
    jump_ms: float | None
    """From the end of the file before to its start: a gap, a step or a drift of the clock. None for
    the first file and where starts are unknown."""


@dataclass(frozen=True)
class SourceRow:
    """One source of the shot table."""

    source: str
    """Its name."""
    shots: int
    misfires: int
    not_wanted: int
    """Rows, misfires that were to be delivered, and those that are not to be delivered."""
    shortest_s: float
    median_s: float
    longest_s: float
    """Intervals between its shots; NaN for a single one."""
    spread_s: float
    """Range over which its fire times vary about a smooth course: from the 5th to the 95th
    percentile of the second differences, over two. NaN for fewer than five shots."""


def file_rows(recording: Recording) -> tuple[FileRow, ...]:
    """The files of a recording in the order of time."""
    rows = []
    expected_ns = None
    for file in recording.files:
        by_grid = recording.start_ns + file.start * recording.interval_ns
        start_ns = by_grid if file.start_ns is None else file.start_ns
        jump = None
        if expected_ns is not None and file.start_ns is not None:
            jump = (start_ns - expected_ns) * 1e-6
        samples = file.stop - file.start
        expected_ns = start_ns + samples * recording.interval_ns
        rows.append(
            FileRow(
                file.path.name,
                format_instant(start_ns, recording.scale),
                samples,
                samples * recording.interval_s,
                jump,
            )
        )
    return tuple(rows)


def source_rows(shots: Shots) -> tuple[SourceRow, ...]:
    """The sources of a shot table."""
    rows = []
    for source in shots.sources:
        own = shots.take(shots.rows_of(source))
        intervals = np.diff(np.sort(own.fire_time_ns)) * 1e-9
        known = intervals if intervals.size else np.array([np.nan])
        spread = np.nan
        # Where a shot is missing the interval says nothing of delays.
        steady = intervals[intervals < _LONGEST_STEADY * np.median(known)]
        if steady.size >= 4:
            low, high = np.percentile(np.diff(steady), [5, 95])
            spread = 0.5 * float(high - low)
        rows.append(
            SourceRow(
                str(source),
                len(own),
                int((~own.live & own.deliver).sum()),
                int((~own.deliver).sum()),
                float(known.min()),
                float(np.median(known)),
                float(known.max()),
                spread,
            )
        )
    return tuple(rows)
