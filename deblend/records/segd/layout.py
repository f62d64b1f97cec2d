"""Byte tables of SEG-D and the number forms that numpy has no type for.

Every table lists its fields as (name, first byte counted from 1, format), as the standard prints
them, so that a table can be held against its page. Multi-byte headers are big-endian in every
revision [1]_ [2]_. Fields of 3 bytes and packed decimal digits are kept as bytes and turned into
numbers by the functions here.

References
----------
.. [1] SEG Technical Standards Committee, 2006, SEG-D Rev 2.1, sections 8.1-8.7.
.. [2] SEG Technical Standards Committee, 2014, SEG-D Rev 3.0, sections 8.1-8.22.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError

Table = np.dtype[np.void]
BLOCK: Final = 32
LABEL_SIZE: Final = 128
TRACE_HEADER_SIZE: Final = 20


def _table(size: int, *fields: tuple[str, int, str]) -> Table:
    return np.dtype(
        {
            "names": [name for name, _, _ in fields],
            "formats": [form for _, _, form in fields],
            "offsets": [first - 1 for _, first, _ in fields],
            "itemsize": size,
        }
    )


LABEL: Final = _table(
    LABEL_SIZE,
    ("sequence_number", 1, "S4"),
    ("revision", 5, "S5"),
    ("structure", 10, "S6"),
    ("binding_edition", 16, "S4"),
    ("maximum_block_size", 20, "S10"),
    ("organisation_code", 30, "S10"),
    ("creation_date", 40, "S11"),
    ("serial_number", 51, "S12"),
    ("reserved", 63, "S6"),
    ("external_label", 69, "S12"),
    ("recording_entity", 81, "S24"),
    ("user_defined", 105, "S14"),
    ("maximum_shot_records", 119, "S10"),
)

GENERAL_HEADER_1: Final = _table(
    BLOCK,
    ("file_number", 1, "2u1"),
    ("format_code", 3, "2u1"),
    ("general_constants", 5, "6u1"),
    ("year", 11, "u1"),
    ("blocks_and_day", 12, "2u1"),
    ("hour", 14, "u1"),
    ("minute", 15, "u1"),
    ("second", 16, "u1"),
    ("manufacturer_code", 17, "u1"),
    ("manufacturer_serial", 18, "2u1"),
    ("bytes_per_scan", 20, "3u1"),
    ("base_scan_interval", 23, "u1"),
    ("polarity_and_scans", 24, "2u1"),
    ("type_and_length", 26, "2u1"),
    ("scan_types", 28, "u1"),
    ("channel_sets", 29, "u1"),
    ("skew_blocks", 30, "u1"),
    ("extended_header_blocks", 31, "u1"),
    ("external_header_blocks", 32, "u1"),
)

GENERAL_HEADER_2_REV_2: Final = _table(
    BLOCK,
    ("file_number", 1, "3u1"),
    ("channel_sets", 4, ">u2"),
    ("extended_header_blocks", 6, ">u2"),
    ("external_header_blocks", 8, ">u2"),
    ("revision", 11, "2u1"),
    ("trailer_blocks", 13, ">u2"),
    ("record_length_ms", 15, "3u1"),
    ("block_number", 19, "u1"),
    ("sequence_number", 21, ">u2"),
)

GENERAL_HEADER_2_REV_3: Final = _table(
    BLOCK,
    ("file_number", 1, "3u1"),
    ("channel_sets", 4, ">u2"),
    ("extended_header_blocks", 6, "3u1"),
    ("skew_blocks", 9, ">u2"),
    ("revision", 11, "2u1"),
    ("trailer_blocks", 13, ">u4"),
    ("record_length_us", 17, ">u4"),
    ("record_set_number", 21, ">u2"),
    ("general_header_blocks", 23, ">u2"),
    ("sampling_interval_us", 25, "3u1"),
    ("external_header_blocks", 28, "3u1"),
    ("block_type", 32, "u1"),
)

GENERAL_HEADER_3: Final = _table(
    BLOCK,
    ("time_zero_us", 1, ">i8"),
    ("record_size", 9, ">u8"),
    ("data_size", 17, ">u8"),
    ("header_size", 25, ">u4"),
    ("extended_recording", 29, "u1"),
    ("relative_time", 30, "u1"),
    ("block_type", 32, "u1"),
)

AIRGUN: Final = _table(
    BLOCK,
    ("file_number", 1, "3u1"),
    ("source_line", 4, "3u1"),
    ("source_line_fraction", 7, ">u2"),
    ("source_point", 9, "3u1"),
    ("source_point_fraction", 12, ">u2"),
    ("source_point_index", 14, "u1"),
    ("depth_cm", 15, ">u2"),
    ("pressure_psi", 17, ">u2"),
    ("source_id", 19, "u1"),
    ("source_set", 20, "u1"),
    ("reshoot_index", 21, "u1"),
    ("group_index", 22, "u1"),
    ("depth_index", 23, "u1"),
    ("offset_crossline_cm", 24, ">i2"),
    ("offset_inline_cm", 26, ">i2"),
    ("size_cubic_inch", 28, ">u2"),
    ("offset_depth_cm", 30, ">i2"),
    ("block_type", 32, "u1"),
)

SOURCE_EVENT: Final = _table(
    BLOCK,
    ("time_us", 1, ">i8"),
    ("status", 9, "u1"),
    ("source_id", 10, "u1"),
    ("moving", 11, "u1"),
    ("error_text", 12, "20u1"),
    ("block_type", 32, "u1"),
)

POSITION_1: Final = _table(
    BLOCK,
    ("position_time_us", 1, ">i8"),
    ("measurement_time_us", 9, ">i8"),
    ("vertical_error", 17, ">f4"),
    ("horizontal_error_major", 21, ">f4"),
    ("horizontal_error_minor", 25, ">f4"),
    ("bearing_major", 29, ">u2"),
    ("position_type", 31, "u1"),
    ("block_type", 32, "u1"),
)

POSITION_2: Final = _table(
    BLOCK,
    ("coordinate", 1, "3>f8"),
    ("reference_system", 25, ">u2"),
    ("valid", 27, "u1"),
    ("quality", 28, "u1"),
    ("block_type", 32, "u1"),
)

CHANNEL_SET_REV_2: Final = _table(
    BLOCK,
    ("scan_type", 1, "u1"),
    ("number", 2, "u1"),
    ("start_2ms", 3, ">u2"),
    ("end_2ms", 5, ">u2"),
    ("descale_exponent", 7, "2u1"),
    ("channels", 9, "2u1"),
    ("channel_type", 11, "u1"),
    ("subscan_and_gain", 12, "u1"),
    ("filters", 13, "14u1"),
    ("extended_number", 27, ">u2"),
    ("flag_and_extensions", 29, "u1"),
    ("vertical_stack", 30, "u1"),
    ("streamer", 31, "u1"),
    ("array_forming", 32, "u1"),
)

CHANNEL_SET_REV_3: Final = _table(
    3 * BLOCK,
    ("scan_type", 1, "u1"),
    ("number", 2, ">u2"),
    ("channel_type", 4, "u1"),
    ("start_us", 5, ">i4"),
    ("end_us", 9, ">i4"),
    ("samples", 13, ">u4"),
    ("descale_multiplier", 17, ">f4"),
    ("channels", 21, "3u1"),
    ("interval_us", 24, "3u1"),
    ("array_forming", 27, "u1"),
    ("extensions", 28, "u1"),
    ("flag_and_gain", 29, "u1"),
    ("vertical_stack", 30, "u1"),
    ("streamer", 31, "u1"),
    ("block_type_30", 32, "u1"),
    ("alias_filter_hz", 33, ">f4"),
    ("low_cut_hz", 37, ">f4"),
    ("alias_filter_slope", 41, ">f4"),
    ("low_cut_slope", 45, ">f4"),
    ("notches_hz", 49, "3>f4"),
    ("filter_phase", 61, "u1"),
    ("physical_unit", 62, "u1"),
    ("block_type_31", 64, "u1"),
    ("filter_delay_us", 65, ">u4"),
    ("description", 69, "27u1"),
    ("block_type_32", 96, "u1"),
)

TRACE_HEADER: Final = _table(
    TRACE_HEADER_SIZE,
    ("file_number", 1, "2u1"),
    ("scan_type", 3, "u1"),
    ("channel_set", 4, "u1"),
    ("trace_number", 5, "2u1"),
    ("first_timing_word", 7, "3u1"),
    ("extensions", 10, "u1"),
    ("skew", 11, "u1"),
    ("edit", 12, "u1"),
    ("time_break_window", 13, "3u1"),
    ("extended_channel_set", 16, ">u2"),
    ("extended_file_number", 18, "3u1"),
)

TRACE_EXTENSION_REV_2: Final = _table(
    BLOCK,
    ("receiver_line", 1, "3u1"),
    ("receiver_point", 4, "3u1"),
    ("point_index", 7, "u1"),
    ("samples", 8, "3u1"),
    ("extended_line", 11, "5u1"),
    ("extended_point", 16, "5u1"),
    ("sensor_type", 21, "u1"),
)

TRACE_EXTENSION_REV_3: Final = _table(
    BLOCK,
    ("receiver_line", 1, "3u1"),
    ("receiver_point", 4, "3u1"),
    ("point_index", 7, "u1"),
    ("reshoot_index", 8, "u1"),
    ("group_index", 9, "u1"),
    ("depth_index", 10, "u1"),
    ("extended_line", 11, "5u1"),
    ("extended_point", 16, "5u1"),
    ("sensor_type", 21, "u1"),
    ("extended_trace_number", 22, "3u1"),
    ("samples", 25, ">u4"),
    ("moving", 29, "u1"),
    ("physical_unit", 31, "u1"),
    ("block_type", 32, "u1"),
)

SENSOR_INFO: Final = _table(
    BLOCK,
    ("test_time_us", 1, ">i8"),
    ("sensitivity", 9, ">f4"),
    ("test_result", 13, "u1"),
    ("serial_number", 14, "18u1"),
    ("block_type", 32, "u1"),
)

TIMESTAMP: Final = _table(BLOCK, ("time_us", 1, ">i8"), ("block_type", 32, "u1"))

SOURCE_BLOCK_TYPES: Final = {
    0x15: "vibrator",
    0x16: "explosive",
    0x17: "air gun",
    0x18: "water gun",
    0x19: "electromagnetic source",
    0x1F: "other source",
}

UNITS: Final = {
    0x00: "mV",
    0x01: "mbar",
    0x02: "bar",
    0x03: "mm/s",
    0x04: "m/s",
    0x05: "mm/s²",
    0x06: "m/s²",
    0x07: "N",
    0x08: "K",
    0x09: "Hz",
    0x0A: "s",
    0x0B: "T",
    0x0C: "V/m",
    0x0D: "V·m",
    0x0E: "A/m",
    0x0F: "V",
    0x10: "A",
    0x11: "rad",
    0x12: "Pa",
    0x13: "µPa",
    0x15: "m",
}
"""Physical unit of a channel set of revision 3; code 0, unknown, is read as mV at the input."""


def unpack(data: bytes | bytearray | memoryview, table: Table, offset: int = 0) -> Any:
    """One row of `table` from `data`; its fields are read by name."""
    return np.frombuffer(data, table, count=1, offset=offset)[0]


def unsigned(field: NDArray[np.uint8]) -> int:
    """Value of big-endian bytes without sign."""
    return int.from_bytes(field.tobytes(), "big")


def unsigned_columns(field: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Values of big-endian bytes without sign, one a row; shape (row, byte) to (row,)."""
    value = np.zeros(field.shape[0], np.int64)
    for column in range(field.shape[1]):
        value = (value << 8) | field[:, column]
    return value


def point_number(whole: NDArray[np.uint8], fraction: int) -> float:
    """Line or point number: a signed 3-byte integer plus a fraction in 1/65536, always positive."""
    return int.from_bytes(whole.tobytes(), "big", signed=True) + int(fraction) / 65536


def point_bytes(number: float) -> tuple[NDArray[np.uint8], int]:
    """The two fields of a line or point number; inverse of `point_number`."""
    steps = round(number * 65536)
    whole, fraction = divmod(steps, 65536)
    if not -(1 << 23) <= whole < (1 << 23) - 1:
        raise RecordError(
            f"line or point number {number:g} does not fit into three bytes",
            remedy="Use numbers between -8388608 and 8388606.",
        )
    return byte_array(whole & 0xFFFFFF, 3), fraction


def byte_array(value: int, size: int) -> NDArray[np.uint8]:
    """Big-endian bytes of a non-negative number, as an array for a table field."""
    return np.frombuffer(value.to_bytes(size, "big"), np.uint8)


def decimal(digits: str, name: str) -> int:
    """Number of packed decimal digits, given as hexadecimal text."""
    if not digits.isdecimal():
        raise RecordError(
            f"{name} holds the digits {digits.upper()}, which are not decimal",
            remedy="The header is damaged, or the file is no SEG-D.",
        )
    return int(digits)


def hex_digits(field: NDArray[np.uint8] | int) -> str:
    """Hexadecimal text of one byte or of a field of bytes."""
    return f"{int(field):02x}" if np.ndim(field) == 0 else np.asarray(field).tobytes().hex()


def decimal_columns(field: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Numbers of packed decimal bytes, one a row; -1 where a digit lies beyond 9."""
    high, low = field >> 4, field & 15
    value = np.zeros(field.shape[0], np.int64)
    for column in range(field.shape[1]):
        value = value * 100 + high[:, column] * 10 + low[:, column]
    value[((high > 9) | (low > 9)).any(axis=1)] = -1
    return value


def packed_decimal(value: int, digits: int) -> NDArray[np.uint8]:
    """Packed decimal bytes of a number; `digits` is even."""
    return np.frombuffer(bytes.fromhex(f"{value:0{digits}d}"), np.uint8)
