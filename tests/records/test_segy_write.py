"""Continuous SEG-Y as written: byte for byte, and as segyio reads it."""

from __future__ import annotations

import numpy as np
import pytest
import segyio

from deblend.errors import InputError, OutputError, TimeError
from deblend.synth.segy_write import write_continuous_segy

START_NS = 1_748_779_203_512_345_678  # 2025-06-01T12:00:03.512345678, as in conftest
INTERVAL_NS = 2_000_000

WHOLE_SECOND_NS = START_NS - START_NS % 1_000_000_000


def test_file_size_closes_as_in_the_standard(write):
    # SEG-Y revision 2.0, file structure: 3600 + 3 * (240 * 2 + 6000 * 4).
    path = write("a.sgy", np.zeros((3, 6000), np.float32))
    assert path.stat().st_size == 77040


def test_revision_2_byte_for_byte(write, samples):
    long = np.zeros((2, 70000), np.float32)
    long[1, 0] = 118.625
    data = write("a.sgy", long, channel_numbers=[7, 9]).read_bytes()

    def at(first, last):
        return data[first - 1 : last].hex(" ").upper()

    # SEG-Y revision 2.0, Table 2
    assert at(3221, 3222) == "00 00"  # does not fit; 3269 holds it
    assert at(3225, 3226) == "00 05"
    assert at(3269, 3272) == "00 01 11 70"
    assert at(3273, 3280) == "40 9F 40 00 00 00 00 00"
    assert at(3297, 3300) == "01 02 03 04"
    assert at(3501, 3504) == "02 00 00 01"
    assert at(3505, 3512) == "00 00 00 00 00 01 00 04"
    assert at(3513, 3520) == "00 00 00 00 00 00 00 02"
    assert at(3521, 3528) == "00 00 00 00 00 00 0E 10"
    # Table 3: 2025-06-01 is day 152; 12:00:03 UTC
    trace = 3600
    assert at(trace + 13, trace + 16) == "00 00 00 07"
    assert at(trace + 29, trace + 30) == "00 01"
    assert at(trace + 157, trace + 168) == "07 E9 00 98 00 0C 00 00 00 03 00 04"
    assert data[trace + 232 : trace + 240] == b"SEG00000"
    # Trace header extension 1: 512 345 678 ns
    extension = trace + 240
    assert at(extension + 137, extension + 140) == "00 01 11 70"
    assert at(extension + 141, extension + 144) == "1E 89 C6 4E"
    assert at(extension + 145, extension + 152) == "40 9F 40 00 00 00 00 00"
    assert data[extension + 232 : extension + 240] == b"SEG00001"
    # First sample of the second trace
    second = 3600 + 480 + 4 * 70000
    assert at(second + 13, second + 16) == "00 00 00 09"
    assert at(second + 481, second + 484) == "42 ED 40 00"


def test_gps_times_carry_their_code(write, samples):
    data = write("a.sgy", samples, time_scale="gps").read_bytes()
    assert data[3510:3512] == b"\0\x05"
    assert data[3600 + 166 : 3600 + 168] == b"\0\x05"


@pytest.mark.parametrize("sample_format", [1, 5])
def test_segyio_reads_revision_1(write, samples, sample_format):
    path = write(
        "a.sgy", samples, start_ns=WHOLE_SECOND_NS, revision=1, sample_format=sample_format
    )
    with segyio.open(path, ignore_geometry=True) as file:
        tolerance = 2e-6 if sample_format == 1 else 0
        np.testing.assert_allclose(file.trace.raw[:], samples, rtol=tolerance, atol=0)
        assert file.attributes(segyio.TraceField.TraceNumber)[:].tolist() == [1, 2, 3, 4]
        assert segyio.tools.dt(file) == 2000.0
        assert file.bin[segyio.BinField.SEGYRevision] == 1
        header = file.header[0]
        date = [header[word] for word in (157, 159, 161, 163, 165, 167)]
        assert date == [2025, 152, 12, 0, 3, 4]
        assert file.text[0][:4] in (b"C 1 ", b"\xc3@\xf1@")


def test_ieee_keeps_unknown_samples_and_ibm_refuses_them(write, samples, tmp_path):
    samples[1, 2] = np.nan
    data = write("a.sgy", samples).read_bytes()
    offset = 3600 + (480 + 1200) + 480 + 8
    assert np.isnan(np.frombuffer(data, ">f4", 1, offset)[0])
    with pytest.raises(InputError, match="cannot be written as IBM"):
        write("b.sgy", samples, sample_format=1)
    assert [path.name for path in tmp_path.iterdir()] == ["a.sgy"]


REFUSED = {
    "no samples": ({"samples": np.zeros((4, 0), np.float32)}, r"shape \(4, 0\)"),
    "one dimension": ({"samples": np.zeros(4, np.float32)}, r"shape \(4,\)"),
    "channels": ({"channel_numbers": [1, 2]}, "2 channel numbers given for 4"),
    "large channel": ({"channel_numbers": [1, 2, 3, 2**31]}, "2147483648 does not fit"),
    "interval": ({"interval_ns": 0}, "interval of 0 ns"),
    "format": ({"sample_format": 3}, "sample format 3 is not written"),
    "revision": ({"revision": 0}, "revision 0 with"),
    "fraction in revision 1": ({"revision": 1, "start_ns": START_NS}, "is not a whole second"),
    "interval in revision 1": ({"revision": 1, "interval_ns": 62_500}, "interval of 62500 ns"),
    "long in revision 1": (
        {"revision": 1, "samples": np.zeros((4, 32768), np.float32)},
        "32768 samples a trace exceed 32767",
    ),
    "text": ({"textual_lines": ["x"] * 39}, "39 lines"),
}


@pytest.mark.parametrize(("changes", "message"), REFUSED.values(), ids=REFUSED)
def test_refused_without_leaving_a_file(tmp_path, samples, changes, message):
    arguments = {
        "samples": samples,
        "interval_ns": INTERVAL_NS,
        "start_ns": WHOLE_SECOND_NS,
        "time_scale": "utc",
        "channel_numbers": [1, 2, 3, 4],
    } | changes
    with pytest.raises(InputError, match=message):
        write_continuous_segy(tmp_path / "a.sgy", **arguments)
    assert list(tmp_path.iterdir()) == []


def test_time_scale_and_folder_are_checked(write, samples):
    with pytest.raises(TimeError, match="'tai' is not known"):
        write("a.sgy", samples, time_scale="tai")
    with pytest.raises(OutputError, match="cannot be written"):
        write("none/a.sgy", samples)
