"""Opening lines of continuous SEG-Y: joining, start instants, findings, outside writers."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import segyio
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from deblend.errors import TimeError
from deblend.model.recording import Gap
from deblend.records.open import open_recording

START_NS = 1_748_779_203_512_345_678  # 2025-06-01T12:00:03.512345678, as in conftest
INTERVAL_NS = 2_000_000

WHOLE_SECOND_NS = START_NS - START_NS % 1_000_000_000


def everything(recording):
    return recording.read(range(recording.shape[0]), 0, recording.shape[1])


def metrics(recording):
    return [finding.metric for finding in recording.findings]


@pytest.mark.parametrize("sample_format", [1, 5])
def test_slices_are_joined_by_start_and_not_by_name(write, samples, tmp_path, sample_format):
    write("c.sgy", samples[:, :100], sample_format=sample_format)
    write("a.sgy", samples[:, 100:250], 100, sample_format=sample_format)
    write("b.sgy", samples[:, 250:], 250, sample_format=sample_format)
    recording = open_recording(str(tmp_path / "*.sgy"), time_scale="utc")
    assert recording.start_ns == START_NS
    assert recording.interval_ns == INTERVAL_NS
    assert recording.channel_numbers.tolist() == [1, 2, 3, 4]
    assert [(file.path.name, file.start, file.stop) for file in recording.files] == [
        ("c.sgy", 0, 100),
        ("a.sgy", 100, 250),
        ("b.sgy", 250, 300),
    ]
    assert recording.findings == ()
    assert recording.amplitude_unit == "recorded unit"
    tolerance = 2e-6 if sample_format == 1 else 0
    np.testing.assert_allclose(everything(recording), samples, rtol=tolerance)
    np.testing.assert_allclose(recording.read([2, 0], 90, 260), samples[[2, 0], 90:260], tolerance)


@given(
    samples=st.integers(1, 40),
    channels=st.integers(1, 5),
    cuts=st.lists(st.integers(1, 39), max_size=3, unique=True),
    interval_ns=st.sampled_from([62_500, 500_000, 1_000_000, 4_000_000, 333_333]),
    start_ns=st.integers(0, 7_000_000_000 * 10**9),
    scale=st.sampled_from(["utc", "gps"]),
    revision=st.sampled_from([1, 2]),
    seed=st.integers(0, 9),
)
@settings(
    derandomize=True,
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_round_trip(
    write, tmp_path, samples, channels, cuts, interval_ns, start_ns, scale, revision, seed
):
    for path in tmp_path.iterdir():
        path.unlink()
    random = np.random.default_rng(seed)
    truth = random.standard_normal((channels, samples)).astype(np.float32)
    numbers = random.permutation(100)[:channels] + 1
    if revision == 1:
        # Whole microseconds, and one file from a whole second on: all that revision 1 can say.
        start_ns -= start_ns % 10**9
        interval_ns -= interval_ns % 1000
        cuts = []
    bounds = sorted({0, samples, *(cut for cut in cuts if cut < samples)})
    for begin, end in pairwise(bounds):
        write(
            f"{begin}.sgy",
            truth[:, begin:end],
            interval_ns=interval_ns,
            start_ns=start_ns + begin * interval_ns,
            time_scale=scale,
            channel_numbers=numbers,
            revision=revision,
        )
    recording = open_recording(
        list(tmp_path.iterdir()), time_scale=scale, start_is_exact=revision == 1
    )
    assert recording.start_ns == start_ns
    assert recording.interval_ns == interval_ns
    assert recording.channel_numbers.tolist() == numbers.tolist()
    assert recording.findings == ()
    np.testing.assert_array_equal(everything(recording), truth)


@pytest.mark.parametrize("sample_format", [1, 5])
@pytest.mark.parametrize("sample_count", [40, 40000, 70000])
def test_files_that_segyio_writes(tmp_path, sample_format, sample_count):
    """segyio 1.9 sets revision 2 and bytes 3269-3272 by itself above 65535 samples."""
    truth = np.random.default_rng(1).standard_normal((3, sample_count)).astype(np.float32)
    spec = segyio.spec()
    spec.format = sample_format
    spec.samples = np.arange(sample_count) * 4.0
    spec.tracecount = 3
    with segyio.create(tmp_path / "a.sgy", spec) as file:
        file.bin[segyio.BinField.Interval] = 4000
        for trace in range(3):
            file.header[trace] = {13: 11 + trace, 157: 2024, 159: 153, 161: 12, 165: 3, 203: 1}
            file.trace[trace] = truth[trace]
    recording = open_recording(tmp_path / "a.sgy", time_scale="gps", start_is_exact=True)
    assert recording.shape == (3, sample_count)
    assert recording.interval_ns == 4_000_000
    assert recording.channel_numbers.tolist() == [11, 12, 13]
    assert recording.amplitude_unit == "Pa"
    # 2024-06-01T12:00:03, day 153 (SEG-Y revision 2.0, example of bytes 157-166)
    assert recording.start_ns == 1_717_243_203 * 10**9
    tolerance = 2e-6 if sample_format == 1 else 0
    np.testing.assert_allclose(everything(recording), truth, rtol=tolerance)


def test_gap_reads_as_nan(write, samples, tmp_path):
    write("a.sgy", samples[:, :100])
    write("b.sgy", samples[:, 130:], 130)
    recording = open_recording([tmp_path / "a.sgy", tmp_path / "b.sgy"], time_scale="utc")
    assert recording.shape == (4, 300)
    assert recording.gaps == (Gap(100, 130),)
    samples[:, 100:130] = np.nan
    np.testing.assert_array_equal(everything(recording), samples)
    np.testing.assert_array_equal(recording.read([1], 105, 120), samples[[1], 105:120])
    (finding,) = recording.findings
    assert (finding.metric, finding.verdict, finding.unit) == ("gap", "look", "s")
    assert finding.value == pytest.approx(0.060)
    assert "30 samples missing between a.sgy and b.sgy" in finding.message


@pytest.mark.parametrize(
    ("delay", "hint"),
    [(200, "one is missing, or the sample interval is twice"), (50, "interval may be half of")],
)
def test_starts_that_ask_for_another_sample_interval(write, samples, tmp_path, delay, hint):
    write("a.sgy", samples[:, :100])
    write("b.sgy", samples[:, :100], delay)
    recording = open_recording(str(tmp_path / "*.sgy"), time_scale="utc")
    (finding,) = recording.findings
    assert hint in finding.message


def test_negative_channel_numbers_are_told(write, samples):
    path = write("a.sgy", samples, channel_numbers=[-1, -2, -3, -4])
    recording = open_recording(path, time_scale="utc")
    assert recording.channel_numbers.tolist() == [-1, -2, -3, -4]
    (finding,) = recording.findings
    assert (finding.metric, finding.verdict) == ("channel_numbers_negative", "look")
    assert "from -4 to -1" in finding.message


def test_of_an_overlap_the_earlier_file_is_read(write, samples, tmp_path):
    write("a.sgy", samples[:, :150])
    write("b.sgy", samples[:, 100:] + 1, 100)
    write("inside.sgy", samples[:, 20:60] + 2, 20)
    recording = open_recording(str(tmp_path / "*.sgy"), time_scale="utc")
    expected = samples.copy()
    expected[:, 150:] += 1
    np.testing.assert_array_equal(everything(recording), expected)
    assert [(file.path.name, file.start, file.stop) for file in recording.files] == [
        ("a.sgy", 0, 150),
        ("b.sgy", 150, 300),
    ]
    assert metrics(recording) == ["overlap", "overlap"]
    assert [finding.value for finding in recording.findings] == pytest.approx([0.080, 0.100])
    assert recording.gaps == ()


@pytest.mark.parametrize(
    ("deviation_ns", "reported_ms"),
    [(1_000, None), (-1_000, None), (1_001, 0.001001), (-400_000, -0.4)],
)
def test_clock_step_is_reported_with_its_value(write, samples, tmp_path, deviation_ns, reported_ms):
    write("a.sgy", samples[:, :100])
    write("b.sgy", samples[:, 100:], start_ns=START_NS + 100 * INTERVAL_NS + deviation_ns)
    recording = open_recording(str(tmp_path / "*.sgy"), time_scale="utc")
    np.testing.assert_array_equal(everything(recording), samples)
    if reported_ms is None:
        assert recording.findings == ()
    else:
        (finding,) = recording.findings
        assert finding.metric == "start_off_grid"
        assert finding.value == pytest.approx(reported_ms)


def test_channels_are_joined_by_number(write, samples, tmp_path):
    write("a.sgy", samples[:, :100], channel_numbers=[4, 3, 2, 1])
    write("b.sgy", samples[[3, 0, 1, 2], 100:], 100, channel_numbers=[1, 4, 3, 2])
    recording = open_recording(str(tmp_path / "*.sgy"), time_scale="utc")
    assert recording.channel_numbers.tolist() == [4, 3, 2, 1]
    np.testing.assert_array_equal(everything(recording), samples)
    assert metrics(recording) == ["channel_order"]


def test_whole_second_starts_need_a_word(write, samples):
    path = write("a.sgy", samples, start_ns=WHOLE_SECOND_NS, revision=1)
    with pytest.raises(TimeError, match=r"whole second only .* start_is_exact=True .* start_o"):
        open_recording(path, time_scale="utc")
    exact = open_recording(path, time_scale="utc", start_is_exact=True)
    assert exact.start_ns == WHOLE_SECOND_NS
    offset = open_recording(path, time_scale="utc", start_offset_s=0.512345678)
    assert offset.start_ns == START_NS
    with pytest.raises(TimeError, match="not both"):
        open_recording(path, time_scale="utc", start_is_exact=True, start_offset_s=0.0)
    with pytest.raises(TimeError, match="start offset of nan s"):
        open_recording(path, time_scale="utc", start_offset_s=float("nan"))


def test_starts_that_lost_their_fraction_are_noticed(write, samples, tmp_path):
    """Files of 300 samples, 0.6 s each: the second really starts at .6, its header says .0."""
    for number, second in enumerate([0, 0, 1, 1]):
        start_ns = WHOLE_SECOND_NS + second * 10**9
        write(f"{number}.sgy", samples, start_ns=start_ns, revision=1)
    recording = open_recording(str(tmp_path / "*.sgy"), time_scale="utc", start_is_exact=True)
    (finding,) = [f for f in recording.findings if f.metric == "starts_cut_to_the_second"]
    assert (finding.value, finding.verdict) == (3.0, "fail")


def test_whole_second_files_that_fit_are_joined(write, tmp_path):
    for second in range(3):
        start_ns = WHOLE_SECOND_NS + second * 10**9
        write(f"{second}.sgy", np.full((2, 500), second, np.float32), start_ns=start_ns, revision=1)
    recording = open_recording(str(tmp_path / "*.sgy"), time_scale="utc", start_is_exact=True)
    assert recording.findings == ()
    assert recording.read([1], 499, 501).tolist() == [[0.0, 1.0]]


def test_nothing_is_added_to_an_exact_start(write, samples):
    path = write("a.sgy", samples)
    assert open_recording(path, time_scale="utc", start_is_exact=True).start_ns == START_NS
    with pytest.raises(TimeError, match="gives finer than the second"):
        open_recording(path, time_scale="utc", start_offset_s=0.1)


@pytest.mark.parametrize(
    ("code", "scale", "accepted"),
    # SEG-Y revision 2.0, bytes 167-168: 1 local, 2 GMT, 3 other, 4 UTC, 5 GPS
    [(2, "utc", True), (4, "utc", True), (5, "gps", True), (5, "utc", False), (4, "gps", False)],
)
def test_time_basis_must_agree(write, samples, patch_traces, code, scale, accepted):
    path = write("a.sgy", samples)
    patch_traces(path, 167, bytes([0, code]))
    if accepted:
        assert open_recording(path, time_scale=scale).findings == ()
    else:
        with pytest.raises(TimeError, match=rf"a\.sgy: the file gives .* \(code {code}"):
            open_recording(path, time_scale=scale)


def test_time_basis_of_the_binary_header_counts_where_traces_have_none(
    write, samples, patch, patch_traces
):
    path = write("a.sgy", samples)
    patch_traces(path, 167, b"\0\0")
    patch(path, 3511, b"\0\x05")
    with pytest.raises(TimeError, match="in GPS"):
        open_recording(path, time_scale="utc")
    assert open_recording(path, time_scale="gps").start_ns == START_NS


def test_unclear_time_basis_is_a_finding(write, samples, patch_traces):
    path = write("a.sgy", samples)
    patch_traces(path, 167, b"\0\x01")
    (finding,) = open_recording(path, time_scale="utc").findings
    assert finding.metric == "time_basis"
    assert "local (code 1); their times were taken as UTC" in finding.message


def test_dead_traces_are_unknown_and_reported(write, samples, patch_traces, tmp_path):
    write("a.sgy", samples[:, :100])
    path = write("b.sgy", samples[:, 100:], 100)
    patch_traces(path, 29, b"\0\x02", sample_count=200, traces=(1, 2))
    recording = open_recording(str(tmp_path / "*.sgy"), time_scale="utc")
    samples[1, 100:] = np.nan
    np.testing.assert_array_equal(everything(recording), samples)
    np.testing.assert_array_equal(recording.read([3, 1], 90, 110), samples[[3, 1], 90:110])
    (finding,) = recording.findings
    assert (finding.metric, finding.channel, finding.value) == ("dead_trace", 2, 1.0)


def test_extended_textual_headers_are_skipped(write, samples):
    path = write("a.sgy", samples)
    data = bytearray(path.read_bytes())
    data[3504:3506] = b"\0\x02"
    data[3520:3528] = bytes(8)
    path.write_bytes(bytes(data[:3600]) + b"x" * 6400 + bytes(data[3600:]))
    np.testing.assert_array_equal(everything(open_recording(path, time_scale="utc")), samples)


def test_trailer_stanzas_are_left_alone(write, samples, patch):
    path = write("a.sgy", samples)
    patch(path, 3529, b"\0\0\0\x01")
    patch(path, 3513, bytes(8))
    path.write_bytes(path.read_bytes() + b"x" * 3200)
    np.testing.assert_array_equal(everything(open_recording(path, time_scale="utc")), samples)


def test_unknown_additional_headers_are_skipped(write, samples, patch, patch_traces):
    path = write("a.sgy", samples)
    patch_traces(path, 233, b"OTHER   ", header=1)
    with pytest.raises(TimeError, match="no trace header extension 1"):
        open_recording(path, time_scale="utc")
    recording = open_recording(path, time_scale="utc", start_is_exact=True)
    assert recording.start_ns == WHOLE_SECOND_NS
    np.testing.assert_array_equal(everything(recording), samples)


def test_odd_headers_are_findings(write, samples, patch, patch_traces):
    path = write("a.sgy", samples)
    patch_traces(path, 13, bytes(4))
    patch_traces(path, 115, b"\x01\0")
    patch_traces(path, 29, b"\0\x08", traces=(3, 4))
    patch(path, 3261, b"\0\0\0\x03")
    recording = open_recording(path, time_scale="utc")
    assert sorted(metrics(recording)) == [
        "auxiliary_traces",
        "channel_numbers_missing",
        "trace_count_against_header",
        "trace_header_sample_count",
    ]
    assert recording.channel_numbers.tolist() == [1, 2, 3, 4]
    np.testing.assert_array_equal(everything(recording), samples)


def test_mixed_formats_and_units_are_findings(write, samples, patch_traces, tmp_path):
    write("a.sgy", samples[:, :100], sample_format=1)
    path = write("b.sgy", samples[:, 100:], 100)
    patch_traces(path, 203, b"\0\x01", sample_count=200)
    recording = open_recording(str(tmp_path / "*.sgy"), time_scale="utc")
    assert metrics(recording) == ["mixed_sample_formats", "mixed_amplitude_units"]
    np.testing.assert_allclose(everything(recording), samples, rtol=2e-6)


def test_a_file_named_twice_is_read_once(write, samples, tmp_path):
    path = write("a.sgy", samples)
    recording = open_recording([path, str(path), tmp_path / "*.sgy"], time_scale="utc")
    assert len(recording.files) == 1
    assert recording.findings == ()


def test_opening_reads_no_samples_of_a_huge_file(write, tmp_path):
    """A sparse terabyte: 8 channels of 2^32 - 1 samples less a few, opened from its headers."""
    small = write("a.sgy", np.zeros((8, 1), np.float32)).read_bytes()
    sample_count = 4_000_000_000
    binary = bytearray(small[:3600])
    binary[3268:3272] = sample_count.to_bytes(4, "big")
    path = tmp_path / "huge.sgy"
    with path.open("wb") as file:
        file.write(binary)
        for trace in range(8):
            header = bytearray(small[3600 + 484 * trace : 4080 + 484 * trace])
            header[240 + 136 : 240 + 140] = sample_count.to_bytes(4, "big")
            file.seek(3600 + trace * (480 + 4 * sample_count))
            file.write(header)
        file.truncate(3600 + 8 * (480 + 4 * sample_count))
    try:
        recording = open_recording(path, time_scale="utc")
        assert recording.shape == (8, sample_count)
        np.testing.assert_array_equal(recording.read([7, 0], sample_count - 5, sample_count), 0.0)
    finally:
        path.unlink()
