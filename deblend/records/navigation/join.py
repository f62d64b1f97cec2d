"""Positions joined to shots by line, source and shot point."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deblend.errors import NavigationError
from deblend.model.findings import Finding
from deblend.model.geometry import Geometry, unknown_geometry
from deblend.model.shots import Shots
from deblend.records.navigation.clock import position_clock_findings
from deblend.records.navigation.grid import grid_findings
from deblend.records.navigation.plausibility import plausible_positions
from deblend.records.navigation.positions import Positions
from deblend.records.navigation.receivers import receiver_geometry
from deblend.records.navigation.source_names import NameMap, match_source_names
from deblend.words import are, counted

_NAMED = 8
_THROUGHOUT = 0.2
"""Of the shots: more that are another source have one cause."""
_NUMBER_ALIKE = (
    "Correct the source numbers of one of them, or say in [navigation.source_names] which is which."
)
_MOVED_M = 1.0
_OTHER_SYSTEM_M = 1000.0
"""As far apart are no two measurements of one source."""


@dataclass(frozen=True, eq=False)
class Joined:
    """Shots with positions."""

    shots: Shots
    """The shots given, in their order, with the positions of the file where it has them. Fire times
    are untouched."""
    geometry: Geometry
    """Receivers at each shot; unknown where the file has none."""
    position_row: NDArray[np.int64]
    """(shot,): Row of the positions for each shot, -1 where there is none."""
    findings: tuple[Finding, ...]
    """What did not match and what looks wrong, with those of the file first."""


def join_positions(
    shots: Shots,
    positions: Positions,
    *,
    channel_numbers: NDArray[np.int64] | None = None,
    source_names: Mapping[str, str] | None = None,
    first_channel: Mapping[str, int] | None = None,
    recorded: NDArray[np.bool_] | None = None,
) -> Joined:
    """Join a navigation file to a table of shots; fire times stay as they are.

    Parameters
    ----------
    channel_numbers : ndarray of int64, shape (channel,), optional
        Of the record; without them receivers are not joined.
    source_names : mapping of str to str, optional
        Source of the shot table for each name of the file, ``{"G1": "1"}``. Left out, equal names
        are matched, and otherwise the pairing that most shot points agree on.
    first_channel : mapping of str to int, optional
        Channel of the first receiver of each streamer, ``{"S1": 1, "S2": 481}``. Needed for files
        with several streamers that do not state channels.
    recorded : ndarray of bool, shape (shot,), optional
        Shots that fired while the record ran; the times of others say nothing of motion.

    Raises
    ------
    NavigationError
        If lines or sources do not match at all, shot points are ambiguous, receivers cannot be
        given channels, or positions are impossible.
    """
    of_line = _rows_of_line(shots, positions)
    names = match_source_names(shots, positions, of_line, source_names)
    row, other = _matching_rows(shots, positions, of_line, names)
    if not (row >= 0).any() and (other >= 0).any():
        raise NavigationError(
            _exchanged_words(shots, positions, other),
            where=str(positions.path),
            remedy=_NUMBER_ALIKE,
        )
    if not (row >= 0).any():
        raise NavigationError(
            f"no shot of the table is in the file: its shot points are "
            f"{positions.shot_point.min()} to {positions.shot_point.max()}, those of the table "
            f"{shots.shot_point.min()} to {shots.shot_point.max()}",
            where=str(positions.path),
            remedy="Check that both are of one line and name the sources alike.",
        )
    placed = _with_positions(shots, positions, row)
    geometry = unknown_geometry(len(shots), 0 if channel_numbers is None else len(channel_numbers))
    more: list[Finding] = []
    if channel_numbers is not None:
        geometry, more = receiver_geometry(placed, positions, row, channel_numbers, first_channel)
    return Joined(
        placed,
        geometry,
        row,
        (
            *positions.findings,
            *_system_finding(positions),
            *names.findings,
            *_source_findings(shots, positions, other),
            *_unmatched_findings(shots, positions, row, of_line),
            *_position_findings(shots, placed, positions),
            *position_clock_findings(shots, positions, row),
            *more,
            *plausible_positions(
                placed,
                geometry,
                str(positions.path),
                placed=(row >= 0) if recorded is None else (row >= 0) & recorded,
                known=grid_findings(positions),
            ),
        ),
    )


def _rows_of_line(shots: Shots, positions: Positions) -> NDArray[np.bool_]:
    """Rows of the file that belong to the line of the table."""
    wanted = {str(name) for name in np.unique(shots.line) if name}
    present = {str(name) for name in np.unique(positions.line)}
    if not wanted:
        if len(present) > 1:
            raise NavigationError(
                f"the file holds {len(present)} lines ({_some(sorted(present))}) and the shot "
                "table names none",
                where=str(positions.path),
                remedy="Give the shot table a column line, or cut the file to one line.",
            )
        return np.ones(len(positions), dtype=np.bool_)
    plain = {_plain(name) for name in wanted}
    rows = np.array([_plain(str(name)) in plain for name in positions.line], dtype=np.bool_)
    if not rows.any():
        raise NavigationError(
            f"the lines of the file ({_some(sorted(present))}) are not those of the shot table "
            f"({_some(sorted(wanted))})",
            where=str(positions.path),
            remedy="Give the file of that line, or correct the line names.",
        )
    return rows


def _plain(name: str) -> str:
    """A line name without what formats do to it: blanks, case, decimals of a number."""
    name = name.strip().upper()
    try:
        return f"{float(name):g}" if name.replace(".", "", 1).isdecimal() else name
    except ValueError:
        return name


def _matching_rows(
    shots: Shots, positions: Positions, of_line: NDArray[np.bool_], names: NameMap
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Row of the file for each shot, and rows that match but for their source; -1 for none."""
    by_source: dict[tuple[str, str, int], int] = {}
    by_point: dict[tuple[str, int], list[int]] = {}
    lines = [_plain(str(name)) for name in positions.line]
    line_matters = any(shots.line)
    for number in np.flatnonzero(of_line).tolist():
        line = lines[number] if line_matters else ""
        point = int(positions.shot_point[number])
        key = (line, names.of_file[str(positions.source[number])], point)
        if key in by_source:
            raise NavigationError(
                f"line {str(positions.line[number])!r}, source {str(positions.source[number])!r}, "
                f"shot point {point} occurs twice",
                where=str(positions.path),
                remedy="Remove one of them.",
            )
        by_source[key] = number
        by_point.setdefault((line, point), []).append(number)
    row = np.full(len(shots), -1, dtype=np.int64)
    other = np.full(len(shots), -1, dtype=np.int64)
    table_points = Counter(zip(shots.line.tolist(), shots.shot_point.tolist(), strict=True))
    for shot in range(len(shots)):
        line, point = _plain(str(shots.line[shot])), int(shots.shot_point[shot])
        source = "" if names.ignored else str(shots.source[shot])
        row[shot] = by_source.get((line, source, point), -1)
        alone = by_point.get((line, point), [])
        once = table_points[shots.line.tolist()[shot], point] == 1
        if row[shot] < 0 and len(alone) == 1 and once:
            other[shot] = alone[0]
    return row, other


def _with_positions(shots: Shots, positions: Positions, row: NDArray[np.int64]) -> Shots:
    matched = row >= 0

    def filled(there: NDArray[np.float64], here: NDArray[np.float64]) -> NDArray[np.float64]:
        values = here.copy()
        values[matched] = there[row[matched]]
        return np.where(np.isfinite(values), values, here)

    return replace(
        shots,
        x_m=filled(positions.x_m, shots.x_m),
        y_m=filled(positions.y_m, shots.y_m),
        depth_m=filled(positions.depth_m, shots.depth_m),
    )


def _system_finding(positions: Positions) -> list[Finding]:
    declared = positions.coordinate_system
    message = (
        f"{positions.path.name} ({positions.format_name}) gives positions in: {declared}."
        if declared
        else f"{positions.path.name} ({positions.format_name}) does not state its coordinate system"
        "; positions were taken as metres east and north."
    )
    return [Finding("coordinate_system", np.nan, "", "note" if declared else "look", message)]


def _source_findings(shots: Shots, positions: Positions, other: NDArray[np.int64]) -> list[Finding]:
    rows = np.flatnonzero(other >= 0)
    if len(rows) > max(_NAMED, _THROUGHOUT * len(shots)):
        words = _exchanged_words(shots, positions, other)
        message = (
            f"S{words[1:]}. The table is used, and these shots have no position from the file; "
            f"{_NUMBER_ALIKE[0].lower()}{_NUMBER_ALIKE[1:]}"
        )
        return [Finding("source_differs", float(len(rows)), "shots", "fail", message)]
    return [
        Finding(
            "source_differs",
            np.nan,
            "",
            "fail",
            f"The table says that source {shots.source[shot]} fired at shot point "
            f"{shots.shot_point[shot]}, {positions.path.name} says {positions.source[row]}. The "
            "table is used and the shot has no position from the file; correct one of them.",
            source=shots.source[shot].item(),
            shot_point=int(shots.shot_point[shot]),
        )
        for shot, row in zip(rows.tolist(), other[rows].tolist(), strict=True)
    ]


def _exchanged_words(shots: Shots, positions: Positions, other: NDArray[np.int64]) -> str:
    """What to say where sources differ all along the line."""
    rows = np.flatnonzero(other >= 0)
    pairs = Counter(
        (str(shots.source[shot]), str(positions.source[row]))
        for shot, row in zip(rows.tolist(), other[rows].tolist(), strict=True)
    )
    named = ", ".join(
        f"{there} where the table says {here} ({counted(count, 'shot')})"
        for (here, there), count in sorted(pairs.items())
    )
    return (
        f"sources are exchanged all along the line, at {len(rows)} of "
        f"{counted(len(shots), 'shot')}: {positions.path.name} says {named}"
    )


def _unmatched_findings(
    shots: Shots, positions: Positions, row: NDArray[np.int64], of_line: NDArray[np.bool_]
) -> list[Finding]:
    findings = []
    missing = np.flatnonzero(row < 0)
    if missing.size:
        names = [f"source {shots.source[i]} shot point {shots.shot_point[i]}" for i in missing]
        message = (
            f"{missing.size} of {counted(len(shots), 'shot')} {are(missing.size)} not in "
            f"{positions.path.name}: {_some(names)}. The position of the shot table, if any, is "
            "kept."
        )
        findings.append(
            Finding("shots_without_position", float(missing.size), "shots", "look", message)
        )
    surplus = np.setdiff1d(np.flatnonzero(of_line), row)
    if surplus.size:
        names = [
            f"source {positions.source[i] or '?'} shot point {positions.shot_point[i]}"
            for i in surplus
        ]
        message = (
            f"{counted(surplus.size, 'source position')} of {positions.path.name} without a shot "
            f"in the table: {_some(names)}. A shot that fired and is missing from the table stays "
            "as interference in its neighbours."
        )
        findings.append(
            Finding("positions_without_shot", float(surplus.size), "shots", "look", message)
        )
    return findings


def _position_findings(before: Shots, after: Shots, positions: Positions) -> list[Finding]:
    distance = np.hypot(after.x_m - before.x_m, after.y_m - before.y_m)
    moved = np.isfinite(distance) & (distance > _MOVED_M)
    if not moved.any():
        return []
    largest = float(distance[moved].max())
    if np.median(distance[moved]) > _OTHER_SYSTEM_M:
        raise NavigationError(
            f"{counted(int(np.count_nonzero(moved)), 'shot')} up to {largest:,.0f} m from where "
            "the shot table has it",
            where=str(positions.path),
            remedy="The two are of different lines or coordinate systems; give the system of the "
            "file in from_system and to_system of [navigation], or leave x_m and y_m out of the "
            "table.",
        )
    message = (
        f"{counted(int(np.count_nonzero(moved)), 'shot')} up to {largest:.1f} m from where the "
        "shot table has it; the navigation file is used."
    )
    return [Finding("positions_differ", largest, "m", "look", message, limit=_MOVED_M)]


def _some(names: Sequence[str]) -> str:
    rest = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return ", ".join(names[:_NAMED]) + rest
