"""Opening the SEG-D files of a line as one recording, and their source events as shots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from deblend.errors import RecordError, TimeError
from deblend.model.findings import Finding
from deblend.model.recording import UNKNOWN_UNIT, Recording
from deblend.model.shots import Shots
from deblend.model.timebase import TimeScale, check_time_scale
from deblend.records.find_files import find_files
from deblend.records.joining import recording_of
from deblend.records.segd.channel_findings import (
    left_out_findings,
    numbering_findings,
    said_once,
    slice_findings,
    trace_time_findings,
    unit_findings,
)
from deblend.records.segd.channels import (
    Amplitudes,
    Choice,
    amplitude_unit,
    slices_of,
    windows_of,
)
from deblend.records.segd.events import event_findings, shots_of
from deblend.records.segd.layout import BLOCK
from deblend.records.segd.read_headers import RecordHeader, read_records
from deblend.records.segd.source import SegdSlice
from deblend.records.starts import check_start_options, exact_start_ns
from deblend.words import counted

_FINER: Final = "SEG-D before revision 3, or in relative time mode, does not give it finer"
_FORMAT_CODES: Final = ("15", "22", "24", "36", "38", "42", "44", "48", "58", "80")


def looks_like_segd(first_bytes: bytes) -> bool:
    """Whether a file that starts with these bytes is SEG-D, of whatever revision.

    A storage unit label says so itself; without one, the format code and the date of general header
    1 have to be packed decimal digits that make sense, or the blocks after it to be numbered as the
    revision has them: a date may be damaged. `first_bytes` are its first 192 bytes or more, or
    fewer where it is shorter.
    """
    if first_bytes[4:6] == b"SD" and first_bytes[6:7].isdigit():
        return True
    if len(first_bytes) < 2 * BLOCK:
        return False
    code, date = first_bytes[2:4].hex(), first_bytes[10:16].hex()
    known = code[:2] in ("00", "80", "90") and code[2:] in _FORMAT_CODES
    if not known:
        return False
    if _blocks_are_numbered(first_bytes):
        return True
    if not (date[:2] + date[3:]).isdecimal():
        return False
    day, hour, minute, second = int(date[3:6]), int(date[6:8]), int(date[8:10]), int(date[10:])
    return 1 <= day <= 366 and hour < 24 and minute < 60 and second <= 60


def _blocks_are_numbered(first_bytes: bytes) -> bool:
    """Whether general headers 2 and 3 have the revision and the block numbers of the standard."""
    two, three = first_bytes[BLOCK : 2 * BLOCK], first_bytes[2 * BLOCK : 3 * BLOCK]
    if two[10] == 3:
        return two[31] == 2 and len(three) == BLOCK and three[31] == 3
    return two[10] == 2 and two[18] == 2


def open_segd(
    paths: str | Path | Sequence[str | Path],
    *,
    time_scale: str,
    start_is_exact: bool = False,
    start_offset_s: float | None = None,
    sets: Choice = "seismic",
    amplitudes: Amplitudes = "physical",
) -> Recording:
    """Open the SEG-D files of a line; only headers are read.

    Every record of every file is one time slice, or several where its channel sets follow each
    other in time. Traces that the headers declare as zeroed read as NaN. Joining, result and errors
    are as of `deblend.records.open.open_recording`.

    Parameters
    ----------
    time_scale : {"utc", "gps"}
        Has to be the scale of the files: revision 3 counts GPS microseconds, so ``"gps"``; revision
        2, and revision 3 in relative time mode, gives whole seconds of UTC, so ``"utc"``. Nothing
        is converted.
    sets : {"seismic", "auxiliary"} or sequence of int or str, optional
        Kind of the channel sets to open, or their numbers, kinds and types (``"type 0x70"``).
        Traces of several sets are counted through from 1 in file order.
    amplitudes : {"physical", "descaled", "stored"}, optional
        ``"descaled"`` multiplies by the descale factor of the channel set, ``"physical"`` also
        divides by the sensitivity of the sensor where a trace gives one, ``"stored"`` does neither.
    """
    scale = check_time_scale(time_scale)
    check_start_options(start_is_exact, start_offset_s)
    records = _records_of(paths)
    _check_alike(records, sets)
    pieces = []
    noticed: list[tuple[RecordHeader, Finding]] = []
    for record in records:
        found = (*record.findings, *trace_time_findings(record, sets))
        noticed += ((record, finding) for finding in found)
        for piece in slices_of(record, sets, amplitudes):
            _check_scale(piece, scale)
            start_ns = exact_start_ns(piece, start_is_exact, start_offset_s, _FINER)
            pieces.append(replace(piece, start_ns=start_ns))
            noticed += ((record, finding) for finding in slice_findings(piece))
    pieces[0] = replace(pieces[0], findings=tuple(said_once(noticed, len(records))))
    units = {amplitude_unit(record, sets, amplitudes) for record in records}
    return recording_of(
        pieces,
        time_scale=scale,
        amplitude_unit=(units.pop() if len(units) == 1 else "") or UNKNOWN_UNIT,
        findings=[
            *unit_findings(records, sets),
            *numbering_findings(records[0], sets),
            *left_out_findings(records[0], sets),
            *event_findings(records),
        ],
    )


def read_segd_shots(paths: str | Path | Sequence[str | Path], *, time_scale: str) -> Shots:
    """Shots from the source events of revision 3, in the order of their fire times.

    `time_scale` has to be ``"gps"``; see `deblend.records.segd.events.shots_of`.

    Raises
    ------
    RecordError
        If a file cannot be read.
    ShotTableError
        If the revision knows no source events or the records carry none.
    TimeError
        If another scale than GPS is stated.
    """
    scale = check_time_scale(time_scale)
    shots = shots_of(_records_of(paths))
    if scale != shots.time_scale:
        raise TimeError(
            f"source events of SEG-D count GPS time and the time scale stated is {scale!r}",
            remedy='State "gps"; recording and shots must share one scale.',
        )
    return shots


def _records_of(paths: str | Path | Sequence[str | Path]) -> list[RecordHeader]:
    return [record for path in find_files(paths) for record in read_records(path)]


def _check_alike(records: list[RecordHeader], sets: Choice) -> None:
    """Refuse records whose chosen channel sets differ: channels are joined by their place."""

    def layout(record: RecordHeader) -> list[tuple[int, int]]:
        rows = windows_of(record, sets)[0]
        return [(record.sets[row].number, record.sets[row].channels) for row in rows]

    first = layout(records[0])
    for record in records[1:]:
        if layout(record) != first:
            raise RecordError(
                f"channel sets differ: {_in_words(layout(record))} here, {_in_words(first)} in "
                f"{records[0].name}",
                where=record.name,
                remedy="The records of one line must have the same channels; open them apart.",
            )


def _in_words(layout: list[tuple[int, int]]) -> str:
    return ", ".join(
        f"set {number} of {counted(channels, 'channel')}" for number, channels in layout[:5]
    )


def _check_scale(piece: SegdSlice, scale: TimeScale) -> None:
    if piece.time_scale == scale:
        return
    if piece.time_scale == "gps":
        what = "the record gives its start in GPS time (SEG-D revision 3)"
    else:
        what = "the record gives its start in UTC, in whole seconds (general header 1)"
    raise TimeError(
        f"{what} and the time scale stated is {scale!r}",
        where=piece.record.name,
        remedy=f'State "{piece.time_scale}" and give fire times in that scale.',
    )
