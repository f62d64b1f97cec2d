"""SEG-Y files of gathers: header words of every trace, samples on demand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError
from deblend.model import segy_layout as layout
from deblend.records.file_bytes import open_file
from deblend.records.segy.frame import Frame, read_frame
from deblend.records.segy.slice import find_extension, read_samples, read_trace_headers
from deblend.records.segy.words import scaled_delay_ms

_WHOLE_IN_EXTENSION: Final = ("sequence_in_line", "sequence_in_file", "field_record", "ensemble")
_TRACES_AT_ONCE: Final = 50_000
"""Whole headers take much room."""


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

    @property
    def trace_count(self) -> int:
        """Traces in the file."""
        return self.frame.trace_count

    def read(self, rows: NDArray[np.int64]) -> NDArray[np.float32]:
        """Samples of some traces, shape (row, time), as they are stored."""
        order = np.argsort(rows, kind="stable")
        ordered = np.empty((len(rows), self.length), np.float32)
        with open_file(self.path, self.frame.stamp) as file:
            read_samples(file, self.frame, rows[order].tolist(), 0, self.length, ordered)
            file.check_unchanged()
        if (np.diff(order) > 0).all():
            return ordered
        out = np.empty_like(ordered)
        out[order] = ordered
        return out


def open_trace_file(path: str | Path, names: Iterable[str]) -> TraceFile:
    """Read the header words `names` of a SEG-Y file of gathers, and no samples.

    A whole number of trace header extension 1 of revision 2 that is not 0 overrides the word.

    Parameters
    ----------
    path : str or Path
        SEG-Y of any revision, byte order and sample format that continuous records may have too,
        traces of one length.
    names : iterable of str
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
    interval_ns = frame.interval_ns
    with open_file(path, frame.stamp) as file:
        for first in range(0, frame.trace_count, _TRACES_AT_ONCE):
            some = replace(
                frame,
                trace_count=min(_TRACES_AT_ONCE, frame.trace_count - first),
                first_trace_byte=frame.first_trace_byte + first * frame.trace_bytes,
            )
            headers = read_trace_headers(file, some, layout.TRACE_HEADER, 0)
            _check_delay(headers, path)
            extension = find_extension(file, some)
            for name, values in words.items():
                values[first : first + some.trace_count] = _word(headers, extension, name)
            interval_ns = interval_ns or 1000 * int(headers["sample_interval"][0])
        file.check_unchanged()
    if interval_ns <= 0:
        raise RecordError(
            "neither the binary header nor the first trace gives a sample interval",
            where=str(path),
            remedy="Correct bytes 3217-3218 of the file.",
        )
    return TraceFile(path, interval_ns, frame, words)


def _word(
    headers: NDArray[np.void], extension: NDArray[np.void] | None, name: str
) -> NDArray[np.int64]:
    values = headers[name].astype(np.int64)
    if extension is None or name not in _WHOLE_IN_EXTENSION:
        return values
    extended = extension[name].astype(np.int64)
    return np.where(extended != 0, extended, values)


def _check_delay(headers: NDArray[np.void], path: Path) -> None:
    """Refuse traces with a delay: sample 0 of a gather has to be the time break."""
    delay_ms = scaled_delay_ms(headers)
    rows = np.flatnonzero(delay_ms)
    if rows.size:
        raise RecordError(
            f"trace {rows[0] + 1} begins {delay_ms[rows[0]]:g} ms after its shot (bytes 109-110 "
            f"with the scalar of 215-216), and {rows.size} of {len(headers)} traces have a delay",
            where=str(path),
            remedy="Write the gathers so that sample 0 is the time break, or clear these bytes if "
            "it is already.",
        )
