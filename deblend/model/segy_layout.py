"""Byte tables of SEG-Y headers, sample encodings and the facts that depend on the revision.

Field offsets follow the SEG-Y revision 2.0 standard [1]_, tables 2 and 3 and trace header
extension 1; revision 1 [2]_ is the same table with fewer fields. All words are big-endian here;
``dtype.newbyteorder("<")`` gives the tables of a little-endian file.

References
----------
.. [1] SEG Technical Standards Committee, 2017, SEG-Y revision 2.0 Data Exchange Format.
.. [2] SEG Technical Standards Committee, 2002, SEG Y rev 1 Data Exchange Format.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError

TEXTUAL_HEADER_BYTES: Final = 3200
BINARY_HEADER_BYTES: Final = 400
TRACE_HEADER_BYTES: Final = 240
FIRST_HEADERS_BYTES: Final = TEXTUAL_HEADER_BYTES + BINARY_HEADER_BYTES

BYTE_ORDER_CONSTANT: Final = 0x01020304
"""What bytes 3297-3300 read in the byte order of the file (revision 2)."""
STANDARD_HEADER_NAME: Final = b"SEG00000"
EXTENSION_1_NAME: Final = b"SEG00001"
LARGEST_SIGNED_COUNT: Final = 32767


def _table(first_byte: int, size: int, rows: Sequence[tuple[int, str, str]]) -> np.dtype[np.void]:
    """Structured type of a header from rows (byte position, type, name)."""
    return np.dtype(
        {
            "names": [name for _, _, name in rows],
            "formats": [kind for _, kind, _ in rows],
            "offsets": [byte - first_byte for byte, _, _ in rows],
            "itemsize": size,
        }
    )


BINARY_HEADER: Final = _table(
    3201,
    BINARY_HEADER_BYTES,
    (
        # byte in the file, counted from 1
        (3201, ">i4", "job"),
        (3205, ">i4", "line"),
        (3209, ">i4", "reel"),
        (3213, ">i2", "data_traces"),  # per ensemble
        (3215, ">i2", "auxiliary_traces"),
        (3217, ">u2", "sample_interval"),  # microseconds
        (3219, ">u2", "original_sample_interval"),
        (3221, ">u2", "sample_count"),
        (3223, ">u2", "original_sample_count"),
        (3225, ">i2", "sample_format"),
        (3227, ">i2", "ensemble_fold"),
        (3229, ">i2", "sorting"),  # 1 as recorded, 5 common source
        (3255, ">i2", "length_unit"),  # 1 metre, 2 foot
        (3257, ">i2", "polarity"),  # 1 pressure increase is negative, 2 positive
        (3261, ">u4", "extended_data_traces"),  # from here to 3300: revision 2
        (3265, ">u4", "extended_auxiliary_traces"),
        (3269, ">u4", "extended_sample_count"),  # nonzero overrides 3221
        (3273, ">f8", "extended_sample_interval"),  # microseconds; nonzero overrides 3217
        (3281, ">f8", "extended_original_sample_interval"),
        (3289, ">u4", "extended_original_sample_count"),
        (3293, ">u4", "extended_ensemble_fold"),
        (3297, ">u4", "byte_order_constant"),
        (3501, "u1", "major_revision"),
        (3502, "u1", "minor_revision"),
        (3503, ">i2", "fixed_trace_length"),
        (3505, ">i2", "extended_textual_headers"),  # -1 variable
        (3507, ">u4", "additional_trace_headers"),  # revision 2.0
        (3507, ">i2", "additional_trace_headers_2_1"),  # revision 2.1 cuts the word in two
        (3509, ">i2", "survey_type_2_1"),
        (3511, ">i2", "time_basis"),  # 1 local, 2 GMT, 3 other, 4 UTC, 5 GPS
        (3513, ">u8", "trace_count"),  # 0 not given
        (3521, ">u8", "first_trace_offset"),  # bytes; 0 not given
        (3529, ">i4", "trailer_stanzas"),  # -1 unknown
    ),
)

TRACE_HEADER: Final = _table(
    1,
    TRACE_HEADER_BYTES,
    (
        (1, ">i4", "sequence_in_line"),
        (5, ">i4", "sequence_in_file"),
        (9, ">i4", "field_record"),
        (13, ">i4", "channel"),
        (17, ">i4", "source_point"),
        (21, ">i4", "ensemble"),
        (25, ">i4", "trace_in_ensemble"),
        (29, ">i2", "trace_identification"),  # 1 seismic, 2 dead, 3 dummy
        (31, ">i2", "vertically_summed"),
        (33, ">i2", "horizontally_stacked"),
        (35, ">i2", "data_use"),  # 1 production, 2 test
        (37, ">i4", "offset"),  # negative when opposite to the shooting direction
        (41, ">i4", "receiver_elevation"),
        (45, ">i4", "source_surface_elevation"),
        (49, ">i4", "source_depth"),  # positive down
        (53, ">i4", "receiver_datum_elevation"),
        (57, ">i4", "source_datum_elevation"),
        (61, ">i4", "water_depth_at_source"),
        (65, ">i4", "water_depth_at_receiver"),
        (69, ">i2", "elevation_scalar"),  # of bytes 41-68
        (71, ">i2", "coordinate_scalar"),  # of bytes 73-88 and 181-188
        (73, ">i4", "source_x"),
        (77, ">i4", "source_y"),
        (81, ">i4", "receiver_x"),
        (85, ">i4", "receiver_y"),
        (89, ">i2", "coordinate_unit"),  # 1 length
        (91, ">i2", "weathering_velocity"),
        (93, ">i2", "subweathering_velocity"),
        (95, ">i2", "uphole_time_at_source"),  # ms, as all times to 114
        (97, ">i2", "uphole_time_at_receiver"),
        (99, ">i2", "source_static"),
        (101, ">i2", "receiver_static"),
        (103, ">i2", "total_static"),
        (105, ">i2", "lag_time_a"),
        (107, ">i2", "lag_time_b"),
        (109, ">i2", "delay_recording_time"),  # from source initiation to the first sample
        (111, ">i2", "mute_start"),
        (113, ">i2", "mute_end"),
        (115, ">u2", "sample_count"),
        (117, ">u2", "sample_interval"),  # microseconds
        (157, ">i2", "year"),
        (159, ">i2", "day_of_year"),
        (161, ">i2", "hour"),
        (163, ">i2", "minute"),
        (165, ">i2", "second"),
        (167, ">i2", "time_basis"),  # overrides 3511
        (169, ">i2", "weighting_factor"),  # N: integer samples count units of 2^-N
        (181, ">i4", "ensemble_x"),
        (185, ">i4", "ensemble_y"),
        (189, ">i4", "inline_number"),
        (193, ">i4", "crossline_number"),
        (197, ">i4", "shot_point"),
        (201, ">i2", "shot_point_scalar"),
        (203, ">i2", "sample_unit"),
        (205, ">i4", "transduction_mantissa"),
        (209, ">i2", "transduction_exponent"),
        (211, ">i2", "transduction_unit"),
        (213, ">i2", "device"),
        (215, ">i2", "time_scalar"),  # of the times in bytes 95-114
        (217, ">i2", "source_type"),
        (219, ">i2", "source_direction_vertical"),
        (221, ">i2", "source_direction_crossline"),
        (223, ">i2", "source_direction_inline"),
        (225, ">i4", "source_measurement_mantissa"),
        (229, ">i2", "source_measurement_exponent"),
        (231, ">i2", "source_measurement_unit"),
        (233, "S8", "header_name"),  # revision 2: SEG00000 or blank
        (233, ">i4", "unassigned_233"),  # revision 1 leaves 233-240 to the writer
        (237, ">i4", "unassigned_237"),
    ),
)

TRACE_HEADER_EXTENSION_1: Final = _table(
    1,
    TRACE_HEADER_BYTES,
    (
        (1, ">u8", "sequence_in_line"),
        (9, ">u8", "sequence_in_file"),
        (17, ">i8", "field_record"),
        (25, ">i8", "ensemble"),
        (33, ">f8", "receiver_elevation"),
        (41, ">f8", "receiver_depth"),
        (49, ">f8", "source_surface_elevation"),
        (57, ">f8", "source_depth"),
        (65, ">f8", "receiver_datum_elevation"),
        (73, ">f8", "source_datum_elevation"),
        (81, ">f8", "water_depth_at_source"),
        (89, ">f8", "water_depth_at_receiver"),
        (97, ">f8", "source_x"),
        (105, ">f8", "source_y"),
        (113, ">f8", "receiver_x"),
        (121, ">f8", "receiver_y"),
        (129, ">f8", "offset"),
        (137, ">u4", "sample_count"),
        (141, ">i4", "nanosecond"),  # added to the second of bytes 165-166
        (145, ">f8", "sample_interval"),  # microseconds
        (153, ">i4", "cable"),
        (157, ">u2", "additional_header_count"),  # in this trace
        (159, ">i2", "last_trace_in_group"),
        (161, ">f8", "ensemble_x"),
        (169, ">f8", "ensemble_y"),
        (233, "S8", "header_name"),  # SEG00001
    ),
)


class SampleFormat(NamedTuple):
    """Name and size of a sample format."""

    name: str
    byte_count: int


IBM_FLOAT: Final = 1
IEEE_FLOAT: Final = 5
SAMPLE_FORMATS: Final[dict[int, SampleFormat]] = {
    1: SampleFormat("IBM float 32", 4),
    2: SampleFormat("int 32", 4),
    3: SampleFormat("int 16", 2),
    4: SampleFormat("fixed point with gain", 4),
    5: SampleFormat("IEEE float 32", 4),
    6: SampleFormat("IEEE float 64", 8),
    7: SampleFormat("int 24", 3),
    8: SampleFormat("int 8", 1),
    9: SampleFormat("int 64", 8),
    10: SampleFormat("uint 32", 4),
    11: SampleFormat("uint 16", 2),
    12: SampleFormat("uint 64", 8),
    15: SampleFormat("uint 24", 3),
    16: SampleFormat("uint 8", 1),
}

SAMPLE_UNITS: Final[dict[int, str]] = {
    1: "Pa",
    2: "V",
    3: "mV",
    4: "A",
    5: "m",
    6: "m/s",
    7: "m/s²",
    8: "N",
    9: "W",
}
"""Meaning of trace header bytes 203-204; -1 other and 0 unknown are left out."""

DEAD_TRACE: Final = 2
DUMMY_TRACE: Final = 3
SEISMIC_TRACE: Final = 1

TIME_BASIS_NAMES: Final[dict[int, str]] = {1: "local", 2: "GMT", 3: "other", 4: "UTC", 5: "GPS"}
TIME_BASIS_SCALES: Final[dict[int, str]] = {2: "utc", 4: "utc", 5: "gps"}
"""Time scale of a time basis code; local and other times have none."""
TIME_BASIS_CODES: Final[dict[str, int]] = {"utc": 4, "gps": 5}


def additional_trace_header_count(binary: np.void) -> int:
    """Number of 240-byte headers behind the standard one in every trace.

    Revision 2.0 gives it in four bytes (3507-3510), 2.1 in the first two of them; earlier
    revisions have none.
    """
    if binary["major_revision"] < 2:
        return 0
    if binary["minor_revision"] == 0:
        return int(binary["additional_trace_headers"])
    return int(binary["additional_trace_headers_2_1"])


def ieee_from_ibm(words: NDArray[np.uint32]) -> NDArray[np.float32]:
    """Values of IBM single-precision words, in any byte order.

    Sign (1 bit), exponent of 16 plus 64 (7 bits), fraction (24 bits). Exact within the range of
    float32; signed infinity above it (IBM reaches 7e75), gradually rounded to zero below 1e-38.
    """
    with np.errstate(over="ignore", under="ignore"):
        values = (words & np.uint32(0xFFFFFF)) * _IBM_SCALE[words >> np.uint32(24)]
        return np.asarray(values, dtype=np.float32)


def _ibm_scale() -> NDArray[np.float64]:
    """Value of one unit of the fraction for each leading byte (sign and exponent)."""
    byte = np.arange(256)
    magnitude = np.ldexp(1.0, 4 * ((byte & 0x7F) - 64) - 24)
    scale = np.asarray(np.where(byte & 0x80, -magnitude, magnitude), dtype=np.float64)
    scale.setflags(write=False)
    return scale


_IBM_SCALE: Final = _ibm_scale()


def ibm_from_ieee(values: NDArray[np.float32]) -> NDArray[np.uint32]:
    """IBM single-precision words nearest to `values` (up to three bits are lost), in native order.

    Raises
    ------
    InputError
        If a value is NaN or infinite, which this format cannot hold.
    """
    numbers = np.asarray(values, dtype=np.float32)
    if not np.isfinite(numbers).all():
        raise InputError(
            "NaN or infinite samples cannot be written as IBM float (format 1)",
            remedy="Write IEEE float (format 5).",
        )
    mantissa, exponent = np.frexp(np.abs(numbers).astype(np.float64))
    hexadecimal = -(-exponent // 4)
    fraction = np.rint(np.ldexp(mantissa, exponent - 4 * hexadecimal + 24)).astype(np.uint32)
    carried = fraction == 1 << 24
    fraction = np.where(carried, np.uint32(1 << 20), fraction)
    hexadecimal = hexadecimal + carried + 64
    words = np.where(fraction == 0, 0, hexadecimal.astype(np.uint32) << np.uint32(24) | fraction)
    sign = np.signbit(numbers).astype(np.uint32) << np.uint32(31)
    return np.asarray(words | sign, dtype=np.uint32)


def encode_textual_header(
    lines: Sequence[str], *, revision: int = 1, codec: str = "cp037"
) -> bytes:
    """Textual header of 40 lines of 80 characters.

    Parameters
    ----------
    lines : sequence of str
        At most 38 lines of at most 76 characters each, without the leading ``C 1``.
    revision : {1, 2}, optional
        Written in line 39; line 40 closes the header.
    codec : str, optional
        ``"cp037"`` for EBCDIC, ``"ascii"`` for ASCII. Characters outside become ``?``.
    """
    if len(lines) > 38:
        raise InputError(
            f"{len(lines)} lines were given for the textual header",
            remedy="Give at most 38; lines 39 and 40 are set by the standard.",
        )
    for number, line in enumerate(lines, start=1):
        if len(line) > 76:
            raise InputError(
                f"line {number} of the textual header has {len(line)} characters: {line!r}",
                remedy="Keep to 76 characters a line.",
            )
    text = [*lines, *[""] * (38 - len(lines))]
    text += ["SEG Y REV1" if revision == 1 else "SEG-Y REV2.0", "END TEXTUAL HEADER"]
    cards = (f"C{number:2d} {line}".ljust(80) for number, line in enumerate(text, start=1))
    # ASCII first: cp037 also maps accented letters, which readers elsewhere may not share.
    ascii_only = "".join(cards).encode("ascii", errors="replace").decode("ascii")
    return ascii_only.encode(codec)
