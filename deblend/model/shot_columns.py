"""Columns of shots as others keep them: instants of any kind, tables of pandas and xarray."""

from __future__ import annotations

from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from deblend.errors import ShotTableError, TimeError
from deblend.model.timebase import TimeScale, parse_instant

TimeUnit = Literal["s", "ms", "us", "ns"]
NS_IN: Final[dict[str, int]] = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}
LEAST_INTERVAL_NS: Final = 50_000_000
"""No source fires again sooner: shots closer than this were given in another unit."""
FIRST_YEAR_NS: Final = 366 * 86_400 * 10**9
_LATEST_NS: Final = float(np.iinfo(np.int64).max)


def instants_ns(values: ArrayLike, scale: TimeScale, unit: TimeUnit | None) -> NDArray[np.int64]:
    """Nanoseconds since 1970 of the instants of a column.

    Parameters
    ----------
    values : array_like
        Whole nanoseconds; numbers of another `unit`; datetime64 of any unit; or ISO 8601 text.
    scale : {"utc", "gps"}
        What they are of.
    unit : {"s", "ms", "us", "ns"}, optional
        Of numbers since 1970.

    Raises
    ------
    TimeError
        If they are none of these, an unknown unit, or numbers of which nothing says what they are.
    """
    array = np.asarray(values)
    if unit is not None and unit not in NS_IN:
        raise TimeError(f"unit {unit!r} is not known", remedy=f"Give one of {', '.join(NS_IN)}.")
    if array.dtype.kind == "M":
        return _of_dates(array)
    if array.dtype.kind in "UOT":
        return np.array([parse_instant(str(value), scale) for value in array], dtype=np.int64)
    if array.dtype.kind in "iu":
        return _scaled(array, NS_IN[unit or "ns"])
    if array.dtype.kind == "f" and unit is not None:
        return _scaled(array, NS_IN[unit])
    first = f", the first {array.flat[0]!r}" if array.size else ""
    raise TimeError(
        f"fire times of type {array.dtype}{first} do not say what they are",
        remedy='Give int64 nanoseconds since 1970, datetime64, or the unit too: unit="s".',
    )


def _of_dates(array: NDArray[Any]) -> NDArray[np.int64]:
    if np.isnat(array).any():
        row = int(np.flatnonzero(np.isnat(array))[0]) + 1
        raise TimeError("a fire time is NaT", where=f"row {row}", remedy="Give every shot a time.")
    dates = array.astype("datetime64[ns]")
    if (dates.astype(array.dtype) != array).any():
        raise TimeError(
            f"fire times of type {array.dtype} lie beyond the years that nanoseconds reach",
            remedy="Correct them: 1970 to 2262 can be said.",
        )
    return dates.astype(np.int64)


def _scaled(array: NDArray[Any], factor: int) -> NDArray[np.int64]:
    finite = np.isfinite(array)
    if not finite.all():
        row = int(np.flatnonzero(~finite)[0]) + 1
        raise TimeError(
            f"a fire time is {array[row - 1]}", where=f"row {row}", remedy="Give a number."
        )
    if np.abs(array.astype(np.float64) * factor).max(initial=0.0) >= _LATEST_NS:
        raise TimeError(
            f"a fire time of {np.abs(array).max()} is beyond the year 2262 in that unit",
            remedy="State the unit that they are in.",
        )
    if array.dtype.kind == "f":
        whole = np.floor(array)  # whole and fraction apart: the product would lose digits
        rest = np.rint((array - whole) * factor).astype(np.int64)
        return np.asarray(whole.astype(np.int64) * factor + rest)
    return np.asarray(array.astype(np.int64) * factor)


def refuse_dense_firing(source: NDArray[Any], fire_time_ns: NDArray[np.int64]) -> None:
    """Refuse times soon after 1970 that are nearer to each other than a source can fire.

    Seconds to microseconds of any date, taken for nanoseconds, are of that kind.

    Raises
    ------
    TimeError
        If they are.
    """
    if fire_time_ns.max(initial=0) > FIRST_YEAR_NS:
        return
    intervals = [np.diff(np.sort(fire_time_ns[source == one])) for one in np.unique(source)]
    steps = np.concatenate(intervals)
    if len(steps) and 0 < np.median(steps) < LEAST_INTERVAL_NS:
        raise TimeError(
            f"shots of one source follow each other after {np.median(steps):.0f} ns",
            remedy='Fire times are nanoseconds since 1970; state another unit: unit="s".',
        )


def columns_of(table: Any) -> dict[str, Any]:
    """Columns of a pandas table or of what xarray labels a dimension ``shot`` with.

    Raises
    ------
    ShotTableError
        If it has neither.
    """
    if hasattr(table, "coords"):
        found = {**table.coords, **getattr(table, "data_vars", {})}
        return {str(name): part for name, part in found.items() if part.dims == ("shot",)}
    if hasattr(table, "columns"):
        return {str(name): table[name] for name in table.columns}
    raise ShotTableError(
        f"{type(table).__name__} is no table of shots",
        remedy="Give a pandas table, an xarray Dataset or DataArray, or the columns one by one.",
    )
