"""UKOOA P1/90: fixed columns, positions only; its times are whole seconds.

References
----------
.. [1] UKOOA Surveying and Positioning Committee, P1/90 post plot data exchange tape, 28 June 1990.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from deblend.model.findings import Finding
from deblend.records.navigation.positions import Positions, Receivers
from deblend.records.navigation.text_rows import TextRow, fixed_row, read_text_rows

_OTHER_POINTS: Final = "VTACQGEZ"
_SYSTEM_HEADERS: Final = ("H1400", "H1500", "H1800", "H1900")
_GROUPS: Final = (2, 28, 54)
"""First column of each of the three receiver groups of a record R."""


@dataclass
class _Content:
    """What has been read so far."""

    line: list[str] = field(default_factory=list)
    source: list[str] = field(default_factory=list)
    shot_point: list[int] = field(default_factory=list)
    place: list[tuple[float, float]] = field(default_factory=list)
    geographic: list[tuple[float, float]] = field(default_factory=list)
    second: list[float] = field(default_factory=list)
    receiver: list[tuple[int, str, int, float, float, float]] = field(default_factory=list)
    system: list[str] = field(default_factory=list)
    gmt_offset_h: float = math.nan


def read_p190(path: str | Path) -> Positions:
    """Read source and receiver positions; depths are unknown to the format.

    Records S (centre of source) and, where recorded, R (receiver groups) of 80 columns are read; R
    records belong to the last S record before them.

    Raises
    ------
    NavigationError
        If the file cannot be read, holds no S record, or a line breaks the format; the text names
        line, columns and value.
    """
    path = Path(path)
    content = _Content()
    for row in read_text_rows(path):
        _take(content, fixed_row(row))
    count = len(content.shot_point)
    place = np.array(content.place, dtype=np.float64).reshape(count, 2)
    offset_h = 0.0 if math.isnan(content.gmt_offset_h) else content.gmt_offset_h
    positions = Positions(
        path=path,
        format_name="P1/90",
        coordinate_system="; ".join(content.system),
        line=np.array(content.line, dtype=np.str_),
        source=np.array(content.source, dtype=np.str_),
        shot_point=np.array(content.shot_point, dtype=np.int64),
        x_m=place[:, 0],
        y_m=place[:, 1],
        depth_m=np.full(count, np.nan),
        utc_second_of_day=(np.array(content.second) - 3600.0 * offset_h) % 86_400.0,
        receivers=_receivers(content),
        latitude_deg=np.array([place[0] for place in content.geographic]),
        longitude_deg=np.array([place[1] for place in content.geographic]),
    )
    return positions.with_findings(*_noticed(content, positions))


def _take(content: _Content, row: TextRow) -> None:
    kind = row.text[0]
    if kind == "S":
        _take_source(content, row)
    elif kind == "R":
        content.receiver.extend(_groups(row, len(content.shot_point)))
    elif kind == "H":
        _take_header(content, row)
    elif kind not in _OTHER_POINTS and not row.text.startswith("EOF"):
        raise row.error(
            f"record {kind!r} is not known",
            "column 1",
            "P1/90 knows H, S, R and V, T, A, C, Q, G, E, Z.",
        )


def _take_header(content: _Content, row: TextRow) -> None:
    code, value = row.columns(1, 5), row.columns(33, 80)
    if code in _SYSTEM_HEADERS and value:
        content.system.append(" ".join(f"{row.columns(7, 32)} {value}".split()))
    if code == "H1000":
        match = re.search(r"GMT\s*([+-]?\s*\d+(?:\.\d+)?)?", value, re.IGNORECASE)
        if match is not None:
            content.gmt_offset_h = float((match[1] or "0").replace(" ", ""))


def _take_source(content: _Content, row: TextRow) -> None:
    content.shot_point.append(row.integer_at(20, 25, "point number"))
    content.line.append(row.columns(2, 13))
    content.source.append(row.columns(18, 18))
    content.place.append((row.number_at(47, 55, "easting"), row.number_at(56, 64, "northing")))
    content.second.append(row.second_of_day_at(74, "time of day"))
    content.geographic.append(
        (
            _angle(row, 26, 27, 90, "N", "S", "latitude"),
            _angle(row, 36, 38, 180, "E", "W", "longitude"),
        )
    )


def _angle(
    row: TextRow, first: int, last: int, largest: int, plus: str, minus: str, name: str
) -> float:
    """Degrees, of degrees, minutes, seconds and hemisphere; NaN where blank."""
    end = last + 8
    if not row.columns(first, end):
        return math.nan
    place = f"columns {first}-{end} ({name})"
    degrees = row.number_at(first, last, f"degrees of {name}")
    minutes = row.number_at(last + 1, last + 2, f"minutes of {name}")
    seconds = row.number_at(last + 3, last + 7, f"seconds of {name}")
    fits = 0 <= degrees <= largest and 0 <= minutes < 60 and 0 <= seconds < 60
    if not fits or row.text[end - 1] not in plus + minus:
        raise row.error(f"{row.text[first - 1 : end]!r} is no {name}", place)
    angle = degrees + minutes / 60.0 + seconds / 3600.0
    return -angle if row.text[end - 1] == minus else angle


def _groups(row: TextRow, shot_count: int) -> Iterator[tuple[int, str, int, float, float, float]]:
    if not shot_count:
        raise row.error(
            "a receiver record comes before any source record",
            remedy="R records follow the S record of their shot.",
        )
    streamer = row.columns(80, 80)
    for first in _GROUPS:
        if not row.columns(first, first + 25):
            continue
        number = row.integer_at(first, first + 3, "receiver group")
        values = (
            row.number_at(first + 4, first + 12, "easting"),
            row.number_at(first + 13, first + 21, "northing"),
            row.number_at(first + 22, first + 25, "cable depth"),
        )
        yield (shot_count - 1, streamer, number, *values)


def _receivers(content: _Content) -> Receivers:
    columns = list(zip(*content.receiver, strict=True)) or [()] * 6
    count = len(content.receiver)
    return Receivers(
        row=np.array(columns[0], dtype=np.int64),
        streamer=np.array(columns[1], dtype=np.str_),
        receiver=np.array(columns[2], dtype=np.int64),
        channel=np.full(count, -1, dtype=np.int64),
        x_m=np.array(columns[3], dtype=np.float64),
        y_m=np.array(columns[4], dtype=np.float64),
        depth_m=np.array(columns[5], dtype=np.float64),
    )


def _noticed(content: _Content, positions: Positions) -> list[Finding]:
    findings = []
    missing = int(np.count_nonzero(~np.isfinite(positions.x_m + positions.y_m)))
    if missing:
        message = f"{missing} of {len(positions)} source records of {positions.path.name} have no "
        message += "easting or northing; those shots stay without a position."
        findings.append(Finding("positions_missing", float(missing), "shots", "look", message))
    if math.isnan(content.gmt_offset_h):
        message = f"{positions.path.name} does not state its clock (H1000); GMT was assumed."
        findings.append(Finding("position_clock_unstated", math.nan, "", "note", message))
    return findings
