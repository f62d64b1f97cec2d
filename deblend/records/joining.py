"""Time slices on one sample grid: gaps, overlaps and clock steps are found, never smoothed over.

The grid is that of the earliest file. A start that lies off it by more than 1 microsecond or 1 % of
a sample, whichever is smaller, is placed on the nearest sample and reported with its value. Where
two files hold the same samples, the one that starts earlier is read; a file that holds exactly the
span of another one is a duplicate and left out.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError
from deblend.model.findings import Finding
from deblend.model.recording import Gap, Recording, SourceFile
from deblend.model.timebase import NS_PER_S, TimeScale
from deblend.records.starts import Start
from deblend.words import are, counted

_TOLERANCE_NS: Final = 1_000
_TOLERANCE_SAMPLES: Final = 0.01
_LONGEST_GAP_NS: Final = 86_400 * 1_000_000_000


class TimeSlice(Start, Protocol):
    """One time slice of all channels, of whatever format: headers read, samples lazy."""

    @property
    def interval_ns(self) -> int:
        """Sample interval."""
        ...

    @property
    def sample_count(self) -> int:
        """Number of samples."""
        ...

    @property
    def channels(self) -> NDArray[np.int64]:
        """Channel number of each trace."""
        ...

    @property
    def dead(self) -> NDArray[np.bool_]:
        """Traces that the file marks as no measurement."""
        ...

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was noticed in this file alone."""
        ...

    def read_into(
        self, out: NDArray[np.float32], rows: Sequence[int], start: int, stop: int
    ) -> None:
        """Put samples ``[start, stop)`` of the traces `rows` into `out`, NaN where unknown."""
        ...


@dataclass(frozen=True, eq=False)
class FileSegment:
    """Samples ``[start, stop)`` of the record, read from one file."""

    file: TimeSlice
    """Where they are."""
    start: int
    stop: int
    """Place in the record."""
    skip: int
    """Samples at the begin of the file that an earlier file already holds."""
    trace: Sequence[int]
    """Trace of the file for each row of the record."""


class JoinedSlices:
    """Samples of files that follow each other, shape (channel, time)."""

    def __init__(self, segments: Sequence[FileSegment]) -> None:
        self._segments = tuple(segments)
        self._starts = [segment.start for segment in self._segments]

    @property
    def shape(self) -> tuple[int, int]:
        """Number of channels and of samples."""
        return len(self._segments[0].trace), self._segments[-1].stop

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        """Samples ``[start, stop)`` of channels by row number; NaN in gaps and dead traces."""
        out = np.full((len(channels), stop - start), np.nan, dtype=np.float32)
        first = max(0, bisect_right(self._starts, start) - 1)
        for segment in self._segments[first:]:
            if segment.start >= stop or not len(channels):
                break
            begin, end = max(start, segment.start), min(stop, segment.stop)
            if begin < end:
                shift = segment.skip - segment.start
                segment.file.read_into(
                    out[:, begin - start : end - start],
                    [segment.trace[row] for row in channels],
                    begin + shift,
                    end + shift,
                )
        return out


def recording_of(
    files: Sequence[TimeSlice],
    *,
    time_scale: TimeScale,
    amplitude_unit: str,
    findings: Sequence[Finding],
) -> Recording:
    """Join time slices of one time scale, at least one, in the order of their starts.

    `findings` are what only shows over all files; what joining finds and what the files found is
    added.
    """
    files = sorted(files, key=lambda file: (file.start_ns, str(file.path)))
    segments, gaps, joining = join(files)
    return Recording(
        JoinedSlices(segments),
        interval_s=files[0].interval_ns / NS_PER_S,
        start=files[0].start_ns,
        time_scale=time_scale,
        channels=tuple(files[0].channels.tolist()),
        gaps=tuple(gaps),
        amplitude_unit=amplitude_unit,
        files=tuple(
            SourceFile(
                segment.file.path,
                segment.start,
                segment.stop,
                segment.file.start_ns + segment.skip * segment.file.interval_ns,
            )
            for segment in segments
        ),
        findings=(
            *joining,
            *(finding for file in files for finding in file.findings),
            *_dead_traces(files),
            *findings,
        ),
    )


def join(files: Sequence[TimeSlice]) -> tuple[list[FileSegment], list[Gap], list[Finding]]:
    """Place files, sorted by start, on the grid of the first."""
    first = files[0]
    rows = {int(number): row for row, number in enumerate(first.channels)}
    segments: list[FileSegment] = []
    gaps: list[Gap] = []
    findings: list[Finding] = []
    spans: dict[tuple[int, int], TimeSlice] = {}
    end, last = 0, first
    for file in files:
        _check_alike(first, file)
        start, off_grid = _position(first, file)
        stop = start + file.sample_count
        twin = spans.setdefault((start, stop), file)
        if twin is not file:
            findings.append(_duplicate_finding(twin, file))
            continue
        findings += off_grid
        if start > end:
            gaps.append(Gap(end, start))
            findings.append(_gap_finding(last, file, start - end))
        if start < end:
            findings.append(_overlap_finding(last, file, min(end, stop) - start))
        if stop > end:
            begin = max(start, end)
            segments.append(FileSegment(file, begin, stop, begin - start, _traces(rows, file)))
            end, last = stop, file
    return segments, gaps, findings


def _check_alike(first: TimeSlice, file: TimeSlice) -> None:
    if file.interval_ns != first.interval_ns:
        problem = (
            "sample intervals differ",
            f"{file.interval_ns / 1e6:g} ms",
            f"{first.interval_ns / 1e6:g} ms",
        )
    elif len(file.channels) != len(first.channels):
        problem = "channel counts differ", str(len(file.channels)), str(len(first.channels))
    elif set(file.channels.tolist()) != set(first.channels.tolist()):
        missing = np.setdiff1d(first.channels, file.channels)
        problem = "channel numbers differ", f"no channel {missing[0]}", f"channel {missing[0]}"
    else:
        return
    what, here, there = problem
    raise RecordError(
        f"{what}: {here} here, {there} in {first.path}",
        where=str(file.path),
        remedy="The files of one record must have the same channels and interval; open them apart.",
    )


def _traces(rows: dict[int, int], file: TimeSlice) -> Sequence[int]:
    """Trace of `file` for each row of the record, by channel number."""
    traces = [0] * len(rows)
    for trace, number in enumerate(file.channels.tolist()):
        traces[rows[number]] = trace
    return traces if traces != list(range(len(traces))) else range(len(traces))


def _position(first: TimeSlice, file: TimeSlice) -> tuple[int, list[Finding]]:
    """First sample of a file on the grid of the first file."""
    interval_ns = first.interval_ns
    elapsed_ns = file.start_ns - first.start_ns
    sample = (elapsed_ns + interval_ns // 2) // interval_ns
    deviation_ns = elapsed_ns - sample * interval_ns
    limit_ns = min(_TOLERANCE_NS, _TOLERANCE_SAMPLES * interval_ns)
    if abs(deviation_ns) <= limit_ns:
        return sample, []
    message = (
        f"{file.path.name} starts {deviation_ns / 1e6:+.6f} ms off the sample grid of "
        f"{first.path.name}: a clock step or an inexact start. It was placed on the nearest "
        "sample, and shots in it are off by that much."
    )
    finding = Finding(
        "start_off_grid", deviation_ns / 1e6, "ms", "look", message, limit=limit_ns / 1e6
    )
    return sample, [finding]


def _gap_finding(before: TimeSlice, after: TimeSlice, samples: int) -> Finding:
    length_ns = samples * after.interval_ns
    if length_ns > _LONGEST_GAP_NS:
        raise RecordError(
            f"nothing was recorded for {length_ns / _LONGEST_GAP_NS:.1f} days before this file",
            where=f"{after.path} after {before.path}",
            remedy="The files are not of one line, or a start is wrong; open them apart.",
        )
    return Finding(
        "gap",
        length_ns * 1e-9,
        "s",
        "look",
        f"{counted(samples, 'sample')} missing between {before.path.name} and {after.path.name}, "
        f"treated as unknown.{_factor_hint(before, before.sample_count + samples)}",
    )


def _factor_hint(before: TimeSlice, samples_apart: int) -> str:
    """What a distance of two starts means that is a round multiple of the length of a file."""
    if samples_apart == 2 * before.sample_count:
        return (
            " That is the length of a file: one is missing, or the sample interval is twice what "
            "the headers say."
        )
    if 2 * samples_apart == before.sample_count:
        return " That is half a file: the sample interval may be half of what the headers say."
    return ""


def _duplicate_finding(first: TimeSlice, again: TimeSlice) -> Finding:
    return Finding(
        "duplicate_record",
        again.sample_count * again.interval_ns * 1e-9,
        "s",
        "look",
        f"{again.path.name} ({again.path.parent}) holds the same {again.sample_count} samples as "
        f"{first.path.name} ({first.path.parent}), which is read; it is left out, and the two were "
        "not compared.",
    )


def _overlap_finding(before: TimeSlice, after: TimeSlice, samples: int) -> Finding:
    beyond = samples < after.sample_count
    hint = _factor_hint(before, before.sample_count - samples) if beyond else ""
    return Finding(
        "overlap",
        samples * after.interval_ns * 1e-9,
        "s",
        "look",
        f"{counted(samples, 'sample')} at the begin of {after.path.name} {are(samples)} also in "
        f"{before.path.name}, which is read there; the two were not compared.{hint}",
    )


def _dead_traces(files: Sequence[TimeSlice]) -> list[Finding]:
    counts = Counter(int(number) for file in files for number in file.channels[file.dead])
    return [
        Finding(
            "dead_trace",
            float(count),
            "files",
            "look",
            f"Channel {number} is marked dead or dummy in {count} of "
            f"{counted(len(files), 'file')}; its samples there are treated as unknown.",
            channel=number,
        )
        for number, count in sorted(counts.items())
    ]
