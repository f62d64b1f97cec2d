"""Records that cannot be used: one clear error each, whatever the damage."""

from __future__ import annotations

import os
import struct
from collections import Counter

import numpy as np
import pytest
import segy_mutants

from deblend.errors import RecordError, TimeError
from deblend.records import file_bytes
from deblend.records.open import open_recording

START_NS = 1_748_779_203_512_345_678  # 2025-06-01T12:00:03.512345678, as in conftest


def test_no_files(tmp_path):
    with pytest.raises(RecordError, match="no record file was given"):
        open_recording([], time_scale="utc")
    with pytest.raises(RecordError, match=r"no file matches: .*\*\.sgy"):
        open_recording([str(tmp_path / "*.sgy")], time_scale="utc")
    with pytest.raises(RecordError, match=r"no file matches: .*none\.sgy"):
        open_recording([tmp_path / "none.sgy"], time_scale="utc")
    with pytest.raises(RecordError, match=r"is a folder: .* Name files, or a pattern"):
        open_recording(tmp_path, time_scale="utc")


def test_time_scale_must_be_known(tmp_path):
    with pytest.raises(TimeError, match="'tai' is not known"):
        open_recording(tmp_path, time_scale="tai")


def test_text_file(tmp_path):
    path = tmp_path / "notes.sgy"
    path.write_text("Notes of the observer, no SEG-Y file at all.\n" * 200)
    with pytest.raises(RecordError, match=r"notes\.sgy: bytes 3225-3226 read .* no SEG-Y sample f"):
        open_recording(path, time_scale="utc")


HEADER_ENDS = [0, 1, 3199, 3200, 3599, 3600, 3601, 3840, 3841, 4079, 4080, 4081, 5279, 5280, 5281]


@pytest.mark.parametrize("revision", [1, 2])
@pytest.mark.parametrize("length", [*HEADER_ENDS, 5520, 5760, 9000, -1])
def test_truncated_at_every_header_boundary(write, samples, revision, length):
    start_ns = START_NS - START_NS % 10**9
    path = write("a.sgy", samples, revision=revision, start_ns=start_ns)
    path.write_bytes(path.read_bytes()[:length])
    with pytest.raises(RecordError, match=r"a\.sgy: .*(truncated|copy it again)"):
        open_recording(path, time_scale="utc", start_is_exact=True)


def test_truncation_names_expected_and_found_bytes(write, samples):
    path = write("a.sgy", samples)
    path.write_bytes(path.read_bytes()[:-100])
    # SEG-Y revision 2.0, file structure: 3600 + 4 * (240 * 2 + 300 * 4) = 10320
    with pytest.raises(RecordError, match=r"ask for 10320 bytes .* and the file has 10220"):
        open_recording(path, time_scale="utc")


def test_file_that_ends_behind_a_whole_trace(write, samples, patch):
    path = write("a.sgy", samples)
    patch(path, 3513, bytes(8))
    path.write_bytes(path.read_bytes()[: -(480 + 1200)])
    with pytest.raises(RecordError, match="announces 4 traces and the file holds 3"):
        open_recording(path, time_scale="utc")


def test_in_revision_1_that_is_a_finding(write, samples):
    path = write("a.sgy", samples, revision=1, start_ns=START_NS - START_NS % 10**9)
    path.write_bytes(path.read_bytes()[: -(240 + 1200)])
    recording = open_recording(path, time_scale="utc", start_is_exact=True)
    (finding,) = recording.findings
    assert (finding.metric, finding.value) == ("trace_count_against_header", -1.0)
    assert (finding.verdict, recording.shape) == ("fail", (3, 300))


BINARY_DAMAGE = {
    # position, bytes, message
    "zero samples": (3269, bytes(4), None),
    "int 16": (3225, b"\0\x03", r"the headers ask for \d+ bytes"),
    "fixed point": (3225, b"\0\x04", r"format 4 \(fixed point with gain\) is obsolete and not"),
    "unassigned format": (3225, b"\0\x0d", "read 13, which is no SEG-Y sample format"),
    "swapped format": (3225, b"\x05\0", "would be valid in a little-endian file"),
    "little-endian": (3297, b"\x04\x03\x02\x01", "read 1280, which is no SEG-Y sample format"),
    "pairwise swapped": (3297, b"\x02\x01\x04\x03", "read 1280, which is no SEG-Y sample"),
    "odd constant": (3297, b"\x01\x01\x01\x01", "byte-order constant .* reads 0x01010101"),
    "variable text": (3505, b"\xff\xff", r"no stanza \(\(SEG: EndText\)\) ends them"),
    "many texts": (3505, b"\x7f\xff", "first trace is said to begin at byte 3600"),
    "huge count": (3269, b"\xff\xff\xff\xff", r"the headers ask for \d+ bytes"),
    "huge trace count": (3513, b"\xff" * 8, r"the headers ask for \d+ bytes"),
    "negative headers": (3502, b"\x01\0\x01\0\0\xff\xff", "-1 additional trace headers"),
    "far first trace": (3521, b"\xff" * 8, "it holds no trace"),
    "negative interval": (3273, struct.pack(">d", -2000), "sample interval of -2000 us"),
    "NaN interval": (3273, struct.pack(">d", np.nan), "sample interval of nan us"),
    "odd interval": (3273, struct.pack(">d", 333.3333), "sample interval of 333.333 us"),
    "other interval": (3273, struct.pack(">d", 4000), "4000 us in the binary header and 2000 us"),
}


@pytest.mark.parametrize(("position", "data", "message"), BINARY_DAMAGE.values(), ids=BINARY_DAMAGE)
def test_damaged_binary_header(write, samples, patch, position, data, message):
    path = write("a.sgy", samples)
    patch(path, position, data)
    if message is None:  # bytes 3221-3222 still hold the count
        assert open_recording(path, time_scale="utc").shape == samples.shape
        patch(path, 3221, bytes(2))
        message = "0 samples a trace"
    with pytest.raises(RecordError, match=message):
        open_recording(path, time_scale="utc")


TRACE_DAMAGE = {
    # header, position, bytes, traces, message
    "another second": (0, 165, b"\0\x04", (2, 3), "trace 3 differs from trace 1 in second"),
    "another fraction": (1, 141, bytes(4), (1, 2), "trace 2 differs from trace 1 in nanosecond"),
    "another interval": (1, 145, struct.pack(">d", 4000), (3, 4), "trace 4 .* sample interval"),
    "interval": (1, 145, struct.pack(">d", 4000), (0, 4), "2000 us in the binary .* 4000 us in"),
    "count": (1, 137, b"\0\0\0\x09", (0, 4), "extension 1 gives 9 samples"),
    "headers": (1, 157, b"\0\x02", (0, 4), "and 2 additional headers"),
    "same channel": (0, 13, b"\0\0\0\x01", (3, 4), r"channel 1 occurs 2 times"),
    "no date": (0, 157, bytes(10), (0, 4), "hold no date"),
    "no such day": (0, 159, b"\x01\x6e", (0, 4), "year 2025, day 366"),
    "two-digit year": (0, 157, b"\0\x19", (0, 4), "year 25, day 152"),
    "nanoseconds": (1, 141, b"\x7f\xff\xff\xff", (0, 4), "more than a second"),
}


@pytest.mark.parametrize(
    ("header", "position", "data", "traces", "message"), TRACE_DAMAGE.values(), ids=TRACE_DAMAGE
)
def test_damaged_trace_headers(
    write, samples, patch_traces, header, position, data, traces, message
):
    path = write("a.sgy", samples)
    patch_traces(path, position, data, header=header, traces=traces)
    with pytest.raises(RecordError, match=message):
        open_recording(path, time_scale="utc")


def test_no_interval_anywhere(write, samples, patch, patch_traces):
    path = write("a.sgy", samples)
    patch(path, 3217, bytes(2))
    patch(path, 3273, bytes(8))
    assert open_recording(path, time_scale="utc").interval_ns == 2_000_000
    patch_traces(path, 117, bytes(2))
    patch_traces(path, 145, bytes(8), header=1)
    with pytest.raises(RecordError, match="neither the binary header nor the trace headers"):
        open_recording(path, time_scale="utc")


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"interval_ns": 4_000_000}, r"sample intervals differ: 4 ms here, 2 ms in .*a\.sgy"),
        ({"samples": 3}, r"channel counts differ: 3 here, 4 in .*a\.sgy"),
        ({"channel_numbers": [1, 2, 3, 5]}, "channel numbers differ: no channel 4 here"),
        ({"start_ns": START_NS + 3 * 86_400 * 10**9}, "nothing was recorded for 3.0 days"),
    ],
)
def test_files_that_do_not_fit_together(write, samples, tmp_path, changes, message):
    write("a.sgy", samples)
    some = samples[: changes.pop("samples", 4)]
    write("b.sgy", some, 300, **changes)
    with pytest.raises(RecordError, match=rf"b\.sgy.*: .*{message}"):
        open_recording(str(tmp_path / "*.sgy"), time_scale="utc")


def test_files_of_two_time_scales(write, samples, tmp_path):
    write("a.sgy", samples)
    write("b.sgy", samples, 300, time_scale="gps")
    with pytest.raises(TimeError, match=r"b\.sgy: the file gives its times in GPS"):
        open_recording(str(tmp_path / "*.sgy"), time_scale="utc")


def test_file_that_goes_or_changes_after_opening(write, samples):
    path = write("a.sgy", samples)
    recording = open_recording(path, time_scale="utc")
    whole = path.read_bytes()
    path.write_bytes(whole[:-4])
    with pytest.raises(RecordError, match=r"has changed .* \(10320 bytes then, 10316 now\)"):
        recording.read([0], 0, 10)
    path.unlink()
    with pytest.raises(RecordError, match=r"a\.sgy: the file cannot be read \(No such file"):
        recording.read([0], 0, 10)
    path.write_bytes(whole)
    with pytest.raises(RecordError, match="has changed since its headers were read"):
        recording.read([0], 0, 10)
    again = open_recording(path, time_scale="utc")
    np.testing.assert_array_equal(again.read([0], 0, 10), samples[:1, :10])


def test_file_cut_short_while_it_is_read(write, samples, monkeypatch):
    """Between opening and the first sample: a memory map would end the process here."""
    path = write("a.sgy", samples)
    recording = open_recording(path, time_scale="utc")
    check = file_bytes.OpenFile.read_into

    def cut_then_read(self, buffer, position):
        os.truncate(path, 5000)
        check(self, buffer, position)

    monkeypatch.setattr(file_bytes.OpenFile, "read_into", cut_then_read)
    with pytest.raises(RecordError, match=r"has changed .* \(10320 bytes then, 5000 now\)"):
        recording.read([3], 0, 300)


def test_mutated_files_only_raise_errors_of_the_package(tmp_path):
    """A short run of what benchmarks/readers/fuzz_segy.py does at length."""
    generator, files = np.random.default_rng(11), segy_mutants.seeds()
    path = tmp_path / "mutant.sgy"
    for data in files:
        path.write_bytes(data)
        assert segy_mutants.use(path) == "read"
    outcomes = Counter()
    for number in range(600):
        path.write_bytes(segy_mutants.mutant(files[number % len(files)], generator))
        outcomes[segy_mutants.use(path)] += 1
    assert outcomes["read"] > 60
    assert outcomes["RecordError"] > 200
