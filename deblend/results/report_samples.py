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
ASKED_SHOWN = 2
"""Channels and shots of each source that are shown because findings name them."""
MOST_TRACES = 500
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


def choose_places(
    shots: Shots,
    delivered: NDArray[np.bool_],
    geometry: Geometry,
    channel_numbers: NDArray[np.int64],
    *,
    length: int,
    findings: Sequence[Finding] = (),
) -> list[Place]:
    """Near, middle and far channel and some shots of each source, and where findings point.

    `delivered` says which shots have an estimate. `MOST_SAMPLES` bounds what is chosen of traces of
    a length. Gathers of the worst findings that name a channel or a shot point are shown, too.
    """
    places: list[Place] = []
    own_share = MOST_SAMPLES // length // len(shots.sources)
    for source in shots.sources:
        rows = np.flatnonzero(delivered & (shots.source == source))
        if rows.size:
            asked = _asked_for(source, rows, shots, channel_numbers, findings)
            line = _Line(shots, geometry, channel_numbers)
            wanted = _in_order_of_use(source, rows, line, *asked)
            places += sorted(_within(wanted, own_share), key=lambda one: (one.kind, one.number))
    return places


@dataclass(frozen=True, eq=False)
class _Line:
    shots: Shots
    geometry: Geometry
    channel_numbers: NDArray[np.int64]


def _asked_for(
    source: int | str,
    rows: NDArray[np.int64],
    shots: Shots,
    channel_numbers: NDArray[np.int64],
    findings: Sequence[Finding],
) -> tuple[list[int], list[int]]:
    """Channels and shots (rows) that the worst findings name, a few of each."""
    numbers = {int(number): k for k, number in enumerate(channel_numbers)}
    points = {int(shots.shot_point[row]): int(row) for row in rows}
    mine = [one for one in findings if one.source is None or str(one.source) == str(source)]
    mine.sort(key=lambda one: ("fail", "look", "note", "pass").index(one.verdict))
    named = [one for one in mine if one.verdict != "pass"]
    channels = dict.fromkeys(numbers[one.channel] for one in named if one.channel in numbers)
    asked = dict.fromkeys(points[one.shot_point] for one in named if one.shot_point in points)
    return list(channels)[:ASKED_SHOWN], list(asked)[:ASKED_SHOWN]


def _in_order_of_use(
    source: int | str,
    rows: NDArray[np.int64],
    line: _Line,
    asked_channels: list[int],
    asked_rows: list[int],
) -> list[Place]:
    """A channel and a shot in turn, those that findings name after the middle ones."""
    channels = _middle_first(_spread(len(line.channel_numbers), CHANNELS_SHOWN, ends=True))
    chosen = _middle_first(rows[_spread(len(rows), SHOTS_SHOWN, ends=False)])
    ordered_channels = list(dict.fromkeys([channels[0], *asked_channels, *channels[1:]]))
    ordered_rows = list(dict.fromkeys([chosen[0], *asked_rows, *chosen[1:]]))
    gathers = (
        [_channel_place(source, rows, line, channel) for channel in ordered_channels],
        [_shot_place(source, row, line) for row in ordered_rows],
    )
    return [one for pair in zip_longest(*gathers) for one in pair if one is not None]


def _within(places: list[Place], most_traces: int) -> list[Place]:
    """As many places as there is room for; a channel and a shot always."""
    used = np.cumsum([len(place.axis) for place in places])
    return places[: max(2, int(np.searchsorted(used, most_traces, side="right")))]


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
