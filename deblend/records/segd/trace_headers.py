"""Demultiplexed trace headers of one record, as columns: where the samples of each trace lie."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError
from deblend.records.file_bytes import OpenFile
from deblend.records.segd.channel_sets import ChannelSet
from deblend.records.segd.decode import FORMATS
from deblend.records.segd.general_headers import GeneralHeader
from deblend.records.segd.layout import (
    BLOCK,
    SENSOR_INFO,
    TIMESTAMP,
    TRACE_EXTENSION_REV_2,
    TRACE_EXTENSION_REV_3,
    TRACE_HEADER,
    TRACE_HEADER_SIZE,
    Table,
    decimal_columns,
    unsigned_columns,
)

NO_TIME: Final = int(np.iinfo(np.int64).min)
"""Entry of `TraceTable.start_us` where a trace carries no timestamp of its own."""

DEAD: Final = 1
ZEROED: Final = 2
"""Trace edit codes of samples that are no measurement: dead or rolled on, and zeroed on purpose."""

_WHOLE_READ: Final = 1 << 20
_SHORT_STRIDE: Final = 4096


@dataclass(frozen=True, eq=False)
class TraceTable:
    """Traces of a record in file order, one entry a trace in every column."""

    position: NDArray[np.int64]
    """Byte of the file at which the samples start."""
    samples: NDArray[np.int64]
    """Number of samples."""
    channel_set: NDArray[np.int64]
    """Row of the trace's set among the sets of the record."""
    number: NDArray[np.int64]
    """Trace number; -1 where it is unreadable."""
    edit: NDArray[np.uint8]
    skew: NDArray[np.uint8]
    """Trace edit code, and skew in 1/256 of the base scan interval."""
    zeroed: NDArray[np.bool_]
    """True where the header says that the samples are no measurement."""
    start_us: NDArray[np.int64]
    """Timestamp of the first sample, `NO_TIME` where there is none."""
    sensitivity: NDArray[np.float32]
    """Sensitivity of the sensor; 0 where it is not given."""

    def __len__(self) -> int:
        return len(self.position)


def read_trace_headers(
    file: OpenFile, header: GeneralHeader, sets: tuple[ChannelSet, ...]
) -> tuple[TraceTable, int]:
    """Trace headers of a record, and the byte after its last sample.

    Traces of one size are stepped through at once; where a header disagrees with its descriptor,
    one by one, by what each trace says of itself.
    """
    reader = _SetReader(file, header)
    position = header.position + header.size
    tables: list[TraceTable] = []
    for row, channel_set in enumerate(sets):
        if channel_set.channels:
            table, position = reader.read(row, channel_set, position)
            tables.extend(table)
    if not tables:
        raise RecordError(
            "the record holds no trace",
            where=f"{file.path}, record at byte {header.position}",
            remedy="Leave records without data out.",
        )
    return concatenate(tables), position


def concatenate(tables: list[TraceTable]) -> TraceTable:
    """One table of several, in order."""
    if len(tables) == 1:
        return tables[0]
    names = [field.name for field in fields(TraceTable)]
    return TraceTable(
        **{name: np.concatenate([getattr(table, name) for table in tables]) for name in names}
    )


class _SetReader:
    """Reads the traces of one channel set after another."""

    def __init__(self, file: OpenFile, header: GeneralHeader) -> None:
        self.file = file
        self.header = header
        self.form = FORMATS[header.format_code]
        self.extension: Table = (
            TRACE_EXTENSION_REV_3 if header.is_revision_3 else TRACE_EXTENSION_REV_2
        )

    def read(self, row: int, of: ChannelSet, position: int) -> tuple[list[TraceTable], int]:
        """Tables of the traces of a set that starts at `position`, and where it ends."""
        where = f"channel set {of.number}"
        # Every trace takes its header at least: refuse absurd counts before anything is allocated.
        self.file.require(position, of.channels * TRACE_HEADER_SIZE, where)
        first = self._trace_at(row, of, position)
        samples = int(first.samples[0])
        header_size = int(first.position[0]) - position
        stride = header_size + self.form.size(samples)
        if position + of.channels * stride <= self.file.size:
            raw = self._gather(position, stride, of.channels, header_size)
            if self._all_alike(raw, of, samples):
                starts = position + stride * np.arange(of.channels, dtype=np.int64)
                return [self._table(raw, row, starts, samples)], position + stride * of.channels
        return self._walk(row, of, position)

    def _walk(self, row: int, of: ChannelSet, position: int) -> tuple[list[TraceTable], int]:
        tables: list[TraceTable] = []
        for _ in range(of.channels):
            table = self._trace_at(row, of, position)
            samples = int(table.samples[0])
            position = int(table.position[0])
            size = self.form.size(samples)
            self.file.require(position, size, f"channel set {of.number}, trace {len(tables) + 1}")
            position += size
            tables.append(table)
        return tables, position

    def _trace_at(self, row: int, of: ChannelSet, position: int) -> TraceTable:
        what = f"a trace header of channel set {of.number}"
        fixed = self.file.read(position, TRACE_HEADER_SIZE, what)
        size = TRACE_HEADER_SIZE + BLOCK * fixed[9]
        raw = np.frombuffer(self.file.read(position, size, what), np.uint8)[None, :]
        if not self._belongs(raw, of)[0]:
            raise RecordError(
                f"byte {position} holds no header of a trace of channel set {of.number}, "
                f"scan type {of.scan_type}",
                where=str(self.file.path),
                remedy="The channel set descriptors and the traces disagree; the record is "
                "damaged.",
            )
        samples = self._declared_samples(raw)[0]
        if samples <= 0:
            samples = self._samples_of_set(of, position, size)
        if samples <= 0:
            raise RecordError(
                f"the traces of channel set {of.number} have no samples",
                where=f"{self.file.path}, byte {position}",
                remedy="Leave the record out, or correct its channel set descriptor.",
            )
        return self._table(raw, row, np.array([position]), int(samples))

    def _samples_of_set(self, of: ChannelSet, position: int, header_size: int) -> int:
        """Samples a trace where the trace does not say: from the descriptor, proved by the file."""
        if of.samples is not None:
            return of.samples
        count = (of.end_us - of.start_us) * 1000 // of.interval_ns
        for samples in (count, count + 1):
            if samples > 0 and self._proved(position, header_size + self.form.size(samples)):
                return samples
        return count

    def _proved(self, position: int, size: int) -> bool:
        """Whether a trace of `size` bytes ends where another trace, record or the file's end is."""
        end = position + size
        after = end + BLOCK * self.header.trailer_blocks
        if after == self.file.size:
            return True
        if after + 2 * BLOCK <= self.file.size:
            code = self.header.blocks[0, 2:4].tobytes()
            if self.file.read(after, 4, "the next record")[2:4] == code:
                return True
        if end + TRACE_HEADER_SIZE > self.file.size:
            return False
        this = self.file.read(position, TRACE_HEADER_SIZE, "a trace header")
        following = self.file.read(end, TRACE_HEADER_SIZE, "a trace header")
        return this[:3] == following[:3]

    def _gather(self, first: int, stride: int, count: int, size: int) -> NDArray[np.uint8]:
        """The first `size` bytes of each of `count` traces, shape (trace, byte)."""
        if stride > _SHORT_STRIDE:
            parts = [
                self.file.read(first + stride * row, size, "a trace header") for row in range(count)
            ]
            return np.frombuffer(b"".join(parts), np.uint8).reshape(count, size)
        out = np.empty((count, size), np.uint8)
        step = max(1, _WHOLE_READ // stride)
        for row in range(0, count, step):
            rows = min(step, count - row)
            chunk = self.file.read(first + stride * row, stride * rows, "trace headers")
            out[row : row + rows] = np.frombuffer(chunk, np.uint8).reshape(rows, stride)[:, :size]
        return out

    def _all_alike(self, raw: NDArray[np.uint8], of: ChannelSet, samples: int) -> bool:
        declared = self._declared_samples(raw)
        return bool(
            np.all(raw[:, 9] == raw[0, 9])
            and np.all((declared == samples) | (declared <= 0))
            and np.all(self._belongs(raw, of))
        )

    def _belongs(self, raw: NDArray[np.uint8], of: ChannelSet) -> NDArray[np.bool_]:
        rows = _view(raw, TRACE_HEADER, 0)
        number = decimal_columns(raw[:, 3:4])
        number = np.where(raw[:, 3] == 0xFF, rows["extended_channel_set"].astype(np.int64), number)
        matches: NDArray[np.bool_] = (number == of.number) & (
            decimal_columns(raw[:, 2:3]) == of.scan_type
        )
        return matches

    def _declared_samples(self, raw: NDArray[np.uint8]) -> NDArray[np.int64]:
        """Samples by extension 1; 0 where there is none."""
        if raw.shape[1] < TRACE_HEADER_SIZE + BLOCK:
            return np.zeros(len(raw), np.int64)
        rows = _view(raw, self.extension, TRACE_HEADER_SIZE)
        if self.header.is_revision_3:
            valid = rows["block_type"] == 0x40
            return np.where(valid, rows["samples"].astype(np.int64), 0)
        return unsigned_columns(rows["samples"])

    def _table(
        self,
        raw: NDArray[np.uint8],
        row: int,
        starts: NDArray[np.int64],
        samples: int,
    ) -> TraceTable:
        count = len(raw)
        header = _view(raw, TRACE_HEADER, 0)
        number = decimal_columns(header["trace_number"])
        start_us = np.full(count, NO_TIME, np.int64)
        sensitivity = np.zeros(count, np.float32)
        if self.header.is_revision_3:
            _extend_numbers(raw, number)
            _read_extensions(raw, start_us, sensitivity)
        edit = header["edit"].copy()
        return TraceTable(
            position=starts + raw.shape[1],
            samples=np.full(count, samples, np.int64),
            channel_set=np.full(count, row, np.int64),
            number=number,
            edit=edit,
            skew=header["skew"].copy(),
            zeroed=(edit == DEAD) | (edit == ZEROED),
            start_us=start_us,
            sensitivity=sensitivity,
        )


def _view(raw: NDArray[np.uint8], table: Table, first: int) -> Any:
    """Rows of `table` that start at byte `first` of each row."""
    return np.ascontiguousarray(raw[:, first : first + table.itemsize]).view(table)[:, 0]


def _extend_numbers(raw: NDArray[np.uint8], number: NDArray[np.int64]) -> None:
    """Replace trace numbers of FFFF by those of extension 1."""
    flagged = (raw[:, 4] == 0xFF) & (raw[:, 5] == 0xFF)
    if np.any(flagged) and raw.shape[1] >= TRACE_HEADER_SIZE + BLOCK:
        rows = _view(raw, TRACE_EXTENSION_REV_3, TRACE_HEADER_SIZE)
        number[flagged] = unsigned_columns(rows["extended_trace_number"])[flagged]


def _read_extensions(
    raw: NDArray[np.uint8], start_us: NDArray[np.int64], sensitivity: NDArray[np.float32]
) -> None:
    """Fill in what blocks of type 41 and 42 after the demultiplexed header say."""
    for first in range(TRACE_HEADER_SIZE, raw.shape[1], BLOCK):
        kind = raw[:, first + BLOCK - 1]
        timed = (kind == 0x42) & (start_us == NO_TIME)
        if np.any(timed):
            start_us[timed] = _view(raw, TIMESTAMP, first)["time_us"][timed]
        sensed = kind == 0x41
        if np.any(sensed):
            sensitivity[sensed] = _view(raw, SENSOR_INFO, first)["sensitivity"][sensed]
