"""Fields of the external header of SEG-D records, mapped by whoever knows what they hold.

The standard leaves the external header to the user: it says how many blocks of 32 bytes there are
and nothing of what is in them. Here each wanted value is named by its bytes and its kind; nothing
is guessed. A record may carry one entry or several of equal length, one a shot.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from deblend.errors import InputError, ShotTableError
from deblend.model.timebase import TimeScale
from deblend.records.file_bytes import open_file
from deblend.records.fire_times import check_fire_time_unit, parse_fire_time
from deblend.records.segd.layout import BLOCK
from deblend.records.segd.read_headers import RecordHeader, read_records
from deblend.records.source_log import NAMES, LogRow, state_named

KINDS: Final = ("unsigned", "signed", "float", "decimal", "text")
_FIELD: Final = re.compile(
    r"(\d{1,6})(?:-(\d{1,6}))?\s+(unsigned|signed|float|decimal|text)(?:\s+([-+.\deE]+))?", re.ASCII
)
_LONGEST: Final = {"unsigned": 8, "signed": 8, "float": 8, "decimal": 9, "text": 64}
_BLANK: Final = b"\x00 "


@dataclass(frozen=True)
class Field:
    """Where one value stands."""

    first: int
    last: int
    """Bytes of an entry, counted from 1, both included."""
    kind: str
    """One of `KINDS`."""
    factor: float = 1.0
    """By which a number is multiplied."""


@dataclass(frozen=True)
class ExternalLayout:
    """What stands where in an external header."""

    fields: Mapping[str, Field]
    """By the names of `deblend.records.source_log`."""
    first_byte: int = 1
    """At which the first entry begins, from 1."""
    entry_bytes: int | None = None
    """Length of an entry; None for one entry, as long as the header."""
    fire_time_unit: str = "iso8601"
    """What fire_time holds."""


def external_layout(
    fields: Mapping[str, str],
    *,
    first_byte: int = 1,
    entry_bytes: int | None = None,
    fire_time_unit: str = "iso8601",
) -> ExternalLayout:
    """A layout from words, as ``{"guns_out": "41-42 unsigned"}``.

    Raises
    ------
    ShotTableError
        If a name or a field cannot be understood, or a field is longer than its kind allows or than
        an entry.
    """
    check_fire_time_unit(fire_time_unit)
    unknown = [name for name in fields if name not in NAMES]
    if unknown or not {"source", "shot_point"} <= set(fields):
        raise ShotTableError(
            f"fields {', '.join(fields) or 'none'} of the external header are mapped",
            remedy=f"Map source and shot_point, and any of {', '.join(NAMES[2:])}.",
        )
    read = {name: _field(name, words) for name, words in fields.items()}
    for name, field in read.items():
        if entry_bytes is not None and field.last > entry_bytes:
            raise ShotTableError(
                f"{name} ends at byte {field.last} of an entry of {entry_bytes} bytes",
                remedy="Bytes count from the begin of an entry.",
            )
    return ExternalLayout(read, first_byte, entry_bytes, fire_time_unit)


def _field(name: str, words: str) -> Field:
    match = _FIELD.fullmatch(words.strip())
    if match is None:
        raise ShotTableError(
            f"{name} is mapped to {words!r}",
            remedy=f'Write its bytes and one of {", ".join(KINDS)}, as "41-42 unsigned".',
        )
    first, last, kind = int(match[1]), int(match[2] or match[1]), match[3]
    length = last - first + 1
    good = first >= 1 and 1 <= length <= _LONGEST[kind] and (kind != "float" or length in (4, 8))
    try:
        factor = float(match[4] or 1.0)
    except ValueError:
        good, factor = False, math.nan
    if not good or not math.isfinite(factor):
        raise ShotTableError(
            f"{name} is mapped to {words!r}: {length} bytes of kind {kind}",
            remedy=f"A field of this kind has up to {_LONGEST[kind]} bytes; float has 4 or 8.",
        )
    return Field(first, last, kind, factor)


def read_external_headers(
    paths: list[Path], layout: ExternalLayout, *, time_scale: TimeScale
) -> tuple[LogRow, ...]:
    """How shots were fired, from the external headers of all records of some files.

    One row an entry that is not blank; `line_number` counts the entries. Fire times written as text
    are in the scale of the records.

    Raises
    ------
    ShotTableError
        If a header is shorter than the fields, or a value cannot be used; the text names record,
        entry, field and value.
    """
    rows: list[LogRow] = []
    for path in paths:
        for record in read_records(path):
            for number, entry in enumerate(_entries(record, layout), start=1):
                if entry.strip(_BLANK):
                    where = f"{record.name}, entry {number} of the external header"
                    rows.append(_row(len(rows) + 1, entry, layout, time_scale, where))
    return tuple(rows)


def _entries(record: RecordHeader, layout: ExternalLayout) -> Iterator[bytes]:
    general = record.general
    size = BLOCK * general.external_blocks
    needed = max(field.last for field in layout.fields.values())
    with open_file(record.stamp.path, record.stamp) as file:
        begin = general.position + general.size - size
        header = file.read(begin, size, "the external header") if size else b""
        file.check_unchanged()
    rest = header[layout.first_byte - 1 :]
    if len(rest) < needed:
        raise ShotTableError(
            f"the external header has {size} bytes and the fields reach byte "
            f"{layout.first_byte - 1 + needed}",
            where=record.name,
            remedy="Correct the byte ranges, or leave [external_header] out.",
        )
    step = layout.entry_bytes or len(rest)
    for at in range(0, len(rest) - step + 1, step):
        yield rest[at : at + step]


def _row(number: int, entry: bytes, layout: ExternalLayout, scale: TimeScale, where: str) -> LogRow:
    def error(name: str, words: str) -> ShotTableError:
        field = layout.fields[name]
        place = f"{where}, bytes {field.first}-{field.last} ({name})"
        return ShotTableError(words, where=place, remedy="Correct the byte range or its kind.")

    def value(name: str) -> float | str:
        field = layout.fields[name]
        raw = entry[field.first - 1 : field.last]
        read = _value(raw, field.kind)
        if read is None:
            raise error(name, f"bytes {raw.hex()} are no {field.kind}")
        return read

    def number_of(name: str) -> float:
        if name not in layout.fields:
            return math.nan
        read = value(name)
        try:
            found = float(read or "nan") if isinstance(read, str) else float(read)
        except ValueError as problem:
            raise error(name, f"{read!r} is not a number") from problem
        return found * layout.fields[name].factor

    def text_of(name: str) -> str:
        if name not in layout.fields:
            return ""
        read = value(name)
        return read if isinstance(read, str) else f"{read:.0f}"

    point, source = number_of("shot_point"), text_of("source")
    if not math.isfinite(point) or not point.is_integer() or abs(point) > 1e15:
        raise error("shot_point", f"{point} is not a whole number")
    if not source:
        raise error("source", "no source is named")
    state = state_named(text_of("state"))
    if state is None:
        raise error("state", f"{text_of('state')!r} is no state")
    fired = None
    if text_of("fire_time").strip("0"):
        unit = check_fire_time_unit(layout.fire_time_unit)
        try:
            fired = parse_fire_time(text_of("fire_time"), scale, unit)
        except InputError as problem:
            raise error("fire_time", problem.what) from problem
    names = ("guns_out", "timing_error_ms", "pressure", "depth_m")
    guns_out, timing_error_ms, pressure, depth_m = (number_of(name) for name in names)
    return LogRow(
        number, source, int(point), fired, state, guns_out, timing_error_ms, pressure, depth_m
    )


def _value(raw: bytes, kind: str) -> int | float | str | None:
    """Value of some bytes; None where they are none of that kind."""
    if kind in ("unsigned", "signed"):
        return int.from_bytes(raw, "big", signed=kind == "signed")
    if kind == "float":
        number = float(struct.unpack(">f" if len(raw) == 4 else ">d", raw)[0])
        return number if math.isfinite(number) else None
    if kind == "decimal":
        digits = raw.hex()
        return int(digits) if digits.isdecimal() else None
    try:
        return raw.decode("ascii").strip("\x00 ")
    except UnicodeDecodeError:
        return None
