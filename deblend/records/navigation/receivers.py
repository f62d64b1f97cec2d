"""Receivers of a navigation file as the geometry of the channels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import NavigationError
from deblend.model.findings import Finding
from deblend.model.geometry import Geometry, shooting_direction, unknown_geometry
from deblend.model.midpoints import feathering_deg
from deblend.model.shots import Shots
from deblend.records.navigation.positions import Positions
from deblend.words import counted

LARGEST_FEATHERING_DEG: Final = 30.0
LARGEST_CHANGE_DEG: Final = 5.0
"""From one shot to the next. Both: common practice, no source."""
FIRST_CHANNEL: Final = "State the first channel of each streamer in [navigation.first_channel]."
_NONE: Final = "\0"
"""Streamer of channels without positions."""


def receiver_geometry(
    shots: Shots,
    positions: Positions,
    row: NDArray[np.int64],
    channel_numbers: NDArray[np.int64],
    first_channel: Mapping[str, int] | None,
) -> tuple[Geometry, list[Finding]]:
    """Geometry of the channels, the streamers where they were recorded.

    `row` is that of `positions` for each shot, -1 for none; `first_channel` has the channel of the
    lowest receiver number of each streamer.

    Raises
    ------
    NavigationError
        If a streamer has no channels, no receiver has a channel of the record, or receivers and
        channels are numbered otherwise.
    """
    receivers = positions.receivers
    shape = len(shots), len(channel_numbers)
    if not len(receivers.row):
        return unknown_geometry(*shape), []
    channel = _channels(positions, first_channel)
    order = np.argsort(channel_numbers)
    place = np.searchsorted(channel_numbers, channel, sorter=order)
    column = order[np.minimum(place, shape[1] - 1)]
    shot_of_row = np.full(len(positions), -1, dtype=np.int64)
    shot_of_row[row[row >= 0]] = np.flatnonzero(row >= 0)
    shot = shot_of_row[receivers.row]
    wanted = (channel_numbers[column] == channel) & (shot >= 0)
    if not wanted.any():
        raise NavigationError(
            f"receivers have channels {channel.min()} to {channel.max()} and the record "
            f"{channel_numbers.min()} to {channel_numbers.max()}",
            where=str(positions.path),
            remedy=FIRST_CHANNEL,
        )
    _refuse_shared_channels(positions, channel, shot)
    _refuse_other_numbering(positions, np.unique(channel[shot >= 0]), channel_numbers)
    x_m, y_m = np.full(shape, np.nan), np.full(shape, np.nan)
    depth = np.full(shape, np.nan)
    at = shot[wanted], column[wanted]
    x_m[at], y_m[at] = receivers.x_m[wanted], receivers.y_m[wanted]
    depth[at] = receivers.depth_m[wanted]
    geometry = Geometry(_offsets(shots, x_m, y_m), x_m, y_m, _median_of(depth))
    streamer = np.full(shape[1], _NONE, dtype=object)
    streamer[column[wanted]] = receivers.streamer[wanted]
    order = np.argsort(shots.fire_time_ns, kind="stable")
    return geometry, [
        *_noticed(geometry, positions, channel_numbers),
        *_feathering(shots, geometry, streamer, order),
    ]


def _channels(positions: Positions, first_channel: Mapping[str, int] | None) -> NDArray[np.int64]:
    """Channel number of each receiver entry."""
    receivers = positions.receivers
    streamers = [str(name) for name in np.unique(receivers.streamer)]
    given = first_channel or {}
    unknown = [name for name in given if name not in streamers]
    if unknown:
        raise NavigationError(
            f"a first channel is given for streamer {unknown[0]!r}, and the file has "
            f"{', '.join(streamers)}",
            where=str(positions.path),
            remedy="Name the streamers as the file does in [navigation.first_channel].",
        )
    if (receivers.channel >= 0).all():
        _refuse_contradicted(positions, given)
        return receivers.channel
    if first_channel is None:
        if len(streamers) > 1:
            raise NavigationError(
                f"the file holds {len(streamers)} streamers ({', '.join(streamers[:8])}) and does "
                "not state their channels",
                where=str(positions.path),
                remedy=FIRST_CHANNEL,
            )
        return receivers.receiver
    channel = np.empty(len(receivers.row), dtype=np.int64)
    for streamer in streamers:
        if streamer not in first_channel:
            raise NavigationError(
                f"streamer {streamer!r} has no first channel; {', '.join(first_channel)} have",
                where=str(positions.path),
                remedy=FIRST_CHANNEL,
            )
        entries = receivers.streamer == streamer
        numbers = receivers.receiver[entries]
        channel[entries] = first_channel[streamer] + numbers - numbers.min()
    return channel


def _refuse_contradicted(positions: Positions, first_channel: Mapping[str, int]) -> None:
    """Refuse first channels that are not those of a file which states its channels."""
    receivers = positions.receivers
    for streamer, first in first_channel.items():
        there = int(receivers.channel[receivers.streamer == streamer].min())
        if there != first:
            raise NavigationError(
                f"the file states channel {there} as the first of streamer {streamer!r}, and "
                f"first_channel says {first}",
                where=str(positions.path),
                remedy="Leave first_channel out, or correct the X records.",
            )


def _refuse_shared_channels(
    positions: Positions, channel: NDArray[np.int64], shot: NDArray[np.int64]
) -> None:
    """Refuse receivers of one shot that are said to be on the same channel."""
    known = np.flatnonzero(shot >= 0)
    order = known[np.lexsort((channel[known], shot[known]))]
    same = np.flatnonzero((np.diff(shot[order]) == 0) & (np.diff(channel[order]) == 0))
    if not same.size:
        return
    receivers = positions.receivers
    one, other = (
        f"receiver {receivers.receiver[row]} of streamer {receivers.streamer[row]!s}"
        for row in (order[same[0]], order[same[0] + 1])
    )
    shared = np.unique(channel[order[same]])
    raise NavigationError(
        f"{one} and {other} are both on channel {channel[order[same[0]]]}, and "
        f"{counted(len(shared), 'channel')} in all have two receivers",
        where=str(positions.path),
        remedy="Correct first_channel of table [navigation], or the channels of the X records of "
        "SPS.",
    )


def _refuse_other_numbering(
    positions: Positions, channel: NDArray[np.int64], channel_numbers: NDArray[np.int64]
) -> None:
    """Refuse receivers that miss channels of the record while they have others that it lacks."""
    surplus = np.setdiff1d(channel, channel_numbers)
    lacking = np.setdiff1d(channel_numbers, channel)
    if not surplus.size or not lacking.size:
        return
    shift = int(channel.min() - channel_numbers.min())
    shifted = shift != 0 and not np.setdiff1d(channel_numbers + shift, channel).size
    why = (
        f"the numbering is shifted: channels of the file are {abs(shift)} "
        f"{'higher' if shift > 0 else 'lower'} than those of the record"
        if shifted
        else "the two are numbered otherwise"
    )
    raise NavigationError(
        f"{lacking.size} channels of the record have no receiver, channel {lacking[0]} the first, "
        f"and {surplus.size} receivers no channel, channel {surplus[0]} the first: {why}",
        where=str(positions.path),
        remedy="Correct first_channel of table [navigation], or the channels of the X records of "
        "SPS.",
    )


def _offsets(
    shots: Shots, x_m: NDArray[np.float64], y_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Distances, negative behind the source."""
    east, north = x_m - shots.x_m[:, None], y_m - shots.y_m[:, None]
    distance = np.hypot(east, north)
    ahead = shooting_direction(shots)
    if ahead is None:
        return -distance  # A towed streamer is behind.
    return np.where(east * ahead[0] + north * ahead[1] > 0.0, distance, -distance)


def _median_of(depth: NDArray[np.float64]) -> NDArray[np.float64]:
    """One depth a channel."""
    known = np.isfinite(depth).any(axis=0)
    out = np.full(depth.shape[1], np.nan)
    out[known] = np.nanmedian(depth[:, known], axis=0)
    return out


def _noticed(
    geometry: Geometry, positions: Positions, channel_numbers: NDArray[np.int64]
) -> list[Finding]:
    findings = []
    missing = ~np.isfinite(geometry.offset_m)
    unknown = np.count_nonzero(missing)
    if unknown:
        never = channel_numbers[missing.all(axis=0)]
        where = f" (channels {_runs(never)} at no shot)" if never.size else ""
        message = (
            f"{unknown} of {geometry.offset_m.size} pairs of shot and channel have no receiver "
            f"position in {positions.path.name}{where}; their offsets are unknown."
        )
        findings.append(Finding("receivers_missing", float(unknown), "traces", "look", message))
    return findings


def _runs(numbers: NDArray[np.int64]) -> str:
    """Numbers as text, those that follow each other in one: ``1-3, 52-54``."""
    runs = np.split(numbers, np.flatnonzero(np.diff(numbers) != 1) + 1)
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)


def _feathering(
    shots: Shots, geometry: Geometry, streamer: NDArray[np.object_], order: NDArray[np.int64]
) -> list[Finding]:
    """Angle of each streamer behind the vessel; `order` is that of the shots in time."""
    if shooting_direction(shots) is None:
        return []
    ranges, findings = [], []
    middles, known_of = [], []
    for name in dict.fromkeys(streamer[streamer != _NONE].tolist()):
        columns = np.flatnonzero(streamer == name)
        angle = feathering_deg(
            shots,
            Geometry(
                geometry.offset_m[:, columns],
                geometry.receiver_x_m[:, columns],
                geometry.receiver_y_m[:, columns],
                geometry.receiver_depth_m[columns],
            ),
        )[order]
        known = angle[np.isfinite(angle)]
        if not known.size:
            continue
        label = f"Streamer {name}" if name else "The streamer"
        ranges.append(f"{label} lies {known.min():.1f} to {known.max():.1f}")
        middles.append(float(np.median(known)))
        known_of.append((label, known))
    if not ranges:
        return []
    message = f"{', '.join(ranges)} degrees to starboard of the line behind the vessel."
    findings.append(Finding("feathering", float(np.median(middles)), "degrees", "note", message))
    return findings + [
        finding for label, known in known_of for finding in _unusual_feathering(label, known)
    ]


def _unusual_feathering(label: str, angle: NDArray[np.float64]) -> list[Finding]:
    change = float(np.abs(np.diff(angle)).max(initial=0.0))
    largest = float(angle[np.abs(angle).argmax()])
    findings = []
    if abs(largest) > LARGEST_FEATHERING_DEG:
        text = f"{label} lies {largest:.1f} degrees from the line: receivers or channels are mixed "
        text += "up, or the vessel turned."
        findings.append(
            Finding(
                "feathering_range", largest, "degrees", "look", text, limit=LARGEST_FEATHERING_DEG
            )
        )
    if change > LARGEST_CHANGE_DEG:
        text = f"{label} turns by {change:.1f} degrees from one shot to the next."
        findings.append(
            Finding("feathering_change", change, "degrees", "look", text, limit=LARGEST_CHANGE_DEG)
        )
    return findings
