"""Continuous records written as SEG-Y: one file a time slice, one trace a channel."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.files import replacing
from deblend.model import segy_layout as layout
from deblend.model.timebase import (
    NS_PER_S,
    NS_PER_US,
    TimeScale,
    calendar_fields,
    check_time_scale,
    format_instant,
)
from deblend.words import counted

_DEFAULT_TEXT: Final = ("Continuous record: one trace a channel, all traces of one time span",)
_LARGEST_CHANNEL: Final = 2**31 - 1


def write_continuous_segy(
    path: str | Path,
    samples: NDArray[np.float32],
    *,
    interval_ns: int,
    start_ns: int,
    time_scale: str,
    channel_numbers: Sequence[int] | NDArray[np.int64],
    revision: Literal[1, 2] = 2,
    sample_format: Literal[1, 5] = layout.IEEE_FLOAT,
    textual_lines: Sequence[str] = _DEFAULT_TEXT,
) -> None:
    """Write one time slice of a continuous record; the file is replaced as a whole, or not at all.

    Parameters
    ----------
    samples : ndarray of float32, shape (channel, time)
        Amplitudes; a memory map will do, one channel is held at a time. NaN and Inf are written
        as they are in format 5 and refused in format 1, which cannot hold them.
    start_ns : int
        Instant of sample 0, in nanoseconds since 1970 of `time_scale`, which headers give, too.
    channel_numbers : sequence of int, length channel
        Trace header bytes 13-16.
    revision : {1, 2}, optional
        Revision 2 has 32-bit sample counts, fractional intervals and, in trace header extension 1,
        the nanoseconds of the start. Revision 1 has at most 32767 samples, whole microseconds and
        whole seconds.
    sample_format : {1, 5}, optional
        IBM or IEEE float.
    textual_lines : sequence of str, optional
        At most 38 lines of 76 characters for the textual header.

    Raises
    ------
    InputError
        If something does not fit into the revision or the format.
    OutputError
        If the file cannot be written.
    """
    scale = check_time_scale(time_scale)
    channels = np.asarray(channel_numbers, dtype=np.int64)
    _check(samples, interval_ns, start_ns, scale, channels, revision, sample_format)
    text = layout.encode_textual_header(textual_lines, revision=revision)
    binary = _binary_header(samples.shape, interval_ns, scale, revision, sample_format)
    headers = _trace_headers(samples.shape[1], interval_ns, start_ns, scale, channels, revision)
    with replacing(Path(path)) as file:
        file.write(text)
        file.write(binary.tobytes())
        for header, trace in zip(headers, samples, strict=True):
            file.write(header.tobytes())
            file.write(_encode(trace, sample_format))


def _encode(trace: NDArray[np.float32], sample_format: int) -> bytes:
    if sample_format == layout.IBM_FLOAT:
        return layout.ibm_from_ieee(trace).astype(">u4").tobytes()
    return np.asarray(trace, dtype=">f4").tobytes()


def _binary_header(
    shape: tuple[int, ...], interval_ns: int, scale: TimeScale, revision: int, sample_format: int
) -> NDArray[np.void]:
    """One binary header; counts also in their 16-bit words where they fit the standard."""
    trace_count, sample_count = shape
    interval_us, remainder = divmod(interval_ns, NS_PER_US)
    binary = np.zeros(1, layout.BINARY_HEADER)
    binary["data_traces"] = trace_count if trace_count <= layout.LARGEST_SIGNED_COUNT else 0
    if not remainder and interval_us <= layout.LARGEST_SIGNED_COUNT:
        binary["sample_interval"] = interval_us
    binary["sample_count"] = sample_count if sample_count <= layout.LARGEST_SIGNED_COUNT else 0
    binary["sample_format"] = sample_format
    binary["sorting"] = 1
    binary["length_unit"] = 1
    binary["major_revision"] = revision
    binary["fixed_trace_length"] = 1
    if revision == 2:
        binary["extended_data_traces"] = trace_count
        binary["extended_sample_count"] = sample_count
        binary["extended_sample_interval"] = interval_ns / NS_PER_US
        binary["byte_order_constant"] = layout.BYTE_ORDER_CONSTANT
        binary["additional_trace_headers"] = 1
        binary["time_basis"] = layout.TIME_BASIS_CODES[scale]
        binary["trace_count"] = trace_count
        binary["first_trace_offset"] = layout.FIRST_HEADERS_BYTES
    return binary


def _trace_headers(
    sample_count: int,
    interval_ns: int,
    start_ns: int,
    scale: TimeScale,
    channels: NDArray[np.int64],
    revision: int,
) -> NDArray[np.void]:
    """Headers of every trace: the standard one, followed by extension 1 in revision 2."""
    parts = [("standard", layout.TRACE_HEADER)]
    if revision == 2:
        parts.append(("extension", layout.TRACE_HEADER_EXTENSION_1))
    headers = np.zeros(len(channels), np.dtype(parts))
    standard = headers["standard"]
    sequence = np.arange(1, len(channels) + 1)
    seconds, nanosecond = divmod(start_ns, NS_PER_S)
    year, _, _, hour, minute, second, day_of_year = calendar_fields(seconds)
    interval_us, remainder = divmod(interval_ns, NS_PER_US)
    standard["sequence_in_line"] = standard["sequence_in_file"] = sequence
    standard["field_record"] = 1
    standard["channel"] = channels
    standard["trace_identification"] = layout.SEISMIC_TRACE
    standard["data_use"] = 1
    if sample_count <= layout.LARGEST_SIGNED_COUNT:
        standard["sample_count"] = sample_count
    if not remainder and interval_us <= layout.LARGEST_SIGNED_COUNT:
        standard["sample_interval"] = interval_us
    standard["year"], standard["day_of_year"] = year, day_of_year
    standard["hour"], standard["minute"], standard["second"] = hour, minute, second
    standard["time_basis"] = layout.TIME_BASIS_CODES[scale]
    if revision == 2:
        standard["header_name"] = layout.STANDARD_HEADER_NAME
        extension = headers["extension"]
        extension["sequence_in_line"] = extension["sequence_in_file"] = sequence
        extension["field_record"] = 1
        extension["sample_count"] = sample_count
        extension["nanosecond"] = nanosecond
        extension["sample_interval"] = interval_ns / NS_PER_US
        extension["additional_header_count"] = 1
        extension["header_name"] = layout.EXTENSION_1_NAME
    return headers


def _check(
    samples: NDArray[np.float32],
    interval_ns: int,
    start_ns: int,
    scale: TimeScale,
    channels: NDArray[np.int64],
    revision: int,
    sample_format: int,
) -> None:
    """Refuse what the file could not say."""
    if samples.ndim != 2 or 0 in samples.shape:
        raise InputError(
            f"samples of shape {samples.shape} were given",
            remedy="Give at least one channel of at least one sample, shape (channel, time).",
        )
    if channels.shape != samples.shape[:1]:
        raise InputError(
            f"{counted(channels.size, 'channel number')} given for "
            f"{counted(samples.shape[0], 'channel')}",
            remedy="Give one number a channel.",
        )
    if channels.min() < -_LARGEST_CHANNEL or channels.max() > _LARGEST_CHANNEL:
        raise InputError(
            f"channel number {channels[np.argmax(np.abs(channels))]} does not fit into 32 bits",
            remedy="Number the channels from 1.",
        )
    if interval_ns <= 0 or samples.shape[1] >= 2**32:
        raise InputError(
            f"{samples.shape[1]} samples at an interval of {interval_ns} ns cannot be written",
            remedy="Give a positive interval and fewer than 2^32 samples a file.",
        )
    if sample_format not in (layout.IBM_FLOAT, layout.IEEE_FLOAT) or revision not in (1, 2):
        raise InputError(
            f"SEG-Y revision {revision} with sample format {sample_format} is not written",
            remedy="Choose revision 1 or 2 and format 1 (IBM float) or 5 (IEEE float).",
        )
    if revision == 1:
        _check_revision_1(samples.shape[1], interval_ns, start_ns, scale)


def _check_revision_1(sample_count: int, interval_ns: int, start_ns: int, scale: TimeScale) -> None:
    if sample_count > layout.LARGEST_SIGNED_COUNT:
        problem = f"{sample_count} samples a trace exceed {layout.LARGEST_SIGNED_COUNT}"
    elif interval_ns % NS_PER_US or interval_ns > NS_PER_US * layout.LARGEST_SIGNED_COUNT:
        problem = f"an interval of {interval_ns} ns is not 1 to 32767 whole microseconds"
    elif start_ns % NS_PER_S:
        problem = f"the start {format_instant(start_ns, scale)} is not a whole second"
    else:
        return
    raise InputError(
        f"{problem}, which SEG-Y revision 1 cannot hold",
        remedy="Write revision 2, or cut the record at whole seconds into shorter files.",
    )
