"""Where sources and receivers were when each shot fired."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model.shots import Shots


@dataclass(frozen=True, eq=False)
class Geometry:
    """Positions and offsets, one row a shot and one column a channel, in metres."""

    offset_m: NDArray[np.float64]
    """(shot, channel): Distance from source to receiver, negative where the receiver lies behind
    the source as seen along the shooting direction (SEG-Y revision 1, trace header bytes 37-40).
    NaN where unknown, as everywhere here."""
    receiver_x_m: NDArray[np.float64]
    receiver_y_m: NDArray[np.float64]
    """(shot, channel): Receiver position in the projected system of the sources."""
    receiver_depth_m: NDArray[np.float64]
    """(channel,): Depth of each receiver below the surface."""

    def __post_init__(self) -> None:
        shape = self.offset_m.shape
        fits = (
            len(shape) == 2
            and self.receiver_x_m.shape == shape
            and self.receiver_y_m.shape == shape
            and self.receiver_depth_m.shape == shape[1:]
        )
        if not fits:
            raise InputError(
                f"geometry arrays do not fit the offsets of shape {shape}",
                remedy="Give positions of shape (shot, channel) and one depth a channel.",
            )


def unknown_geometry(shot_count: int, channel_count: int) -> Geometry:
    """Geometry of a line about which nothing is known: all NaN, which takes no memory."""
    unknown = np.broadcast_to(np.nan, (shot_count, channel_count))
    return Geometry(unknown, unknown, unknown, np.full(channel_count, np.nan))


def towed_geometry(
    shots: Shots,
    channel_count: int,
    *,
    nearest_offset_m: float,
    group_interval_m: float,
    streamer_depth_m: float = np.nan,
    crossline_m: float = 0.0,
    nearest_channel: str = "first",
) -> Geometry:
    """Nominal positions of one straight streamer towed along the track of the sources.

    The streamer keeps a crossline position relative to the track, which is the straight line
    fitted to all source positions; each source keeps its own crossline distance from it.

    Parameters
    ----------
    shots : Shots
        Sources; without positions only offsets along the line are made.
    nearest_offset_m : float
        Inline distance from a source to the nearest receiver group, positive, in metres.
    group_interval_m : float
        Distance between neighbouring groups, in metres.
    crossline_m : float, optional
        Streamer position to starboard of the track, in metres.
    nearest_channel : {"first", "last"}, optional
        Whether the first or the last channel is nearest to the vessel.

    Returns
    -------
    Geometry
        Offsets are negative: the streamer is behind.
    """
    behind = nearest_offset_m + group_interval_m * np.arange(channel_count, dtype=np.float64)
    if nearest_channel == "last":
        behind = behind[::-1]
    depth = np.full(channel_count, streamer_depth_m)
    known = np.isfinite(shots.x_m) & np.isfinite(shots.y_m)
    if np.count_nonzero(known) < 2:
        offset = np.broadcast_to(-behind, (len(shots), channel_count)).copy()
        unknown = np.full_like(offset, np.nan)
        return Geometry(offset, unknown, unknown, depth)
    forward, origin = _track(shots, known)
    starboard = np.array([forward[1], -forward[0]])
    position = np.stack([shots.x_m, shots.y_m], axis=1)
    along = (position - origin) @ forward
    receiver = (
        origin + (along[:, None] - behind[None, :])[..., None] * forward + crossline_m * starboard
    )
    distance = np.linalg.norm(receiver - position[:, None, :], axis=2)
    return Geometry(-distance, receiver[..., 0], receiver[..., 1], depth)


def _track(
    shots: Shots, known: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Unit vector of the shooting direction, and a point on the track."""
    origin = np.array([shots.x_m[known].mean(), shots.y_m[known].mean()])
    forward = shooting_direction(shots)
    return (np.array([1.0, 0.0]) if forward is None else forward), origin


def shooting_direction(shots: Shots) -> NDArray[np.float64] | None:
    """Unit vector (east, north) along which the sources move; None where positions do not show it.

    Each source is taken relative to its own mean: sources side by side that fire in turn would
    otherwise turn a short line by degrees.
    """
    known = np.isfinite(shots.x_m) & np.isfinite(shots.y_m)
    velocity = np.zeros(2)
    for source in shots.sources:
        rows = np.flatnonzero(known & (shots.source == source))
        if rows.size < 2:
            continue
        position = np.stack([shots.x_m[rows], shots.y_m[rows]], axis=1)
        seconds = (shots.fire_time_ns[rows] - shots.fire_time_ns[rows].min()) * 1e-9
        velocity += (seconds - seconds.mean()) @ (position - position.mean(axis=0))
    speed = float(np.linalg.norm(velocity))
    return velocity / speed if speed > 0.0 else None
