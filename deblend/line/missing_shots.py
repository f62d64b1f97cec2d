"""Shots whose source events were in a file that is missing, from the numbering of the others.

Shots that come from the source events of the records are missing with their file. Which ones, the
shot points of each source before and after the gap say, and about when they fired, a straight line
through the times of these shots.

A predicted time is right to the spread of the random delays only, and a shot separated at a wrong
time is worse for its neighbours than none (`benchmarks.quality.missing_file`): it is not live until
a log gives its time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.recording import Recording
from deblend.model.shots import Shots, make_shots
from deblend.model.timebase import NS_PER_S
from deblend.words import are, counted

_NEIGHBOURS: Final = 6
"""Shots of a source on either side of a gap that say when those between them fired."""
_FEWEST: Final = 3
_PART: Final = 0.25
"""Of the interval of a source: its shots fire within this of a straight line through them."""


@dataclass(frozen=True)
class MissingShot:
    """A shot that is in no record."""

    source: int | str
    shot_point: int
    fire_time_ns: int
    """Predicted."""
    spread_ms: float
    """By which the neighbouring shots fired off their prediction, rms."""


@dataclass(frozen=True, eq=False)
class WithMissingShots:
    """A table of shots with those of missing files."""

    shots: Shots
    guessed: NDArray[np.bool_]
    """(shot,): Rows that were added, with predicted times."""
    missing: tuple[MissingShot, ...] = ()
    """Those rows."""
    findings: tuple[Finding, ...] = ()


def with_missing_shots(recording: Recording, shots: Shots, length_s: float) -> WithMissingShots:
    """Add a row for each shot that fired in a gap and reaches beyond it, and name all that did.

    `shots` are the source events of the files, `length_s` that of the gathers: how long a shot is
    in the record. New rows stand at the end, neither live nor to be delivered.
    """
    findings, reaching = [], []
    for gap in recording.gaps:
        begin_ns, end_ns = (
            recording.start_ns + sample * recording.interval_ns for sample in (gap.start, gap.stop)
        )
        if not _within_line(shots, begin_ns, end_ns):
            continue
        after = [file.path.name for file in recording.files if file.start == gap.stop]
        where = f"the record of {(end_ns - begin_ns) / NS_PER_S:.3f} s"
        where += f" before {after[0]}" if after else ""
        found = _fired_between(shots, begin_ns, end_ns)
        numbered = [one for those in found.values() if those for one in those]
        beyond = [one for one in numbered if one.fire_time_ns + length_s * NS_PER_S > end_ns]
        if numbered:
            findings.append(_gap_finding(numbered, len(beyond), where))
        for source, those in found.items():
            if those is None:
                findings += _unnumbered(shots, source, begin_ns, end_ns, where)
        reaching += beyond
    guessed = np.zeros(len(shots) + len(reaching), np.bool_)
    guessed[len(shots) :] = True
    return WithMissingShots(_with_rows(shots, reaching), guessed, tuple(reaching), tuple(findings))


def reaching_findings(table: WithMissingShots, shots: Shots) -> list[Finding]:
    """What became of each shot that reaches past a gap.

    `shots` is the table after logs were read: a row is live where one gave its time.
    """
    rows = np.flatnonzero(table.guessed)
    return [
        _reaching_finding(one, bool(shots.live[row]))
        for one, row in zip(table.missing, rows, strict=True)
    ]


def _within_line(shots: Shots, begin_ns: int, end_ns: int) -> bool:
    """Whether shots fired on both sides of a gap."""
    times = shots.fire_time_ns
    return bool((times < begin_ns).any() and (times >= end_ns).any())


def _fired_between(
    shots: Shots, begin_ns: int, end_ns: int
) -> dict[int | str, list[MissingShot] | None]:
    """Shots of each source that numbering places between two instants; None where it fails."""
    found = {}
    for source in shots.sources:
        rows = shots.rows_of(source)
        rows = rows[np.argsort(shots.fire_time_ns[rows], kind="stable")]
        course = _course(shots.fire_time_ns[rows], shots.shot_point[rows], begin_ns, end_ns)
        found[source] = None if course is None else list(course.between(source, begin_ns, end_ns))
    return found


@dataclass(frozen=True, eq=False)
class _Course:
    """Straight line through the fire times of a source on both sides of a gap."""

    points: NDArray[np.int64]
    """(shot,): All shot points of the source."""
    first_point: int
    first_ns: float
    """A shot point, and when it fired by the line."""
    step: int
    interval_ns: float
    """From one shot to the next, in points and in time."""
    last: int
    """Number of the last shot after the gap that the line goes through, counted from 0; 0 where
    shots are on one side only."""
    spread_ms: float

    def between(self, source: int | str, begin_ns: int, end_ns: int) -> Iterator[MissingShot]:
        """Shots that are not there between two instants."""
        low, high = ((at_ns - self.first_ns) / self.interval_ns for at_ns in (begin_ns, end_ns))
        for number in range(int(np.floor(low)), int(np.ceil(high)) + 1):
            point = self.first_point + number * self.step
            fired_ns = round(self.first_ns + self.interval_ns * number)
            # Between two shots that are there a random delay may carry one over the edge.
            margin_ns = _PART * self.interval_ns if 0 < number < self.last else 0.0
            inside = begin_ns - margin_ns <= fired_ns < end_ns + margin_ns
            if inside and point not in self.points:
                yield MissingShot(source, point, fired_ns, self.spread_ms)


def _course(
    times: NDArray[np.int64], points: NDArray[np.int64], begin_ns: int, end_ns: int
) -> _Course | None:
    """The course of a source across a gap; None where its numbering or times are not even."""
    before, after = np.flatnonzero(times < begin_ns), np.flatnonzero(times >= end_ns)
    near = np.concatenate([before[-_NEIGHBOURS:], after[:_NEIGHBOURS]])
    steps = np.diff(points)
    if len(near) < _FEWEST or not steps.any():
        return None
    step = int(np.median(steps[steps != 0])) or 1
    count = (points[near] - points[near[0]]) / step
    if (np.diff(count) <= 0).any():  # numbering starts anew
        return None
    since_ns = (times[near] - times[near[0]]).astype(np.float64)
    slope_ns, first_ns = np.polyfit(count, since_ns, 1)
    off_ns = since_ns - slope_ns * count - first_ns
    if slope_ns <= 0.0 or np.abs(off_ns).max() > _PART * slope_ns:
        return None
    return _Course(
        points,
        int(points[near[0]]),
        float(times[near[0]] + first_ns),
        step,
        float(slope_ns),
        round(count[-1]) if before.size and after.size else 0,
        float(np.sqrt(np.mean(off_ns**2))) * 1e-6,
    )


def _with_rows(shots: Shots, added: list[MissingShot]) -> Shots:
    if not added:
        return shots
    nothing = np.zeros(len(added), np.bool_)
    source: Any = np.array([one.source for one in added], shots.source.dtype)
    return shots.followed_by(
        make_shots(
            source,
            np.array([one.shot_point for one in added]),
            np.array([one.fire_time_ns for one in added]),
            shots.time_scale,
            line=np.full(len(added), shots.line[0]),
            sequence=np.full(len(added), shots.sequence[0]),
            live=nothing,
            deliver=nothing,
        )
    )


def _gap_finding(found: list[MissingShot], beyond: int, where: str) -> Finding:
    message = (
        f"{counted(len(found), 'shot')} {are(len(found))} missing with {where}, by the shot points "
        f"of their sources before and after: {_named(found)}. {_beyond(beyond)}"
    )
    return Finding("shots_of_missing_file", float(len(found)), "shots", "look", message)


def _unnumbered(
    shots: Shots, source: int | str, begin_ns: int, end_ns: int, where: str
) -> list[Finding]:
    """About how many shots of a source are missing, by its usual interval."""
    times = np.sort(shots.fire_time_ns[shots.rows_of(source)])
    after = int(np.searchsorted(times, end_ns))
    before = int(np.searchsorted(times, begin_ns)) - 1
    if before < 0 or after == len(times):
        return []
    count = round(float((times[after] - times[before]) / np.median(np.diff(times)))) - 1
    if count < 1:
        return []
    message = (
        f"About {counted(count, 'shot')} of source {source} {are(count)} missing with {where}, by "
        "its usual interval; its shot points before and after do not say which. Give the shots "
        "in a table."
    )
    return [Finding("shots_of_missing_file", float(count), "shots", "look", message, source)]


def _beyond(count: int) -> str:
    if not count:
        return "None of them reaches into what was recorded after the gap."
    verb = "reaches" if count == 1 else "reach"
    return f"{count} of them {verb} into what was recorded after it."


def _named(found: list[MissingShot]) -> str:
    """Shot points by source, in the order of firing; even ones as a range."""
    parts = []
    for source in dict.fromkeys(one.source for one in found):
        points = [one.shot_point for one in found if one.source == source]
        steps = set(np.diff(points).tolist())
        if len(points) > 2 and len(steps) == 1:
            step = steps.pop()
            by = "" if abs(step) == 1 else f" by {abs(step)}"
            parts.append(f"source {source} {points[0]} to {points[-1]}{by}")
        else:
            parts.append(f"source {source} {', '.join(map(str, points))}")
    return "; ".join(parts)


def _reaching_finding(one: MissingShot, timed: bool) -> Finding:
    begin = (
        f"Source {one.source} shot point {one.shot_point} fired in a gap, and its record goes on "
        "after it. "
    )
    end = (
        "A log gives its fire time, and it is separated as interference."
        if timed
        else f"Its fire time is only predicted, from shots that fire {one.spread_ms:.1f} ms (rms) "
        "off such predictions; at a wrong time it would do harm, so it has a row that is not live, "
        "and its energy stays as interference. Give its time in a log ([source_log] with "
        "fire_time) or in a shot table."
    )
    return Finding(
        "shot_reaches_past_gap",
        one.spread_ms,
        "ms",
        "note" if timed else "look",
        begin + end,
        source=one.source,
        shot_point=one.shot_point,
    )
