"""Logs of source controllers and observers as CSV: how each shot was really fired.

Columns are mapped by the caller, because every system names them in its own way. These can be:

source, shot_point
    Which shot; required.
fire_time
    Time break as ISO 8601; needed only to take over shots that the table does not know.
state
    ``full``, ``reduced``, ``misfired`` or ``autofire``; empty for full. Other words are mapped.
guns_out
    Number of guns that did not fire.
timing_error_ms
    Largest deviation of a gun from the time break.
pressure, depth_m
    Air pressure in any unit, and depth; held against the median of the source.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, ShotTableError, reason_of
from deblend.model.findings import Finding
from deblend.model.shots import Shots, make_shots
from deblend.model.timebase import TimeScale, check_time_scale, parse_instant
from deblend.records.log_clock import LogClock, log_clock
from deblend.words import are, counted

State = Literal["full", "reduced", "timing error", "misfired", "autofire"]

NAMES: Final = (
    "source",
    "shot_point",
    "fire_time",
    "state",
    "guns_out",
    "timing_error_ms",
    "pressure",
    "depth_m",
)
_STATES: Final[dict[str, State]] = {
    "": "full",
    "full": "full",
    "reduced": "reduced",
    "misfired": "misfired",
    "autofire": "autofire",
}
TIMING_LIMIT_MS: Final = 1.5
"""Deviation of a gun beyond which a shot is marked (common practice, no source)."""
PRESSURE_LIMIT: Final = 0.1
"""Part of the usual pressure (common practice, no source)."""
_EXCHANGED: Final = 5
"""Logged shots with the number of another source before they have one cause."""
DEPTH_LIMIT_M: Final = 1.0
"""Common practice, no source."""


@dataclass(frozen=True)
class LogRow:
    """One row of a log."""

    line_number: int
    """In the file."""
    source: str
    """Which source."""
    shot_point: int
    """Shot point."""
    fire_time_ns: int | None
    """Time break, where the log gives it."""
    state: State
    """As logged."""
    guns_out: float
    timing_error_ms: float
    pressure: float
    depth_m: float
    """NaN where the log does not say."""
    file: str = ""
    """Its name."""

    @property
    def place(self) -> str:
        """Where it was read."""
        return f"{self.file}, line {self.line_number}" if self.file else f"row {self.line_number}"


@dataclass(frozen=True, eq=False)
class FiredShots:
    """Shots as they were really fired."""

    shots: Shots
    """The table with misfires marked and autofires added at the end."""
    state: NDArray[np.str_]
    """(shot,): Of each shot; "full" where the log does not know it."""
    findings: tuple[Finding, ...]
    """One a state that is not full, and what did not match."""


def state_named(name: str) -> State | None:
    """State of that name, in any case; None where there is none."""
    return _STATES.get(name.strip().lower())


def read_source_log(
    path: str | Path,
    *,
    columns: Mapping[str, str],
    time_scale: str,
    states: Mapping[str, str] | None = None,
    source_names: Mapping[str, str] | None = None,
) -> tuple[LogRow, ...]:
    """Read a log.

    Parameters
    ----------
    path : str or Path
        UTF-8 CSV with a header line; columns that are not mapped are passed over.
    columns : mapping of str to str
        Header in the file for each name of this module, ``{"shot_point": "SP"}``.
    time_scale : {"utc", "gps"}
        Of the fire times.
    states : mapping of str to str, optional
        State for each word of the log, ``{"OK": "full", "MISF": "misfired"}``.
    source_names : mapping of str to str, optional
        Source of the shot table for each name of the log, ``{"P": "1"}``.

    Raises
    ------
    ShotTableError
        If the file cannot be read, a mapped column is missing, or a cell cannot be used; the text
        names file, line, column and value.
    """
    path, scale = Path(path), check_time_scale(time_scale)
    for word, meant in (states or {}).items():
        if not meant or state_named(meant) is None:
            raise ShotTableError(
                f"the word {word!r} of the log is mapped to {meant!r}",
                where=str(path),
                remedy=f"Map it to one of {', '.join(name for name in _STATES if name)}.",
            )
    words = {word.strip().lower(): meant for word, meant in (states or {}).items()}
    unknown = [name for name in columns if name not in NAMES]
    if unknown or not {"source", "shot_point"} <= set(columns):
        raise ShotTableError(
            f"columns {', '.join(columns) or 'none'} are mapped",
            where=str(path),
            remedy=f"Map source and shot_point, and any of {', '.join(NAMES[2:])}.",
        )
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ShotTableError(
            f"the log cannot be read ({reason_of(error)})",
            where=str(path),
            remedy="Give a CSV file, saved as UTF-8.",
        ) from error
    if not text.strip():
        raise ShotTableError(
            "the log is empty",
            where=str(path),
            remedy="Give a log with a header line, or leave the file out.",
        )
    reader = csv.DictReader(io.StringIO(text, newline=""), restkey="", strict=True)
    try:
        missing = [head for head in columns.values() if head not in (reader.fieldnames or [])]
        if missing:
            raise ShotTableError(
                f"column {missing[0]!r} is not in the header "
                f"({', '.join(reader.fieldnames or ['empty'])})",
                where=str(path),
                remedy="Name columns as they stand in the header; commas separate the cells.",
            )
        rows = [
            _row(path, reader.line_num, cells, columns, scale, words)
            for cells in reader
            if any(cells)
        ]
    except csv.Error as error:
        raise ShotTableError(
            f"the log is no valid CSV ({reason_of(error)})",
            where=f"{path}, line {reader.line_num}",
            remedy="Separate cells by commas and close every quotation mark.",
        ) from error
    names = source_names or {}
    return tuple(replace(row, source=names.get(row.source, row.source)) for row in rows)


def _row(
    path: Path,
    number: int,
    cells: dict[str, str],
    columns: Mapping[str, str],
    scale: TimeScale,
    words: Mapping[str, str],
) -> LogRow:
    if "" in cells or None in cells.values():
        raise ShotTableError(
            "the row has another number of cells than the header",
            where=f"{path}, line {number}",
            remedy="Give one cell a column.",
        )

    def cell(name: str) -> str:
        return cells[columns[name]].strip() if name in columns else ""

    def bad(name: str, words: str) -> ShotTableError:
        where = f"{path}, line {number}, column {columns[name]}"
        return ShotTableError(f"{cell(name)!r} is {words}", where=where, remedy="Correct the cell.")

    def value(name: str) -> float:
        try:
            read = float(cell(name) or "nan")
        except ValueError as error:
            raise bad(name, "not a number") from error
        if math.isinf(read):
            raise bad(name, "not a finite number")
        return read

    point = value("shot_point")
    if not point.is_integer() or abs(point) > 1e15:
        raise bad("shot_point", "not a whole number")
    if not cell("source"):
        raise bad("source", "no source")
    state = state_named(words.get(cell("state").lower(), cell("state")))
    if state is None:
        known = [*(name for name in _STATES if name), *words]
        raise bad("state", f"not one of {', '.join(known)}; states in [source_log] maps words")
    try:
        fired = parse_instant(cell("fire_time"), scale) if cell("fire_time") else None
    except InputError as error:
        raise bad("fire_time", "no ISO 8601 instant of the stated scale") from error
    return LogRow(
        number,
        cell("source"),
        int(point),
        fired,
        state,
        value("guns_out"),
        value("timing_error_ms"),
        value("pressure"),
        value("depth_m"),
        path.name,
    )


def apply_source_log(
    shots: Shots, rows: tuple[LogRow, ...], guessed: NDArray[np.bool_] | None = None
) -> FiredShots:
    """Mark misfires, add autofires, and say which shots were not fired in full.

    Rows are of one log, or of several that follow each other. Shots whose fire times are
    `guessed` are not live: where the log gives one, by the clock of the table, they are.

    Raises
    ------
    ShotTableError
        If two rows speak of one shot and contradict each other, or of a source that the table does
        not have.
    """
    _refuse_unlisted(shots, rows)
    by_shot: dict[tuple[str, int], LogRow] = {}
    extra: list[LogRow] = []
    for row in rows:
        key = row.source, row.shot_point
        if row.state == "autofire":
            extra.append(row)
        elif key in by_shot and not _agree(by_shot[key], row):
            raise ShotTableError(
                f"source {row.source} shot point {row.shot_point} is logged twice, and differently",
                where=f"{by_shot[key].place} and {row.place}",
                remedy="Logs overlap; remove one of the rows.",
            )
        else:
            by_shot[key] = row
    usual = {
        source: _usual([row for row in by_shot.values() if row.source == source])
        for source in {row.source for row in rows}
    }
    state = np.full(len(shots), "full", dtype="<U12")
    findings: list[Finding] = []
    times: list[tuple[int, int]] = []
    unlogged = 0
    for number in range(len(shots)):
        logged = by_shot.pop((str(shots.source[number]), int(shots.shot_point[number])), None)
        if logged is None:
            unlogged += 1
            continue
        if logged.fire_time_ns is not None:
            times.append((number, logged.fire_time_ns))
        state[number], why = _state_of(logged, usual[logged.source])
        if state[number] != "full":
            findings.append(_state_finding(shots, number, state[number], why))
    findings += _mismatches(shots, unlogged, list(by_shot.values()))
    timed = np.array(times, dtype=np.int64).reshape(-1, 2)
    by_guess = np.zeros(len(timed), np.bool_) if guessed is None else guessed[timed[:, 0]]
    taken, timed = timed[by_guess], timed[~by_guess]
    clock = log_clock(shots, timed[:, 0], timed[:, 1], rows[0].file or "the log") if rows else None
    if clock is not None:
        findings += clock.findings
        extra = [_on_table_clock(row, clock) for row in extra]
        shots = _timed_by_log(shots, taken[:, 0], taken[:, 1] - clock.offset_ns)
    live = shots.live & (state != "misfired")
    findings += [_autofire_finding(row) for row in extra]
    return with_autofires(FiredShots(shots.with_flags(live=live), state, tuple(findings)), extra)


def _timed_by_log(shots: Shots, numbers: NDArray[np.int64], fired_ns: NDArray[np.int64]) -> Shots:
    times, live = shots.fire_time_ns.copy(), shots.live.copy()
    times[numbers], live[numbers] = fired_ns, True
    return replace(shots, fire_time_ns=times, live=live)


def _refuse_unlisted(shots: Shots, rows: tuple[LogRow, ...]) -> None:
    known = {str(source) for source in shots.sources}
    for row in rows:
        if row.source not in known:
            raise ShotTableError(
                f"source {row.source!r} is not in the shot table, which has "
                f"{', '.join(sorted(known))}",
                where=row.place,
                remedy="Name the source of the shot table for each name of the log in source_names "
                "of table [source_log], or correct the row.",
            )


def _on_table_clock(row: LogRow, clock: LogClock) -> LogRow:
    """A row by the clock of the table."""
    if row.fire_time_ns is None:
        return row
    return replace(row, fire_time_ns=clock.on_table(row.fire_time_ns))


def with_autofires(fired: FiredShots, rows: list[LogRow]) -> FiredShots:
    """Shots with those that went off by themselves, which are not to be delivered.

    Raises
    ------
    ShotTableError
        If one has no fire time.
    """
    added = _autofires(fired.shots, rows)
    if added is None:
        return fired
    return FiredShots(
        fired.shots.followed_by(added),
        np.concatenate([fired.state, np.full(len(added), "autofire", dtype="<U12")]),
        fired.findings,
    )


def _agree(one: LogRow, other: LogRow) -> bool:
    one, other = (replace(row, line_number=0, file="") for row in (one, other))
    return repr(one) == repr(other)


def _usual(rows: list[LogRow]) -> tuple[float, float]:
    """Median pressure and depth of a source; NaN where unknown."""
    middle = []
    for values in ([row.pressure for row in rows], [row.depth_m for row in rows]):
        known = [value for value in values if not math.isnan(value)]
        middle.append(float(np.median(known)) if known else math.nan)
    return middle[0], middle[1]


def _state_of(row: LogRow, usual: tuple[float, float]) -> tuple[State, str]:
    if row.state == "misfired":
        return "misfired", "logged as a misfire"
    if row.timing_error_ms == row.timing_error_ms and abs(row.timing_error_ms) > TIMING_LIMIT_MS:
        return "timing error", f"a gun {row.timing_error_ms:+.1f} ms from the time break"
    reasons = []
    if row.guns_out > 0:
        reasons.append(f"{row.guns_out:g} {'gun' if row.guns_out == 1 else 'guns'} out")
    if abs(row.pressure - usual[0]) > PRESSURE_LIMIT * usual[0]:
        reasons.append(f"pressure {row.pressure:g} against {usual[0]:g}")
    if abs(row.depth_m - usual[1]) > DEPTH_LIMIT_M:
        reasons.append(f"depth {row.depth_m:g} m against {usual[1]:g} m")
    if row.state == "reduced" or reasons:
        return "reduced", ", ".join(reasons) or "logged as reduced"
    return "full", ""


def _state_finding(shots: Shots, number: int, state: str, why: str) -> Finding:
    source, point = shots.source[number].item(), int(shots.shot_point[number])
    done = {
        "misfired": "no energy is given to it",
        "reduced": "it is separated like the others, and its amplitude is lower",
        "timing error": "it is separated at its time in the table",
    }[state]
    message = f"Source {source} shot point {point}: {why}; {done}."
    metric = "logged_" + state.replace(" ", "_")
    return Finding(metric, math.nan, "", "look", message, source=source, shot_point=point)


def _mismatches(shots: Shots, unlogged: int, surplus: list[LogRow]) -> list[Finding]:
    points = set(shots.shot_point.tolist())
    known = sum(row.shot_point in points for row in surplus)
    if unlogged and len(surplus) >= _EXCHANGED and known > 0.8 * len(surplus):
        message = (
            f"{len(surplus)} logged shots have shot points of the table, but of another source, "
            f"source {surplus[0].source} shot point {surplus[0].shot_point} the first: sources are "
            "exchanged in the log, in source_names of [source_log] or in the shot table. What the "
            f"log says of them is not used, and {unlogged} shots are taken as full."
        )
        return [Finding("log_sources_exchanged", float(len(surplus)), "shots", "fail", message)]
    findings = []
    if unlogged:
        message = (
            f"{unlogged} of {counted(len(shots), 'shot')} {are(unlogged)} not in the log and taken "
            "as full."
        )
        if unlogged == len(shots):
            message += (
                " None is: the log is of another line or sequence, or counts sources or shot "
                "points otherwise than the shot table."
            )
        findings.append(Finding("shots_not_logged", float(unlogged), "shots", "look", message))
    if surplus:
        first = surplus[0]
        message = (
            f"{len(surplus)} logged shots are not in the table, source {first.source} shot point "
            f"{first.shot_point} the first; if they fired, their energy stays as interference."
        )
        findings.append(
            Finding("logged_without_shot", float(len(surplus)), "shots", "look", message)
        )
    return findings


def _autofires(shots: Shots, rows: list[LogRow]) -> Shots | None:
    """Rows for shots that went off by themselves, not to be delivered."""
    if not rows:
        return None
    late = [row for row in rows if row.fire_time_ns is None]
    if late:
        raise ShotTableError(
            f"the autofire of source {late[0].source} has no fire time",
            where=late[0].place,
            remedy="Map the column with the fire times, or give the instant.",
        )
    names = [row.source for row in rows]
    numbers = shots.source.dtype.kind == "i" and all(name.isdecimal() for name in names)
    source = np.array([int(name) for name in names]) if numbers else np.array(names, np.str_)
    return make_shots(
        source,
        np.array([row.shot_point for row in rows], dtype=np.int64),
        np.array([row.fire_time_ns for row in rows], dtype=np.int64),
        shots.time_scale,
        deliver=np.zeros(len(rows), dtype=np.bool_),
    )


def _autofire_finding(row: LogRow) -> Finding:
    message = (
        f"Source {row.source} went off by itself ({row.place}); it was added "
        "with deliver = false and is separated as interference."
    )
    return Finding("logged_autofire", math.nan, "", "look", message, shot_point=row.shot_point)
