"""What the trace headers of one continuous file say, and whether they agree with each other."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError, TimeError
from deblend.model import segy_layout as layout
from deblend.model.findings import Finding
from deblend.model.timebase import NS_PER_S, NS_PER_US, instant_from_day_of_year
from deblend.records.segy.binary import whole_nanoseconds
from deblend.records.segy.frame import Frame
from deblend.words import counted

_DATE_WORDS: Final = ("year", "day_of_year", "hour", "minute", "second")
_SAME_IN_STANDARD: Final = (*_DATE_WORDS, "time_basis", "sample_count", "sample_interval")
_SAME_IN_EXTENSION: Final = ("nanosecond", "sample_count", "sample_interval")
_AUXILIARY: Final = (4, 5, 6, 7, 8, 9, 10)
"""Trace identification codes of time break, uphole, sweep, timing, water break, near and far field
traces: recorded beside the streamer, and no part of what is to be separated."""


def check_same(standard: NDArray[np.void], extension: NDArray[np.void] | None, path: Path) -> None:
    """Refuse a file whose traces differ in start, interval or length."""
    for headers, words in ((standard, _SAME_IN_STANDARD), (extension, _SAME_IN_EXTENSION)):
        if headers is None:
            continue
        for word in words:
            other = np.flatnonzero(headers[word] != headers[word][0])
            if other.size:
                raise RecordError(
                    f"trace {other[0] + 1} differs from trace 1 in {word.replace('_', ' ')} "
                    f"({headers[word][other[0]]} against {headers[word][0]})",
                    where=str(path),
                    remedy="A file must hold one time slice with one trace a channel; split it.",
                )


def sample_interval_ns(
    standard: np.void, extension: np.void | None, frame: Frame, path: Path
) -> int:
    """Sample interval on which binary header and the headers of a trace agree.

    A whole number of microseconds in bytes 117-118 may stand for a fractional interval elsewhere.
    """
    trace_ns = int(standard["sample_interval"]) * NS_PER_US
    tolerance = NS_PER_US - 1
    if extension is not None and extension["sample_interval"] != 0.0:
        trace_ns = whole_nanoseconds(float(extension["sample_interval"]), "145-152", path)
        tolerance = 0
    if not trace_ns and not frame.interval_ns:
        raise RecordError(
            "neither the binary header nor the trace headers give a sample interval",
            where=str(path),
            remedy="Write it into bytes 3217-3218 (microseconds).",
        )
    if trace_ns and frame.interval_ns and abs(trace_ns - frame.interval_ns) > tolerance:
        raise RecordError(
            f"the sample interval is {frame.interval_ns / NS_PER_US:g} us in the binary header "
            f"and {trace_ns / NS_PER_US:g} us in the trace headers",
            where=str(path),
            remedy="Correct bytes 3217-3218 and 3273-3280, or 117-118.",
        )
    return frame.interval_ns or trace_ns


def check_sample_count(
    standard: np.void, extension: np.void | None, frame: Frame, path: Path
) -> list[Finding]:
    """Compare the counts of the trace headers with those by which the size of the file closes."""
    if extension is not None:
        count = int(extension["sample_count"])
        headers = int(extension["additional_header_count"])
        declared = frame.trace_header_bytes // layout.TRACE_HEADER_BYTES - 1
        if count not in (0, frame.sample_count) or headers not in (0, declared):
            raise RecordError(
                f"trace header extension 1 gives {count} samples and {headers} additional "
                f"headers, the binary header {frame.sample_count} and {declared}",
                where=str(path),
                remedy="Traces of varying length are not read; correct bytes 137-140 or 157-158.",
            )
    count = int(standard["sample_count"])
    if count in (0, frame.sample_count, frame.sample_count & 0xFFFF):
        return []
    return [
        Finding(
            "trace_header_sample_count",
            float(count),
            "samples",
            "look",
            f"{path.name}: the trace headers give {counted(count, 'sample')} and the binary header "
            f"{frame.sample_count}; the size of the file agrees with the latter, which is used.",
        )
    ]


def start_instant(standard: np.void, extension: np.void | None, path: Path) -> int:
    """Instant of the first sample; without extension 1 cut to the whole second."""
    year, day, hour, minute, second = (int(standard[word]) for word in _DATE_WORDS)
    nanosecond = 0 if extension is None else int(extension["nanosecond"])
    if year == 0 and day == 0:
        problem = "the trace headers hold no date (bytes 157-166 are empty)"
    elif abs(nanosecond) >= NS_PER_S:
        problem = f"extension 1 adds {nanosecond} ns to the second, more than a second"
    else:
        try:
            return instant_from_day_of_year(year, day, hour, minute, second) + nanosecond
        except TimeError as error:
            problem = error.what
    raise RecordError(
        problem,
        where=str(path),
        remedy="Write the instant of the first sample into the trace headers of the file.",
    )


def time_basis(standard: np.void, frame: Frame) -> int:
    """Time basis code: trace header before binary header; 0 where neither has one."""
    return int(standard["time_basis"]) or frame.time_basis


def channel_numbers(
    standard: NDArray[np.void], path: Path
) -> tuple[NDArray[np.int64], list[Finding]]:
    """Channel numbers of bytes 13-16; counted from 1 where all of them are zero."""
    numbers = standard["channel"].astype(np.int64)
    if not numbers.any():
        message = f"{path.name}: no channel numbers in bytes 13-16; traces are counted from 1."
        finding = Finding("channel_numbers_missing", float(len(numbers)), "traces", "look", message)
        return np.arange(1, len(numbers) + 1, dtype=np.int64), [finding]
    values, counts = np.unique(numbers, return_counts=True)
    if counts.max() > 1:
        number = values[np.argmax(counts)]
        raise RecordError(
            f"channel {number} occurs {counts.max()} times (bytes 13-16)",
            where=str(path),
            remedy="A file must hold one time slice with one trace a channel, and channels of "
            "several streamers must be numbered through; split or renumber it.",
        )
    if values[0] >= 0:
        return numbers, []
    message = (
        f"{path.name}: channel numbers from {values[0]} to {values[-1]} (bytes 13-16) are used as "
        "they are; they are counted from 1 as a rule."
    )
    return numbers, [Finding("channel_numbers_negative", float(values[0]), "", "look", message)]


def auxiliary_finding(standard: NDArray[np.void], path: Path) -> list[Finding]:
    """Say which traces are no streamer channels by their own header."""
    rows = np.flatnonzero(np.isin(standard["trace_identification"], _AUXILIARY))
    if not rows.size:
        return []
    return [
        Finding(
            "auxiliary_traces",
            float(rows.size),
            "traces",
            "look",
            f"{path.name}: trace {rows[0] + 1} and {rows.size - 1} more are marked as auxiliary "
            "(bytes 29-30); they are read like every other channel.",
        )
    ]


def scaled_delay_ms(standard: NDArray[np.void]) -> NDArray[np.float64]:
    """Delay of bytes 109-110 times the scalar of 215-216, in milliseconds; shape (trace,).

    A positive scalar multiplies, a negative one divides, 0 stands for 1.
    """
    scalar = standard["time_scalar"].astype(np.float64)
    factor = np.where(scalar < 0, 1 / np.minimum(scalar, -1), np.maximum(scalar, 1))
    return np.asarray(standard["delay_recording_time"] * np.abs(factor), np.float64)


def delay_finding(standard: NDArray[np.void], path: Path) -> list[Finding]:
    """Say that traces have a delay, which counts from a source and means nothing on a clock."""
    delay_ms = scaled_delay_ms(standard)
    rows = np.flatnonzero(delay_ms)
    if not rows.size:
        return []
    largest = rows[np.argmax(np.abs(delay_ms[rows]))]
    return [
        Finding(
            "delay_recording_time",
            float(delay_ms[largest]),
            "ms",
            "look",
            f"{path.name}: {counted(rows.size, 'trace')} with a delay (bytes 109-110), the largest "
            f"{delay_ms[largest]:+g} ms in trace {largest + 1}. It counts from a source event to "
            "the first sample, and a continuous record has none: the start is that of bytes "
            "157-166, and nothing was shifted. Is it a record of single shots?",
        )
    ]


def mute_finding(standard: NDArray[np.void], path: Path) -> list[Finding]:
    """Say that traces were muted: separation wants the record as it was."""
    rows = np.flatnonzero((standard["mute_end"] != 0) | (standard["mute_start"] != 0))
    if not rows.size:
        return []
    message = (
        f"{path.name}: {counted(rows.size, 'trace')} with mute times (bytes 111-114). Mutes, gain "
        "control, moveout and trace scaling change from shot to shot or with time, and must "
        "not come before separation: what was muted cannot be told apart. Give the record as it "
        "was."
    )
    return [Finding("muted_before", float(rows.size), "traces", "look", message)]


def weighting_finding(standard: NDArray[np.void], sample_format: int, path: Path) -> list[Finding]:
    """Say that integer samples carry weights of their own, which are not applied."""
    weights = standard["weighting_factor"]
    rows = np.flatnonzero(weights)
    if not rows.size or sample_format in (layout.IBM_FLOAT, layout.IEEE_FLOAT, 6):
        return []
    return [
        Finding(
            "trace_weighting_factor",
            float(weights[rows[0]]),
            "",
            "look" if (weights == weights[0]).all() else "fail",
            f"{path.name}: bytes 169-170 of trace {rows[0] + 1} say that one unit of its integer "
            f"samples stands for 2 to the power of {-int(weights[rows[0]])}, and "
            + (
                "so do all others"
                if (weights == weights[0]).all()
                else "those of other traces differ, so that channels lie on different scales"
            )
            + "; samples are read as they are stored.",
        )
    ]
