"""Bins of midpoints along and across a line, and how many traces fall into each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model.geometry import Geometry
from deblend.model.midpoints import midpoint_m
from deblend.model.shots import Shots

Floats = NDArray[np.float64]

_MOST_BINS: Final = 100_000_000


@dataclass(frozen=True)
class BinGrid:
    """Bins along a straight line and to starboard of it."""

    origin_m: tuple[float, float]
    """Position (x, y) of the centre of bin (0, 0)."""
    forward: tuple[float, float]
    """Unit vector (x, y) of the shooting direction."""
    inline_m: float
    crossline_m: float
    """Size of a bin."""
    shape: tuple[int, int]
    """Bins along and across the line."""

    def along_across(self, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
        """Metres along the line and to starboard of it, from the centre of bin (0, 0)."""
        dx, dy = x_m - self.origin_m[0], y_m - self.origin_m[1]
        return (
            dx * self.forward[0] + dy * self.forward[1],
            dx * self.forward[1] - dy * self.forward[0],
        )

    def index(self, x_m: Floats, y_m: Floats) -> NDArray[np.int64]:
        """Number of the bin of each position, along times across; -1 outside the grid."""
        along, across = self.along_across(x_m, y_m)
        known = np.isfinite(along) & np.isfinite(across)
        row = np.rint(np.where(known, along, -1e9) / self.inline_m).astype(np.int64)
        column = np.rint(np.where(known, across, -1e9) / self.crossline_m).astype(np.int64)
        inside = (row >= 0) & (row < self.shape[0]) & (column >= 0) & (column < self.shape[1])
        return np.where(inside, row * self.shape[1] + column, -1)

    @property
    def count(self) -> int:
        """Number of bins."""
        return self.shape[0] * self.shape[1]

    @property
    def along_m(self) -> Floats:
        """Position of each bin along the line, shape (bin,)."""
        return np.repeat(np.arange(self.shape[0]) * self.inline_m, self.shape[1])


def bin_grid(
    shots: Shots, geometry: Geometry, *, inline_m: float, crossline_m: float | None = None
) -> BinGrid:
    """Bins that hold every midpoint of a line; `inline_m` is half the group interval as a rule.

    Without `crossline_m` they are as wide as the smallest distance between the mean midpoint lines
    of two sources, so that every source has its own; without any such distance, the widest spread.

    Raises
    ------
    InputError
        If positions are unknown or a size is not positive.
    """
    x_m, y_m = midpoint_m(shots, geometry)
    known = np.isfinite(x_m) & np.isfinite(y_m)
    if not known.any():
        raise InputError(
            "no midpoint is known",
            remedy="Give source and receiver positions: in the shot table and the table "
            "[geometry] of the line file, or in bytes 73-88 of the trace headers.",
        )
    forward = _direction(shots, x_m, y_m, known)
    along = x_m * forward[0] + y_m * forward[1]
    across = x_m * forward[1] - y_m * forward[0]
    lines = np.array(
        [
            np.nanmean(across[shots.rows_of(source)])
            for source in shots.sources
            if known[shots.rows_of(source)].any()
        ]
    )
    if crossline_m is None:
        apart = np.diff(np.sort(lines))
        apart = apart[apart > 0.5]
        spread = float(np.nanmax(across) - np.nanmin(across))
        crossline_m = float(apart.min()) if apart.size else max(2.0 * spread, inline_m)
    for name, size in (("inline_m", inline_m), ("crossline_m", crossline_m)):
        if not size > 0:
            raise InputError(f"{name} is {size} m", remedy="Give a positive size of the bins.")
    spread_m = np.nanmax(along) - np.nanmin(along), np.nanmax(across) - np.nanmin(across)
    if not (spread_m[0] / inline_m + 1) * (spread_m[1] / crossline_m + 1) <= _MOST_BINS:
        raise InputError(
            f"bins of {inline_m:g} m by {crossline_m:g} m on {spread_m[0]:.0f} m by "
            f"{spread_m[1]:.0f} m are more than {_MOST_BINS}",
            remedy="Give larger bins; half the group interval is usual.",
        )
    first_along, first_across = float(np.nanmin(along)), float(lines.min())
    low = np.rint((np.nanmin(across) - first_across) / crossline_m)
    first_across += float(low) * crossline_m
    shape = (
        int(np.rint((np.nanmax(along) - first_along) / inline_m)) + 1,
        int(np.rint((np.nanmax(across) - first_across) / crossline_m)) + 1,
    )
    origin = (
        first_along * forward[0] + first_across * forward[1],
        first_along * forward[1] - first_across * forward[0],
    )
    return BinGrid(origin, forward, inline_m, crossline_m, shape)


def _direction(
    shots: Shots, x_m: Floats, y_m: Floats, known: NDArray[np.bool_]
) -> tuple[float, float]:
    """Unit vector along which the midpoints move with time."""
    rows = np.flatnonzero(known.any(axis=1))
    position = np.stack([np.nanmean(x_m[rows], axis=1), np.nanmean(y_m[rows], axis=1)], axis=1)
    seconds = (shots.fire_time_ns[rows] - shots.fire_time_ns[rows].min()) * 1e-9
    velocity = (seconds - seconds.mean()) @ (position - position.mean(axis=0))
    speed = float(np.linalg.norm(velocity))
    if speed == 0.0:
        return 1.0, 0.0
    return float(velocity[0] / speed), float(velocity[1] / speed)


def fold_map(grid: BinGrid, bins: NDArray[np.int64]) -> NDArray[np.int64]:
    """Traces in each bin, shape of the grid; a bin of -1 does not count."""
    counted = np.bincount(bins[bins >= 0].ravel(), minlength=grid.count)
    return counted.reshape(grid.shape).astype(np.int64)
