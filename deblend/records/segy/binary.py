"""The binary header of a SEG-Y file: which revision it speaks, and what its words mean."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from deblend.errors import RecordError
from deblend.model import segy_layout as layout
from deblend.model.findings import Finding
from deblend.records.file_bytes import OpenFile
from deblend.records.segy.bytes import READABLE_FORMATS, ByteOrder, byte_order_of, headers_of


def read_binary_header(file: OpenFile) -> tuple[np.void, ByteOrder]:
    """Binary header in the byte order that bytes 3297-3300 state, and that order."""
    if file.size < layout.FIRST_HEADERS_BYTES:
        raise RecordError(
            f"the file has {file.size} bytes, fewer than the 3600 of the headers of a SEG-Y file",
            where=str(file.path),
            remedy="It is truncated or no SEG-Y file; copy it again or leave it out.",
        )
    stored = file.read(layout.TEXTUAL_HEADER_BYTES, layout.BINARY_HEADER_BYTES, "the binary header")
    order = byte_order_of(stored)
    raw = np.frombuffer(stored, np.uint8)[None]
    binary = headers_of(raw, layout.BINARY_HEADER, order).copy()[0]
    if order != "big-endian" and binary["major_revision"] < 2 <= binary["minor_revision"]:
        # Written as one word of two bytes; revisions before 2 know no other order.
        major, minor = binary["minor_revision"], binary["major_revision"]
        binary["major_revision"], binary["minor_revision"] = major, minor
    return binary, order


def _check_byte_order_constant(binary: np.void, path: Path) -> None:
    constant = int(binary["byte_order_constant"])
    if binary["major_revision"] >= 2 and constant not in (0, layout.BYTE_ORDER_CONSTANT):
        raise RecordError(
            f"the byte-order constant (bytes 3297-3300) reads {constant:#010x}",
            where=str(path),
            remedy="It is 01020304, 04030201 or 02010403 in a whole file; the header is damaged.",
        )


def header_sample_format(binary: np.void, order: ByteOrder, path: Path) -> int:
    """Sample format of bytes 3225-3226, one that is read."""
    code = int(binary["sample_format"])
    if code not in layout.SAMPLE_FORMATS:
        swapped = int.from_bytes(code.to_bytes(2, "big", signed=True), "little")
        hint = ""
        if swapped in layout.SAMPLE_FORMATS and order == "big-endian":
            hint = " (it would be valid in a little-endian file, but bytes 3297-3300 name none)"
        raise RecordError(
            f"bytes 3225-3226 read {code}, which is no SEG-Y sample format{hint}",
            where=str(path),
            remedy="If this is SEG-Y of another byte order, write 04030201 (hexadecimal) to bytes "
            "3297-3300; otherwise leave the file out of the list of records.",
        )
    _check_byte_order_constant(binary, path)
    form = layout.SAMPLE_FORMATS[code]
    if code not in READABLE_FORMATS:
        raise RecordError(
            f"sample format {code} ({form.name}) is obsolete and not read",
            where=str(path),
            remedy="Have the record written as IEEE float (5).",
        )
    if order == "pairwise swapped" and form.byte_count == 3:
        raise RecordError(
            f"samples of three bytes ({form.name}) in a pairwise swapped file are not read",
            where=str(path),
            remedy="Three bytes make no pairs; have the file written big-endian.",
        )
    return code


def header_sample_count(binary: np.void, path: Path) -> int:
    """Samples a trace; bytes 3269-3272 of revision 2 go before bytes 3221-3222."""
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


def header_interval_ns(binary: np.void, path: Path) -> int:
    """Sample interval, 0 where none is given; bytes 3273-3280 go before bytes 3217-3218."""
    interval_us = float(binary["sample_interval"])
    extended = float(binary["extended_sample_interval"])
    if binary["major_revision"] >= 2 and extended != 0.0:
        interval_us = extended
    return whole_nanoseconds(interval_us, "3273-3280", path)


def whole_nanoseconds(interval_us: float, position: str, path: Path) -> int:
    """Sample interval in nanoseconds of a header value in microseconds."""
    interval_ns = interval_us * 1000
    if not 0 <= interval_ns <= 3.6e12 or abs(interval_ns - round(interval_ns)) > 1e-3:
        raise RecordError(
            f"the sample interval of {interval_us:g} us (bytes {position}) cannot be used",
            where=str(path),
            remedy="It must be a positive whole number of nanoseconds; correct the header.",
        )
    return round(interval_ns)


def declared_traces(binary: np.void, trace_count: int, path: Path) -> list[Finding]:
    """Compare the traces in the file with the number that the binary header gives an ensemble.

    Writers disagree on whether auxiliary traces count among the data traces, and files cut from
    others keep the old number in bytes 3213-3214: fewer traces than that are a finding only. A file
    that breaks off just behind a trace is rare, and one of several has fewer channels then.
    """
    extended = binary["major_revision"] >= 2 and binary["extended_data_traces"] > 0
    prefix = "extended_" if extended else ""
    data = int(binary[f"{prefix}data_traces"])
    declared = data + int(binary[f"{prefix}auxiliary_traces"])
    if extended and data > trace_count:
        raise RecordError(
            f"the binary header announces {data} traces and the file holds {trace_count}",
            where=str(path),
            remedy="The file is truncated, or bytes 3261-3264 are wrong.",
        )
    if data <= trace_count <= declared or data <= 0:
        return []
    return [
        Finding(
            "trace_count_against_header",
            float(trace_count - data),
            "traces",
            "fail" if trace_count < data else "look",
            f"{path.name}: the binary header announces {data} traces and the file holds "
            f"{trace_count}, which are read"
            + (": is the file complete?" if trace_count < data else "."),
        )
    ]
