"""SPS revision 2.1: positions of sources and receivers, and the relation that joins them.

Columns of coordinates, line, point and relation records are as in a public reader of the format;
the rest of the layout, the header H00 among it, is from memory [1]_.

References
----------
.. [1] SEG Technical Standards Committee, Shell processing support format for land 3-D surveys,
   revision 2.1, 2006.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from deblend.errors import NavigationError
from deblend.model.findings import Finding
from deblend.records.navigation.positions import Positions, Receivers
from deblend.records.navigation.text_rows import TextRow, fixed_row, read_text_rows

_MOST_CHANNELS: Final = 100_000
_SYSTEM_HEADERS: Final = ("H12", "H13", "H14", "H18", "H19")

Station = tuple[float, float, int]
"""Line, point, point index."""


@dataclass(frozen=True)
class _Point:
    x_m: float
    y_m: float
    depth_m: float
    code: str


@dataclass(frozen=True)
class _Relation:
    row: TextRow
    source: Station
    channels: tuple[int, int, int]
    receivers: tuple[float, float, float, int]


@dataclass
class _Content:
    sources: dict[Station, _Point] = field(default_factory=dict)
    receivers: dict[Station, _Point] = field(default_factory=dict)
    relations: list[_Relation] = field(default_factory=list)
    system: list[str] = field(default_factory=list)
    version: str = ""


def read_sps(path: str | Path, *more: str | Path) -> Positions:
    """Read source positions and, with receiver and relation records, receiver positions.

    Records S, R and X are in one file or in three. The clock of the format has no stated zone, and
    is not used. Which source fired is told by the point index only, where more than one occurs.

    Raises
    ------
    NavigationError
        If a file cannot be read, there is no S record, an X record names points that are missing,
        or a line breaks the format; the text names line, columns and value.
    """
    content = _Content()
    for file in (path, *more):
        for row in read_text_rows(Path(file)):
            _take(content, fixed_row(row))
    stations = list(content.sources)
    points = list(content.sources.values())
    several = len({station[2] for station in stations}) > 1
    positions = Positions(
        path=Path(path),
        format_name="SPS 2.1",
        coordinate_system="; ".join(content.system),
        line=np.array([f"{station[0]:g}" for station in stations], dtype=np.str_),
        source=np.array([str(s[2]) if several else "" for s in stations], dtype=np.str_),
        shot_point=_shot_points(stations, Path(path)),
        x_m=np.array([point.x_m for point in points]),
        y_m=np.array([point.y_m for point in points]),
        depth_m=np.array([point.depth_m for point in points]),
        utc_second_of_day=np.full(len(points), np.nan),
        receivers=_receivers(content),
    )
    return positions.with_findings(*_noticed(content, positions))


def _take(content: _Content, row: TextRow) -> None:
    kind = row.text[0]
    if kind in "SR":
        table = content.sources if kind == "S" else content.receivers
        station = (
            row.number_at(2, 11, "line"),
            row.number_at(12, 21, "point"),
            row.integer_at(24, 24, "point index"),
        )
        _refuse_blank(row, station)
        if station in table:
            raise row.error(
                f"line {station[0]:g} point {station[1]:g} index {station[2]} occurs twice",
                "columns 2-24",
                "Remove the duplicate or give it another point index.",
            )
        table[station] = _point(row)
    elif kind == "X":
        content.relations.append(_relation(row))
    elif kind == "H":
        _take_header(content, row)
    elif not row.text.startswith("EOF"):
        raise row.error(f"record {kind!r} is not known", "column 1", "SPS knows H, S, R and X.")


def _refuse_blank(row: TextRow, station: Station) -> None:
    if math.isnan(station[0]) or math.isnan(station[1]):
        raise row.error("line or point is blank", "columns 2-21")


def _point(row: TextRow) -> _Point:
    return _Point(
        row.number_at(47, 55, "easting"),
        row.number_at(56, 65, "northing"),
        row.number_at(31, 34, "point depth"),
        row.columns(25, 26),
    )


def _relation(row: TextRow) -> _Relation:
    source = (
        row.number_at(18, 27, "source line"),
        row.number_at(28, 37, "source point"),
        row.integer_at(38, 38, "source point index"),
    )
    _refuse_blank(row, source)
    step = row.integer_at(49, 49, "channel increment") if row.columns(49, 49) else 1
    channels = (
        row.integer_at(39, 43, "from channel"),
        row.integer_at(44, 48, "to channel"),
        step,
    )
    if step < 1 or not 0 <= channels[1] - channels[0] < _MOST_CHANNELS:
        raise row.error(f"channels {channels[0]} to {channels[1]} by {step}", "columns 39-49")
    receivers = (
        row.number_at(50, 59, "receiver line"),
        row.number_at(60, 69, "from receiver"),
        row.number_at(70, 79, "to receiver"),
        row.integer_at(80, 80, "receiver index"),
    )
    if any(math.isnan(value) for value in receivers):
        raise row.error("receiver line or points are blank", "columns 50-79")
    return _Relation(row, source, channels, receivers)


def _take_header(content: _Content, row: TextRow) -> None:
    code, value = row.columns(1, 3), row.columns(33, 80)
    if code == "H00":
        content.version = value
        if value and "2.1" not in value and "2.0" not in value:
            raise row.error(
                f"the file says that it is {value!r}, and only SPS revision 2.1 is read",
                "columns 33-80",
                "Lines and points of older revisions lie in other columns; convert the file.",
            )
    if code in _SYSTEM_HEADERS and value:
        content.system.append(" ".join(f"{row.columns(5, 32)} {value}".split()))


def _shot_points(stations: list[Station], path: Path) -> np.ndarray:
    points = np.array([station[1] for station in stations])
    broken = points != np.floor(points)
    if broken.any():
        raise NavigationError(
            f"source point {points[broken][0]:g} is no whole number",
            where=str(path),
            remedy="Shot points are whole numbers; correct columns 12-21.",
        )
    return points.astype(np.int64)


def _receivers(content: _Content) -> Receivers:
    rows = {station: row for row, station in enumerate(content.sources)}
    entries: list[tuple[int, str, float, int, _Point]] = []
    for relation in content.relations:
        shot = rows.get(relation.source)
        if shot is None:
            raise relation.row.error(
                f"source line {relation.source[0]:g} point {relation.source[1]:g} has no S record",
                "columns 18-38",
            )
        low, high, step = relation.channels
        channels = range(low, high + 1, step)
        line, first, last, index = relation.receivers
        for channel, point in zip(channels, np.linspace(first, last, len(channels)), strict=True):
            place = content.receivers.get((line, round(float(point), 2), index))
            if place is None:
                raise relation.row.error(
                    f"receiver line {line:g} point {point:g} index {index} has no R record",
                    "columns 50-80",
                    "Ranges of channels and of receiver points must have the same count.",
                )
            entries.append((shot, f"{line:g}", float(point), channel, place))
    return Receivers(
        row=np.array([entry[0] for entry in entries], dtype=np.int64),
        streamer=np.array([entry[1] for entry in entries], dtype=np.str_),
        receiver=np.array([round(entry[2]) for entry in entries], dtype=np.int64),
        channel=np.array([entry[3] for entry in entries], dtype=np.int64),
        x_m=np.array([entry[4].x_m for entry in entries], dtype=np.float64),
        y_m=np.array([entry[4].y_m for entry in entries], dtype=np.float64),
        depth_m=np.array([entry[4].depth_m for entry in entries], dtype=np.float64),
    )


def _noticed(content: _Content, positions: Positions) -> list[Finding]:
    if content.version:
        return []
    message = (
        f"{positions.path.name} does not state its revision (H00); the columns of revision 2.1 "
        "were read."
    )
    return [Finding("position_format_unstated", math.nan, "", "look", message)]
