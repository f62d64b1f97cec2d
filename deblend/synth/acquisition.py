"""Sources and streamer under tow, and the shot table and geometry that follow."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model.geometry import Geometry
from deblend.model.shots import Shots, make_shots
from deblend.model.timebase import NS_PER_S, TimeScale
from deblend.synth.arrivals import Positions
from deblend.synth.firing import Firing, Trouble
from deblend.synth.signature import Signature


@dataclass(frozen=True)
class TowedSource:
    """One source under tow."""

    crossline_m: float
    """To starboard of the track."""
    inline_m: float = 0.0
    """Ahead of the first source position."""
    signature: Signature = field(default_factory=Signature)
    """What it radiates; holds its depth."""


@dataclass(frozen=True)
class Streamer:
    """One straight streamer."""

    channel_count: int
    """Receiver groups, the first nearest to the vessel."""
    group_interval_m: float = 12.5
    nearest_offset_m: float = 150.0
    """Between groups, and from the reference of the sources to the first group."""
    depth_m: float = 8.0
    """Sets the receiver ghost."""
    crossline_m: float = 0.0
    """Of its head, to starboard of the track."""
    feather_deg: float = 0.0
    """Angle by which the current pushes it to starboard."""

    def __post_init__(self) -> None:
        if self.channel_count < 1 or self.group_interval_m <= 0.0 or self.depth_m < 0.0:
            raise InputError(
                f"a streamer of {self.channel_count} channels every {self.group_interval_m} m at "
                f"{self.depth_m} m depth cannot be towed",
                remedy="Give at least one channel, a positive interval and a depth from 0.",
            )
        if self.nearest_offset_m <= 0.0 or not abs(self.feather_deg) < 90.0:
            raise InputError(
                f"a nearest offset of {self.nearest_offset_m} m with {self.feather_deg} degrees of "
                "feathering is impossible",
                remedy="Tow the streamer behind the sources.",
            )

    def behind_m(self) -> Positions:
        """Positions relative to the reference of the sources, shape (channel, 3)."""
        along = self.group_interval_m * np.arange(self.channel_count)
        feather = np.radians(self.feather_deg)
        return np.stack(
            [
                -self.nearest_offset_m - along * np.cos(feather),
                self.crossline_m + along * np.sin(feather),
                np.full(self.channel_count, self.depth_m),
            ],
            axis=1,
        )


@dataclass(frozen=True)
class Acquisition:
    """How a line is shot."""

    sources: tuple[TowedSource, ...]
    """One to six; numbered from 1."""
    streamer: Streamer
    """Behind them."""
    firing: Firing
    """When they fire."""
    trouble: Trouble = field(default_factory=Trouble)
    """What goes wrong."""
    speed_m_s: float = 2.25
    """Over ground, constant."""
    start_ns: int = 1_700_000_000 * NS_PER_S
    """Nominal first shot, nanoseconds since 1970 of `time_scale`."""
    time_scale: TimeScale = "utc"
    """Of the clock."""
    heading_deg: float = 90.0
    origin_x_m: float = 0.0
    origin_y_m: float = 0.0
    """Shooting direction clockwise from north, and the map position of the track at the nominal
    first shot."""
    line_name: str = "made"
    """For the shot table."""
    first_shot_point: int = 1001
    shot_point_step: int = 1
    """Numbering along the line, over all sources in the order of their firing."""

    def __post_init__(self) -> None:
        if not 1 <= len(self.sources) <= 6:
            raise InputError(
                f"{len(self.sources)} sources cannot be towed here", remedy="Give one to six."
            )
        if self.speed_m_s <= 0.0:
            raise InputError(f"a speed of {self.speed_m_s} m/s is impossible", remedy="Sail ahead.")


@dataclass(frozen=True, eq=False)
class TrueShots:
    """Shots in the order of their true fire times, and where everything was."""

    shots: Shots
    """The table as reported."""
    true_fire_time_ns: NDArray[np.int64]
    """(shot,): When they really fired."""
    geometry: Geometry
    """In map coordinates."""
    source_m: Positions
    receiver_m: Positions
    """shape (shot, 3) and (shot, channel, 3): (inline, crossline, depth), for the travel times."""


def true_shots(acquisition: Acquisition, seed: int) -> TrueShots:
    """Fire times, positions and the table of a line."""
    count = len(acquisition.sources)
    times = acquisition.firing.times_s(count, seed)
    which = np.repeat(np.arange(count), times.shape[1])
    order = np.argsort(times.ravel(), kind="stable")
    which, fire_s = which[order], times.ravel()[order]
    # Whole microseconds, the finest that source events of field records can say.
    fire_ns = np.rint(fire_s * 1e6).astype(np.int64) * 1000
    along = acquisition.speed_m_s * fire_ns / NS_PER_S
    source, receiver = _positions(acquisition, which, along)
    true_ns = acquisition.start_ns + fire_ns
    map_source = _to_map(acquisition, source)
    shots = make_shots(
        which.astype(np.int64) + 1,
        acquisition.first_shot_point + acquisition.shot_point_step * np.arange(len(which)),
        acquisition.trouble.reported_ns(true_ns, seed),
        acquisition.time_scale,
        line=np.full(len(which), acquisition.line_name),
        sequence=np.ones(len(which), dtype=np.int64),
        x_m=map_source[..., 0],
        y_m=map_source[..., 1],
        depth_m=source[:, 2],
        live=acquisition.trouble.live(len(which), seed),
    )
    return TrueShots(shots, true_ns, _geometry(acquisition, source, receiver), source, receiver)


def _positions(
    acquisition: Acquisition, which: NDArray[np.int64], along_m: NDArray[np.float64]
) -> tuple[Positions, Positions]:
    """Source and receiver positions at the fire times; the vessel does not wait for the dither."""
    table = np.array(
        [
            (source.inline_m, source.crossline_m, source.signature.depth_m)
            for source in acquisition.sources
        ]
    )
    track = np.zeros((len(which), 3))
    track[:, 0] = along_m
    receiver = track[:, None, :] + acquisition.streamer.behind_m()[None, :, :]
    return table[which] + track, receiver


def _to_map(acquisition: Acquisition, position: Positions) -> NDArray[np.float64]:
    """East and north of (inline, crossline) positions, shape (..., 2)."""
    heading = np.radians(acquisition.heading_deg)
    ahead = np.array([np.sin(heading), np.cos(heading)])
    starboard = np.array([np.cos(heading), -np.sin(heading)])
    origin = np.array([acquisition.origin_x_m, acquisition.origin_y_m])
    return np.asarray(
        origin + position[..., :1] * ahead + position[..., 1:2] * starboard, np.float64
    )


def _geometry(acquisition: Acquisition, source: Positions, receiver: Positions) -> Geometry:
    offset = np.hypot(receiver[..., 0] - source[:, None, 0], receiver[..., 1] - source[:, None, 1])
    on_map = _to_map(acquisition, receiver)
    depth = np.full(receiver.shape[1], acquisition.streamer.depth_m)
    return Geometry(-offset, on_map[..., 0], on_map[..., 1], depth)
