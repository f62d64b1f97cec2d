"""Shot points that a table leaves out, by its numbers and times alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import compress, pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.model.timebase import format_instant
from deblend.words import counted

_USUAL: Final = 0.8
"""Part of the steps between shots that must be alike: numbers that differ more count nothing."""
_FEWEST: Final = 8
_PAUSE: Final = 1.5
"""Times the usual interval of a source from which a shot of it may be missing: fire times vary."""
_MOST_NAMED: Final = 8

Source = int | str


@dataclass(frozen=True)
class _Gap:
    """Numbers that are missing between two shots."""

    points: tuple[int, ...]
    begin_ns: int
    end_ns: int

    def expected_ns(self) -> NDArray[np.int64]:
        """When they would have been fired."""
        count = len(self.points)
        part = np.arange(1, count + 1) / (count + 1)
        return self.begin_ns + np.rint(part * (self.end_ns - self.begin_ns)).astype(np.int64)


def missing_shot_points(recording: Recording, shots: Shots) -> list[Finding]:
    """Shot points without a row, where numbers count shots and there was time to fire them.

    One finding a source, or one for all where sources share one row of numbers. Fails to see a
    missing row where numbers were dealt out afterwards, or where they do not count; the samples
    show it there.
    """
    if len({str(name) for name in np.unique(shots.line)}) > 1:
        return []
    findings: list[Finding] = []
    for source in shots.sources:
        rows = shots.rows_of(source)
        gaps = _gaps(shots.shot_point[rows], shots.fire_time_ns[rows])
        if gaps is None:  # sources fire in no fixed order and share one row of numbers
            gaps = _gaps(shots.shot_point, shots.fire_time_ns)
            return list(_findings(recording, shots, gaps or [], None))
        findings += _findings(recording, shots, gaps, source)
    return findings


def _gaps(points: NDArray[np.int64], times_ns: NDArray[np.int64]) -> list[_Gap] | None:
    """What is missing in a row of numbers; None where it does not count shots."""
    order = np.argsort(times_ns, kind="stable")
    points, times_ns = points[order].astype(np.int64), times_ns[order]
    steps = np.diff(points)
    if len(points) < _FEWEST:
        return []
    usual = int(np.median(steps))
    if usual == 0 or np.mean(steps == usual) < _USUAL:
        return None
    gaps, there = [], set(points.tolist())
    for (point, begin), (following, end) in pairwise(
        zip(points.tolist(), times_ns.tolist(), strict=True)
    ):
        missing = range(point + usual, following, usual)  # of a wrong number, billions
        if not missing or (following - point) % usual or 2 * len(missing) > len(points):
            continue  # another habit of numbering, or another part of the line
        # A row of that number with another time is there, and said to be outside the record.
        if absent := tuple(point for point in missing if point not in there):
            gaps.append(_Gap(absent, begin, end))
    return gaps


def _findings(
    recording: Recording, shots: Shots, gaps: list[_Gap], source: Source | None
) -> Iterator[Finding]:
    whose = "" if source is None else f" of source {source}"
    silent = [_pausing(shots, gap, source) for gap in gaps]
    likely = [
        bool(sources) and _recorded(recording, gap)
        for gap, sources in zip(gaps, silent, strict=True)
    ]
    fired = list(compress(gaps, likely))
    by_whom = _by_whom(silent, likely) if source is None else ""
    if fired:
        count = sum(len(gap.points) for gap in fired)
        first, last = (
            format_instant(ns, recording.scale, 3) for ns in (fired[0].begin_ns, fired[0].end_ns)
        )
        message = (
            f"{counted(count, 'shot point')}{whose} without a row, while the time for "
            f"{'it' if count == 1 else 'them'} passed: {_named(fired)}; the first between {first} "
            f"and {last}{by_whom}. What they fired is in the record and would be taken for signal "
            "of others: add the rows, with live = false for what did not fire."
        )
        yield Finding("missing_shot_points", float(count), "shots", "look", message, source=source)
    skipped = [gap for gap, fired_here in zip(gaps, likely, strict=True) if not fired_here]
    if skipped:
        count = sum(len(gap.points) for gap in skipped)
        message = (
            f"{counted(count, 'number')}{whose} left out where no time for a shot passed or "
            f"nothing was recorded: {_named(skipped)}."
        )
        yield Finding("shot_points_skipped", float(count), "shots", "note", message, source=source)


def _pausing(shots: Shots, gap: _Gap, source: Source | None) -> list[Source]:
    """Sources, or the one in question, that paused for longer than usual about a gap."""
    found = []
    for one in shots.sources if source is None else (source,):
        times_ns = np.sort(shots.fire_time_ns[shots.rows_of(one)])
        before = int(np.searchsorted(times_ns, gap.begin_ns, side="right")) - 1
        after = int(np.searchsorted(times_ns, gap.end_ns, side="left"))
        if before < 0 or after >= len(times_ns):
            continue
        if times_ns[after] - times_ns[before] > _PAUSE * np.median(np.diff(times_ns)):
            found.append(one)
    return found


def _by_whom(silent: list[list[Source]], likely: list[bool]) -> str:
    """Whose shots are missing, where sources share one row of numbers."""
    names = sorted({str(one) for sources in compress(silent, likely) for one in sources})
    return f"; by the pauses shots of source {', '.join(names)}"


def _recorded(recording: Recording, gap: _Gap) -> bool:
    """Whether the record holds any instant at which they would have been fired."""
    sample = (gap.expected_ns() - recording.start_ns) // recording.interval_ns
    held = (sample >= 0) & (sample < recording.shape[1])
    for lost in recording.gaps:
        held &= (sample < lost.start) | (sample >= lost.stop)
    return bool(held.any())


def _named(gaps: list[_Gap]) -> str:
    """Numbers, those that follow each other as a range."""
    names = [
        f"{gap.points[0]}" if len(gap.points) == 1 else f"{gap.points[0]} to {gap.points[-1]}"
        for gap in gaps
    ]
    more = f" and {len(names) - _MOST_NAMED} more places" if len(names) > _MOST_NAMED else ""
    return ", ".join(names[:_MOST_NAMED]) + more
