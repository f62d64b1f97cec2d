"""IOGP P1/11: positions of sources and receivers, and the instants of the shots.

A source record is S1 and a receiver record R1, one receiver a line; which source fired is its short
name. No printed field list of R1 was at hand: a record whose number of fields is not 26 and the
declared extensions is refused rather than guessed at.

References
----------
.. [1] IOGP report 483-1, P1/11 geophysical position data exchange format, versions 1.0 (2012) and
   1.1 (2015).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import NavigationError, TimeError
from deblend.model.findings import Finding
from deblend.model.shots import Shots, make_shots
from deblend.model.time_scales import convert_instants
from deblend.model.timebase import NS_PER_S, TimeScale, check_time_scale
from deblend.records.navigation.p111_header import (
    Clock,
    Header,
    RecordKind,
    axis_order,
    check_declared_offset,
    check_first,
    split_fields,
    take_header,
)
from deblend.records.navigation.positions import Positions, Receivers
from deblend.records.navigation.text_rows import TextRow, read_text_rows

_FIXED_FIELDS: Final = 26
_DAY_NS: Final = 86_400 * NS_PER_S
_SHARE_OF_SCATTER: Final = 0.1

Key = tuple[str, int, str]
"""Line, point and text of the time: what a receiver record shares with its source record."""


@dataclass
class _Content:
    """What has been read so far."""

    header: Header = field(default_factory=Header)
    source: list[tuple[str, str, int, float, float, float]] = field(default_factory=list)
    geographic: list[tuple[float, float]] = field(default_factory=list)
    instant_ns: list[int] = field(default_factory=list)
    dither_s: list[float] = field(default_factory=list)
    whole_seconds: bool = True
    clock: Clock | None = None
    system: str = ""
    row_of: dict[Key, int] = field(default_factory=dict)
    row_of_point: dict[tuple[str, int], int] = field(default_factory=dict)
    receiver: list[tuple[int, str, int, float, float, float]] = field(default_factory=list)


def read_p111(path: str | Path) -> Positions:
    """Read source and receiver positions; `source` is the short name of the object, as "G2".

    Raises
    ------
    NavigationError
        If the file cannot be read, is no P1/11, a record has the wrong number of fields or a value
        cannot be used; the text names line, field and value.
    """
    content = _read(Path(path))
    columns = list(zip(*content.source, strict=True)) or [()] * 6
    scale = content.clock.scale if content.clock is not None else "utc"
    utc_ns = _converted(content, scale, "utc", Path(path)) if content.source else np.array([], int)
    positions = Positions(
        path=Path(path),
        format_name="P1/11",
        coordinate_system=content.system,
        line=np.array(columns[0], dtype=np.str_),
        source=np.array(columns[1], dtype=np.str_),
        shot_point=np.array(columns[2], dtype=np.int64),
        x_m=np.array(columns[3], dtype=np.float64),
        y_m=np.array(columns[4], dtype=np.float64),
        depth_m=np.array(columns[5], dtype=np.float64),
        utc_second_of_day=(utc_ns % _DAY_NS) / NS_PER_S,
        receivers=_receivers(content),
        latitude_deg=np.array([place[0] for place in content.geographic]),
        longitude_deg=np.array([place[1] for place in content.geographic]),
    )
    return positions.with_findings(*_noticed(content))


def read_p111_shots(path: str | Path, *, time_scale: str) -> Shots:
    """Read fire times, converted to a stated scale, with positions as of `read_p111`.

    Whether field 7 is the time break is a matter of the file: where it carries the dither beside
    the times, `read_p111` holds one against the other and says so in its findings.

    Raises
    ------
    NavigationError
        As `read_p111`, and if all times are whole seconds: those are no fire times.
    TimeError
        If the scale is not known, or UTC is wanted of an instant within a leap second.
    """
    wanted = check_time_scale(time_scale)
    content = _read(Path(path))
    if not content.source or content.clock is None:
        raise NavigationError(
            "the file holds no source record S1",
            where=str(path),
            remedy="Give the file with the source records of the line.",
        )
    if content.whole_seconds:
        raise NavigationError(
            "all shot times are whole seconds, up to 0.5 s from the time break",
            where=str(path),
            remedy="Take the fire times from the source controller; use this file for positions.",
        )
    columns = list(zip(*content.source, strict=True))
    return make_shots(
        np.array(columns[1], dtype=np.str_),
        np.array(columns[2], dtype=np.int64),
        _converted(content, content.clock.scale, wanted, Path(path)),
        wanted,
        line=np.array(columns[0], dtype=np.str_),
        x_m=np.array(columns[3], dtype=np.float64),
        y_m=np.array(columns[4], dtype=np.float64),
        depth_m=np.array(columns[5], dtype=np.float64),
    )


def _converted(
    content: _Content, scale: TimeScale, wanted: TimeScale, path: Path
) -> NDArray[np.int64]:
    try:
        return convert_instants(np.array(content.instant_ns, dtype=np.int64), scale, wanted)
    except TimeError as error:
        raise TimeError(error.what, where=str(path), remedy=error.remedy) from error


def _read(path: Path) -> _Content:
    content = _Content()
    for position, row in enumerate(read_text_rows(path)):
        if position == 0:
            check_first(row)
        elif row.text.startswith(("HC,", "H1,")):
            take_header(content.header, row)
        elif row.text.startswith("S1,"):
            _take_source(content, row)
        elif row.text.startswith("R1,"):
            _take_receiver(content, row)
        elif not row.text.startswith(("CC,", "P1,", "N1,", "M1,", "X1,", "E1,")):
            raise row.error(
                f"record {row.text.split(',')[0][:12]!r} is not known",
                "field 1",
                "P1/11 has the records HC, H1, CC, S1, R1, P1, N1, M1, X1 and E1.",
            )
    return content


def _kind(content: _Content, row: TextRow, fields: list[str]) -> RecordKind:
    reference = fields[10] if len(fields) > 10 else ""
    kind = content.header.kinds.get(reference)
    if kind is None:
        raise row.error(
            f"kind of position record {reference!r} is not declared (H1,1,0,0)",
            "field 11 (record type reference)",
        )
    expected = _FIXED_FIELDS + len(kind.extensions)
    if len(fields) != expected:
        raise row.error(
            f"the record has {len(fields)} fields and {expected} are declared",
            remedy="26 fields and the declared extensions are read, one receiver a line.",
        )
    return kind


def _clock(content: _Content, row: TextRow, kind: RecordKind) -> Clock:
    clock = content.header.clocks.get(kind.clock)
    if clock is None:
        raise row.error(f"time reference {kind.clock!r} is not declared (HC,1,2,0)")
    return clock


def _place(
    content: _Content, row: TextRow, fields: list[str], kind: RecordKind
) -> tuple[float, float, float]:
    """East, north and depth, whatever the order and sign of the axes."""
    values = [row.as_number(fields[at], f"field {at + 1} (position)") for at in (12, 13, 14)]
    north_first, downwards = axis_order(content.header, kind.system)
    east, north = (values[1], values[0]) if north_first else (values[0], values[1])
    return east, north, downwards * values[2]


def _take_source(content: _Content, row: TextRow) -> None:
    fields = split_fields(row.text)
    kind = _kind(content, row, fields)
    clock = _clock(content, row, kind)
    if content.clock not in (None, clock):
        raise row.error("source records use two time references", "field 11")
    content.clock = clock
    content.system = content.system or content.header.systems.get(kind.system, "")
    try:
        content.instant_ns.append(clock.instant_ns(fields[7]))
    except TimeError as error:
        raise row.error(error.what, "field 8 (time)", error.remedy) from error
    content.whole_seconds &= content.instant_ns[-1] % NS_PER_S == 0
    line, point = fields[2], row.as_integer(fields[4], "field 5 (point number)")
    number = len(content.source)
    content.row_of[line, point, fields[7]] = content.row_of_point[line, point] = number
    content.source.append((line, fields[9], point, *_place(content, row, fields, kind)))
    content.geographic.append(
        (
            row.as_number(fields[15], "field 16 (latitude)"),
            row.as_number(fields[16], "field 17 (longitude)"),
        )
    )
    for at, name in enumerate(kind.extensions, start=_FIXED_FIELDS):
        if "dither" in name.lower():
            content.dither_s.append(row.as_number(fields[at], f"field {at + 1} ({name})"))


def _take_receiver(content: _Content, row: TextRow) -> None:
    fields = split_fields(row.text)
    kind = _kind(content, row, fields)
    line, point = fields[2], row.as_integer(fields[4], "field 5 (point number)")
    shot = content.row_of.get((line, point, fields[7]))
    if shot is None:
        shot = content.row_of_point.get((line, point))
    if shot is None:
        raise row.error(
            f"receiver record of line {line!r} point {point} comes before any source record of it",
            "field 5 (point number)",
        )
    number = row.as_integer(fields[11], "field 12 (receiver number)")
    content.receiver.append((shot, fields[9], number, *_place(content, row, fields, kind)))


def _receivers(content: _Content) -> Receivers:
    columns = list(zip(*content.receiver, strict=True)) or [()] * 6
    return Receivers(
        row=np.array(columns[0], dtype=np.int64),
        streamer=np.array(columns[1], dtype=np.str_),
        receiver=np.array(columns[2], dtype=np.int64),
        channel=np.full(len(content.receiver), -1, dtype=np.int64),
        x_m=np.array(columns[3], dtype=np.float64),
        y_m=np.array(columns[4], dtype=np.float64),
        depth_m=np.array(columns[5], dtype=np.float64),
    )


def _noticed(content: _Content) -> list[Finding]:
    findings = list(content.header.findings)
    if content.clock is not None:
        findings += check_declared_offset(content.clock, content.instant_ns[0])
    if content.whole_seconds:
        message = "All times are whole seconds: they are positions in time only, never fire times."
        findings.append(Finding("whole_second_times", float("nan"), "", "note", message))
    return findings + _dither_in_times(content)


def _dither_in_times(content: _Content) -> list[Finding]:
    """Whether the times hold the dither that the file gives beside them."""
    if len(content.dither_s) != len(content.source) or len(content.source) < 5:
        return []
    seconds = (np.array(content.instant_ns) - content.instant_ns[0]) / NS_PER_S
    dither = np.array(content.dither_s)
    order = np.argsort(seconds)
    dithered = _scatter(seconds[order])
    without = _scatter((seconds - dither)[order])
    if without < _SHARE_OF_SCATTER * dithered:
        message = "Times minus dither are regular: the times hold the dither, as fire times must."
        return [Finding("dither_in_times", without, "s", "note", message)]
    if dithered < _SHARE_OF_SCATTER * _scatter(dither[order]):
        message = (
            "The times are regular without the dither that the file gives beside them: they are "
            "planned times, and the dither has to be added before they are fire times."
        )
        return [Finding("dither_in_times", dithered, "s", "fail", message)]
    return []


def _scatter(seconds: NDArray[np.float64]) -> float:
    """Median size of the second differences."""
    return float(np.median(np.abs(np.diff(seconds, 2))))
