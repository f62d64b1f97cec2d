"""SEG-Y files of gathers: every trace with its header, in the order of the file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError
from deblend.model import segy_layout as layout
from deblend.records.segy_frame import read_frame


@dataclass(frozen=True, eq=False)
class Traces:
    """All traces of a file.

    Parameters
    ----------
    path : Path
        The file.
    interval_ns : int
        Sample interval in nanoseconds.
    headers : ndarray of `segy_layout.TRACE_HEADER`, shape (trace,)
        Standard trace headers.
    samples : ndarray of float32, shape (trace, time)
        Amplitudes.
    """

    path: Path
    interval_ns: int
    headers: NDArray[np.void]
    samples: NDArray[np.float32]

    def word(self, name: str) -> NDArray[np.int64]:
        """One header word of every trace."""
        return self.headers[name].astype(np.int64)


def read_traces(path: str | Path) -> Traces:
    """Read a SEG-Y file of gathers into memory.

    Parameters
    ----------
    path : str or Path
        Big-endian SEG-Y of any revision, IBM or IEEE float, traces of one length.

    Raises
    ------
    RecordError
        If the file cannot be read, is no such SEG-Y, is truncated, or gives no sample interval.
    """
    path = Path(path)
    frame, _ = read_frame(path)
    word = ">u4" if frame.sample_format == layout.IBM_FLOAT else ">f4"
    trace = np.dtype(
        {
            "names": ["header", "samples"],
            "formats": [layout.TRACE_HEADER, (word, (frame.sample_count,))],
            "offsets": [0, frame.trace_header_bytes],
            "itemsize": frame.trace_bytes,
        }
    )
    stored = np.memmap(
        path, dtype=trace, mode="r", offset=frame.first_trace_byte, shape=(frame.trace_count,)
    )
    headers = np.array(stored["header"])
    interval_ns = frame.interval_ns or 1000 * int(headers["sample_interval"][0])
    if interval_ns <= 0:
        raise RecordError(
            "neither the binary header nor the first trace gives a sample interval",
            where=str(path),
            remedy="Correct bytes 3217-3218 of the file.",
        )
    samples = stored["samples"]
    if frame.sample_format == layout.IBM_FLOAT:
        return Traces(path, interval_ns, headers, layout.ieee_from_ibm(np.array(samples)))
    return Traces(path, interval_ns, headers, samples.astype(np.float32))
