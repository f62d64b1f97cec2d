"""SEG-Y files of gathers: every trace with its header, in the order of the file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError
from deblend.model import segy_layout as layout
from deblend.records.file_bytes import open_file
from deblend.records.segy.frame import read_frame
from deblend.records.segy.slice import find_extension, read_samples, read_trace_headers
from deblend.records.segy.words import scaled_delay_ms

_WHOLE_IN_EXTENSION: Final = ("sequence_in_line", "sequence_in_file", "field_record", "ensemble")


@dataclass(frozen=True, eq=False)
class Traces:
    """All traces of a file."""

    path: Path
    """The file."""
    interval_ns: int
    """Sample interval in nanoseconds."""
    headers: NDArray[np.void]
    """(trace,): Standard trace headers."""
    extension: NDArray[np.void] | None
    """(trace,), or None: Trace header extension 1 of revision 2, where the file has it."""
    samples: NDArray[np.float32]
    """(trace, time): Amplitudes."""

    def word(self, name: str) -> NDArray[np.int64]:
        """One header word of every trace; a whole number of extension 1 that is not 0 overrides."""
        values = self.headers[name].astype(np.int64)
        if self.extension is None or name not in _WHOLE_IN_EXTENSION:
            return values
        extended = self.extension[name].astype(np.int64)
        return np.where(extended != 0, extended, values)

    def take(self, chosen: NDArray[np.bool_]) -> Traces:
        """Some of the traces."""
        return replace(
            self,
            headers=self.headers[chosen],
            extension=None if self.extension is None else self.extension[chosen],
            samples=self.samples[chosen],
        )


def read_traces(path: str | Path) -> Traces:
    """Read a SEG-Y file of gathers into memory.

    Parameters
    ----------
    path : str or Path
        SEG-Y of any revision, byte order and sample format that continuous records may have too,
        traces of one length.

    Raises
    ------
    RecordError
        If the file cannot be read, is no such SEG-Y, is truncated, gives no sample interval, or
        its first samples do not lie at the time break.
    """
    path = Path(path)
    frame, _ = read_frame(path)
    with open_file(path, frame.stamp) as file:
        headers = read_trace_headers(file, frame, layout.TRACE_HEADER, 0)
        extension = find_extension(file, frame)
        check_delay(headers, path)
        samples = np.empty((frame.trace_count, frame.sample_count), np.float32)
        read_samples(file, frame, range(frame.trace_count), 0, frame.sample_count, samples)
        file.check_unchanged()
    interval_ns = frame.interval_ns or 1000 * int(headers["sample_interval"][0])
    check_interval(interval_ns, path)
    return Traces(path, interval_ns, headers, extension, samples)


def check_interval(interval_ns: int, path: Path) -> None:
    """Refuse a file without a sample interval.

    Raises
    ------
    RecordError
        If the interval is not positive.
    """
    if interval_ns <= 0:
        raise RecordError(
            "neither the binary header nor the first trace gives a sample interval",
            where=str(path),
            remedy="Correct bytes 3217-3218 of the file.",
        )


def check_delay(headers: NDArray[np.void], path: Path) -> None:
    """Refuse traces with a delay: sample 0 of a gather has to be the time break.

    Raises
    ------
    RecordError
        If a trace begins later.
    """
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
