"""Trace headers of separated gathers, from shots, geometry and channels.

Fields follow SEG-Y revision 1 [1]_, table 3: the source number is in bytes 213-214, which number
the device of a trace, and the midpoint in 181-188, the position of its ensemble. Bytes 233-240,
which that revision leaves to the writer, hold what the whole second of bytes 157-166 leaves of the
time break. A sample interval that revision 1 cannot hold makes a file of revision 2.0 [2]_, whose
binary header holds it as a float; that fraction of the time break is then in trace header
extension 1.

References
----------
.. [1] SEG Technical Standards Committee, 2002, SEG Y rev 1 Data Exchange Format.
.. [2] SEG Technical Standards Committee, 2017, SEG-Y revision 2.0 Data Exchange Format.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from deblend.errors import OutputError
from deblend.model.geometry import Geometry
from deblend.model.midpoints import midpoint_m
from deblend.model.segy_layout import (
    DEAD_TRACE,
    EXTENSION_1_NAME,
    LARGEST_SIGNED_COUNT,
    SAMPLE_UNITS,
    SEISMIC_TRACE,
    STANDARD_HEADER_NAME,
    TIME_BASIS_CODES,
    TRACE_HEADER,
    TRACE_HEADER_EXTENSION_1,
)
from deblend.model.shots import Shots
from deblend.model.timebase import NS_PER_S, NS_PER_US, calendar_fields

_FINEST_SCALES: Final = (100, 10, 1)
_CLOCK: Final = ("year", "month", "day", "hour", "minute", "second", "day_of_year")


@dataclass(frozen=True, eq=False)
class SourceGathers:
    """What the traces of one file are; amplitudes are handed over beside it."""

    shots: Shots
    """The shots of one source, in the order of the file."""
    geometry: Geometry
    """One row for each of `shots`, one column a channel."""
    channel_numbers: NDArray[np.int64]
    """(channel,): Channel numbers."""
    dead: NDArray[np.bool_]
    """(channel,): Channels that recorded nothing of use."""
    interval_ns: int
    """Sample interval in nanoseconds."""
    length: int
    """Samples of a trace."""
    amplitude_unit: str
    """Unit of the samples."""
    line: str
    """Name of the line."""
    history: tuple[str, ...]
    """What was done, a sentence each."""

    @property
    def source_number(self) -> int:
        """Number of the source; 0 for a name that is none, or a number beyond two bytes."""
        name = str(self.shots.source[0])
        number = int(name) if name.isascii() and name.isdigit() else 0
        return number if number <= LARGEST_SIGNED_COUNT else 0

    @property
    def interval_us(self) -> int:
        """Sample interval in whole microseconds; the nearest, where `revision` is 2."""
        return min(round(self.interval_ns / NS_PER_US), LARGEST_SIGNED_COUNT)

    @property
    def revision(self) -> int:
        """Of SEG-Y: 2 where 1 cannot hold the sample interval."""
        whole = self.interval_ns % NS_PER_US == 0
        return 1 if whole and self.interval_ns // NS_PER_US <= LARGEST_SIGNED_COUNT else 2


def check_fits(gathers: SourceGathers) -> None:
    """Refuse what SEG-Y cannot hold, before anything is written."""
    counts = {
        "samples a trace": (gathers.length, "Ask for shorter gathers."),
        "channels a shot": (len(gathers.channel_numbers), "Separate fewer channels at a time."),
    }
    for what, (count, remedy) in counts.items():
        if count > LARGEST_SIGNED_COUNT:
            raise OutputError(
                f"{count} {what} do not fit SEG-Y revision 1, which holds {LARGEST_SIGNED_COUNT}",
                remedy=remedy,
            )
    ends = _end_channels(gathers)
    headers = np.zeros((len(ends.shots), len(ends.channel_numbers)), TRACE_HEADER)
    fill_headers(headers, ends, 0, coordinate_scale(gathers))


def _end_channels(gathers: SourceGathers) -> SourceGathers:
    """The first and the last channel, whose headers hold the extremes."""
    ends = [0, len(gathers.channel_numbers) - 1]
    geometry = gathers.geometry
    return replace(
        gathers,
        channel_numbers=gathers.channel_numbers[ends],
        dead=gathers.dead[ends],
        geometry=Geometry(
            geometry.offset_m[:, ends],
            geometry.receiver_x_m[:, ends],
            geometry.receiver_y_m[:, ends],
            geometry.receiver_depth_m[ends],
        ),
    )


def trace_header_type(gathers: SourceGathers) -> np.dtype[np.void]:
    """Headers before the samples of a trace: the standard one, and the extension of revision 2."""
    if gathers.revision == 1:
        return np.dtype([("header", TRACE_HEADER)])
    return np.dtype([("header", TRACE_HEADER), ("extension", TRACE_HEADER_EXTENSION_1)])


def fill_extension(headers: NDArray[np.void], gathers: SourceGathers, first: int) -> None:
    """Fill what revision 2 has beside the standard header, for consecutive shots from `first` on.

    Standard headers of `trace_header_type`, shape (shot, channel), are filled, extensions zeros.
    """
    nanoseconds = gathers.shots.fire_time_ns[first : first + len(headers), None] % NS_PER_S
    headers["header"]["header_name"] = STANDARD_HEADER_NAME
    extension = headers["extension"]
    extension["nanosecond"] = nanoseconds
    extension["sample_count"] = gathers.length
    extension["sample_interval"] = gathers.interval_ns / NS_PER_US
    extension["header_name"] = EXTENSION_1_NAME


def coordinate_scale(gathers: SourceGathers) -> int:
    """Divisor of all coordinates of the file: 100, or the largest smaller one that fits."""
    shots, geometry = gathers.shots, gathers.geometry
    largest = max(
        float(np.max(np.abs(np.nan_to_num(part)), initial=0.0))
        for part in (shots.x_m, shots.y_m, geometry.receiver_x_m, geometry.receiver_y_m)
    )
    for scale in _FINEST_SCALES:
        if largest * scale <= np.iinfo(np.int32).max:
            return scale
    raise OutputError(
        f"a coordinate of {largest:.0f} m does not fit the 4 bytes that SEG-Y gives it",
        remedy="Correct the positions in the shot table; coordinates are metres.",
    )


def fill_headers(headers: NDArray[np.void], gathers: SourceGathers, first: int, scale: int) -> None:
    """Fill the headers, (shot, channel) of zeros, of consecutive shots from row `first` on.

    `scale` divides the coordinates, see `coordinate_scale`.
    """
    shot_count, channel_count = headers.shape
    rows = np.arange(first, first + shot_count)
    trace = rows[:, None] * channel_count + np.arange(channel_count) + 1
    _put(headers, "sequence_in_line", trace)
    _put(headers, "sequence_in_file", trace)
    _put(headers, "field_record", rows[:, None] + 1)
    _put(headers, "channel", gathers.channel_numbers)
    for name in ("source_point", "shot_point"):
        _put(headers, name, gathers.shots.shot_point[rows, None])
    _put(headers, "trace_identification", np.where(gathers.dead, DEAD_TRACE, SEISMIC_TRACE))
    for name in ("vertically_summed", "horizontally_stacked", "data_use", "shot_point_scalar"):
        _put(headers, name, 1)
    _put(headers, "sample_count", gathers.length)
    _put(headers, "sample_interval", gathers.interval_us)
    _put(headers, "time_scalar", 1)
    _put(headers, "sample_unit", _unit_code(gathers.amplitude_unit))
    _put(headers, "device", gathers.source_number)
    _fill_positions(headers, gathers, rows, scale)
    _fill_instants(headers, gathers.shots, rows)


def _fill_positions(
    headers: NDArray[np.void], gathers: SourceGathers, rows: NDArray[np.int64], scale: int
) -> None:
    shots, geometry = gathers.shots, gathers.geometry
    _put(headers, "offset", _rounded(geometry.offset_m[rows]))
    _put(headers, "elevation_scalar", -100)
    _put(headers, "receiver_elevation", _rounded(-100 * geometry.receiver_depth_m))
    _put(headers, "source_depth", _rounded(100 * shots.depth_m[rows, None]))
    _put(headers, "coordinate_scalar", -scale if scale > 1 else 1)
    _put(headers, "coordinate_unit", 1)
    _put(headers, "source_x", _rounded(scale * shots.x_m[rows, None]))
    _put(headers, "source_y", _rounded(scale * shots.y_m[rows, None]))
    _put(headers, "receiver_x", _rounded(scale * geometry.receiver_x_m[rows]))
    _put(headers, "receiver_y", _rounded(scale * geometry.receiver_y_m[rows]))
    here = Geometry(
        geometry.offset_m[rows],
        geometry.receiver_x_m[rows],
        geometry.receiver_y_m[rows],
        geometry.receiver_depth_m,
    )
    x_m, y_m = midpoint_m(shots.take(rows), here)
    _put(headers, "ensemble_x", _rounded(scale * x_m))
    _put(headers, "ensemble_y", _rounded(scale * y_m))


def _fill_instants(headers: NDArray[np.void], shots: Shots, rows: NDArray[np.int64]) -> None:
    seconds, nanoseconds = np.divmod(shots.fire_time_ns[rows], NS_PER_S)
    clock = np.array([calendar_fields(int(second)) for second in seconds]).reshape(-1, len(_CLOCK))
    for name, column in zip(_CLOCK, clock.T, strict=True):
        if name in ("month", "day"):  # the header counts days of the year
            continue
        _put(headers, name, column[:, None])
    _put(headers, "time_basis", TIME_BASIS_CODES[shots.time_scale])
    # Cut, not rounded: the second, the microsecond and the rest add up to the instant exactly.
    _put(headers, "unassigned_233", (nanoseconds // NS_PER_US)[:, None])
    _put(headers, "unassigned_237", (nanoseconds % NS_PER_US)[:, None])


def _rounded(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Nearest whole numbers; unknown becomes 0, which these fields use for it."""
    return np.rint(np.nan_to_num(values, nan=0.0))


def _unit_code(unit: str) -> int:
    """Code of bytes 203-204; 0, unknown, for a unit that the standard does not list."""
    return {name: code for code, name in SAMPLE_UNITS.items()}.get(unit, 0)


def _put(headers: NDArray[np.void], name: str, values: ArrayLike) -> None:
    """Store whole numbers in a field; numpy alone would wrap those that do not fit."""
    numbers: NDArray[Any] = np.asarray(values)
    limits = np.iinfo(TRACE_HEADER[name])
    wrong = (numbers < limits.min) | (numbers > limits.max)
    if np.any(wrong):
        raise OutputError(
            f"{name.replace('_', ' ')} {numbers[wrong].flat[0]:.15g} does not fit the "
            f"{limits.bits // 8} bytes that SEG-Y gives it",
            remedy="Correct the shot table or the geometry.",
        )
    headers[name] = numbers
