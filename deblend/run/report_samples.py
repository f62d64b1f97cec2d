"""Which gathers the report shows, and collecting them while blocks of channels go by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deblend.model.geometry import Geometry
from deblend.model.shots import Shots
from deblend.report.contents import Section, SectionKind

CHANNELS_SHOWN = 3
SHOTS_SHOWN = 2
MOST_TRACES = 240


@dataclass(frozen=True, eq=False)
class Place:
    """Where one section of the report is in the line.

    Parameters
    ----------
    source : int or str
        Whose section.
    kind : {"common channel", "shot"}
        What its traces have in common.
    number : int
        Channel number, or shot point.
    shots, channels : ndarray of int64
        Rows of the shot table and of the record; one of the two has one entry.
    axis : ndarray of float64, shape (trace,)
        Label of each trace.
    axis_label : str
        Name and unit of the labels.
    members : ndarray of int64, shape (trace,)
        Shot point or channel number of each trace.
    """

    source: int | str
    kind: SectionKind
    number: int
    shots: NDArray[np.int64]
    channels: NDArray[np.int64]
    axis: NDArray[np.float64]
    axis_label: str
    members: NDArray[np.int64]


def choose_places(
    shots: Shots,
    delivered: NDArray[np.bool_],
    geometry: Geometry,
    channel_numbers: NDArray[np.int64],
) -> list[Place]:
    """Near, middle and far channel and two shots of each source.

    Parameters
    ----------
    shots : Shots
        The line.
    delivered : ndarray of bool, shape (shot,)
        Shots that have an estimate.
    geometry : Geometry
        Offsets, for the axis of shot gathers.
    channel_numbers : ndarray of int64, shape (channel,)
        Channel numbers.
    """
    places = []
    for source in shots.sources:
        rows = np.flatnonzero(delivered & (shots.source == source))
        if rows.size:
            places += _channel_places(source, rows, shots, channel_numbers)
            places += _shot_places(source, rows, shots, geometry, channel_numbers)
    return places


def _channel_places(
    source: int | str, rows: NDArray[np.int64], shots: Shots, channel_numbers: NDArray[np.int64]
) -> list[Place]:
    begin = max(0, (len(rows) - MOST_TRACES) // 2)
    middle = rows[begin : begin + MOST_TRACES]
    return [
        Place(
            source,
            "common channel",
            int(channel_numbers[channel]),
            middle,
            np.array([channel]),
            shots.shot_point[middle].astype(np.float64),
            "shot point",
            shots.shot_point[middle].astype(np.int64),
        )
        for channel in _spread(len(channel_numbers), CHANNELS_SHOWN, ends=True)
    ]


def _shot_places(
    source: int | str,
    rows: NDArray[np.int64],
    shots: Shots,
    geometry: Geometry,
    channel_numbers: NDArray[np.int64],
) -> list[Place]:
    step = -(-len(channel_numbers) // MOST_TRACES)
    channels = np.arange(0, len(channel_numbers), step)
    places = []
    for row in rows[_spread(len(rows), SHOTS_SHOWN, ends=False)]:
        offset_m = geometry.offset_m[row, channels]
        known = bool(np.isfinite(offset_m).all())
        axis = offset_m if known else channel_numbers[channels].astype(np.float64)
        label = "offset (m)" if known else "channel"
        point = int(shots.shot_point[row])
        members = channel_numbers[channels].astype(np.int64)
        row_of_shot = np.array([row])
        places.append(Place(source, "shot", point, row_of_shot, channels, axis, label, members))
    return places


def _spread(length: int, count: int, *, ends: bool) -> NDArray[np.int64]:
    """Up to `count` indices spread evenly over `length`, with its ends or well inside."""
    if ends:
        picked = np.linspace(0, length - 1, count)
    else:
        picked = (np.arange(count) + 1) * length / (count + 1)
    return np.unique(picked.astype(np.int64))


class SectionCollector:
    """Fills the sections of the report from consecutive blocks of channels."""

    def __init__(self, places: list[Place], length: int, *, with_truth: bool) -> None:
        self._places = places
        self._parts = [
            {
                name: np.zeros((len(place.axis), length), np.float32)
                for name in ("before", "after", *(["truth"] if with_truth else []))
            }
            for place in places
        ]

    def add(
        self,
        block: range,
        before: NDArray[np.float32],
        after: NDArray[np.float32],
        truth: NDArray[np.float32] | None,
    ) -> None:
        """Take what lies in `block` from gathers of shape (shot, channel, time)."""
        given = {"before": before, "after": after, "truth": truth}
        for place, parts in zip(self._places, self._parts, strict=True):
            inside = (place.channels >= block.start) & (place.channels < block.stop)
            columns = place.channels[inside] - block.start
            if not columns.size:
                continue
            traces = inside if place.kind == "shot" else slice(None)
            for name, target in parts.items():
                source = given[name]
                assert source is not None
                target[traces] = source[place.shots[:, None], columns[None, :]].reshape(
                    -1, target.shape[1]
                )

    def sections(self, interval_s: float, dead: NDArray[np.bool_]) -> tuple[Section, ...]:
        """The sections, once all blocks have been added.

        Parameters
        ----------
        interval_s : float
            Sample interval in seconds.
        dead : ndarray of bool, shape (channel,)
            Dead channels.
        """
        return tuple(
            Section(
                source=place.source,
                kind=place.kind,
                number=place.number,
                axis=place.axis,
                axis_label=place.axis_label,
                before=parts["before"],
                after=parts["after"],
                truth=parts.get("truth"),
                interval_s=interval_s,
                live=np.broadcast_to(~dead[place.channels], place.axis.shape).copy(),
                members=place.members,
            )
            for place, parts in zip(self._places, self._parts, strict=True)
        )
