"""A SEG-Y file of gathers that stays on disk: header words of every trace, samples on demand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model import segy_layout as layout
from deblend.records.file_bytes import open_file
from deblend.records.segy.frame import Frame, read_frame
from deblend.records.segy.gathers import Traces, check_delay, check_interval
from deblend.records.segy.slice import find_extension, read_samples, read_trace_headers

_TRACES_AT_ONCE: Final = 50_000


@dataclass(frozen=True, eq=False)
class TraceFile:
    """Traces of a file, in its order."""

    path: Path
    """The file."""
    interval_ns: int
    """Sample interval in nanoseconds."""
    frame: Frame
    """Where traces lie in the file."""
    words: Mapping[str, NDArray[np.int64]]
    """(trace,): The header words that were asked for."""

    @property
    def length(self) -> int:
        """Samples of a trace."""
        return self.frame.sample_count

    def read(self, rows: NDArray[np.int64]) -> NDArray[np.float32]:
        """Samples of some traces, shape (row, time); unknown ones are zero.

        Raises
        ------
        RecordError
            If the file has changed since it was opened, or cannot be read.
        """
        out = np.zeros((len(rows), self.length), np.float32)
        order = np.argsort(rows, kind="stable")
        with open_file(self.path, self.frame.stamp) as file:
            ordered = np.empty_like(out)
            read_samples(file, self.frame, rows[order].tolist(), 0, self.length, ordered)
            file.check_unchanged()
        out[order] = np.nan_to_num(ordered, copy=False)
        return out


def open_trace_file(path: str | Path, names: Sequence[str]) -> TraceFile:
    """Read the header words `names` of a SEG-Y file of gathers, and no samples.

    Parameters
    ----------
    path : str or Path
        As in `deblend.records.segy.gathers.read_traces`.
    names : sequence of str
        Fields of `segy_layout.TRACE_HEADER`.

    Raises
    ------
    RecordError
        If the file cannot be read, is no such SEG-Y, is truncated, gives no sample interval, or
        its first samples do not lie at the time break.
    """
    path = Path(path)
    frame, _ = read_frame(path)
    words = {name: np.empty(frame.trace_count, np.int64) for name in names}
    interval_ns = frame.interval_ns or 0
    with open_file(path, frame.stamp) as file:
        for first in range(0, frame.trace_count, _TRACES_AT_ONCE):  # whole headers take much room
            some = replace(
                frame,
                trace_count=min(_TRACES_AT_ONCE, frame.trace_count - first),
                first_trace_byte=frame.first_trace_byte + first * frame.trace_bytes,
            )
            headers = read_trace_headers(file, some, layout.TRACE_HEADER, 0)
            check_delay(headers, path)
            extension = find_extension(file, some)
            part = Traces(path, 0, headers, extension, np.empty((0, 0), np.float32))
            for name, values in words.items():
                values[first : first + some.trace_count] = part.word(name)
            interval_ns = interval_ns or 1000 * int(headers["sample_interval"][0])
        file.check_unchanged()
    check_interval(interval_ns, path)
    return TraceFile(path, interval_ns, frame, words)
