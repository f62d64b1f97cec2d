"""P1/11, P1/90 and SPS files of a made line, field by field from the tables of the standards.

Nothing of the project's readers is used, but for the formula of the grid in `degrees`. Columns are
counted from 1, first and last included.

References
----------
.. [1] IOGP report 483-1, P1/11 geophysical position data exchange format, version 1.1, 2015.
.. [2] UKOOA P1/90 post plot data exchange format, 28 June 1990.
.. [3] SEG, Shell processing support format, revision 2.1, 2006.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.geometry import Geometry
from deblend.model.shots import Shots
from deblend.model.time_scales import convert_instants
from deblend.records.navigation.grid import utm_coordinates

_GPS_ZERO_NS: Final = 315_964_800 * 10**9
_P111_HEADER: Final = """OGP,OGP P1,1,1.1,1,2024:06:02,08:15:00,MADE.P111,MADE
HC,1,2,0,Time reference,1,2,{leap_s},GPS,1,1980:01:06,5
HC,1,3,0,Projected CRS,1,{code},{system}
H1,1,0,0,Position,1,1,2,2,1,0,0
"""
_P190_HEADER: Final = """H1000 CLOCK TIME                GMT +0.0
H1400 GEODETIC DATUM            WGS84
H1800 PROJECTION                UTM NORTHERN HEMISPHERE
H1900 ZONE                      31N
"""
_SPS_HEADER: Final = """H00 SPS format version num.     SPS 2.1
H12 Geodetic datum,-spheroid    WGS84
H18 Projection                  UTM NORTH
H19 Zone                        31N
"""
_P190_S: Final = {
    "line": (2, 13, "<"),
    "vessel": (17, 17, "<"),
    "source": (18, 18, "<"),
    "point": (20, 25, ">"),
    "latitude": (26, 35, ">"),
    "longitude": (36, 46, ">"),
    "east": (47, 55, ">.1f"),
    "north": (56, 64, ">.1f"),
    "depth": (65, 70, ">.1f"),
    "day": (71, 73, ">"),
    "time": (74, 79, ">"),
}
_P190_GROUP: Final = {
    "number": (1, 4, ">"),
    "east": (5, 13, ">.1f"),
    "north": (14, 22, ">.1f"),
    "depth": (23, 26, ">.1f"),
}
_SPS_POINT: Final = {
    "line": (2, 11, ">.2f"),
    "point": (12, 21, ">.2f"),
    "index": (24, 24, ">"),
    "code": (25, 26, "<"),
    "depth": (31, 34, ">.1f"),
    "east": (47, 55, ">.1f"),
    "north": (56, 65, ">.1f"),
    "day": (72, 74, ">"),
    "time": (75, 80, ">"),
}
_SPS_RELATION: Final = {
    "tape": (2, 7, "<"),
    "record": (8, 15, ">"),
    "increment": (16, 16, ">"),
    "instrument": (17, 17, "<"),
    "source_line": (18, 27, ">.2f"),
    "source_point": (28, 37, ">.2f"),
    "source_index": (38, 38, ">"),
    "from_channel": (39, 43, ">"),
    "to_channel": (44, 48, ">"),
    "channel_increment": (49, 49, ">"),
    "receiver_line": (50, 59, ">.2f"),
    "from_receiver": (60, 69, ">.2f"),
    "to_receiver": (70, 79, ">.2f"),
    "receiver_index": (80, 80, ">"),
}

ToDegrees = Callable[[float, float], tuple[float, float]]
"""Longitude and latitude of east and north."""


def degrees(east: float, north: float) -> tuple[float, float]:
    """Longitude and latitude of zone 31 north, by repeated correction of a first guess."""
    longitude, latitude = 3.0, 58.0
    for _ in range(6):
        there = utm_coordinates(latitude, longitude, 31, south=False)
        latitude += (north - there[1]) / 111_300.0
        longitude += (east - there[0]) / (111_300.0 * np.cos(np.radians(latitude)))
    return longitude, latitude


@dataclass(frozen=True, eq=False)
class Towed:
    """What a navigation file says of a line; each part may be wrong on purpose."""

    shots: Shots
    """Sources by number, with positions."""
    geometry: Geometry
    """Of the channels in the order of `streamer`."""
    streamer: NDArray[np.int64]
    """(channel,): Number of the streamer of each channel, from 1."""
    to_degrees: ToDegrees | None = None
    """For geographic coordinates beside the grid, in P1/11 and P1/90."""
    code: int = 32631
    """EPSG code declared by P1/11."""
    system: str = "WGS 84 / UTM zone 31N"
    """Its name."""

    def receivers(self, row: int) -> Iterator[tuple[int, list[int]]]:
        """Each streamer and its columns; those without a position left out."""
        for streamer in np.unique(self.streamer).tolist():
            columns = np.flatnonzero(
                (self.streamer == streamer) & np.isfinite(self.geometry.receiver_x_m[row])
            )
            yield streamer, columns.tolist()


def p111_text(towed: Towed) -> str:
    """P1/11: source names G1, G2, ..., streamers S1, S2, ..."""
    shots, geometry = towed.shots, towed.geometry
    gps = convert_instants(shots.fire_time_ns, shots.time_scale, "gps")
    utc = convert_instants(shots.fire_time_ns, shots.time_scale, "utc")
    leap_s = int(gps[0] - utc[0]) // 10**9
    lines = [_P111_HEADER.format(leap_s=leap_s, code=towed.code, system=towed.system)]
    for row in range(len(shots)):
        seconds = int(gps[row]) - _GPS_ZERO_NS
        begin = f"0,{shots.line[row]},1,{shots.shot_point[row]},1,1,"
        begin += f"{seconds // 10**9}.{seconds % 10**9:09d}"
        place = _p111_place(towed, shots.x_m[row], shots.y_m[row], shots.depth_m[row])
        lines.append(f"S1,{begin},1,G{shots.source[row]},1,,{place},,,,,,,,\n")
        for streamer, columns in towed.receivers(row):
            for number, column in enumerate(columns, start=1):
                place = _p111_place(
                    towed,
                    geometry.receiver_x_m[row, column],
                    geometry.receiver_y_m[row, column],
                    geometry.receiver_depth_m[column],
                )
                lines.append(f"R1,{begin},9,S{streamer},1,{number},{place},,,,,,,,\n")
    return "".join(lines)


def p190_text(towed: Towed) -> str:
    """P1/90, its clock cut to the second of UTC."""
    shots, geometry = towed.shots, towed.geometry
    lines = [_P190_HEADER]
    for row in range(len(shots)):
        day, time = _clock(shots, row)
        latitude, longitude = _p190_degrees(towed, shots.x_m[row], shots.y_m[row])
        values: dict[str, object] = {
            "line": shots.line[row],
            "vessel": 1,
            "source": shots.source[row],
            "point": shots.shot_point[row],
            "latitude": latitude,
            "longitude": longitude,
            "east": shots.x_m[row],
            "north": shots.y_m[row],
            "depth": 85.0,
            "day": day,
            "time": time,
        }
        lines.append(_columns("S", _P190_S, values))
        for streamer, columns in towed.receivers(row):
            groups = [
                _columns(
                    "",
                    _P190_GROUP,
                    {
                        "number": number,
                        "east": geometry.receiver_x_m[row, column],
                        "north": geometry.receiver_y_m[row, column],
                        "depth": geometry.receiver_depth_m[column],
                    },
                )[:26]
                for number, column in enumerate(columns, start=1)
            ]
            for first in range(0, len(groups), 3):
                lines.append(f"R{''.join(groups[first : first + 3]):<78}{streamer}\n")
    return "".join(lines)


def sps_text(towed: Towed, *, first_channel: int = 1) -> str:
    """SPS, S, R and X records in one file; receiver points are told apart by the shot point.

    Channels are those of the columns, counted from `first_channel`.
    """
    shots, geometry = towed.shots, towed.geometry
    sources, receivers, relations = [], [], []
    for row in range(len(shots)):
        day, time = _clock(shots, row)
        line, point = float(shots.line[row]), float(shots.shot_point[row])
        values: dict[str, object] = {
            "line": line,
            "point": point,
            "index": shots.source[row],
            "code": "A1",
            "depth": shots.depth_m[row],
            "east": shots.x_m[row],
            "north": shots.y_m[row],
            "day": day,
            "time": time,
        }
        sources.append(_columns("S", _SPS_POINT, values))
        for streamer, columns in towed.receivers(row):
            numbers = [1000.0 * point + number for number in range(1, len(columns) + 1)]
            for number, column in zip(numbers, columns, strict=True):
                place = {
                    "line": float(streamer),
                    "point": number,
                    "index": 1,
                    "code": "H1",
                    "depth": geometry.receiver_depth_m[column],
                    "east": geometry.receiver_x_m[row, column],
                    "north": geometry.receiver_y_m[row, column],
                }
                receivers.append(_columns("R", _SPS_POINT, place))
            relation = {
                "tape": 1,
                "record": row + 1,
                "increment": 1,
                "instrument": 1,
                "source_line": line,
                "source_point": point,
                "source_index": shots.source[row],
                "from_channel": first_channel + columns[0],
                "to_channel": first_channel + columns[-1],
                "channel_increment": 1,
                "receiver_line": float(streamer),
                "from_receiver": numbers[0],
                "to_receiver": numbers[-1],
                "receiver_index": 1,
            }
            relations.append(_columns("X", _SPS_RELATION, relation))
    return "".join([_SPS_HEADER, *sources, *receivers, *relations])


def _columns(kind: str, table: dict[str, tuple[int, int, str]], values: dict[str, object]) -> str:
    """One line with each value in its columns; a value that is too long is an error."""
    text = kind.ljust(80)
    for name, value in values.items():
        first, last, form = table[name]
        width = last - first + 1
        written = format(value, f"{form[0]}{width}{form[1:]}") if form[1:] else str(value)
        written = written.rjust(width) if form[0] == ">" else written.ljust(width)
        assert len(written) == width, f"{name} {value} takes more than {width} columns"
        text = text[: first - 1] + written + text[last:]
    return text + "\n"


def _clock(shots: Shots, row: int) -> tuple[str, str]:
    """Day of the year and HHMMSS of UTC."""
    utc = int(convert_instants(shots.fire_time_ns[row : row + 1], shots.time_scale, "utc")[0])
    instant = datetime.fromtimestamp(utc // 10**9, UTC)
    return f"{instant:%j}", f"{instant:%H%M%S}"


def _p111_place(towed: Towed, east: float, north: float, depth: float) -> str:
    """Fields 12 to 17: position in the grid, then latitude and longitude where they are known."""
    grid = f"{east:.2f},{north:.2f},{depth:.2f}"
    if towed.to_degrees is None:
        return f"{grid},,,"
    longitude, latitude = towed.to_degrees(east, north)
    return f"{grid},{latitude:.9f},{longitude:.9f},{depth:.2f}"


def _p190_degrees(towed: Towed, east: float, north: float) -> tuple[str, str]:
    """Latitude (I2 I2 F5.2 A1) and longitude (I3 I2 F5.2 A1); blank where they are not known."""
    if towed.to_degrees is None:
        return "", ""
    longitude, latitude = towed.to_degrees(east, north)
    parts = []
    for angle, width, names in ((latitude, 2, "NS"), (longitude, 3, "EW")):
        hundredths = round(abs(angle) * 360_000.0)
        degrees, rest = divmod(hundredths, 360_000)
        minutes, seconds = divmod(rest, 6000)
        text = f"{degrees:{width}d}{minutes:2d}{seconds / 100:5.2f}{names[int(angle < 0)]}"
        parts.append(text)
    return parts[0], parts[1]
