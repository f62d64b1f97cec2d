"""The table of shots: which source fired when, and where."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deblend.errors import ShotTableError
from deblend.model.timebase import TimeScale, format_instant


@dataclass(frozen=True, eq=False)
class Shots:
    """Shots in the order of their table; every column has one entry a shot.

    Raises
    ------
    ShotTableError
        If the columns differ in length, there is no shot, or one source fires twice at one instant.
    """

    source: NDArray[np.int64] | NDArray[np.str_]
    """(shot,): Which source fired."""
    shot_point: NDArray[np.int64]
    """Shot point number."""
    fire_time_ns: NDArray[np.int64]
    """Time break, which is sample zero of the gather: nanoseconds since 1970 of `time_scale`."""
    time_scale: TimeScale
    """Scale of `fire_time_ns`."""
    line: NDArray[np.str_]
    """Line name; empty where unknown."""
    sequence: NDArray[np.int64]
    """Sequence number; 0 where unknown."""
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    """Source position in a projected system and its depth, in metres; NaN where unknown."""
    live: NDArray[np.bool_]
    """False for a misfire: the shot left no energy in the record."""
    deliver: NDArray[np.bool_]
    """False for a shot that is in the record and in the operator, but not wanted in the output."""

    def __post_init__(self) -> None:
        if len(self.source) == 0:
            raise ShotTableError("the shot table holds no shot", remedy="Give at least one row.")
        for name, column in self.columns():
            if column.shape != (len(self.source),):
                raise ShotTableError(
                    f"column {name} has shape {column.shape}, not ({len(self.source)},)",
                    remedy="Give every column one entry a shot.",
                )
        self._refuse_double_firing()

    def _refuse_double_firing(self) -> None:
        for source in self.sources:
            rows = np.flatnonzero(self.source == source)
            rows = rows[np.argsort(self.fire_time_ns[rows], kind="stable")]
            same = np.flatnonzero(np.diff(self.fire_time_ns[rows]) == 0)
            if same.size:
                first, second = sorted(rows[same[0] : same[0] + 2])
                raise ShotTableError(
                    f"source {source} fires twice at "
                    f"{format_instant(self.fire_time_ns[first], self.time_scale)}",
                    where=f"shot points {self.shot_point[first]} and {self.shot_point[second]} "
                    f"(rows {first + 1} and {second + 1})",
                    remedy="Remove the duplicate row or correct its source or time.",
                )

    def columns(self) -> Iterator[tuple[str, NDArray[np.generic]]]:
        """Name and array of every column."""
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray) and name in self.__dataclass_fields__:
                yield name, value

    def __len__(self) -> int:
        return len(self.source)

    @cached_property
    def sources(self) -> tuple[int | str, ...]:
        """Sources that occur, sorted."""
        return tuple(np.unique(self.source).tolist())

    def rows_of(self, source: int | str) -> NDArray[np.int64]:
        """Row numbers of one source, in table order."""
        return np.flatnonzero(self.source == source).astype(np.int64)

    def take(self, rows: NDArray[np.int64] | NDArray[np.bool_]) -> Shots:
        """The shots of some rows, in that order."""
        taken: dict[str, Any] = {name: column[rows] for name, column in self.columns()}
        return replace(self, **taken)

    def followed_by(self, others: Shots) -> Shots:
        """These shots, then others."""
        columns = dict(others.columns())
        joined: dict[str, Any] = {
            name: np.concatenate([column, columns[name]]) for name, column in self.columns()
        }
        return replace(self, **joined)

    def with_flags(
        self,
        *,
        live: NDArray[np.bool_] | None = None,
        deliver: NDArray[np.bool_] | None = None,
    ) -> Shots:
        """Shots with other `live` or `deliver` flags."""
        return replace(
            self,
            live=self.live if live is None else live,
            deliver=self.deliver if deliver is None else deliver,
        )


def make_shots(
    source: NDArray[np.int64] | NDArray[np.str_],
    shot_point: NDArray[np.int64],
    fire_time_ns: NDArray[np.int64],
    time_scale: TimeScale,
    *,
    line: NDArray[np.str_] | None = None,
    sequence: NDArray[np.int64] | None = None,
    x_m: NDArray[np.float64] | None = None,
    y_m: NDArray[np.float64] | None = None,
    depth_m: NDArray[np.float64] | None = None,
    live: NDArray[np.bool_] | None = None,
    deliver: NDArray[np.bool_] | None = None,
) -> Shots:
    """Shots with the columns that are not given filled in as unknown, live and wanted."""
    count = len(source)
    unknown = np.full(count, np.nan)
    return Shots(
        source=source,
        shot_point=np.asarray(shot_point, dtype=np.int64),
        fire_time_ns=np.asarray(fire_time_ns, dtype=np.int64),
        time_scale=time_scale,
        line=np.full(count, "", dtype=np.str_) if line is None else np.asarray(line, dtype=np.str_),
        sequence=np.zeros(count, np.int64) if sequence is None else sequence,
        x_m=unknown if x_m is None else x_m,
        y_m=unknown if y_m is None else y_m,
        depth_m=unknown if depth_m is None else depth_m,
        live=np.ones(count, np.bool_) if live is None else live,
        deliver=np.ones(count, np.bool_) if deliver is None else deliver,
    )
