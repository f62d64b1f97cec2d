"""Headers of every record of a SEG-D file; no sample is read.

A file holds one record after another, with or without a storage unit label in front. The size of
each record follows from its headers; it has to end where the next one starts, or the file does.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from deblend.model.findings import Finding, Verdict
from deblend.records.file_bytes import FileStamp, OpenFile, open_file
from deblend.records.segd.channel_sets import ChannelSet, read_channel_sets
from deblend.records.segd.general_headers import GeneralHeader, read_general_header
from deblend.records.segd.gps_time import gps_us_to_utc_s
from deblend.records.segd.layout import BLOCK, LABEL_SIZE
from deblend.records.segd.trace_headers import TraceTable, read_trace_headers
from deblend.words import counted

SMALLEST_RECORD: Final = 4 * BLOCK
"""Bytes below which a remainder of the file is no record."""

_LONGEST_PADDING: Final = 1 << 20


@dataclass(frozen=True, eq=False)
class RecordHeader:
    """One record of a SEG-D file."""

    stamp: FileStamp
    """The file, with its size and time of modification when it was opened."""
    general: GeneralHeader
    """What the general headers say."""
    sets: tuple[ChannelSet, ...]
    """Channel sets, scan type after scan type."""
    traces: TraceTable
    """Traces in file order."""
    end: int
    """Byte after the record."""
    label: str
    """Revision text of the storage unit label in front of the record; empty without one."""
    findings: tuple[Finding, ...]
    """What the headers disagree about."""

    @property
    def name(self) -> str:
        """The record in words, for messages."""
        return f"{self.stamp.path}, file number {self.general.file_number}"


def read_records(path: str | Path) -> tuple[RecordHeader, ...]:
    """Headers of all records of a SEG-D file, revision 2.x or 3.x, demultiplexed, in file order."""
    with open_file(Path(path)) as file:
        records = tuple(_each_record(file))
        file.check_unchanged()
    return records


def _each_record(file: OpenFile) -> Iterator[RecordHeader]:
    position = 0
    while position == 0 or position < file.size:
        record = _read_record(file, position)
        position = record.end
        rest = file.size - position
        if rest and _is_no_record(file, position):
            message = f"{counted(rest, 'byte')} after the last record left out: no record"
            finding = _finding("bytes_after_record", rest, "bytes", "look", message)
            yield replace(record, findings=(*record.findings, finding))
            return
        yield record


def _is_no_record(file: OpenFile, position: int) -> bool:
    """Whether the rest of the file is too short for a record, or filled up with zeros."""
    rest = file.size - position
    if rest < SMALLEST_RECORD:
        return True
    return rest <= _LONGEST_PADDING and not any(file.read(position, rest, "the rest of the file"))


def _read_record(file: OpenFile, position: int) -> RecordHeader:
    label = _label(file, position)
    general = read_general_header(file, position + (LABEL_SIZE if label else 0))
    sets = read_channel_sets(file, general)
    traces, end = read_trace_headers(file, general, sets)
    trailer = BLOCK * general.trailer_blocks
    file.require(end, trailer, "the general trailer")
    end += trailer
    found = (*_sizes(general, end), *_clock(general), *_descriptors(sets, traces))
    return RecordHeader(file.stamp, general, sets, traces, end, label, found)


def _label(file: OpenFile, position: int) -> str:
    """Revision text of a storage unit label at `position`; empty where there is none."""
    if file.size - position < LABEL_SIZE + 2 * BLOCK:
        return ""
    text = file.read(position + 4, 5, "the storage unit label")
    if text[:2] == b"SD" and text[2:3].isdigit():
        return text.decode("ascii", "replace")
    return ""


def _finding(metric: str, value: float, unit: str, verdict: Verdict, message: str) -> Finding:
    return Finding(metric, float(value), unit, verdict, message)


def _sizes(general: GeneralHeader, end: int) -> Iterator[Finding]:
    """Sizes that general header 3 states against those of the record itself."""
    pairs = (
        ("header_size", general.declared_header_size, general.size),
        ("record_size", general.declared_record_size, end - general.position),
    )
    for metric, declared, found in pairs:
        # 0 is left by recorders that do not know the size when they start the record.
        if declared not in (None, 0, found):
            yield _finding(
                metric,
                declared - found,
                "bytes",
                "look",
                f"general header 3 states a {metric.replace('_', ' ')} of {declared} bytes, the "
                f"record has {found}; the latter is used",
            )


def _clock(general: GeneralHeader) -> Iterator[Finding]:
    """GPS time of general header 3 against the UTC date of general header 1."""
    if general.time_zero_us is None:
        return
    if general.utc_s is None:
        message = f"{general.date_fault} in general header 1; the GPS time of header 3 is used"
        yield _finding("header_date", math.nan, "", "look", message)
        return
    difference = general.utc_s - gps_us_to_utc_s(general.time_zero_us)
    if difference:
        yield _finding(
            "header_date",
            difference,
            "s",
            "look",
            f"general header 1 (UTC) is {difference} s away from the GPS time of general header "
            "3; the latter is used",
        )


def _descriptors(sets: tuple[ChannelSet, ...], traces: TraceTable) -> Iterator[Finding]:
    """What descriptors say against what their traces say."""
    for row, channel_set in enumerate(sets):
        rows = traces.channel_set == row
        count = int(rows.sum())
        if not count:
            continue
        declared, samples = channel_set.samples, traces.samples[rows]
        if declared is not None and bool((samples != declared).any()):
            yield _finding(
                "samples_per_trace",
                float((samples != declared).sum()),
                "traces",
                "look",
                f"channel set {channel_set.number} states {declared} samples a trace, the traces "
                f"{samples.min()} to {samples.max()}; the latter are used",
            )
        if not channel_set.usable_descale:
            yield _finding(
                "descale_multiplier",
                channel_set.descale,
                "",
                "look",
                f"channel set {channel_set.number} has a descale multiplier of "
                f"{channel_set.descale:g}; its samples are left as stored",
            )
        if channel_set.vertical_stack == 0:
            yield _finding(
                "vertical_stack",
                0.0,
                "",
                "look",
                f"channel set {channel_set.number} states a vertical stack of 0, which stands for "
                "zeroed data; its samples are read as they are",
            )
        number = traces.number[rows]
        if bool((number[1:] != number[:-1] + 1).any()) or number[0] != 1:
            yield _finding(
                "trace_numbers",
                float(count),
                "traces",
                "look",
                f"the traces of channel set {channel_set.number} are not numbered 1 to {count}; "
                "they are taken in file order",
            )
