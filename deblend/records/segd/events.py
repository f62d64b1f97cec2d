"""Source events in the general headers of revision 3: who fired, where and when.

A source block (types 15 to 1F, hexadecimal) names the source, a block of type 20 gives the GPS
microsecond of its event, blocks 50 and 51 its position. An event belongs to the nearest source
block before it that has the same source id; where there is none before, to one behind it. A source
block without an event describes a source that did not fire.

Revision 2 knows no time of an event, and its records start at whole seconds: fire times of such a
line come from a table.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import ShotTableError, TimeError
from deblend.model.findings import Finding
from deblend.model.shots import Shots, make_shots
from deblend.model.timebase import format_instant
from deblend.records.segd.gps_time import gps_us_to_ns
from deblend.records.segd.layout import (
    AIRGUN,
    POSITION_2,
    SOURCE_BLOCK_TYPES,
    SOURCE_EVENT,
    point_number,
    unpack,
)
from deblend.records.segd.read_headers import RecordHeader
from deblend.words import counted

STATUS: Final = {
    0x00: "untested",
    0x01: "fired as intended",
    0x12: "timing error",
    0x13: "mechanical error",
    0x14: "software error",
    0x15: "hydraulic error",
    0x16: "air leak",
    0x17: "power failure",
    0x18: "communication failure",
    0xFF: "unknown error",
}
_GOOD: Final = (0x00, 0x01)
_HAS_DEPTH: Final = (0x17, 0x18, 0x1F)
_LARGEST_ANGLE: Final = 360.0


@dataclass(frozen=True)
class SourceEvent:
    """One firing."""

    source: int
    """Source id."""
    line: float
    point: float
    """Source line and point number, with their fractions."""
    time_us: int
    """Microseconds since the GPS epoch, or since the start of the record in relative time mode."""
    status: int
    """Status byte, see `STATUS`."""
    x_m: float
    y_m: float
    """Position; NaN where none is given, or where it may be degrees."""
    depth_m: float
    """Depth of a gun; NaN for other sources, and where the field holds 0."""
    where: str
    """The record, for messages."""


def source_events(record: RecordHeader) -> tuple[SourceEvent, ...]:
    """Source events of one record, in the order of their blocks."""
    if not record.general.is_revision_3:
        return ()
    blocks = record.general.blocks[3:]
    sources = _sources(blocks)
    rows = np.flatnonzero(blocks[:, 31] == 0x20).tolist()
    return tuple(_event(record, blocks[row], row, sources) for row in rows)


@dataclass(frozen=True)
class _Source:
    """A source block: where it stands, its fields, and the position that follows it."""

    row: int
    fields: Any
    x_m: float
    y_m: float


def _sources(blocks: NDArray[np.uint8]) -> dict[int, list[_Source]]:
    """Source blocks by source id, in order."""
    found: dict[int, list[_Source]] = {}
    latest: _Source | None = None
    for row, block in enumerate(blocks):
        kind = int(block[31])
        if kind in SOURCE_BLOCK_TYPES:
            latest = _Source(row, unpack(block.tobytes(), AIRGUN), math.nan, math.nan)
            found.setdefault(int(block[18]), []).append(latest)
        elif kind == 0x51 and latest is not None and math.isnan(latest.x_m):
            x_m, y_m = _position(unpack(block.tobytes(), POSITION_2))
            same = found[int(latest.fields["source_id"])]
            same[-1] = latest = replace(latest, x_m=x_m, y_m=y_m)
    return found


def _position(fields: Any) -> tuple[float, float]:
    """Coordinates in metres; those within a full circle may be degrees: unknown (own choice)."""
    x_m, y_m = float(fields["coordinate"][0]), float(fields["coordinate"][1])
    finite = math.isfinite(x_m) and math.isfinite(y_m)
    if fields["valid"] == 1 and finite and max(abs(x_m), abs(y_m)) > _LARGEST_ANGLE:
        return x_m, y_m
    return math.nan, math.nan


def _event(
    record: RecordHeader, block: NDArray[np.uint8], row: int, sources: dict[int, list[_Source]]
) -> SourceEvent:
    event = unpack(block.tobytes(), SOURCE_EVENT)
    source_id = int(event["source_id"])
    same = sources.get(source_id)
    if same is None:
        raise ShotTableError(
            f"a source event names source id {source_id}, but no source block has it",
            where=record.name,
            remedy="The headers are damaged; give the fire times in a table.",
        )
    before = bisect_left(same, row, key=lambda source: source.row)
    source = same[max(0, before - 1)]
    fields = source.fields
    depth_cm = int(fields["depth_cm"]) if int(fields["block_type"]) in _HAS_DEPTH else 0
    return SourceEvent(
        source=source_id,
        line=point_number(fields["source_line"], fields["source_line_fraction"]),
        point=point_number(fields["source_point"], fields["source_point_fraction"]),
        time_us=int(event["time_us"]),
        status=int(event["status"]),
        x_m=source.x_m,
        y_m=source.y_m,
        depth_m=depth_cm / 100 if depth_cm else math.nan,
        where=record.name,
    )


def shots_of(records: Iterable[RecordHeader]) -> Shots:
    """Shots of the source events of a line, in the order of their fire times.

    The source is the source id; the shot point is the whole part of the source point number, the
    line its number as text. All shots are live, whatever their status: a shot that is taken for a
    misfire and did fire would stay in the record as noise, the opposite does no harm.
    An event that two records carry counts once.
    """
    events: dict[tuple[int, float, int], SourceEvent] = {}
    records = tuple(records)
    for record in records:
        _refuse_without_times(record)
        for event in source_events(record):
            events.setdefault((event.source, event.point, event.time_us), event)
    if not events:
        raise ShotTableError(
            f"no source event in {counted(len(records), 'SEG-D record')}",
            remedy="Give the fire times in a shot table.",
        )
    return _as_shots(sorted(events.values(), key=lambda event: event.time_us))


def event_findings(records: Iterable[RecordHeader]) -> Iterator[Finding]:
    """What is noticed about the source events: status other than good, point numbers cut.

    Events that cannot be read are a finding here: the samples can be read without them.
    """
    cut = 0
    for record in records:
        try:
            events = source_events(record)
        except ShotTableError as error:
            yield Finding("source_events", math.nan, "", "look", str(error))
            continue
        for event in events:
            cut += event.point % 1 != 0
            if event.status not in _GOOD:
                yield Finding(
                    "source_status",
                    float(event.status),
                    "",
                    "look",
                    f"{event.where}: the source reports {STATUS.get(event.status, 'a')!s} "
                    f"(status {event.status:02X}); the shot is kept as live",
                    source=event.source,
                    shot_point=int(event.point // 1),
                )
    if cut:
        yield Finding(
            "fractional_shot_points",
            float(cut),
            "shots",
            "note",
            f"{counted(cut, 'source point number')} with a fraction; the shot table keeps "
            "the whole part",
        )


def _as_shots(events: list[SourceEvent]) -> Shots:
    def column(name: str) -> NDArray[np.float64]:
        return np.array([getattr(event, name) for event in events], np.float64)

    return make_shots(
        np.array([event.source for event in events], np.int64),
        np.floor(column("point")).astype(np.int64),
        np.array([_instant(event) for event in events], np.int64),
        "gps",
        line=np.array([f"{event.line:.10g}" for event in events]),
        x_m=column("x_m"),
        y_m=column("y_m"),
        depth_m=column("depth_m"),
    )


def _instant(event: SourceEvent) -> int:
    try:
        return gps_us_to_ns(event.time_us)
    except TimeError as error:
        raise TimeError(error.what, where=event.where, remedy=error.remedy) from error


def _refuse_without_times(record: RecordHeader) -> None:
    general = record.general
    if not general.is_revision_3:
        major, minor = general.revision
        start = (
            ""
            if general.utc_s is None
            else (f" (this record starts at {format_instant(general.utc_s * 10**9, 'utc', 0)})")
        )
        raise ShotTableError(
            f"SEG-D revision {major}.{minor} carries no time of a source event, only whole "
            f"seconds of the record start{start}",
            where=record.name,
            remedy="Give the fire times in a shot table.",
        )
    if general.relative_time:
        raise ShotTableError(
            "the source events count from a record start that is only known to the whole second",
            where=record.name,
            remedy="Give the fire times in a shot table.",
        )
