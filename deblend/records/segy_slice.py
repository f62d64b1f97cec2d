"""One continuous SEG-Y file: a time slice of all channels, headers read and checked, samples lazy.

Samples and headers are read through a memory map that lives only as long as one call, so that
neither file handles nor memory add up over a line of many files. The size of the file is compared
first with what it was on opening; a file that another program shortens while it is being read is
beyond that check. Byte positions come from `deblend.model.segy_layout`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError
from deblend.model import segy_layout as layout
from deblend.model.findings import Finding
from deblend.records.segy_frame import Frame, read_frame
from deblend.records.segy_words import (
    auxiliary_finding,
    channel_numbers,
    check_same,
    check_sample_count,
    sample_interval_ns,
    start_instant,
    time_basis,
)

_CHUNK_SAMPLES: Final = 1 << 20


@dataclass(frozen=True, eq=False)
class SegySlice:
    """What the headers of one file say.

    Parameters
    ----------
    path : Path
        The file.
    frame : Frame
        Where its traces lie.
    interval_ns : int
        Sample interval in nanoseconds.
    start_ns : int
        Instant of the first sample, nanoseconds since 1970 of the scale of the file.
    start_to_ns : bool
        Whether the file gives the start to the nanosecond; otherwise to the whole second.
    time_basis : int
        Time basis code of the SEG-Y standard; 0 where the file has none.
    channels : ndarray of int64, shape (trace,)
        Channel numbers in file order.
    dead : ndarray of bool, shape (trace,)
        Traces that the file marks as dead or as dummies.
    unit : str
        Unit of the samples; empty where the file names none.
    findings : tuple of Finding
        What was noticed in this file alone.
    """

    path: Path
    frame: Frame
    interval_ns: int
    start_ns: int
    start_to_ns: bool
    time_basis: int
    channels: NDArray[np.int64]
    dead: NDArray[np.bool_]
    unit: str
    findings: tuple[Finding, ...]

    @property
    def sample_count(self) -> int:
        """Samples a trace."""
        return self.frame.sample_count

    def read_into(
        self, out: NDArray[np.float32], rows: Sequence[int], start: int, stop: int
    ) -> None:
        """Put samples ``[start, stop)`` of the traces `rows` into `out`, NaN for dead traces."""
        with _mapped(self.path, self.frame) as data:
            stored = self._sample_words(data)
            step = max(1, _CHUNK_SAMPLES // max(1, stop - start))
            for first in range(0, len(rows), step):
                some = rows[first : first + step]
                block = stored[_as_slice(some), start:stop]
                if self.frame.sample_format == layout.IBM_FLOAT:
                    out[first : first + step] = layout.ieee_from_ibm(block)
                else:
                    out[first : first + step] = block
        out[self.dead[list(rows)]] = np.nan

    def _sample_words(self, data: NDArray[np.uint8]) -> NDArray[Any]:
        """All samples as they lie in the file, shape (trace, time), without reading any."""
        kind = ">u4" if self.frame.sample_format == layout.IBM_FLOAT else ">f4"
        return np.ndarray(
            (self.frame.trace_count, self.frame.sample_count),
            dtype=kind,
            buffer=data.data,
            offset=self.frame.first_trace_byte + self.frame.trace_header_bytes,
            strides=(self.frame.trace_bytes, 4),
        )


def read_slice(path: Path) -> SegySlice:
    """Read and check the headers of a file; no sample is touched.

    Raises
    ------
    RecordError
        If the file is no continuous SEG-Y record, is truncated, or contradicts itself.
    """
    frame, findings = read_frame(path)
    with _mapped(path, frame) as data:
        standard = _headers(data, frame, layout.TRACE_HEADER, 0)
        extension = _find_extension(data, frame)
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
        ),
    )


@contextmanager
def _mapped(path: Path, frame: Frame) -> Iterator[NDArray[np.uint8]]:
    """The bytes of a file that must still be as long as when it was opened."""
    try:
        size = path.stat().st_size
        if size != frame.file_bytes:
            raise RecordError(
                f"the file has {size} bytes now and had {frame.file_bytes} when it was opened",
                where=str(path),
                remedy="Open the record again when nothing writes to it any more.",
            )
        yield np.memmap(path, dtype=np.uint8, mode="r")
    except OSError as error:
        raise RecordError(
            f"the file cannot be read ({error.strerror or error})",
            where=str(path),
            remedy="Check that it is still there and readable, then open the record again.",
        ) from error


def _headers(
    data: NDArray[np.uint8], frame: Frame, kind: np.dtype[np.void], offset: int
) -> NDArray[np.void]:
    """Copy of one header of every trace, `offset` bytes behind the begin of the trace."""
    view: NDArray[np.void] = np.ndarray(
        (frame.trace_count,),
        dtype=kind,
        buffer=data.data,
        offset=frame.first_trace_byte + offset,
        strides=(frame.trace_bytes,),
    )
    return view.copy()


def _find_extension(data: NDArray[np.uint8], frame: Frame) -> NDArray[np.void] | None:
    """Trace header extension 1, recognised by its name, or None where the file has none."""
    kind = layout.TRACE_HEADER_EXTENSION_1
    for offset in range(layout.TRACE_HEADER_BYTES, frame.trace_header_bytes, kind.itemsize):
        headers = _headers(data, frame, kind, offset)
        if (headers["header_name"] == layout.EXTENSION_1_NAME).all():
            return headers
    return None


def _as_slice(rows: Sequence[int]) -> slice | list[int]:
    """Neighbouring rows as a slice, which copies less than a list does."""
    first = rows[0]
    if list(rows) == list(range(first, first + len(rows))):
        return slice(first, first + len(rows))
    return list(rows)
