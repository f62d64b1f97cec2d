"""Separated gathers of one source as SEG-Y revision 1 [1]_, or 2 for intervals that it cannot hold.

References
----------
.. [1] SEG Technical Standards Committee, 2002, SEG Y rev 1 Data Exchange Format.
"""

from __future__ import annotations

import hashlib
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from deblend import __version__
from deblend.deliver.second_reader import read_again, some_traces, traces_to_read
from deblend.deliver.trace_headers import (
    SourceGathers,
    check_fits,
    coordinate_scale,
    fill_extension,
    fill_headers,
    trace_header_type,
)
from deblend.errors import OutputError
from deblend.files import replacing
from deblend.model.segy_layout import (
    BINARY_HEADER,
    BYTE_ORDER_CONSTANT,
    IEEE_FLOAT,
    encode_textual_header,
)
from deblend.model.timebase import NS_PER_US, format_instant
from deblend.words import counted

SORTED_BY_SOURCE: Final = 5
_BLOCK_BYTES: Final = 16 << 20
_LINE_LENGTH: Final = 76
_HISTORY_LINES: Final = 17


@dataclass(frozen=True)
class DeliveredFile:
    """A file that was written: where, how large, its SHA-256 and what is in it."""

    path: Path
    size_bytes: int
    sha256: str
    source: int | str
    shot_count: int
    trace_count: int
    read_again: str = ""
    """Who read the file a second time and found it as written, or why nobody did."""


class Amplitudes(Protocol):
    """An array of shape (shot, channel, time), or something that reads like one."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Shots, channels, samples."""
        ...

    def __getitem__(self, some: slice, /) -> NDArray[np.float32]:
        """Some shots."""
        ...


def write_source_segy(path: Path, amplitude: Amplitudes, gathers: SourceGathers) -> DeliveredFile:
    """Write one source, and read it again; the file appears only when complete.

    Parameters
    ----------
    amplitude : ndarray of float32, shape (shot, channel, time), or the like
        Separated gathers; some shots are read at a time.

    Raises
    ------
    OutputError
        If the data do not fit the format, hold NaN or Inf, the file cannot be written, or what
        was written is not found in it.
    """
    check_fits(gathers)
    expected = (len(gathers.shots), len(gathers.channel_numbers), gathers.length)
    if amplitude.shape != expected:
        raise OutputError(
            f"amplitudes have shape {amplitude.shape}, not {expected}",
            where=str(path),
            remedy="Hand over one row a shot and one column a channel.",
        )
    scale = coordinate_scale(gathers)
    headers = trace_header_type(gathers)
    trace = np.dtype([("headers", headers), ("samples", ">f4", (gathers.length,))])
    step = max(1, _BLOCK_BYTES // (trace.itemsize * expected[1]))
    digest = hashlib.sha256()
    size = 0
    to_read = traces_to_read(expected[0] * expected[1])
    samples: dict[int, NDArray[np.float32]] = {}
    with replacing(path) as stream:
        for part in (_textual_header(gathers), _binary_header(gathers)):
            digest.update(part)
            size += stream.write(part)
        for first in range(0, expected[0], step):
            block = np.asarray(amplitude[first : first + step])
            _refuse_unknown(block, gathers, first, path)
            samples |= some_traces(block, first * expected[1], to_read)
            traces = np.zeros(block.shape[:2], dtype=trace)
            fill_headers(traces["headers"]["header"], gathers, first, scale)
            if gathers.revision == 2:
                fill_extension(traces["headers"], gathers, first)
            traces["samples"] = block
            content = traces.tobytes()
            digest.update(content)
            size += stream.write(content)
    try:
        second_reader = read_again(path, gathers, samples)
    except OutputError:
        path.unlink(missing_ok=True)
        raise
    return DeliveredFile(
        path=path,
        size_bytes=size,
        sha256=digest.hexdigest(),
        source=gathers.shots.source[0].item(),
        shot_count=expected[0],
        trace_count=expected[0] * expected[1],
        read_again=second_reader,
    )


def _refuse_unknown(
    block: NDArray[np.float32], gathers: SourceGathers, first: int, path: Path
) -> None:
    finite = np.isfinite(block).all(axis=(1, 2))
    if not finite.all():
        row = first + int(np.argmin(finite))
        raise OutputError(
            "the separated gather holds NaN or infinite samples",
            where=f"{path}, shot point {gathers.shots.shot_point[row]}",
            remedy="This is a fault of the method or its settings; nothing was delivered.",
        )


def _binary_header(gathers: SourceGathers) -> bytes:
    header = np.zeros((), dtype=BINARY_HEADER)
    channel_count = len(gathers.channel_numbers)
    header["line"] = _one_line_number(gathers)
    header["reel"] = 1
    header["data_traces"] = channel_count
    header["sample_interval"] = gathers.interval_us
    header["original_sample_interval"] = gathers.interval_us
    header["sample_count"] = gathers.length
    header["original_sample_count"] = gathers.length
    header["sample_format"] = IEEE_FLOAT
    header["ensemble_fold"] = channel_count
    header["sorting"] = SORTED_BY_SOURCE
    header["length_unit"] = 1
    header["major_revision"] = gathers.revision
    if gathers.revision == 2:
        header["byte_order_constant"] = BYTE_ORDER_CONSTANT
        header["extended_sample_interval"] = gathers.interval_ns / NS_PER_US
        header["extended_original_sample_interval"] = gathers.interval_ns / NS_PER_US
        header["additional_trace_headers"] = 1
    header["fixed_trace_length"] = 1
    return header.tobytes()


def _one_line_number(gathers: SourceGathers) -> int:
    """Line number of the binary header: the sequence, if there is one and it fits; else 0."""
    sequences = np.unique(gathers.shots.sequence)
    fits = len(sequences) == 1 and 0 <= sequences[0] <= np.iinfo(np.int32).max
    return int(sequences[0]) if fits else 0


def _textual_header(gathers: SourceGathers) -> bytes:
    shots = gathers.shots
    first, last = (
        format_instant(instant, shots.time_scale)
        for instant in (shots.fire_time_ns.min(), shots.fire_time_ns.max())
    )
    scale = shots.time_scale.upper()
    lines = [
        f"Separated shot gathers of one source, written by deblend {__version__}",
        f"Line: {gathers.line}",
        f"Source: {shots.source[0]}",
        f"{counted(len(shots), 'shot')}, shot points {shots.shot_point.min()} to "
        f"{shots.shot_point.max()}, {counted(len(gathers.channel_numbers), 'channel')}",
        f"First shot {first}",
        f"Last shot  {last}",
        f"{gathers.length} samples of {gathers.interval_ns / NS_PER_US:.10g} us, IEEE float, "
        f"unit: {gathers.amplitude_unit}",
        f"Polarity as recorded. Time scale of all instants: {scale}.",
        "Sample zero of each trace is the time break; delay 0.",
        "Trace header bytes:",
        "  157-166  whole second of the time break, 167-168 time basis (4 UTC, 5 GPS)",
        *_fraction_lines(gathers),
        "  9-12     record number within this file     13-16  channel",
        "  17-20    shot point, also in 197-200        29-30  2 for a dead channel",
        "  37-40    offset in m, negative behind the source",
        "  41-44    receiver elevation, 49-52 source depth, scalar in 69-70",
        "  73-88    source and receiver x, y in m, scalar in 71-72; 0 if unknown",
        "  181-188  midpoint x, y, likewise    213-214  number of the source, 0 if none",
        "",
        "Processing history:",
        *_wrapped(gathers.history),
    ]
    return encode_textual_header([line[:_LINE_LENGTH] for line in lines], revision=gathers.revision)


def _fraction_lines(gathers: SourceGathers) -> tuple[str, str]:
    """Where the part of a second of the time break is."""
    if gathers.revision == 2:
        return "  nanoseconds of the time break: bytes 141-144", "  of trace header extension 1"
    return (
        "  233-236  microseconds of the time break (4-byte integer, cut, not rounded)",
        "  237-240  nanoseconds beyond that, 0 to 999 (4-byte integer)",
    )


def _wrapped(history: tuple[str, ...]) -> list[str]:
    """The history in lines of the header, as many as there is room for."""
    lines: list[str] = []
    for sentence in history:
        lines += textwrap.wrap(
            sentence, _LINE_LENGTH, initial_indent="  ", subsequent_indent="    "
        )
    if len(lines) > _HISTORY_LINES:
        lines[_HISTORY_LINES - 1 :] = ["  (continued in the manifest)"]
    return lines
