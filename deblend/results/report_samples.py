"""Which gathers the report shows, and reading them once the line is separated."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import zip_longest

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.geometry import Geometry
from deblend.model.shots import Shots
from deblend.report.contents import GatherSection, SectionKind

CHANNELS_SHOWN = 3
SHOTS_SHOWN = 6
NOTES_SHOWN = 2
"""Channels and shots of each source that are shown though they are only noted."""
MOST_TRACES = 500
MOST_ASKED_TRACES = 10_000
"""Of all gathers that findings name: more find no room in the page."""
MOST_SAMPLES = 16_000_000
"""Samples of all gathers together; memory and file hold them two or three times."""

Reader = Callable[[NDArray[np.int64], NDArray[np.int64]], NDArray[np.float32]]
"""Gathers (row, channel, time) of some rows of the shot table and some channels."""


@dataclass(frozen=True, eq=False)
class Place:
    """Where one section of the report is in the line."""

    source: int | str
    """Whose section."""
    kind: SectionKind
    """What its traces have in common."""
    number: int
    """Channel number, or shot point."""
    shots: NDArray[np.int64]
    channels: NDArray[np.int64]
    """Rows of the shot table and of the record; one of the two has one entry."""
    axis: NDArray[np.float64]
    """(trace,): Label of each trace."""
    axis_label: str
    """Name and unit of the labels."""
    members: NDArray[np.int64]
    """(trace,): Shot point or channel number of each trace."""


@dataclass(frozen=True, eq=False)
class Choice:
    """What the report shows."""

    places: list[Place]
    left_out: int
    """Gathers that findings name and that found no room."""


def choose_places(
    shots: Shots,
    delivered: NDArray[np.bool_],
    geometry: Geometry,
    channel_numbers: NDArray[np.int64],
    *,
    length: int,
    findings: Sequence[Finding] = (),
) -> Choice:
    """Near, middle and far channel and some shots of each source, and where findings point.

    `delivered` says which shots have an estimate. `MOST_SAMPLES` bounds what is chosen of traces of
    a length; gathers that findings name take no more than half of that from the others.
    """
    places: list[Place] = []
    left_out = 0
    line = _Line(shots, geometry, channel_numbers)
    share = MOST_SAMPLES // length // len(shots.sources)
    most_asked = MOST_ASKED_TRACES // len(shots.sources)
    for source in shots.sources:
        rows = np.flatnonzero(delivered & (shots.source == source))
        if not rows.size:
            continue
        usual = _usual(source, rows, line)
        asked = _asked_for(source, rows, line, findings, usual)
        room = max(share - _trace_count(usual), share // 2)
        shown = _within(asked, min(room, most_asked))
        usual = _within(usual, share - _trace_count(shown), fewest=2)
        places += sorted([*usual, *shown], key=lambda place: (place.kind, place.number))
        left_out += len(asked) - len(shown)
    return Choice(places, left_out)


@dataclass(frozen=True, eq=False)
class _Line:
    shots: Shots
    geometry: Geometry
    channel_numbers: NDArray[np.int64]


def _asked_for(
    source: int | str,
    rows: NDArray[np.int64],
    line: _Line,
    findings: Sequence[Finding],
    usual: Sequence[Place],
) -> list[Place]:
    """Gathers that findings name and that are not among the usual ones, the worst first."""
    numbers = {int(number): k for k, number in enumerate(line.channel_numbers)}
    points = {int(line.shots.shot_point[row]): int(row) for row in rows}
    mine = [one for one in findings if one.source is None or str(one.source) == str(source)]
    asking = [one for verdict in ("fail", "look") for one in mine if one.verdict == verdict]
    noted = [one for one in mine if one.verdict == "note"]

    def named(some: Sequence[Finding]) -> tuple[list[int], list[int]]:
        channels = dict.fromkeys(numbers[one.channel] for one in some if one.channel in numbers)
        shots = dict.fromkeys(points[one.shot_point] for one in some if one.shot_point in points)
        return list(channels), list(shots)

    channels, shots = (
        list(dict.fromkeys([*many, *few[:NOTES_SHOWN]]))
        for many, few in zip(named(asking), named(noted), strict=True)
    )
    there = {(place.kind, place.number) for place in usual}
    asked = _in_turn(source, rows, line, channels, shots)
    return [place for place in asked if (place.kind, place.number) not in there]


def _usual(source: int | str, rows: NDArray[np.int64], line: _Line) -> list[Place]:
    """Gathers that are shown of any line, those of the most use first."""
    channels = _middle_first(_spread(len(line.channel_numbers), CHANNELS_SHOWN, ends=True))
    shots = _middle_first(rows[_spread(len(rows), SHOTS_SHOWN, ends=False)])
    return _in_turn(source, rows, line, channels, shots)


def _in_turn(
    source: int | str,
    rows: NDArray[np.int64],
    line: _Line,
    channels: Sequence[int],
    shots: Sequence[int],
) -> list[Place]:
    """A channel and a shot in turn."""
    gathers = (
        [_channel_place(source, rows, line, channel) for channel in channels],
        [_shot_place(source, row, line) for row in shots],
    )
    return [one for pair in zip_longest(*gathers) for one in pair if one is not None]


def _trace_count(places: Sequence[Place]) -> int:
    return sum(len(place.axis) for place in places)


def _within(places: list[Place], most_traces: int, fewest: int = 0) -> list[Place]:
    """As many places as there is room for."""
    used = np.cumsum([len(place.axis) for place in places])
    return places[: max(fewest, int(np.searchsorted(used, most_traces, side="right")))]


def _channel_place(source: int | str, rows: NDArray[np.int64], line: _Line, channel: int) -> Place:
    begin = max(0, (len(rows) - MOST_TRACES) // 2)
    middle = rows[begin : begin + MOST_TRACES]
    points = line.shots.shot_point[middle].astype(np.int64)
    return Place(
        source,
        "common channel",
        int(line.channel_numbers[channel]),
        middle,
        np.array([channel]),
        points.astype(np.float64),
        "shot point",
        points,
    )


def _shot_place(source: int | str, row: int, line: _Line) -> Place:
    step = -(-len(line.channel_numbers) // MOST_TRACES)
    channels = np.arange(0, len(line.channel_numbers), step)
    members = line.channel_numbers[channels].astype(np.int64)
    offset_m = line.geometry.offset_m[row, channels]
    known = bool(np.isfinite(offset_m).all())
    axis = offset_m if known else members.astype(np.float64)
    label = "offset (m)" if known else "channel"
    point = int(line.shots.shot_point[row])
    return Place(source, "shot", point, np.array([row]), channels, axis, label, members)


def _middle_first(values: NDArray[np.int64]) -> list[int]:
    middle = len(values) // 2
    return [int(values[middle]), *(int(v) for k, v in enumerate(values) if k != middle)]


def _spread(length: int, count: int, *, ends: bool) -> NDArray[np.int64]:
    """Up to `count` indices spread evenly over `length`, with its ends or well inside."""
    if ends:
        picked = np.linspace(0, length - 1, count)
    else:
        picked = (np.arange(count) + 1) * length / (count + 1)
    return np.unique(picked.astype(np.int64))


def read_sections(
    places: list[Place],
    before: Reader,
    after: Reader,
    truth: Reader | None,
    interval_s: float,
    dead: NDArray[np.bool_],
) -> tuple[GatherSection, ...]:
    """Read the sections of `choose_places`, a place at a time.

    The readers give gathers (row, channel, time) of some rows of the shot table and some channels.
    """

    def traces(read: Reader, place: Place) -> NDArray[np.float32]:
        gathers = read(place.shots, place.channels)
        return gathers.reshape(-1, gathers.shape[2])

    return tuple(
        GatherSection(
            source=place.source,
            kind=place.kind,
            number=place.number,
            axis=place.axis,
            axis_label=place.axis_label,
            before=traces(before, place),
            after=traces(after, place),
            truth=None if truth is None else traces(truth, place),
            interval_s=interval_s,
            live=np.broadcast_to(~dead[place.channels], place.axis.shape).copy(),
            members=place.members,
        )
        for place in places
    )
