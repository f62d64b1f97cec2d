"""Records of a line joined: modes, gaps, channel sets, marked traces, and what is said of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from segd_bytes import START_NS, START_US, Record, Set, floats, revision_2_record

from deblend.errors import RecordError, TimeError
from deblend.model.recording import Gap, Recording
from deblend.records.open import open_recording
from deblend.records.segd.open import open_segd
from deblend.records.segd.read_headers import read_records

ONE = Set((floats(1, 2, 3, 4), floats(5, 6, 7, 8)), 4)
LENGTH_US = 8000
UTC_LATER = "24x153120001"


def line(tmp_path: Path, *records: bytes) -> list[Path]:
    paths = []
    for number, data in enumerate(records):
        paths.append(tmp_path / f"r{number}.segd")
        paths[-1].write_bytes(data)
    return paths


def all_of(recording: Recording) -> np.ndarray:
    return recording.read(range(recording.shape[0]), 0, recording.shape[1])


def metrics(recording: Recording) -> list[str]:
    return [finding.metric for finding in recording.findings]


def test_back_to_back_records_leave_no_gap(tmp_path: Path) -> None:
    record = Record((ONE,))
    paths = line(tmp_path, record.but(start_us=START_US + LENGTH_US), record.bytes())
    recording = open_recording(paths, time_scale="gps")
    assert recording.shape == (2, 8)
    assert (recording.start_ns, recording.gaps, recording.findings) == (START_NS, (), ())
    assert [file.path for file in recording.files] == paths[::-1]
    np.testing.assert_array_equal(all_of(recording)[0], [1, 2, 3, 4, 1, 2, 3, 4])


def test_several_records_in_one_file_with_and_without_label(tmp_path: Path) -> None:
    record = Record((ONE,), label=True, trailer=2)
    (path,) = line(
        tmp_path,
        record.bytes() + record.but(start_us=START_US + LENGTH_US, label=False),
    )
    assert [one.label for one in read_records(path)] == ["SD3.0", ""]
    recording = open_recording(path, time_scale="gps")
    np.testing.assert_array_equal(all_of(recording)[1], [5, 6, 7, 8, 5, 6, 7, 8])


def test_gap_overlap_and_clock_step_are_said(tmp_path: Path) -> None:
    record = Record((ONE,))
    late = record.but(start_us=START_US + LENGTH_US + 6000)
    recording = open_recording(line(tmp_path, record.bytes(), late), time_scale="gps")
    assert recording.gaps == (Gap(4, 7),)
    np.testing.assert_array_equal(all_of(recording)[0], [1, 2, 3, 4, *[np.nan] * 3, 1, 2, 3, 4])
    assert metrics(recording) == ["gap"]
    early = record.but(start_us=START_US + LENGTH_US - 4000)
    recording = open_recording(line(tmp_path, record.bytes(), early), time_scale="gps")
    np.testing.assert_array_equal(all_of(recording)[0], [1, 2, 3, 4, 3, 4])
    assert metrics(recording) == ["overlap"]
    stepped = record.but(start_us=START_US + LENGTH_US + 300)
    recording = open_recording(line(tmp_path, record.bytes(), stepped), time_scale="gps")
    assert recording.shape == (2, 8)
    (finding,) = recording.findings
    assert (finding.metric, finding.value, finding.unit) == ("start_off_grid", 0.3, "ms")


def test_extended_recording_with_timestamps_of_the_traces(tmp_path: Path) -> None:
    of = replace(ONE, end_us=0, own_start_us=(START_US + 4000, START_US + 8000))
    recording = open_recording(
        line(tmp_path, Record((of,), minor=1, extended=1).bytes()), time_scale="gps"
    )
    assert recording.start_ns == START_NS + 4_000_000
    assert recording.findings == ()
    np.testing.assert_array_equal(
        all_of(recording), [[1, 2, 3, 4, np.nan, np.nan], [np.nan, np.nan, 5, 6, 7, 8]]
    )
    np.testing.assert_array_equal(recording.read([1, 0], 1, 3), [[np.nan, 5], [2, 3]])


@pytest.mark.parametrize("own", [True, False])
def test_channel_sets_that_follow_each_other_are_time_windows(own: bool, tmp_path: Path) -> None:
    def window(number: int, value: float, streamer: int, after_us: int) -> Set:
        of = Set(
            (floats(value, value + 1), floats(value + 2, value + 3)),
            2,
            number=number,
            streamer=streamer,
            start_us=0 if own else after_us,
        )
        return replace(of, own_start_us=(START_US + after_us,) * 2) if own else of

    sets = (
        window(1, 10, 1, 0),
        window(2, 20, 2, 0),
        window(3, 30, 1, 4000),
        window(4, 40, 2, 4000),
    )
    paths = line(tmp_path, Record(sets, minor=1, extended=1).bytes())
    recording = open_recording(paths, time_scale="gps")
    np.testing.assert_array_equal(
        all_of(recording),
        [[10, 11, 30, 31], [12, 13, 32, 33], [20, 21, 40, 41], [22, 23, 42, 43]],
    )
    assert metrics(recording) == ["time_windows", "channel_numbers"]
    assert "1 and 2, then 3 and 4" in recording.findings[0].message
    overlapping = (*sets[:2], window(3, 30, 1, 2000), window(4, 40, 2, 2000))
    paths = line(tmp_path, Record(overlapping, minor=1, extended=1).bytes())
    assert open_recording(paths, time_scale="gps").shape == (8, 3)


def test_unset_timestamp_of_a_trace_means_the_record(tmp_path: Path) -> None:
    of = replace(ONE, own_start_us=(None, 0), start_us=2000)
    recording = open_recording(line(tmp_path, Record((of,)).bytes()), time_scale="gps")
    assert recording.start_ns == START_NS + 2_000_000
    np.testing.assert_array_equal(all_of(recording), [[1, 2, 3, 4], [5, 6, 7, 8]])


def test_trace_far_from_its_record_is_refused(tmp_path: Path) -> None:
    of = replace(ONE, own_start_us=(START_US, START_US + 90_000_000_000))
    with pytest.raises(RecordError, match=r"trace 2 starts at .* more than a day away"):
        open_recording(line(tmp_path, Record((of,)).bytes()), time_scale="gps")


def test_traces_of_different_length_are_stepped_through_one_by_one(tmp_path: Path) -> None:
    of = Set((floats(1, 2), floats(3, 4, 5), floats(6)), 2, own_samples=(2, 3, 1))
    recording = open_recording(line(tmp_path, Record((of,)).bytes()), time_scale="gps")
    nan = np.nan
    np.testing.assert_array_equal(all_of(recording), [[1, 2, nan], [3, 4, 5], [6, nan, nan]])
    assert metrics(recording) == ["samples_per_trace"]


def test_zeroed_traces_are_unknown_and_edited_ones_are_read(tmp_path: Path) -> None:
    zero = floats(0, 0)
    of = Set((floats(1, 2), zero, zero, floats(3, 4)), 2, edit=(0, 1, 2, 3))
    recording = open_recording(line(tmp_path, Record((of,)).bytes()), time_scale="gps")
    nan = np.nan
    np.testing.assert_array_equal(all_of(recording), [[1, 2], [nan, nan], [nan, nan], [3, 4]])
    assert metrics(recording) == ["edited_trace", "dead_trace", "dead_trace"]
    assert [f.channel for f in recording.findings[1:]] == [2, 3]


def test_vertical_stack_of_zero_is_said(tmp_path: Path) -> None:
    recording = open_recording(
        line(tmp_path, Record((replace(ONE, stack=0),)).bytes()), time_scale="gps"
    )
    np.testing.assert_array_equal(all_of(recording)[0], [1, 2, 3, 4])
    assert metrics(recording) == ["vertical_stack"]


def test_seismic_and_auxiliary_sets(tmp_path: Path) -> None:
    port = Set((floats(1, 2), floats(3, 4)), 2, number=1, streamer=1)
    field = Set((floats(10, 20, 30, 40),), 4, number=2, kind=0x92, interval_us=1000, unit=0x02)
    starboard = Set((floats(5, 6),), 2, number=3, streamer=2, extra_blocks=5)
    paths = line(tmp_path, Record((port, field, starboard)).bytes())
    seismic = open_recording(paths, time_scale="gps")
    np.testing.assert_array_equal(all_of(seismic), [[1, 2], [3, 4], [5, 6]])
    assert seismic.channel_numbers.tolist() == [1, 2, 3]
    assert metrics(seismic) == ["channel_numbers", "channel_sets_left_out"]
    assert "3 to 3 are set 3 (streamer 2)" in seismic.findings[0].message
    auxiliary = open_segd(paths, time_scale="gps", sets="auxiliary")
    assert (auxiliary.interval_s, auxiliary.amplitude_unit) == (0.001, "bar")
    np.testing.assert_array_equal(all_of(auxiliary), [[10, 20, 30, 40]])
    np.testing.assert_array_equal(all_of(open_segd(paths, time_scale="gps", sets=[3])), [[5, 6]])
    with pytest.raises(RecordError, match=r"no channel set is \[9\].*1 \(seismic, .*2 \(aux"):
        open_segd(paths, time_scale="gps", sets=[9])
    with pytest.raises(RecordError, match="differ in sample interval: set 1 2 ms, set 2 1 ms"):
        open_segd(paths, time_scale="gps", sets=[1, 2])


def test_records_of_other_channels_are_refused(tmp_path: Path) -> None:
    other = Record((replace(ONE, payload=ONE.payload[:1]),))
    paths = line(tmp_path, Record((ONE,)).bytes(), other.but(start_us=START_US + LENGTH_US))
    with pytest.raises(RecordError, match="set 1 of 1 channel here, set 1 of 2 channels in"):
        open_recording(paths, time_scale="gps")


def test_many_blocks_skew_and_user_headers(tmp_path: Path) -> None:
    blocks = tuple(bytes(31) + bytes([0xB0]) for _ in range(40))
    of = replace(ONE, skew=64)
    record = Record((of,), blocks=blocks, skew_blocks=1, header_blocks=(3, 2), trailer=1)
    recording = open_recording(line(tmp_path, record.bytes()), time_scale="gps")
    np.testing.assert_array_equal(all_of(recording)[1], [5, 6, 7, 8])
    (finding,) = recording.findings
    assert (finding.metric, finding.value) == ("sample_skew", 500.0)  # 64/256 of 2 ms


def test_relative_time_mode_starts_at_whole_seconds_of_utc(tmp_path: Path) -> None:
    of = replace(ONE, own_start_us=(1500, 1500))
    paths = line(tmp_path, Record((of,), start_us=0, relative=1).bytes())
    with pytest.raises(TimeError, match="whole second only"):
        open_recording(paths, time_scale="utc")
    recording = open_recording(paths, time_scale="utc", start_is_exact=True)
    assert recording.start_ns == 1717243200_001500000


@pytest.mark.parametrize(("utc", "seconds"), [("24x153120001", 1.0), ("24x153115942", -18.0)])
def test_dates_that_disagree_are_said(utc: str, seconds: float, tmp_path: Path) -> None:
    recording = open_recording(line(tmp_path, Record((ONE,), utc=utc).bytes()), time_scale="gps")
    assert [(f.metric, f.value) for f in recording.findings] == [("header_date", seconds)]
    assert recording.start_ns == START_NS


def test_leap_second_in_the_date(tmp_path: Path) -> None:
    # 2016-12-31T23:59:60 UTC, day 366, is GPS second 1167264017.
    record = Record((ONE,), utc="16x366235960", start_us=1_167_264_017_000_000)
    assert open_recording(line(tmp_path, record.bytes()), time_scale="gps").findings == ()


def test_stated_sizes_that_disagree_are_said(tmp_path: Path) -> None:
    record = Record((ONE,), changes={64 + 16: "FF", 64 + 28: "FE"})
    recording = open_recording(line(tmp_path, record.bytes()), time_scale="gps")
    assert metrics(recording) == ["header_size", "record_size"]
    assert (
        open_recording(
            line(tmp_path, Record((ONE,), sizes=False).bytes()), time_scale="gps"
        ).findings
        == ()
    )


@pytest.mark.parametrize("rest", [b"x" * 100, bytes(100), bytes(5000)])
def test_what_is_no_record_behind_the_last_is_said(rest: bytes, tmp_path: Path) -> None:
    recording = open_recording(line(tmp_path, Record((ONE,)).bytes() + rest), time_scale="gps")
    assert [(f.metric, f.value) for f in recording.findings] == [("bytes_after_record", len(rest))]


def test_damage_behind_the_last_record_is_an_error(tmp_path: Path) -> None:
    rest = bytes(4000) + b"x"
    with pytest.raises(RecordError, match=r"byte 328: .*gives the revision 0\.0"):
        open_recording(line(tmp_path, Record((ONE,)).bytes() + rest), time_scale="gps")


@pytest.mark.parametrize("extra", [0, 1])
@pytest.mark.parametrize("traces", [1, 3])
def test_revision_2_counts_samples_by_the_size_of_the_file(
    extra: int, traces: int, tmp_path: Path
) -> None:
    # End time 4 x 2 ms at 2 ms: 4 samples, or 5 with the one at the end time itself.
    payload = tuple(floats(*range(row, row + 4 + extra)) for row in range(traces))
    data = revision_2_record(payload, end_2ms=4, samples=None)
    for copies in (1, 2):
        (path,) = line(tmp_path, data * copies)
        records = read_records(path)
        assert [one.traces.samples.tolist() for one in records] == [[4 + extra] * traces] * copies


def test_subscan_divides_the_base_interval(tmp_path: Path) -> None:
    data = revision_2_record((floats(1, 2),), end_2ms=1, samples=2, subscan=1)
    recording = open_segd(line(tmp_path, data), time_scale="utc", start_is_exact=True)
    assert recording.interval_s == 0.001


def test_segd_and_segy_do_not_mix(tmp_path: Path) -> None:
    paths = line(tmp_path, Record((ONE,)).bytes(), b"C 1".ljust(4000))
    with pytest.raises(RecordError, match=r"r1\.segd: the file is no SEG-D, but .*r0\.segd is"):
        open_recording(paths, time_scale="gps")


def test_an_empty_file_is_called_empty(tmp_path: Path) -> None:
    paths = line(tmp_path, Record((ONE,)).bytes(), b"")
    with pytest.raises(RecordError, match=r"r1\.segd: the file is empty"):
        open_recording(paths, time_scale="gps")


def test_opening_reads_no_sample(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    of = Set((bytes(4 * 5000), bytes(4 * 5000)), 5000)
    paths = line(tmp_path, Record((of,)).bytes())
    read: list[int] = []
    from deblend.records import file_bytes

    plain = file_bytes.OpenFile.read

    def counted(self: file_bytes.OpenFile, position: int, count: int, what: str) -> bytes:
        read.append(count)
        return plain(self, position, count, what)

    monkeypatch.setattr(file_bytes.OpenFile, "read", counted)
    open_recording(paths, time_scale="gps")
    assert max(read) <= 256
