"""Byte tables against the standard and segyio; sample encodings against worked examples."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
import segyio
from hypothesis import given, settings
from hypothesis import strategies as st

from deblend.errors import InputError
from deblend.model import segy_layout as layout

# Positions as the general-purpose library segyio 1.9 names them (segyio.TraceField, BinField).
TRACE_FIELDS = {
    "sequence_in_line": "TRACE_SEQUENCE_LINE",
    "sequence_in_file": "TRACE_SEQUENCE_FILE",
    "field_record": "FieldRecord",
    "channel": "TraceNumber",
    "source_point": "EnergySourcePoint",
    "ensemble": "CDP",
    "trace_in_ensemble": "CDP_TRACE",
    "trace_identification": "TraceIdentificationCode",
    "vertically_summed": "NSummedTraces",
    "horizontally_stacked": "NStackedTraces",
    "data_use": "DataUse",
    "offset": "offset",
    "receiver_elevation": "ReceiverGroupElevation",
    "source_surface_elevation": "SourceSurfaceElevation",
    "source_depth": "SourceDepth",
    "receiver_datum_elevation": "ReceiverDatumElevation",
    "source_datum_elevation": "SourceDatumElevation",
    "water_depth_at_source": "SourceWaterDepth",
    "water_depth_at_receiver": "GroupWaterDepth",
    "elevation_scalar": "ElevationScalar",
    "coordinate_scalar": "SourceGroupScalar",
    "source_x": "SourceX",
    "source_y": "SourceY",
    "receiver_x": "GroupX",
    "receiver_y": "GroupY",
    "coordinate_unit": "CoordinateUnits",
    "weathering_velocity": "WeatheringVelocity",
    "subweathering_velocity": "SubWeatheringVelocity",
    "uphole_time_at_source": "SourceUpholeTime",
    "uphole_time_at_receiver": "GroupUpholeTime",
    "source_static": "SourceStaticCorrection",
    "receiver_static": "GroupStaticCorrection",
    "total_static": "TotalStaticApplied",
    "lag_time_a": "LagTimeA",
    "lag_time_b": "LagTimeB",
    "delay_recording_time": "DelayRecordingTime",
    "mute_start": "MuteTimeStart",
    "mute_end": "MuteTimeEND",
    "sample_count": "TRACE_SAMPLE_COUNT",
    "sample_interval": "TRACE_SAMPLE_INTERVAL",
    "year": "YearDataRecorded",
    "day_of_year": "DayOfYear",
    "hour": "HourOfDay",
    "minute": "MinuteOfHour",
    "second": "SecondOfMinute",
    "time_basis": "TimeBaseCode",
    "ensemble_x": "CDP_X",
    "ensemble_y": "CDP_Y",
    "inline_number": "INLINE_3D",
    "crossline_number": "CROSSLINE_3D",
    "shot_point": "ShotPoint",
    "shot_point_scalar": "ShotPointScalar",
    "sample_unit": "TraceValueMeasurementUnit",
    "transduction_mantissa": "TransductionConstantMantissa",
    "transduction_exponent": "TransductionConstantPower",
    "transduction_unit": "TransductionUnit",
    "device": "TraceIdentifier",
    "time_scalar": "ScalarTraceHeader",
    "source_type": "SourceType",
    "source_measurement_mantissa": "SourceMeasurementMantissa",
    "source_measurement_exponent": "SourceMeasurementExponent",
    "source_measurement_unit": "SourceMeasurementUnit",
    "unassigned_233": "UnassignedInt1",
    "unassigned_237": "UnassignedInt2",
}
BINARY_FIELDS = {
    "job": "JobID",
    "line": "LineNumber",
    "reel": "ReelNumber",
    "data_traces": "Traces",
    "auxiliary_traces": "AuxTraces",
    "sample_interval": "Interval",
    "original_sample_interval": "IntervalOriginal",
    "sample_count": "Samples",
    "original_sample_count": "SamplesOriginal",
    "sample_format": "Format",
    "ensemble_fold": "EnsembleFold",
    "sorting": "SortingCode",
    "length_unit": "MeasurementSystem",
    "polarity": "ImpulseSignalPolarity",
    "extended_data_traces": "ExtTraces",
    "extended_auxiliary_traces": "ExtAuxTraces",
    "extended_sample_count": "ExtSamples",
    "extended_original_sample_count": "ExtSamplesOriginal",
    "extended_ensemble_fold": "ExtEnsembleFold",
    "major_revision": "SEGYRevision",
    "minor_revision": "SEGYRevisionMinor",
    "fixed_trace_length": "TraceFlag",
    "extended_textual_headers": "ExtendedHeaders",
}


def byte_of(table, name, first=1):
    return table.fields[name][1] + first


def test_tables_have_the_lengths_of_the_standard():
    assert layout.BINARY_HEADER.itemsize == 400
    assert layout.TRACE_HEADER.itemsize == 240
    assert layout.TRACE_HEADER_EXTENSION_1.itemsize == 240


@pytest.mark.parametrize(("ours", "theirs"), TRACE_FIELDS.items())
def test_trace_header_positions_are_those_of_segyio(ours, theirs):
    assert byte_of(layout.TRACE_HEADER, ours) == int(getattr(segyio.TraceField, theirs))


@pytest.mark.parametrize(("ours", "theirs"), BINARY_FIELDS.items())
def test_binary_header_positions_are_those_of_segyio(ours, theirs):
    assert byte_of(layout.BINARY_HEADER, ours, 3201) == int(getattr(segyio.BinField, theirs))


@pytest.mark.parametrize(
    ("table", "first", "name", "byte", "value", "stored"),
    [
        # SEG-Y revision 2.0, Table 2 (binary header), positions and types
        (layout.BINARY_HEADER, 3201, "extended_sample_count", 3269, 70000, "00011170"),
        (layout.BINARY_HEADER, 3201, "extended_sample_interval", 3273, 2000.0, "409F400000000000"),
        (layout.BINARY_HEADER, 3201, "extended_sample_interval", 3273, 62.5, "404F400000000000"),
        (layout.BINARY_HEADER, 3201, "byte_order_constant", 3297, 0x01020304, "01020304"),
        (layout.BINARY_HEADER, 3201, "additional_trace_headers", 3507, 1, "00000001"),
        (layout.BINARY_HEADER, 3201, "additional_trace_headers_2_1", 3507, 1, "0001"),
        (layout.BINARY_HEADER, 3201, "time_basis", 3511, 4, "0004"),
        (layout.BINARY_HEADER, 3201, "trace_count", 3513, 3, "0000000000000003"),
        (layout.BINARY_HEADER, 3201, "first_trace_offset", 3521, 3600, "0000000000000E10"),
        (layout.BINARY_HEADER, 3201, "trailer_stanzas", 3529, -1, "FFFFFFFF"),
        # SEG-Y revision 2.0, Table 3 (trace header)
        (layout.TRACE_HEADER, 1, "source_x", 73, 45678912, "02B90140"),
        (layout.TRACE_HEADER, 1, "source_y", 77, 648432150, "26A64A16"),
        (layout.TRACE_HEADER, 1, "shot_point", 197, 506025, "0007B8A9"),
        (layout.TRACE_HEADER, 1, "header_name", 233, b"SEG00000", b"SEG00000".hex()),
        # SEG-Y revision 2.0, trace header extension 1
        (layout.TRACE_HEADER_EXTENSION_1, 1, "nanosecond", 141, 512345000, "1E89C3A8"),
        (layout.TRACE_HEADER_EXTENSION_1, 1, "source_x", 97, 456789.125, "411BE15480000000"),
        (layout.TRACE_HEADER_EXTENSION_1, 1, "offset", 129, -162.5, "C064500000000000"),
        (layout.TRACE_HEADER_EXTENSION_1, 1, "sample_count", 137, 70000, "00011170"),
        (layout.TRACE_HEADER_EXTENSION_1, 1, "sample_interval", 145, 62.5, "404F400000000000"),
        (layout.TRACE_HEADER_EXTENSION_1, 1, "cable", 153, 7, "00000007"),
        (layout.TRACE_HEADER_EXTENSION_1, 1, "additional_header_count", 157, 1, "0001"),
        (layout.TRACE_HEADER_EXTENSION_1, 1, "header_name", 233, b"SEG00001", b"SEG00001".hex()),
    ],
)
def test_value_lies_where_the_standard_puts_it(table, first, name, byte, value, stored):
    header = np.zeros(1, table)
    header[name] = value
    data = header.tobytes()
    begin = byte - first
    expected = bytes.fromhex(stored)
    assert data[begin : begin + len(expected)] == expected
    assert data.count(0) == len(data) - sum(byte != 0 for byte in expected)


def test_microseconds_of_the_fire_time_fit_into_bytes_233_to_236():
    header = np.zeros(1, layout.TRACE_HEADER)
    header["unassigned_233"] = 512345
    assert header.tobytes()[232:236] == (512345).to_bytes(4, "big")


@pytest.mark.parametrize(
    ("value", "word"),
    # SEG-Y revision 2.0, sample formats 1 and 5; the third also stands in IBM's own manuals
    [(1.0, 0x41100000), (-1.5, 0xC1180000), (0.15625, 0x40280000), (118.625, 0x4276A000)],
)
def test_ibm_words_of_worked_examples(value, word):
    assert layout.ibm_from_ieee(np.array([value], np.float32))[0] == word
    assert layout.ieee_from_ibm(np.array([word], np.uint32))[0] == value
    assert layout.ieee_from_ibm(np.array([word], ">u4"))[0] == value


@given(st.integers(0, 2**32 - 1))
@settings(derandomize=True, max_examples=300, deadline=None)
def test_ibm_words_mean_what_their_definition_says(word):
    sign = -1 if word >> 31 else 1
    exponent = (word >> 24) & 0x7F
    exact = sign * Fraction(word & 0xFFFFFF, 1 << 24) * Fraction(16) ** (exponent - 64)
    found = float(layout.ieee_from_ibm(np.array([word], np.uint32))[0])
    with np.errstate(over="ignore"):
        assert found == float(np.float32(float(exact)))


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
@settings(derandomize=True, max_examples=300, deadline=None)
def test_ibm_round_trip_is_within_three_lost_bits(value):
    word = layout.ibm_from_ieee(np.array([value], np.float32))
    back = float(layout.ieee_from_ibm(word)[0])
    assert back == pytest.approx(value, rel=2.0**-21, abs=2.0**-148)
    assert np.array_equal(layout.ibm_from_ieee(np.float32([back])), word) or abs(value) < 1e-37


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_ibm_refuses_what_it_cannot_hold(value):
    with pytest.raises(InputError, match="cannot be written as IBM float"):
        layout.ibm_from_ieee(np.array([0.0, value], np.float32))


def test_ibm_values_beyond_float32_become_infinite():
    # Fraction 1/16 and exponent 127: 16^62, far above 3.4e38.
    assert layout.ieee_from_ibm(np.array([0x7F100000], np.uint32))[0] == np.inf
    assert layout.ieee_from_ibm(np.array([0xFF100000], np.uint32))[0] == -np.inf


def cards(header: bytes, codec: str = "cp037") -> list[str]:
    """The 40 lines of a textual header, blanks at their ends removed."""
    text = header.decode(codec)
    return [text[start : start + 80].rstrip() for start in range(0, len(text), 80)]


@pytest.mark.parametrize(("codec", "first"), [("cp037", 0xC3), ("ascii", 0x43)])
def test_textual_header_round_trip(codec, first):
    lines = ["A LINE OF 76 CHARACTERS ".ljust(76, "x"), "second"]
    header = layout.encode_textual_header(lines, revision=1, codec=codec)
    assert len(header) == 3200
    assert header[0] == first
    decoded = cards(header, codec)
    assert decoded[0] == "C 1 " + lines[0]
    assert decoded[1] == "C 2 second"
    assert decoded[38:] == ["C39 SEG Y REV1", "C40 END TEXTUAL HEADER"]


def test_textual_header_of_revision_2_says_so():
    header = layout.encode_textual_header([], revision=2)
    assert cards(header)[38] == "C39 SEG-Y REV2.0"


def test_textual_header_refuses_what_does_not_fit():
    with pytest.raises(InputError, match="39 lines"):
        layout.encode_textual_header([""] * 39)
    with pytest.raises(InputError, match=r"line 2 .* 77 characters"):
        layout.encode_textual_header(["", "x" * 77])


def test_characters_outside_ascii_become_question_marks():
    header = layout.encode_textual_header(["depth 5 µm ≈ é"])
    assert cards(header)[0] == "C 1 depth 5 ?m ? ?"


@pytest.mark.parametrize(
    ("major", "minor", "stored", "count"),
    [
        (1, 0, "00000001", 0),
        (2, 0, "00000001", 1),
        (2, 1, "00010002", 1),
        (2, 1, "00000001", 0),
    ],
)
def test_additional_headers_by_revision(major, minor, stored, count):
    data = bytearray(400)
    data[300:302] = bytes([major, minor])
    data[306:310] = bytes.fromhex(stored)
    binary = np.frombuffer(bytes(data), layout.BINARY_HEADER)[0]
    assert layout.additional_trace_header_count(binary) == count
