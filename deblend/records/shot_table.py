"""Shot tables as CSV: which source fired when.

Columns
-------
source, shot_point, fire_time
    Required. ``source`` is a number or a name; ``shot_point`` a whole number; ``fire_time`` the
    time break, that is the instant which becomes sample zero of the gather, as ISO 8601 with up to
    nine decimals (``2025-06-01T12:00:03.512345678``). A command or trigger time that leads the time
    break must be corrected before.
line, sequence, x_m, y_m, depth_m
    Optional: line name, sequence number, source position in a projected system and source depth, in
    metres. Empty cells are unknown.
live, deliver
    Optional: ``true`` or ``false`` (also 1/0, yes/no); empty cells are true. ``live`` is false for
    a misfire, ``deliver`` is false for a shot that interferes but is not wanted in the output.
reason
    Optional: why a row was changed, as ``deblend check --mended-shots`` writes it; not used.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, ShotTableError, reason_of
from deblend.files import csv_text, write_text
from deblend.model.shots import Shots, make_shots
from deblend.model.timebase import check_time_scale, format_instant
from deblend.records.fire_times import check_fire_time_unit, parse_fire_time
from deblend.words import counted, did_you_mean

REQUIRED_COLUMNS: Final = ("source", "shot_point", "fire_time")
OPTIONAL_COLUMNS: Final = ("line", "sequence", "x_m", "y_m", "depth_m", "live", "deliver")
REASON: Final = "reason"
COLUMNS: Final = (*REQUIRED_COLUMNS, *OPTIONAL_COLUMNS)

_INTEGER = re.compile(r"[+-]?\d{1,18}", re.ASCII)
_TRUTH: Final = {"true": True, "1": True, "yes": True, "": True} | dict.fromkeys(
    ("false", "0", "no"), False
)
_Cells = list[tuple[int, list[str]]]
"""Rows of a table with their line numbers."""


def read_shots(path: str | Path, *, time_scale: str, fire_time_unit: str = "iso8601") -> Shots:
    """Read a shot table from CSV; its columns are described at the head of this module.

    Parameters
    ----------
    path : str or Path
        UTF-8 text, with or without byte-order mark, cells separated by commas.
    time_scale : {"utc", "gps"}
        Scale of the fire times. A trailing ``Z`` is accepted for UTC and refused for GPS.
    fire_time_unit : {"iso8601", "gps_us", "unix_us"}, optional
        What the column ``fire_time`` holds: text, or microseconds since 1980-01-06 of GPS time or
        since 1970-01-01 UTC. Counts are of their own scale and are converted to `time_scale` by
        the table of leap seconds, exactly.

    Returns
    -------
    Shots
        In the order of the file. Sources are int64 where every one of them is a whole number,
        otherwise text.

    Raises
    ------
    ShotTableError
        If the file cannot be read, a column is missing, unknown or doubled, or a cell cannot be
        used; the text names file, line, column and value.
    TimeError
        If `time_scale` is not known.
    SettingsError
        If `fire_time_unit` is not known.
    """
    scale = check_time_scale(time_scale)
    unit = check_fire_time_unit(fire_time_unit)
    path = Path(path)
    names, rows = _read_cells(path)
    column = {name: [cells[index] for _, cells in rows] for index, name in enumerate(names)}
    lines = [line for line, _ in rows]

    def convert(name: str, parse: Callable[[str], Any]) -> list[Any] | None:
        if name not in column:
            return None
        return list(_converted(path, name, lines, column[name], parse))

    try:
        return make_shots(
            _sources(convert("source", _filled) or []),
            np.array(convert("shot_point", _integer), dtype=np.int64),
            np.array(
                convert("fire_time", lambda text: parse_fire_time(text, scale, unit)),
                dtype=np.int64,
            ),
            scale,
            line=_array(convert("line", str), np.str_),
            sequence=_array(convert("sequence", lambda text: _integer(text or "0")), np.int64),
            x_m=_array(convert("x_m", _number), np.float64),
            y_m=_array(convert("y_m", _number), np.float64),
            depth_m=_array(convert("depth_m", _number), np.float64),
            live=_array(convert("live", _truth), np.bool_),
            deliver=_array(convert("deliver", _truth), np.bool_),
        )
    except ShotTableError as error:
        if error.where.startswith(str(path)):
            raise
        raise ShotTableError(
            error.what, where=f"{path}, {error.where}", remedy=error.remedy
        ) from error


def write_shots(path: str | Path, shots: Shots, *, reasons: Sequence[str] = ()) -> None:
    """Write a shot table that `read_shots` reads back unchanged.

    Every column is written, fire times with nine decimals (and ``Z`` for UTC), numbers with all
    their digits, unknown values as empty cells. Source names that are whole numbers come back as
    numbers. `reasons`, one a shot, are one more column, which is not read.
    """
    rows = [
        [
            shots.source[row],
            shots.shot_point[row],
            format_instant(shots.fire_time_ns[row], shots.time_scale),
            shots.line[row],
            shots.sequence[row] or "",
            *(_number_text(values[row]) for values in (shots.x_m, shots.y_m, shots.depth_m)),
            *("true" if values[row] else "false" for values in (shots.live, shots.deliver)),
        ]
        for row in range(len(shots))
    ]
    names: tuple[str, ...] = COLUMNS
    if reasons:
        names = (*COLUMNS, REASON)
        rows = [[*cells, reason] for cells, reason in zip(rows, reasons, strict=True)]
    write_text(Path(path), csv_text(names, rows))


def _read_cells(path: Path) -> tuple[list[str], _Cells]:
    """Column names and rows of a table, stripped of surrounding blanks and of empty rows."""
    reader = csv.reader(io.StringIO(_read_text(path), newline=""), strict=True)
    try:
        table = [(reader.line_num, [cell.strip() for cell in cells]) for cells in reader]
    except csv.Error as error:
        raise ShotTableError(
            f"the table is no valid CSV ({reason_of(error)})",
            where=f"{path}, line {reader.line_num}",
            remedy="Separate cells by commas and close every quotation mark.",
        ) from error
    table = [(line, cells) for line, cells in table if any(cells)]
    if not table:
        raise ShotTableError(
            "the shot table is empty",
            where=str(path),
            remedy=f"Give a header line with at least {', '.join(REQUIRED_COLUMNS)}.",
        )
    (header_line, names), *rows = table
    _check_header(names, f"{path}, line {header_line}")
    for line, cells in rows:
        if len(cells) != len(names):
            raise ShotTableError(
                f"the row has {counted(len(cells), 'cell')} and the header {len(names)}",
                where=f"{path}, line {line}",
                remedy="Give one cell a column, empty where nothing is known. Commas separate "
                "cells; decimals take a point.",
            )
    if not rows:
        raise ShotTableError(
            "the shot table has a header and no shot",
            where=str(path),
            remedy="Give at least one row.",
        )
    return names, rows


def _read_text(path: Path) -> str:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise ShotTableError(
            f"the shot table cannot be read ({reason_of(error)})",
            where=str(path),
            remedy="Check the path and its permissions.",
        ) from error
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise ShotTableError(
            f"byte {error.start + 1} (value {data[error.start]:#04x}) is not UTF-8 text",
            where=f"{path}, line {line}",
            remedy="Save the table as UTF-8.",
        ) from error


def _check_header(names: list[str], where: str) -> None:
    """Refuse a header with unknown, doubled or missing columns."""
    if len(names) == 1 and re.search(r"[;\t|]", names[0]):
        raise ShotTableError(
            f"the header {names[0]!r} is one cell",
            where=where,
            remedy="Separate the cells by commas.",
        )
    for name in names:
        if name not in (*COLUMNS, REASON):
            hint = did_you_mean(name.lower(), COLUMNS)
            raise ShotTableError(
                f"column {name!r} is not known",
                where=where,
                remedy=f"{hint} Columns are {', '.join(COLUMNS)}.".lstrip(),
            )
        if names.count(name) > 1:
            raise ShotTableError(
                f"column {name!r} occurs {names.count(name)} times",
                where=where,
                remedy="Keep one of them.",
            )
    missing = [name for name in REQUIRED_COLUMNS if name not in names]
    if missing:
        raise ShotTableError(
            f"without {'column' if len(missing) == 1 else 'columns'} {', '.join(missing)}; the "
            f"header has {', '.join(names)}",
            where=where,
            remedy=f"Every shot table needs {', '.join(REQUIRED_COLUMNS)}.",
        )


def _converted(
    path: Path, name: str, lines: list[int], cells: list[str], parse: Callable[[str], Any]
) -> Iterator[Any]:
    for line, cell in zip(lines, cells, strict=True):
        try:
            yield parse(cell)
        except InputError as error:
            raise ShotTableError(
                error.what, where=f"{path}, line {line}, column {name}", remedy=error.remedy
            ) from error


def _sources(texts: list[str]) -> NDArray[np.int64] | NDArray[np.str_]:
    if all(_INTEGER.fullmatch(text) for text in texts):
        return np.array([int(text) for text in texts], dtype=np.int64)
    return np.array(texts, dtype=np.str_)


def _array(values: list[Any] | None, kind: type[Any]) -> NDArray[Any] | None:
    return None if values is None else np.array(values, dtype=kind)


def _filled(text: str) -> str:
    if not text:
        raise ShotTableError("the cell is empty", remedy="Name the source that fired.")
    return text


def _integer(text: str) -> int:
    if not _INTEGER.fullmatch(text):
        raise ShotTableError(
            f"{text!r} is not a whole number", remedy="Write it in digits, for instance 1001."
        )
    return int(text)


def _number(text: str) -> float:
    try:
        value = float(text or "nan")
    except ValueError:
        value = math.inf
    if math.isinf(value) or "_" in text:
        raise ShotTableError(
            f"{text!r} is not a finite number",
            remedy="Write it with a decimal point, or leave the cell empty where it is unknown.",
        )
    return value


def _truth(text: str) -> bool:
    if text.lower() not in _TRUTH:
        raise ShotTableError(f"{text!r} is neither true nor false", remedy="Write true or false.")
    return _TRUTH[text.lower()]


def _number_text(value: float) -> str:
    return "" if math.isnan(value) else repr(float(value))
