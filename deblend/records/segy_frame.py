"""Where the traces of a SEG-Y file lie: binary header against file size, before anything is read.

File size = 3600 + 3200 * (extended textual headers + trailer stanzas)
            + traces * (240 * (1 + additional headers) + samples * bytes per sample)
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from deblend.errors import RecordError
from deblend.model import segy_layout as layout
from deblend.model.findings import Finding

_READABLE_FORMATS: Final = (layout.IBM_FLOAT, layout.IEEE_FLOAT)
_LITTLE_ENDIAN: Final = 0x04030201
_PAIRWISE_SWAPPED: Final = 0x02010403


@dataclass(frozen=True)
class Frame:
    """Sizes and positions, in bytes unless named otherwise.

    Parameters
    ----------
    file_bytes : int
        Size of the file.
    first_trace_byte : int
        Where the first trace header begins.
    trace_count, sample_count : int
        Traces in the file and samples in each.
    trace_header_bytes : int
        Headers in front of the samples of a trace, 240 or more.
    sample_format : int
        1 (IBM float) or 5 (IEEE float).
    interval_ns : int
        Sample interval in nanoseconds; 0 where the binary header gives none.
    time_basis : int
        Code of bytes 3511-3512; 0 where unknown.
    """

    file_bytes: int
    first_trace_byte: int
    trace_count: int
    sample_count: int
    trace_header_bytes: int
    sample_format: int
    interval_ns: int
    time_basis: int

    @property
    def trace_bytes(self) -> int:
        """Length of one trace with its headers."""
        size = layout.SAMPLE_FORMATS[self.sample_format].byte_count
        return self.trace_header_bytes + self.sample_count * size


def read_frame(path: Path) -> tuple[Frame, list[Finding]]:
    """Read the binary header of a file and check it against the size of the file.

    Raises
    ------
    RecordError
        If the file cannot be read, is no SEG-Y, is of a kind not read here, or is truncated.
    """
    try:
        with path.open("rb") as file:
            head = file.read(layout.FIRST_HEADERS_BYTES)
        size = path.stat().st_size
    except OSError as error:
        raise RecordError(
            f"the file cannot be read ({error.strerror or error})",
            where=str(path),
            remedy="Check the path and its permissions.",
        ) from error
    if len(head) < layout.FIRST_HEADERS_BYTES:
        raise RecordError(
            f"the file has {len(head)} bytes, fewer than the 3600 of the headers of a SEG-Y file",
            where=str(path),
            remedy="It is truncated or no SEG-Y file; copy it again or leave it out.",
        )
    binary = np.frombuffer(head, layout.BINARY_HEADER, 1, layout.TEXTUAL_HEADER_BYTES)[0]
    _check_byte_order(binary, path)
    sample_format = _sample_format(binary, path)
    _check_byte_order_constant(binary, path)
    sample_count = _sample_count(binary, path)
    interval_ns = _interval_ns(binary, path)
    header_count = layout.additional_trace_header_count(binary)
    if header_count < 0:
        raise _unsupported(path, f"{header_count} additional trace headers", "3507-3510")
    trace_header_bytes = layout.TRACE_HEADER_BYTES * (1 + header_count)
    first_trace_byte = _first_trace_byte(binary, size, path)
    trace_bytes = (
        trace_header_bytes + sample_count * layout.SAMPLE_FORMATS[sample_format].byte_count
    )
    trace_count = _trace_count(binary, size, first_trace_byte, trace_bytes, path)
    frame = Frame(
        file_bytes=size,
        first_trace_byte=first_trace_byte,
        trace_count=trace_count,
        sample_count=sample_count,
        trace_header_bytes=trace_header_bytes,
        sample_format=sample_format,
        interval_ns=interval_ns,
        time_basis=int(binary["time_basis"]) if binary["major_revision"] >= 2 else 0,
    )
    return frame, _declared_traces(binary, frame, path)


def _unsupported(path: Path, what: str, position: str) -> RecordError:
    return RecordError(
        f"{what} (bytes {position}) are not read",
        where=str(path),
        remedy="Have the file written big-endian, with traces of one length and a stated number "
        "of headers.",
    )


def _check_byte_order(binary: np.void, path: Path) -> None:
    constant = int(binary["byte_order_constant"])
    if constant in (_LITTLE_ENDIAN, _PAIRWISE_SWAPPED):
        order = "little-endian" if constant == _LITTLE_ENDIAN else "pairwise swapped"
        raise RecordError(
            f"the file is {order} (bytes 3297-3300 read {constant:#010x})",
            where=str(path),
            remedy="Only big-endian SEG-Y is read; have the file rewritten.",
        )


def _check_byte_order_constant(binary: np.void, path: Path) -> None:
    constant = int(binary["byte_order_constant"])
    if binary["major_revision"] >= 2 and constant not in (0, layout.BYTE_ORDER_CONSTANT):
        raise RecordError(
            f"the byte-order constant (bytes 3297-3300) reads {constant:#010x}",
            where=str(path),
            remedy="A big-endian file has 0x01020304 there; the header is damaged.",
        )


def _sample_format(binary: np.void, path: Path) -> int:
    code = int(binary["sample_format"])
    if code in _READABLE_FORMATS:
        return code
    if code in layout.SAMPLE_FORMATS:
        raise RecordError(
            f"sample format {code} ({layout.SAMPLE_FORMATS[code].name}) is not read",
            where=str(path),
            remedy="Have the record written as IBM float (1) or IEEE float (5).",
        )
    swapped = int.from_bytes(code.to_bytes(2, "big", signed=True), "little")
    hint = (
        " (it would be valid in a little-endian file)" if swapped in layout.SAMPLE_FORMATS else ""
    )
    raise RecordError(
        f"bytes 3225-3226 read {code}, which is no SEG-Y sample format{hint}",
        where=str(path),
        remedy="This is no big-endian SEG-Y file; leave it out of the list of records.",
    )


def _sample_count(binary: np.void, path: Path) -> int:
    count = int(binary["sample_count"])
    if binary["major_revision"] >= 2 and binary["extended_sample_count"]:
        count = int(binary["extended_sample_count"])
    if count == 0:
        raise RecordError(
            "the binary header gives 0 samples a trace (bytes 3221-3222 and 3269-3272)",
            where=str(path),
            remedy="The record has zero length or its header is damaged.",
        )
    return count


def _interval_ns(binary: np.void, path: Path) -> int:
    interval_us = float(binary["sample_interval"])
    extended = float(binary["extended_sample_interval"])
    if binary["major_revision"] >= 2 and extended != 0.0:
        interval_us = extended
    return whole_nanoseconds(interval_us, "3273-3280", path)


def whole_nanoseconds(interval_us: float, position: str, path: Path) -> int:
    """Sample interval in nanoseconds of a header value in microseconds.

    Raises
    ------
    RecordError
        If it is negative, longer than an hour, or no whole number of nanoseconds.
    """
    interval_ns = interval_us * 1000
    if not 0 <= interval_ns <= 3.6e12 or abs(interval_ns - round(interval_ns)) > 1e-3:
        raise RecordError(
            f"the sample interval of {interval_us:g} us (bytes {position}) cannot be used",
            where=str(path),
            remedy="It must be a positive whole number of nanoseconds; correct the header.",
        )
    return round(interval_ns)


def _first_trace_byte(binary: np.void, size: int, path: Path) -> int:
    count = int(binary["extended_textual_headers"]) if binary["major_revision"] >= 1 else 0
    if count < 0:
        raise _unsupported(path, "a variable number of extended textual headers", "3505-3506")
    begin = layout.FIRST_HEADERS_BYTES + layout.TEXTUAL_HEADER_BYTES * count
    stated = int(binary["first_trace_offset"]) if binary["major_revision"] >= 2 else 0
    if stated and stated < begin:
        raise RecordError(
            f"the first trace is said to begin at byte {stated} (bytes 3521-3528), inside the "
            f"headers that end at {begin}",
            where=str(path),
            remedy="The header is damaged; correct it.",
        )
    begin = stated or begin
    if begin >= size:
        raise RecordError(
            f"the headers take {begin} bytes and the file has {size}: it holds no trace",
            where=str(path),
            remedy="The file is truncated or the record has zero length; copy it again.",
        )
    return begin


def _trace_count(
    binary: np.void, size: int, first_trace_byte: int, trace_bytes: int, path: Path
) -> int:
    """Number of traces for which the size of the file closes."""
    revision_2 = binary["major_revision"] >= 2
    trailers = int(binary["trailer_stanzas"]) if revision_2 else 0
    if trailers < 0:
        raise _unsupported(path, "an unknown number of trailer stanzas", "3529-3532")
    around = first_trace_byte + layout.TEXTUAL_HEADER_BYTES * trailers
    stated = int(binary["trace_count"]) if revision_2 else 0
    count = stated or max(1, -(-(size - around) // trace_bytes))
    expected = around + count * trace_bytes
    if expected != size:
        raise RecordError(
            f"the headers ask for {expected} bytes ({count} traces of {trace_bytes} bytes behind "
            f"byte {first_trace_byte}) and the file has {size}",
            where=str(path),
            remedy="The file is truncated, or its sample count, format or header counts are "
            "wrong; copy it again or correct the header.",
        )
    return count


def _declared_traces(binary: np.void, frame: Frame, path: Path) -> list[Finding]:
    """Compare the traces in the file with the number that the binary header gives an ensemble.

    Writers disagree on whether auxiliary traces count among the data traces, and files cut from
    others keep the old number in bytes 3213-3214: fewer traces than that are a finding only. A file
    that breaks off just behind a trace is rare, and one of several has fewer channels then.
    """
    extended = binary["major_revision"] >= 2 and binary["extended_data_traces"] > 0
    prefix = "extended_" if extended else ""
    data = int(binary[f"{prefix}data_traces"])
    declared = data + int(binary[f"{prefix}auxiliary_traces"])
    if extended and data > frame.trace_count:
        raise RecordError(
            f"the binary header announces {data} traces and the file holds {frame.trace_count}",
            where=str(path),
            remedy="The file is truncated, or bytes 3261-3264 are wrong.",
        )
    if data <= frame.trace_count <= declared or data <= 0:
        return []
    return [
        Finding(
            "trace_count_against_header",
            float(frame.trace_count - data),
            "traces",
            "fail" if frame.trace_count < data else "look",
            f"{path.name}: the binary header announces {data} traces and the file holds "
            f"{frame.trace_count}, which are read"
            + (": is the file complete?" if frame.trace_count < data else "."),
        )
    ]
