"""Velocities for moveout, from a table of time, rms velocity and position along the line."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, reason_of

Floats = NDArray[np.float64]
COLUMNS = ("position_m", "time_s", "rms_velocity_m_s")
SLOWEST_M_S: Final = 1000.0
FASTEST_M_S: Final = 12_000.0
LATEST_S: Final = 60.0
"""Wide for sea water and rock, narrow enough for km/s, feet and milliseconds to be refused."""


@dataclass(frozen=True, eq=False)
class VelocityTable:
    """Rms velocity as a function of two-way time, at positions along the line.

    Raises
    ------
    InputError
        If positions or times do not rise, a velocity or a time is of another unit, or velocities
        fall faster than the interval velocity of any layer allows.
    """

    position_m: Floats
    """(position,): Along the line, rising; one position makes it the same everywhere."""
    time_s: tuple[Floats, ...]
    velocity_m_s: tuple[Floats, ...]
    """Knots at each position, times rising."""

    def __post_init__(self) -> None:
        if len(self.position_m) == 0 or np.any(np.diff(self.position_m) <= 0):
            raise InputError(
                f"positions {self.position_m} of the velocity table do not rise",
                remedy="Give at least one position, each once.",
            )
        for position, time, velocity in zip(
            self.position_m, self.time_s, self.velocity_m_s, strict=True
        ):
            where = f"velocity table, position {position:g} m"
            falling = np.flatnonzero(np.diff(time) <= 0)
            if falling.size:
                first = int(falling[0])
                raise InputError(
                    f"time goes from {time[first]:g} to {time[first + 1]:g} s",
                    where=where,
                    remedy="Let times rise from row to row.",
                )
            slow_or_fast = velocity[~((velocity >= SLOWEST_M_S) & (velocity <= FASTEST_M_S))]
            far = time[~((time >= 0.0) & (time <= LATEST_S))]
            if slow_or_fast.size or far.size or len(time) == 0:
                what = f"velocity {slow_or_fast[0]:g} m/s" if slow_or_fast.size else "no time"
                raise InputError(
                    f"time {far[0]:g} s" if far.size else what,
                    where=where,
                    remedy=f"Give times from 0 to {LATEST_S:g} s and rms velocities from "
                    f"{SLOWEST_M_S:g} to {FASTEST_M_S:g} m/s.",
                )
            slower = np.flatnonzero(np.diff(velocity**2 * time) < 0)
            if slower.size:
                first = int(slower[0])
                raise InputError(
                    f"rms velocity falls from {velocity[first]:g} m/s at {time[first]:g} s to "
                    f"{velocity[first + 1]:g} m/s at {time[first + 1]:g} s, faster than any layer "
                    "between allows",
                    where=where,
                    remedy="Correct it: rms velocity squared times time cannot fall (Dix 1955).",
                )

    def at(self, position_m: float, time_s: Floats) -> Floats:
        """Velocity in m/s: linear in time and position, constant beyond the first and last."""
        profiles = np.stack(
            [
                np.interp(time_s, time, velocity)
                for time, velocity in zip(self.time_s, self.velocity_m_s, strict=True)
            ]
        )
        if len(self.position_m) == 1:
            return np.asarray(profiles[0], dtype=np.float64)
        upper = int(np.clip(np.searchsorted(self.position_m, position_m), 1, len(profiles) - 1))
        left, right = self.position_m[upper - 1], self.position_m[upper]
        part = float(np.clip((position_m - left) / (right - left), 0.0, 1.0))
        return np.asarray((1 - part) * profiles[upper - 1] + part * profiles[upper], np.float64)

    def check_covers(self, first_m: float, last_m: float) -> None:
        """Refuse a table that misses the line.

        A table of several positions may end short of the line by the distance between its last
        two; one position is meant for the whole line.
        """
        if len(self.position_m) == 1:
            return
        low = self.position_m[0] - (self.position_m[1] - self.position_m[0])
        high = self.position_m[-1] + (self.position_m[-1] - self.position_m[-2])
        if first_m < low or last_m > high:
            raise InputError(
                f"the velocity table runs from {self.position_m[0]:g} to "
                f"{self.position_m[-1]:g} m and the line from {first_m:g} to {last_m:g} m",
                remedy="Give positions in metres along the line, from its first midpoint.",
            )


def read_velocities(path: str | Path) -> VelocityTable:
    """Read a CSV table with the columns position_m, time_s, rms_velocity_m_s."""
    path = Path(path)
    try:
        reader = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline=""))
        missing = [name for name in COLUMNS if name not in (reader.fieldnames or ())]
        if missing:
            raise InputError(
                f"column {missing[0]} is missing",
                where=str(path),
                remedy=f"Give the columns {', '.join(COLUMNS)}.",
            )
        rows = [tuple(float(row[name]) for name in COLUMNS) for row in reader]
    except (OSError, UnicodeDecodeError, ValueError, TypeError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            f"the velocity table cannot be read ({reason_of(error)})",
            where=str(path),
            remedy=f"Give a CSV file of numbers with the columns {', '.join(COLUMNS)}.",
        ) from error
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    positions = np.array(sorted(set(table[:, 0].tolist())))
    try:
        return VelocityTable(
            positions,
            tuple(table[table[:, 0] == position, 1] for position in positions),
            tuple(table[table[:, 0] == position, 2] for position in positions),
        )
    except InputError as error:
        raise InputError(
            error.what, where=f"{path}, {error.where}".rstrip(", "), remedy=error.remedy
        ) from error
