"""What every navigation format is read into: where sources and receivers were, without instants.

P1/90 and SPS give the time of a shot to the whole second, 250 samples of 2 ms; such a time must
never become a fire time. `Positions` therefore holds no instant at all: the clock of the file is
kept as seconds after midnight, which is good for a check and for nothing else. Fire times come from
P1/11 by `deblend.records.navigation.p111.read_p111_shots`, or from the shot table.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import NavigationError
from deblend.model.findings import Finding

LARGEST_LONGITUDE: Final = 360.0
LARGEST_LATITUDE: Final = 90.0
LARGEST_EXTENT: Final = 5.0


@dataclass(frozen=True, eq=False)
class Receivers:
    """Receiver positions, one entry a receiver and shot."""

    row: NDArray[np.int64]
    """(entry,): Row of the shot in `Positions`."""
    streamer: NDArray[np.str_]
    """Streamer or receiver line; empty where the file does not say."""
    receiver: NDArray[np.int64]
    """Number of the receiver group along the streamer."""
    channel: NDArray[np.int64]
    """Channel number where the file says it (SPS relation records), else -1."""
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    """Position in the system of the sources, and depth."""


@dataclass(frozen=True, eq=False)
class Positions:
    """Source positions of a navigation file, one entry a shot, in the order of the file."""

    path: Path
    """The file."""
    format_name: str
    """"P1/11", "P1/90" or "SPS 2.1"."""
    coordinate_system: str
    """What the file states, in its own words; empty where it states nothing."""
    line: NDArray[np.str_]
    source: NDArray[np.str_]
    """(shot,): Line name, and which source fired in the words of the file; empty where it does not
    say."""
    shot_point: NDArray[np.int64]
    """Point number."""
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    """East, north, and depth below the surface; NaN where unknown."""
    utc_second_of_day: NDArray[np.float64]
    """The file's clock in seconds after midnight of UTC; NaN where unknown."""
    receivers: Receivers
    """Possibly of no entry."""
    findings: tuple[Finding, ...] = ()
    """What was noticed while reading."""
    latitude_deg: NDArray[np.float64] | None = None
    longitude_deg: NDArray[np.float64] | None = None
    """(shot,): Geographic coordinates of the sources, north and east positive, where the file has
    them beside the grid; NaN where unknown."""

    def __post_init__(self) -> None:
        if not len(self.shot_point):
            raise NavigationError(
                "the file holds no source position",
                where=str(self.path),
                remedy="Give the file with the source records of the line.",
            )
        for x_m, y_m, what in (
            (self.x_m, self.y_m, "source"),
            (self.receivers.x_m, self.receivers.y_m, "receiver"),
        ):
            refuse_degrees(x_m, y_m, what, str(self.path))

    def __len__(self) -> int:
        return len(self.shot_point)

    def with_findings(self, *more: Finding) -> Positions:
        """Positions with further findings added."""
        return replace(self, findings=(*self.findings, *more))


def refuse_degrees(
    x_m: NDArray[np.float64], y_m: NDArray[np.float64], what: str, where: str
) -> None:
    """Refuse a column of positions that can only be degrees.

    Raises
    ------
    NavigationError
        If every position lies within 360 by 90 units of the origin and all of them within five
        units of each other: a line of metres is longer, one of degrees is not.
    """
    known = np.isfinite(x_m) & np.isfinite(y_m)
    if not known.any():
        return
    largest = np.abs(x_m[known]).max(), np.abs(y_m[known]).max()
    extent = max(np.ptp(x_m[known]), np.ptp(y_m[known]))
    within = largest[0] <= LARGEST_LONGITUDE and largest[1] <= LARGEST_LATITUDE
    if within and extent < LARGEST_EXTENT:
        raise NavigationError(
            f"{what} positions reach {largest[0]:g} east and {largest[1]:g} north, which are "
            "degrees, not metres",
            where=where,
            remedy="Give positions in a projected coordinate system, in metres.",
        )
