"""Where the traces of a SEG-Y file lie: binary header against file size, before anything is read.

File size = 3600 + 3200 * (extended textual headers + trailer stanzas)
            + traces * (240 * (1 + additional headers) + samples * bytes per sample)
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from deblend.errors import RecordError
from deblend.model import segy_layout as layout
from deblend.model.findings import Finding
from deblend.records.file_bytes import FileStamp, OpenFile, open_file
from deblend.records.segy.binary import (
    declared_traces,
    header_interval_ns,
    header_sample_count,
    header_sample_format,
    read_binary_header,
)
from deblend.records.segy.bytes import ByteOrder, has_name, headers_of
from deblend.records.segy.text import count_extended_texts, count_trailers
from deblend.words import counted


@dataclass(frozen=True)
class Frame:
    """Sizes and positions, in bytes unless named otherwise."""

    stamp: FileStamp
    """Path, size and time of change of the file."""
    first_trace_byte: int
    """Where the first trace header begins."""
    trace_count: int
    sample_count: int
    """Traces in the file and samples in each."""
    trace_header_bytes: int
    """Headers in front of the samples of a trace, 240 or more."""
    sample_format: int
    """Code of bytes 3225-3226, one that is read."""
    byte_order: ByteOrder
    """Of headers and samples."""
    interval_ns: int
    """Sample interval in nanoseconds; 0 where the binary header gives none."""
    time_basis: int
    """Code of bytes 3511-3512; 0 where unknown."""

    @property
    def sample_bytes(self) -> int:
        """Length of one sample."""
        return layout.SAMPLE_FORMATS[self.sample_format].byte_count

    @property
    def trace_bytes(self) -> int:
        """Length of one trace with its headers."""
        return self.trace_header_bytes + self.sample_count * self.sample_bytes


def read_frame(path: Path) -> tuple[Frame, list[Finding]]:
    """Read the binary header of a file and check it against the size of the file."""
    with open_file(path) as file:
        binary, order = read_binary_header(file)
        sample_format = header_sample_format(binary, order, path)
        sample_count = header_sample_count(binary, path)
        interval_ns = header_interval_ns(binary, path)
        first = _first_trace_byte(file, binary)
        header_bytes = _trace_header_bytes(file, binary, order, first)
        trace_bytes = header_bytes + sample_count * layout.SAMPLE_FORMATS[sample_format].byte_count
        frame = Frame(
            stamp=file.stamp,
            first_trace_byte=first,
            trace_count=_trace_count(file, binary, first, trace_bytes),
            sample_count=sample_count,
            trace_header_bytes=header_bytes,
            sample_format=sample_format,
            byte_order=order,
            interval_ns=interval_ns,
            time_basis=int(binary["time_basis"]) if binary["major_revision"] >= 2 else 0,
        )
    return frame, declared_traces(binary, frame.trace_count, path)


def _first_trace_byte(file: OpenFile, binary: np.void) -> int:
    count = int(binary["extended_textual_headers"])
    if binary["major_revision"] < 1 and not _holds_texts(file, binary, count):
        count = 0
    if count < 0:
        count = count_extended_texts(file)
    begin = layout.FIRST_HEADERS_BYTES + layout.TEXTUAL_HEADER_BYTES * count
    declared = int(binary["first_trace_offset"]) if binary["major_revision"] >= 2 else 0
    if declared and declared < begin:
        raise RecordError(
            f"the first trace is said to begin at byte {declared} (bytes 3521-3528), inside the "
            f"headers that end at {begin}",
            where=str(file.path),
            remedy="The header is damaged; correct it.",
        )
    begin = declared or begin
    if begin >= file.size:
        raise RecordError(
            f"the headers take {begin} bytes and the file has {file.size}: it holds no trace",
            where=str(file.path),
            remedy="The file is truncated or its header is damaged; copy it again.",
        )
    return begin


def _holds_texts(file: OpenFile, binary: np.void, count: int) -> bool:
    """Whether a file of revision 0, which has no word for it, has texts behind its headers.

    Some writers leave the revision 0 and add texts all the same. Bytes 3505-3506 may then be
    anything: they are believed where whole traces fit the file with the texts and not without.
    """
    form = layout.SAMPLE_FORMATS[int(binary["sample_format"])]
    trace_bytes = layout.TRACE_HEADER_BYTES + int(binary["sample_count"]) * form.byte_count
    rest = file.size - layout.FIRST_HEADERS_BYTES
    texts = count * layout.TEXTUAL_HEADER_BYTES
    return 0 < texts < rest and rest % trace_bytes != 0 and (rest - texts) % trace_bytes == 0


def _trace_header_bytes(file: OpenFile, binary: np.void, order: ByteOrder, first: int) -> int:
    """Headers of a trace: as many as trace header extension 1 counts, or the stated maximum."""
    most = layout.additional_trace_header_count(binary)
    if most < 0:
        raise RecordError(
            f"{most} additional trace headers (bytes 3507-3510) are impossible",
            where=str(file.path),
            remedy="The header is damaged; correct it.",
        )
    count = most
    size = layout.TRACE_HEADER_BYTES
    if most and first + 2 * size <= file.size:
        raw = np.frombuffer(file.read(first + size, size, "a trace header"), np.uint8)
        extension = headers_of(raw[None], layout.TRACE_HEADER_EXTENSION_1, order)
        own = int(extension["additional_header_count"][0])
        if has_name(extension, layout.EXTENSION_1_NAME) and 0 < own <= most:
            count = own
    return size * (1 + count)


def _trace_count(file: OpenFile, binary: np.void, first: int, trace_bytes: int) -> int:
    """Number of traces for which the size of the file closes."""
    revision_2 = binary["major_revision"] >= 2
    declared = int(binary["trace_count"]) if revision_2 else 0
    trailers = int(binary["trailer_stanzas"]) if revision_2 else 0
    if trailers < 0:
        trailers = count_trailers(file, first, trace_bytes, declared)
    around = first + layout.TEXTUAL_HEADER_BYTES * trailers
    count = declared or max(1, -(-(file.size - around) // trace_bytes))
    expected = around + count * trace_bytes
    if expected != file.size:
        raise RecordError(
            f"the headers ask for {expected} bytes ({counted(count, 'trace')} of "
            f"{trace_bytes} bytes behind byte {first}) and the file has {file.size}",
            where=str(file.path),
            remedy="The file is truncated, or its sample count, format or header counts are "
            "wrong; copy it again or correct the header.",
        )
    return count
