"""Continuous records written as SEG-D revision 3.1, with the source events that fall into them.

One call writes one record of one time slice: streamers as channel sets of IEEE floats (format
8058), every trace with a GPS timestamp of its own, every source event as an air gun block, an event
block and, where the position is known, two position blocks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, TimeError
from deblend.files import replacing
from deblend.model.shots import Shots
from deblend.model.timebase import calendar_fields
from deblend.records.segd import layout
from deblend.records.segd.gps_time import gps_us_to_utc_s, ns_to_gps_us
from deblend.records.segd.layout import BLOCK, LABEL_SIZE, TRACE_HEADER_SIZE, byte_array
from deblend.synth.segd_write_events import event_blocks

_REVISION: Final = (3, 1)
_FORMAT: Final = 8058
_EXTENSIONS: Final = 2
_TRACE_HEADERS: Final = TRACE_HEADER_SIZE + _EXTENSIONS * BLOCK
_CHUNK_BYTES: Final = 4 << 20
_LARGEST_LENGTH_US: Final = 2**32 - 1
_UNIT_CODES: Final = {name: code for code, name in layout.UNITS.items()}
_ZEROED: Final = 2


@dataclass(frozen=True)
class _Plan:
    """What the headers of one record have to say."""

    sets: tuple[int, ...]
    samples: int
    interval_us: int
    start_us: int
    file_number: int
    extended: bool
    unit: int
    events: bytes

    @property
    def block_count(self) -> int:
        return 3 + len(self.events) // BLOCK

    @property
    def header_size(self) -> int:
        return BLOCK * (self.block_count + 3 * len(self.sets))

    @property
    def record_size(self) -> int:
        return self.header_size + sum(self.sets) * (_TRACE_HEADERS + 4 * self.samples)


def write_continuous_segd(
    path: str | Path,
    samples: NDArray[np.float32],
    *,
    interval_ns: int,
    start_ns: int,
    time_scale: str,
    shots: Shots | None = None,
    streamer_channels: Sequence[int] = (),
    file_number: int = 1,
    amplitude_unit: str = "mV",
    extended: bool = True,
    label: bool = True,
) -> None:
    """Write one time slice of a continuous record; the file is replaced as a whole, or not at all.

    Parameters
    ----------
    samples : ndarray of float32, shape (channel, time)
        Amplitudes; a memory map will do, a few channels are held at a time. A channel that is NaN
        throughout is written as zeros with the edit code that says so; other NaN as they are.
    interval_ns : int
        Sample interval in nanoseconds; whole microseconds.
    start_ns : int
        Instant of sample 0, nanoseconds since 1970 of the GPS scale; whole microseconds.
    time_scale : {"gps"}
        Scale of `start_ns`; the format has no other.
    shots : Shots, optional
        Source events; those that fire within the record are written, on whole microseconds, with
        source numbers 0 to 255. A line name that is a number becomes the source line number, other
        names are lost.
    streamer_channels : sequence of int, optional
        Number of channels of each streamer, one channel set each; one streamer by default.
    file_number : int, optional
        Number of the record, 0 to 16777215.
    amplitude_unit : str, optional
        Unit of the samples, one of `deblend.records.segd.layout.UNITS`.
    extended : bool, optional
        Extended recording mode: the length of the record is left open. Otherwise it is written, and
        at most 4294.967295 s.
    label : bool, optional
        Whether a storage unit label goes before the record.

    Raises
    ------
    InputError
        If something does not fit into the format.
    TimeError
        If the scale is not GPS, or an instant or the interval is no whole number of microseconds.
    OutputError
        If the file cannot be written.
    """
    _check_scales(time_scale, shots)
    plan = _plan(
        samples,
        interval_ns,
        start_ns,
        shots,
        tuple(streamer_channels) or samples.shape[:1],
        file_number,
        amplitude_unit,
        extended,
    )
    with replacing(Path(path)) as file:
        if label:
            file.write(_label().tobytes())
        file.write(_general_header_1(plan).tobytes())
        file.write(_general_header_2(plan).tobytes())
        file.write(_general_header_3(plan).tobytes())
        file.write(plan.events)
        for number, channels in enumerate(plan.sets, start=1):
            file.write(_channel_set(plan, number, channels).tobytes())
        for piece in _traces(plan, samples):
            file.write(piece.tobytes())


def _plan(
    samples: NDArray[np.float32],
    interval_ns: int,
    start_ns: int,
    shots: Shots | None,
    sets: tuple[int, ...],
    file_number: int,
    amplitude_unit: str,
    extended: bool,
) -> _Plan:
    if samples.ndim != 2 or 0 in samples.shape or sum(sets) != samples.shape[0] or min(sets) < 1:
        raise InputError(
            f"samples of shape {samples.shape} were given for streamers of {sets} channels",
            remedy="Give an array of shape (channel, time) and the channels of each streamer.",
        )
    interval_us, rest = divmod(interval_ns, 1000)
    if rest or not 0 < interval_us < 1 << 24:
        raise TimeError(
            f"a sample interval of {interval_ns} ns cannot be written",
            remedy="SEG-D counts it in whole microseconds, at most 16777215.",
        )
    if amplitude_unit not in _UNIT_CODES:
        raise InputError(
            f"the amplitude unit {amplitude_unit!r} has no code",
            remedy=f"Use one of {', '.join(_UNIT_CODES)}.",
        )
    length_us = samples.shape[1] * interval_us
    if not extended and length_us > _LARGEST_LENGTH_US:
        raise InputError(
            f"a record of {length_us / 1e6:g} s is longer than {_LARGEST_LENGTH_US / 1e6} s",
            remedy="Use extended recording mode or shorter records.",
        )
    if not 0 <= file_number < 1 << 24 or samples.shape[1] >= 1 << 32 or max(sets) >= 1 << 24:
        raise InputError(
            f"file number {file_number}, {samples.shape[1]} samples, {max(sets)} channels: one "
            "does not fit into its field",
            remedy="File number and channels have 24 bits, samples 32.",
        )
    start_us = ns_to_gps_us(start_ns)
    return _Plan(
        sets=sets,
        samples=samples.shape[1],
        interval_us=interval_us,
        start_us=start_us,
        file_number=file_number,
        extended=extended,
        unit=_UNIT_CODES[amplitude_unit],
        events=event_blocks(shots, start_us, start_us + length_us, file_number),
    )


def _check_scales(time_scale: str, shots: Shots | None) -> None:
    scales = {time_scale} | ({shots.time_scale} if shots is not None else set())
    if scales != {"gps"}:
        raise TimeError(
            f"times in {' and '.join(sorted(scales))} cannot be written as SEG-D",
            remedy='Its timestamps count GPS time; give all times in it and state "gps".',
        )


def _label() -> Any:
    row = np.zeros((), layout.LABEL)
    row["sequence_number"] = b"   1"
    row["revision"] = b"SD%d.%d" % _REVISION
    row["structure"] = b"RECORD"
    blank_filled = row.tobytes().replace(b"\0", b" ")
    return np.frombuffer(blank_filled, np.uint8, LABEL_SIZE)


def _general_header_1(plan: _Plan) -> Any:
    year, _, _, hour, minute, second, day = calendar_fields(gps_us_to_utc_s(plan.start_us))
    row = np.zeros((), layout.GENERAL_HEADER_1)
    row["file_number"] = _or_flag(plan.file_number, 4)
    row["format_code"] = layout.packed_decimal(_FORMAT, 4)
    row["year"] = int(str(year)[2:], 16)
    additional = min(plan.block_count - 1, 15)
    row["blocks_and_day"] = np.frombuffer(bytes.fromhex(f"{additional:x}{day:03d}"), np.uint8)
    for name, value in (("hour", hour), ("minute", minute), ("second", second)):
        row[name] = int(str(value), 16)
    sixteenths, rest = divmod(plan.interval_us * 1000, 62_500)
    row["base_scan_interval"] = 0xFF if rest or sixteenths >= 0xFF else sixteenths
    # Record type 8, normal; record length FFF: see general header 2.
    row["type_and_length"] = (0x8F, 0xFF)
    row["scan_types"] = 1
    row["channel_sets"] = _or_flag(len(plan.sets), 2)[0]
    return row


def _general_header_2(plan: _Plan) -> Any:
    row = np.zeros((), layout.GENERAL_HEADER_2_REV_3)
    row["file_number"] = byte_array(plan.file_number, 3)
    row["channel_sets"] = len(plan.sets)
    row["revision"] = _REVISION
    row["record_length_us"] = 0 if plan.extended else plan.samples * plan.interval_us
    row["general_header_blocks"] = plan.block_count - 1
    row["sampling_interval_us"] = byte_array(plan.interval_us, 3)
    row["block_type"] = 0x02
    return row


def _general_header_3(plan: _Plan) -> Any:
    row = np.zeros((), layout.GENERAL_HEADER_3)
    row["time_zero_us"] = plan.start_us
    row["record_size"] = row["data_size"] = plan.record_size
    row["header_size"] = plan.header_size
    row["extended_recording"] = plan.extended
    row["block_type"] = 0x03
    return row


def _channel_set(plan: _Plan, number: int, channels: int) -> Any:
    row = np.zeros((), layout.CHANNEL_SET_REV_3)
    row["scan_type"] = 1
    row["number"] = number
    row["channel_type"] = 0x10
    if not plan.extended and plan.samples * plan.interval_us < 1 << 31:
        row["end_us"] = plan.samples * plan.interval_us
    row["samples"] = plan.samples
    row["descale_multiplier"] = 1.0
    row["channels"] = byte_array(channels, 3)
    row["interval_us"] = byte_array(plan.interval_us, 3)
    row["array_forming"] = 1
    row["extensions"] = _EXTENSIONS
    row["flag_and_gain"] = 0x03
    row["vertical_stack"] = 1
    row["streamer"] = number & 0xFF
    row["physical_unit"] = plan.unit
    text = f"STREAMER {number} HYDROPHONES".ljust(27)[:27].encode("ascii")
    row["description"] = np.frombuffer(text, np.uint8)
    for block in (30, 31, 32):
        row[f"block_type_{block}"] = int(str(block), 16)
    return row


def _traces(plan: _Plan, samples: NDArray[np.float32]) -> Iterator[NDArray[np.void]]:
    """Trace headers and samples, a few traces at a time."""
    kind = np.dtype(
        [
            ("header", layout.TRACE_HEADER),
            ("extension", layout.TRACE_EXTENSION_REV_3),
            ("timestamp", layout.TIMESTAMP),
            ("samples", ">f4", (plan.samples,)),
        ]
    )
    step = max(1, _CHUNK_BYTES // kind.itemsize)
    row = 0
    for number, channels in enumerate(plan.sets, start=1):
        for first in range(0, channels, step):
            count = min(step, channels - first)
            traces = np.zeros(count, kind)
            _fill_headers(plan, traces, number, np.arange(first + 1, first + count + 1))
            block = np.asarray(samples[row : row + count], np.float32)
            dead = np.isnan(block).all(axis=1)
            traces["header"]["edit"][dead] = _ZEROED
            traces["samples"] = block
            traces["samples"][dead] = 0
            yield traces
            row += count


def _fill_headers(
    plan: _Plan, traces: NDArray[Any], channel_set: int, number: NDArray[np.int64]
) -> None:
    header, extension = traces["header"], traces["extension"]
    header["file_number"] = _or_flag(plan.file_number, 4)
    header["scan_type"] = 1
    header["channel_set"] = _or_flag(channel_set, 2)[0]
    header["extended_channel_set"] = channel_set
    header["trace_number"] = [_or_flag(int(one), 4) for one in number]
    header["extensions"] = _EXTENSIONS
    header["extended_file_number"] = byte_array(plan.file_number, 3)
    three_bytes = np.array([byte_array(int(one), 3) for one in number])
    extension["receiver_line"] = byte_array(channel_set, 3)
    extension["receiver_point"] = three_bytes
    extension["point_index"] = 1
    extension["sensor_type"] = 1
    extension["extended_trace_number"] = three_bytes
    extension["samples"] = plan.samples
    extension["moving"] = 1
    extension["physical_unit"] = plan.unit
    extension["block_type"] = 0x40
    traces["timestamp"]["time_us"] = plan.start_us
    traces["timestamp"]["block_type"] = 0x42


def _or_flag(value: int, digits: int) -> NDArray[np.uint8]:
    """Packed decimal digits, or all F where the number has too many."""
    if value < 10**digits:
        return layout.packed_decimal(value, digits)
    return np.full(digits // 2, 0xFF, np.uint8)
