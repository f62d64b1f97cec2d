"""One continuous SEG-Y file: a time slice of all channels, headers read and checked, samples lazy.

A file is open only as long as one call takes, so that handles do not add up over a line of many
files, and is refused once its size or time of change is another than on opening. Plain reads, not a
memory map: a map ends the process when another program shortens the file. Byte positions come from
`deblend.model.segy_layout`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.model import segy_layout as layout
from deblend.model.findings import Finding
from deblend.records.file_bytes import OpenFile, open_file
from deblend.records.segy.bytes import decode_samples, has_name, headers_of
from deblend.records.segy.frame import Frame, read_frame
from deblend.records.segy.words import (
    auxiliary_finding,
    channel_numbers,
    check_same,
    check_sample_count,
    delay_finding,
    mute_finding,
    sample_interval_ns,
    start_instant,
    time_basis,
    weighting_finding,
)

_CHUNK_BYTES: Final = 1 << 20
"""Bytes read at once: small enough to be decoded while they are in the cache."""


@dataclass(frozen=True, eq=False)
class SegySlice:
    """What the headers of one file say."""

    path: Path
    """The file."""
    frame: Frame
    """Where its traces lie."""
    interval_ns: int
    """Sample interval in nanoseconds."""
    start_ns: int
    """Instant of the first sample, nanoseconds since 1970 of the scale of the file."""
    start_to_ns: bool
    """Whether the file gives the start to the nanosecond; otherwise to the whole second."""
    time_basis: int
    """Time basis code of the SEG-Y standard; 0 where the file has none."""
    channels: NDArray[np.int64]
    """(trace,): Channel numbers in file order."""
    dead: NDArray[np.bool_]
    """(trace,): Traces that the file marks as dead or as dummies."""
    unit: str
    """Unit of the samples; empty where the file names none."""
    findings: tuple[Finding, ...]
    """What was noticed in this file alone."""

    @property
    def sample_count(self) -> int:
        """Samples a trace."""
        return self.frame.sample_count

    def read_into(
        self, out: NDArray[np.float32], rows: Sequence[int], start: int, stop: int
    ) -> None:
        """Put samples ``[start, stop)`` of the traces `rows` into `out`, NaN for dead traces."""
        with open_file(self.path, self.frame.stamp) as file:
            read_samples(file, self.frame, rows, start, stop, out)
            file.check_unchanged()
        out[self.dead[list(rows)]] = np.nan


def read_slice(path: Path) -> SegySlice:
    """Read and check the headers of a file; no sample is touched."""
    frame, findings = read_frame(path)
    with open_file(path, frame.stamp) as file:
        standard = read_trace_headers(file, frame, layout.TRACE_HEADER, 0)
        extension = find_extension(file, frame)
        file.check_unchanged()
    first = standard[0], None if extension is None else extension[0]
    interval_ns = sample_interval_ns(*first, frame, path)
    check_same(standard, extension, path)
    channels, channel_findings = channel_numbers(standard, path)
    identification = standard["trace_identification"]
    units = {layout.SAMPLE_UNITS.get(int(code), "") for code in np.unique(standard["sample_unit"])}
    return SegySlice(
        path=path,
        frame=frame,
        interval_ns=interval_ns,
        start_ns=start_instant(*first, path),
        start_to_ns=extension is not None,
        time_basis=time_basis(standard[0], frame),
        channels=channels,
        dead=np.isin(identification, (layout.DEAD_TRACE, layout.DUMMY_TRACE)),
        unit=units.pop() if len(units) == 1 else "",
        findings=(
            *findings,
            *check_sample_count(*first, frame, path),
            *channel_findings,
            *auxiliary_finding(standard, path),
            *delay_finding(standard, path),
            *mute_finding(standard, path),
            *weighting_finding(standard, frame.sample_format, path),
        ),
    )


def read_samples(
    file: OpenFile,
    frame: Frame,
    rows: Sequence[int],
    start: int,
    stop: int,
    out: NDArray[np.float32],
) -> None:
    """Put samples ``[start, stop)`` of the traces `rows`, shape (trace, time), into `out`."""
    size = frame.sample_bytes
    long = max(1, min(stop - start, _CHUNK_BYTES // size))
    many = max(1, min(len(rows), _CHUNK_BYTES // (long * size)))
    buffer = np.empty(2 * many * long * size, np.uint8)
    samples_at = frame.first_trace_byte + frame.trace_header_bytes
    for first in range(0, len(rows), many):
        some = rows[first : first + many]
        for begin in range(start, stop, long):
            end = min(begin + long, stop)
            position = samples_at + begin * size
            raw = _read_pieces(file, frame, some, position, (end - begin) * size, buffer)
            target = out[first : first + len(some), begin - start : end - start]
            decode_samples(raw, frame.sample_format, frame.byte_order, target)


def read_trace_headers(
    file: OpenFile, frame: Frame, kind: np.dtype[Any], offset: int
) -> NDArray[np.void]:
    """One header of every trace, `offset` bytes behind the begin of the trace."""
    size = kind.itemsize
    raw = np.empty((frame.trace_count, size), np.uint8)
    many = min(frame.trace_count, _CHUNK_BYTES // size)
    buffer = np.empty(2 * many * size, np.uint8)
    for first in range(0, frame.trace_count, many):
        rows = range(first, min(first + many, frame.trace_count))
        position = frame.first_trace_byte + offset
        raw[rows.start : rows.stop] = _read_pieces(file, frame, rows, position, size, buffer)
    return headers_of(raw, kind, frame.byte_order)


def find_extension(file: OpenFile, frame: Frame) -> NDArray[np.void] | None:
    """Trace header extension 1, recognised by its name, or None where the file has none.

    Other additional headers are passed over.
    """
    kind, name = layout.TRACE_HEADER_EXTENSION_1, layout.EXTENSION_1_NAME
    for offset in range(layout.TRACE_HEADER_BYTES, frame.trace_header_bytes, kind.itemsize):
        stored = file.read(frame.first_trace_byte + offset, kind.itemsize, "a trace header")
        first = headers_of(np.frombuffer(stored, np.uint8)[None], kind, frame.byte_order)
        if has_name(first, name):
            headers = read_trace_headers(file, frame, kind, offset)
            if has_name(headers, name):
                return headers
    return None


def _read_pieces(
    file: OpenFile,
    frame: Frame,
    rows: Sequence[int],
    position: int,
    size: int,
    buffer: NDArray[np.uint8],
) -> NDArray[np.uint8]:
    """`size` bytes of each of `rows`, from `position` in trace 0 on; a view of `buffer`."""
    count, stride = len(rows), frame.trace_bytes
    neighbours = list(rows) == list(range(rows[0], rows[0] + count))
    if neighbours and stride <= 2 * size:
        file.read_into(buffer[: stride * (count - 1) + size], position + rows[0] * stride)
        return np.ndarray((count, size), np.uint8, buffer.data, strides=(stride, 1))
    raw = buffer[: count * size].reshape(count, size)
    for line, row in zip(raw, rows, strict=True):
        file.read_into(line, position + row * stride)
    return raw
