"""Samples of one SEG-D record, read when asked for: one time slice of the channels of a line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.records.file_bytes import open_file
from deblend.records.segd.decode import FORMATS, decode_into
from deblend.records.segd.read_headers import RecordHeader

_CHUNK_BYTES: Final = 1 << 20
"""Bytes read at once: small enough to be decoded while they are in the cache."""


@dataclass(frozen=True, eq=False)
class SegdSlice:
    """The chosen channels of one record."""

    record: RecordHeader
    """Headers of the record."""
    trace: NDArray[np.int64]
    """(channel,): Row of each channel in the trace table of the record."""
    offset: NDArray[np.int64]
    """(channel,): Sample of the slice at which each trace starts."""
    factor: NDArray[np.float32]
    """(channel,): From stored values to amplitudes."""
    start_ns: int
    """Instant of sample 0, nanoseconds since 1970 of the scale of the file."""
    start_to_ns: bool
    """Whether the file gives the start finer than the whole second."""
    time_scale: str
    """``"gps"`` or ``"utc"``."""
    interval_ns: int
    """Sample interval."""
    findings: tuple[Finding, ...] = ()
    """What was noticed in this record alone."""

    @property
    def path(self) -> Path:
        """The file."""
        return self.record.stamp.path

    @property
    def channels(self) -> NDArray[np.int64]:
        """Channel numbers: the chosen traces counted through from 1."""
        return np.arange(1, len(self.trace) + 1, dtype=np.int64)

    @property
    def dead(self) -> NDArray[np.bool_]:
        """Channels whose samples the header says to be no measurement."""
        return self.record.traces.zeroed[self.trace]

    @property
    def sample_count(self) -> int:
        """Samples from the first of the earliest trace to the last of the latest."""
        return int((self.offset + self.record.traces.samples[self.trace]).max())

    def read_into(
        self, out: NDArray[np.float32], rows: Sequence[int], start: int, stop: int
    ) -> None:
        """Put samples ``[start, stop)`` of the channels `rows` into `out`, NaN where unknown."""
        form = FORMATS[self.record.general.format_code]
        buffer = np.empty(0, np.uint8)
        with open_file(self.path, self.record.stamp) as file:
            for run in self._runs(out, rows, start, stop):
                size = run.stride * (run.count - 1) + run.size
                if buffer.size < size:
                    buffer = np.empty(size, np.uint8)
                file.read_into(buffer[:size], run.position)
                raw = np.ndarray(
                    (run.count, run.size), np.uint8, buffer.data, strides=(run.stride, 1)
                )
                target = out[run.row : run.row + run.count, run.first : run.last]
                factor = self.factor[list(rows[run.row : run.row + run.count])]
                if run.skip:
                    whole = np.empty((run.count, run.skip + target.shape[1]), np.float32)
                    decode_into(raw, form, factor, whole)
                    target[...] = whole[:, run.skip :]
                else:
                    decode_into(raw, form, factor, target)
            file.check_unchanged()

    def _runs(
        self, out: NDArray[np.float32], rows: Sequence[int], start: int, stop: int
    ) -> Iterator[_Run]:
        """What to read: traces that follow each other evenly are taken together."""
        form = FORMATS[self.record.general.format_code]
        table, chosen = self.record.traces, list(rows)
        trace, offset = self.trace[chosen], self.offset[chosen]
        low = np.maximum(offset, start)
        high = np.minimum(offset + table.samples[trace], stop)
        group = form.group_samples
        whole = (low - offset) // group
        skip = low - offset - whole * group
        known = (high > low) & ~table.zeroed[trace]
        out[~known | (low > start) | (high < stop)] = np.nan
        columns = zip(
            (table.position[trace] + whole * form.group_bytes).tolist(),
            (-(-(skip + high - low) // group) * form.group_bytes).tolist(),
            skip.tolist(),
            (low - start).tolist(),
            (high - start).tolist(),
            strict=True,
        )
        run: _Run | None = None
        for row, (position, size, skipped, first, last) in enumerate(columns):
            if not known[row]:
                continue
            longer = run.extended(row, position, size, skipped, first, last) if run else None
            if run and longer is None:
                yield run
            run = longer or _Run(row, 1, position, size, size, skipped, first, last)
        if run:
            yield run


@dataclass(frozen=True)
class _Run:
    """`count` traces `stride` bytes apart, `size` bytes of each, for rows from `row` on."""

    row: int
    count: int
    position: int
    size: int
    stride: int
    skip: int
    first: int
    last: int

    def extended(
        self, row: int, position: int, size: int, skip: int, first: int, last: int
    ) -> _Run | None:
        """The run with one more trace, or None where that trace does not fit into it."""
        stride = self.stride
        if self.count == 1:
            stride = position - self.position
        fits = (
            row == self.row + self.count
            and (size, skip, first, last) == (self.size, self.skip, self.first, self.last)
            and position == self.position + stride * self.count
            and size <= stride <= 2 * size
            and stride * (self.count + 1) <= _CHUNK_BYTES
        )
        if not fits:
            return None
        return _Run(self.row, self.count + 1, self.position, size, stride, skip, first, last)
