"""Which traces a place names, and their samples before and after separation."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import SettingsError
from deblend.model.place import KINDS, GatherKind, Place
from deblend.qc.measure_setup import shot_pairs
from deblend.qc.unknown_samples import recorded_gathers
from deblend.report.aligned import aligned
from deblend.stack.bins import bin_grid
from deblend.view.viewed_line import ViewedLine

MOST_TRACES: Final = 600
"""Traces drawn at a time, about as many as a screen can show beside each other."""
RECORD_S: Final = 10.0
"""Length of record that is drawn where nothing else is asked for, in seconds."""
_KEPT: Final = 6
"""Gathers kept in memory for going back and forth."""

Rows = NDArray[np.int64]
Traces = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class TraceList:
    """Traces of a gather, unread."""

    rows: Rows
    channels: Rows
    """(trace,): Rows of the shot table and of the record."""
    axis: NDArray[np.float64]
    """(trace,): What tells them apart."""
    axis_label: str
    """Its name and unit."""
    first: int = 0
    whole: int = 0
    """Which of how many traces is the first of these."""


@dataclass(frozen=True, eq=False)
class Gather:
    """Traces with their samples."""

    traces: TraceList
    before: Traces
    after: Traces
    """(trace, time): Pseudo-deblended and separated; NaN where unknown or not separated yet."""

    def version(self, show: str) -> Traces:
        """The version of a name."""
        if show == "removed":
            return self.before - self.after
        return self.before if show == "before" else self.after


class Gathers:
    """Gathers of a line by their places."""

    def __init__(self, line: ViewedLine) -> None:
        self.line = line
        self.numbers = lru_cache(maxsize=None)(self._numbers)
        self._traces_of = lru_cache(maxsize=64)(self._list_traces)
        self._read = lru_cache(maxsize=_KEPT)(self._read_gather)
        self._along = lru_cache(maxsize=None)(self._along_line)
        self.alignments = lru_cache(maxsize=None)(self._alignments)

    def kinds(self) -> list[GatherKind]:
        """Kinds of gathers that the line has: some need offsets or positions."""
        geometry, shots = self.line.opened.geometry, self.line.job.shots
        known = {
            "offset_m": bool(np.isfinite(geometry.offset_m).any()),
            "midpoint_m": bool(
                (np.isfinite(geometry.receiver_x_m) & np.isfinite(shots.x_m[:, None])).any()
            ),
        }
        return [kind for kind in KINDS if known.get(kind, True)]

    def settled(self, place: Place) -> Place:
        """The place with a source and a number that the line has: the nearest ones.

        Raises
        ------
        SettingsError
            If the line has no such source or kind, or no such shot point.
        """
        sources = self.line.sources
        if place.source and place.source not in sources:
            raise SettingsError(
                f"the line has no source {place.source}", remedy=f"It has {', '.join(sources)}."
            )
        if place.kind not in self.kinds():
            raise SettingsError(
                f"no {KINDS[place.kind]} gathers: positions are not known",
                remedy="Give them in the shot table and the table [geometry] of the line file.",
            )
        if not place.source:
            place = replace(place, source=self._source_with(place))
        if place.kind == "record_s":
            longest = self.line.job.recording.duration_s
            number = float(np.clip(place.number or 0.0, 0.0, max(0.0, longest - 1.0)))
            return replace(place, number=number, times="")
        numbers = self.numbers(place.source, place.kind)
        if place.number is None:
            return replace(place, number=float(numbers[len(numbers) // 2]))
        nearest = float(numbers[np.argmin(np.abs(numbers - place.number))])
        if place.kind in ("channel", "shot_point") and nearest != place.number:
            raise SettingsError(
                f"source {place.source} has no {KINDS[place.kind]} {place.number:g}",
                remedy=f"The nearest is {nearest:g}.",
            )
        return replace(place, number=nearest)

    def _source_with(self, place: Place) -> str:
        """The first source; of a shot point the first that fired it."""
        sources = self.line.sources
        if place.kind == "shot_point" and place.number is not None:
            for source in sources:
                if place.number in self.numbers(source, "shot_point"):
                    return source
        return sources[0]

    def beside(self, place: Place, step: int) -> Place:
        """The next or an earlier gather of the same kind; the place itself at the end."""
        assert place.number is not None
        if place.kind == "record_s":
            low, high = place.time_s or (0.0, RECORD_S)
            return self.settled(replace(place, number=place.number + step * (high - low)))
        numbers = self.numbers(place.source, place.kind)
        at = int(np.argmin(np.abs(numbers - place.number))) + step
        return replace(place, number=float(numbers[min(max(at, 0), len(numbers) - 1)]))

    def other_stretch(self, place: Place, step: int) -> Place:
        """The place with earlier or later traces of a gather of many."""
        assert place.number is not None
        whole = self._traces_of(place.source, place.kind, place.number)
        at = self._first(place, whole) + MOST_TRACES // 2 + step * MOST_TRACES // 2
        at = min(max(at, 0), len(whole.rows) - 1)
        return replace(place, near=self._label(place.kind, whole, at))

    def _label(self, kind: GatherKind, traces: TraceList, at: int) -> int:
        """Shot point or channel number of a trace, by which a place marks it."""
        job = self.line.job
        if kind == "shot_point":
            return int(job.recording.channel_numbers[traces.channels[at]])
        return int(job.shots.shot_point[traces.rows[at]])

    def through(self, place: Place, row: int, channel: int) -> Place:
        """The gather of the kind of a place that a trace belongs to, which it marks."""
        job, geometry = self.line.job, self.line.opened.geometry
        number, point = job.recording.channel_numbers[channel], job.shots.shot_point[row]
        if place.kind == "channel":
            return replace(place, number=float(number), near=int(point))
        if place.kind == "shot_point":
            return replace(place, number=float(point), near=int(number))
        if place.kind == "record_s":
            fired_s = (job.shots.fire_time_ns[row] - job.recording.start_ns) * 1e-9
            return replace(place, number=float(round(fired_s, 3)))
        if place.kind == "offset_m":
            return replace(place, number=float(geometry.offset_m[row, channel]), near=int(point))
        own = int(np.flatnonzero(self.line.rows_of(place.source) == row)[0])
        along_m, _ = self._along(place.source, place.kind)
        return replace(place, number=float(along_m[own, channel]), near=int(point))

    def _numbers(self, source: str, kind: GatherKind) -> NDArray[np.float64]:
        """What the gathers of a kind are numbered by, in the order in which they are leafed."""
        line = self.line
        if kind == "channel":
            return line.job.recording.channel_numbers.astype(np.float64)
        if kind == "shot_point":
            points = line.job.shots.shot_point[line.rows_of(source)]
            return points[np.sort(np.unique(points, return_index=True)[1])].astype(np.float64)
        values, step = self._along(source, kind)
        bins = np.unique(np.rint(values[np.isfinite(values)] / step))
        return np.asarray(bins * step, np.float64)

    def _along_line(self, source: str, kind: GatherKind) -> tuple[NDArray[np.float64], float]:
        """Offset, or distance of the midpoint along the line, (shot, channel), and a bin in m."""
        rows, geometry = self.line.rows_of(source), self.line.opened.geometry
        offset_m = geometry.offset_m[rows]
        apart = np.abs(np.diff(offset_m, axis=1))
        apart = apart[np.isfinite(apart) & (apart > 0.1)]
        step = round(float(np.median(apart)), 2) if apart.size else 25.0
        if kind == "offset_m":
            return offset_m, step
        shots = self.line.job.shots
        grid = bin_grid(shots, geometry, inline_m=0.5 * step)
        x_m = 0.5 * (shots.x_m[rows, None] + geometry.receiver_x_m[rows])
        y_m = 0.5 * (shots.y_m[rows, None] + geometry.receiver_y_m[rows])
        return grid.along_across(x_m, y_m)[0], 0.5 * step

    def traces(self, place: Place) -> TraceList:
        """The traces of a settled place, a stretch around `near` where there are many."""
        assert place.number is not None
        whole = self._traces_of(place.source, place.kind, place.number)
        return _stretch(whole, self._first(place, whole))

    def _first(self, place: Place, whole: TraceList) -> int:
        """First trace of the stretch that is drawn.

        Stretches begin at whole multiples of half their length, so that neighbours share one.
        """
        at = self.marked(place, whole)
        middle = len(whole.rows) // 2 if at is None else at
        half = MOST_TRACES // 2
        return max(0, min((middle - half // 2) // half * half, len(whole.rows) - MOST_TRACES))

    def marked(self, place: Place, traces: TraceList) -> int | None:
        """The trace that a place marks."""
        if place.near is None or not len(traces.rows):
            return None
        job = self.line.job
        if place.kind in ("shot_point", "record_s"):
            labels = job.recording.channel_numbers[traces.channels]
        else:
            labels = job.shots.shot_point[traces.rows]
        return int(np.argmin(np.abs(labels - place.near)))

    def _list_traces(self, source: str, kind: GatherKind, number: float) -> TraceList:
        job, rows = self.line.job, self.line.rows_of(source)
        numbers = job.recording.channel_numbers
        points = job.shots.shot_point
        if kind == "channel":
            channel = int(np.flatnonzero(numbers == number)[0])
            axis = points[rows].astype(np.float64)
            return TraceList(rows, np.full(len(rows), channel), axis, "shot point")
        if kind == "shot_point":
            row = rows[points[rows] == number][0]
            return self._shot(int(row))
        values, step = self._along(source, kind)
        inside = np.abs(values - number) <= 0.5 * step
        if kind == "offset_m":  # one trace a shot, the nearest
            off = np.where(inside, np.abs(values - number), np.inf)
            shots = np.flatnonzero(inside.any(axis=1))
            channels = off.argmin(axis=1)[shots]
            axis = points[rows[shots]].astype(np.float64)
            return TraceList(rows[shots], channels, axis, "shot point")
        shots, channels = np.nonzero(inside)
        offset_m = self.line.opened.geometry.offset_m[rows[shots], channels]
        order = np.argsort(np.abs(offset_m), kind="stable")
        return TraceList(rows[shots[order]], channels[order], offset_m[order], "offset (m)")

    def _shot(self, row: int) -> TraceList:
        numbers = self.line.job.recording.channel_numbers
        channels = np.arange(len(numbers))
        offset_m = self.line.opened.geometry.offset_m[row]
        known = bool(np.isfinite(offset_m).all())
        axis, label = (offset_m, "offset (m)") if known else (numbers.astype(float), "channel")
        return TraceList(np.full(len(numbers), row), channels, axis, label)

    def read(self, place: Place) -> Gather:
        """Samples of the traces of a settled place, in its own times."""
        assert place.number is not None
        traces = self.traces(place)
        # How far a run is belongs to the question: finished blocks are read as they come.
        return self._read(place.source, place.kind, place.number, traces.first, self.line.state())

    def _read_gather(
        self, source: str, kind: GatherKind, number: float, first: int, state: str
    ) -> Gather:
        traces = _stretch(self._traces_of(source, kind, number), first)
        job = self.line.job
        before = np.empty((len(traces.rows), job.length), np.float32)
        after = np.empty_like(before)
        for here, rows, channels in _together(traces):
            cut = recorded_gathers(job.recording, job.shots.take(rows), channels, job.length)
            before[here] = cut.reshape(-1, job.length)
            after[here] = self.line.estimates.read(rows, channels).reshape(-1, job.length)
        return Gather(traces, before, after)

    def _alignments(self, source: str) -> dict[str, tuple[str, NDArray[np.float64]]]:
        """Other sources that fired during the traces of one: words, and delay of each shot in s.

        Delays have shape (shot,) of the whole table, NaN where the other source did not fire.
        """
        setup = self.line.setup
        by_name = {str(one): one for one in setup.sources}
        found = {}
        for other in setup.sources:
            for later, pairs in shot_pairs(setup, by_name[source], other).items():
                delay_s = np.full(len(setup.shots), np.nan)
                delay_s[pairs[:, 0]] = pairs[:, 2] * 1e-9
                name = f"{other}{later:+d}" if later else str(other)
                found[name] = (_alignment_words(other, later), delay_s)
        return found

    def in_times_of(self, place: Place, gather: Gather, samples: Traces) -> Traces:
        """Samples of a gather in the times that a place asks for."""
        if not place.times:
            return samples
        _, delay_s = self.alignments(place.source)[place.times]
        rows = gather.traces.rows
        shifted = aligned(samples, delay_s[rows], self.line.job.recording.interval_s)
        return shifted.astype(np.float32)


def _stretch(whole: TraceList, first: int) -> TraceList:
    some = slice(first, first + MOST_TRACES)
    return TraceList(
        whole.rows[some],
        whole.channels[some],
        whole.axis[some],
        whole.axis_label,
        first,
        len(whole.rows),
    )


def _alignment_words(other: int | str, later: int) -> str:
    if not later:
        return f"source {other}"
    shots = "1 shot" if abs(later) == 1 else f"{abs(later)} shots"
    return f"source {other}, {shots} {'later' if later > 0 else 'earlier'}"


def _together(traces: TraceList) -> list[tuple[Rows, Rows, Rows]]:
    """Traces in groups that are read at a time: of one channel, or of one shot."""
    by_shot = len(np.unique(traces.rows)) < len(np.unique(traces.channels))
    key = traces.rows if by_shot else traces.channels
    groups = []
    for value in np.unique(key):
        here = np.flatnonzero(key == value)
        if by_shot:
            groups.append((here, traces.rows[here[:1]], traces.channels[here]))
        else:
            groups.append((here, traces.rows[here], traces.channels[here[:1]]))
    return groups
