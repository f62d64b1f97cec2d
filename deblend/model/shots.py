"""The table of shots: which source fired when, and where."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from deblend.errors import ShotTableError
from deblend.model.shot_columns import TimeUnit, columns_of, instants_ns, refuse_dense_firing
from deblend.model.timebase import TimeScale, check_time_scale, format_instant


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
    source: Any,
    shot_point: ArrayLike | None = None,
    fire_time_ns: ArrayLike | None = None,
    time_scale: TimeScale | None = None,
    *,
    unit: TimeUnit | None = None,
    line: ArrayLike | None = None,
    sequence: ArrayLike | None = None,
    x_m: ArrayLike | None = None,
    y_m: ArrayLike | None = None,
    depth_m: ArrayLike | None = None,
    live: ArrayLike | None = None,
    deliver: ArrayLike | None = None,
) -> Shots:
    """Shots with the columns that are not given filled in as unknown, live and wanted.

    Parameters
    ----------
    source : array_like, pandas.DataFrame, xarray.Dataset or xarray.DataArray
        Source of each shot; or, alone, a table with the columns ``source``, ``shot_point``,
        ``fire_time`` (or ``fire_time_ns``) and any of the others. Estimates of `separate` are such
        a table, which knows its scale.
    fire_time_ns : array_like
        Whole nanoseconds since 1970 of `time_scale`; datetime64 of any unit; ISO 8601 text; or,
        with `unit`, numbers of that unit since 1970.
    time_scale : {"utc", "gps"}
        There is no default.
    unit : {"s", "ms", "us", "ns"}, optional
        Of fire times that are numbers; float64 seconds of today are good to 0.3 microseconds.

    Raises
    ------
    TimeError
        If the scale is not known, or fire times do not say what they are: numbers with a fraction
        without a unit, or shots of one source within 50 ms of each other.
    ShotTableError
        If columns are missing, or `Shots` refuses them.
    """
    given = {"sequence": sequence, "x_m": x_m, "y_m": y_m, "depth_m": depth_m}
    given |= {"line": line, "live": live, "deliver": deliver}
    if shot_point is None and fire_time_ns is None:
        table = columns_of(source)
        source, shot_point, fire_time_ns, time_scale = _needed(table, time_scale)
        given = {name: table.get(name) if value is None else value for name, value in given.items()}
    if shot_point is None or fire_time_ns is None:
        absent = "shot_point" if shot_point is None else "fire_time_ns"
        raise ShotTableError(
            f"{absent} is missing", remedy="Give every shot a shot point number and a fire time."
        )
    scale = check_time_scale(str(time_scale))
    fired = instants_ns(fire_time_ns, scale, unit)
    sources = np.asarray(source)
    if sources.dtype.kind in "OT":  # text of a table
        sources = sources.astype(np.str_)
    if sources.shape == fired.shape:
        refuse_dense_firing(sources, fired)
    count = len(sources)

    def column(name: str, otherwise: float | bool | str, kind: type[np.generic]) -> Any:
        value = given[name]
        return np.full(count, otherwise, kind) if value is None else np.asarray(value, kind)

    return Shots(
        source=sources,
        shot_point=np.asarray(shot_point, dtype=np.int64),
        fire_time_ns=fired,
        time_scale=scale,
        line=column("line", "", np.str_),
        sequence=column("sequence", 0, np.int64),
        x_m=column("x_m", np.nan, np.float64),
        y_m=column("y_m", np.nan, np.float64),
        depth_m=column("depth_m", np.nan, np.float64),
        live=column("live", True, np.bool_),
        deliver=column("deliver", True, np.bool_),
    )


def _needed(table: dict[str, Any], scale: TimeScale | None) -> tuple[Any, Any, Any, Any]:
    """Source, shot point, fire time and scale of a table."""
    fired = table.get("fire_time_ns", table.get("fire_time"))
    absent = [name for name in ("source", "shot_point") if name not in table]
    if absent or fired is None:
        raise ShotTableError(
            f"the table has no column {(absent or ['fire_time'])[0]}",
            remedy=f"It has {', '.join(table) or 'none for each shot'}.",
        )
    stated = getattr(fired, "attrs", {}).get("scale", scale)
    if scale is not None and stated != scale:
        raise ShotTableError(
            f"the fire times of the table are of scale {stated!r}, and {scale!r} was stated",
            remedy="Leave the scale to the table, or convert its times.",
        )
    return table["source"], table["shot_point"], fired, stated
