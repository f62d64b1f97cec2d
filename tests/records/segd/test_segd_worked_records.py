"""Records written out in hexadecimal by hand from the byte tables of the standard.

SEG-D Rev 2.1 (SEG Technical Standards Committee, 2006), 8.1-8.7; SEG-D Rev 3.0 (2014), 8.1-8.22.
The same survey in both: 3 hydrophones, 6000 samples of 2 ms from 2024-06-01T12:00:00 UTC.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from segd_bytes import START_NS

from deblend.errors import ShotTableError, TimeError
from deblend.records.open import open_recording
from deblend.records.segd.events import source_events
from deblend.records.segd.open import looks_like_segd, open_segd, read_segd_shots
from deblend.records.segd.read_headers import read_records

REVISION_3_HEADERS = bytes.fromhex(
    "FF FF 80 58 00 00 00 00 00 00 24 41 53 12 00 00"
    "00 00 00 00 00 00 20 00 00 8F FF 01 01 00 00 00"
    "01 E2 40 00 01 00 00 00 00 00 03 00 00 00 00 00"
    "00 B7 1B 00 00 01 00 00 00 07 D0 00 00 00 00 02"
    "00 04 FA 74 8E 56 18 80 00 00 00 00 00 01 1B 3C"
    "00 00 00 00 00 01 1B 3C 00 00 01 00 00 00 00 03"
    "01 E2 40 00 03 E9 80 00 00 13 C4 40 00 01 02 58"
    "07 D0 02 01 00 00 00 F6 3C 00 96 0B B8 FF FB 17"
    "00 04 FA 74 8E 8B B0 99 01 02 01 20 20 20 20 20"
    "20 20 20 20 20 20 20 20 20 20 20 20 20 20 20 20"
    "01 00 01 10 00 00 00 00 00 B7 1B 00 00 00 17 70"
    "3F 80 00 00 00 00 03 00 07 D0 01 02 03 01 04 30"
    "43 48 00 00 40 40 00 00 43 B9 00 00 41 90 00 00"
    "00 00 00 00 00 00 00 00 00 00 00 00 01 13 00 31"
    "00 00 00 00 53 54 52 45 41 4D 45 52 20 34 20 48"
    "59 44 52 4F 50 48 4F 4E 45 53 20 20 20 20 20 32"
)
REVISION_3_TRACE_2 = bytes.fromhex(
    "FF FF 01 01 00 02 00 00 00 02 00 00 00 00 00 00 01 01 E2 40"
    "00 00 04 00 00 02 01 01 01 01 00 00 04 00 00 00"
    "00 02 00 00 01 00 00 02 00 00 17 70 00 00 13 40"
    "00 04 FA 74 8E 56 18 80 00 00 00 00 00 00 00 00"
    "00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 42"
)
REVISION_2_HEADERS = bytes.fromhex(
    "12 34 80 58 00 00 00 00 00 00 24 21 53 12 00 00"
    "00 00 00 00 00 00 20 00 00 8F FF 01 01 00 00 00"
    "00 04 D2 00 01 00 00 00 00 00 02 01 00 00 00 2E"
    "E0 00 02 00 00 01 00 00 00 00 00 00 00 00 00 00"
    "00 04 D2 00 03 E9 80 00 00 13 C4 40 00 01 00 00"
    "00 00 03 01 00 00 00 00 00 00 00 00 00 00 00 00"
    "01 01 00 00 17 70 00 00 00 03 10 03 02 00 03 70"
    "00 03 00 18 00 00 00 00 00 00 00 01 01 01 04 01"
)
REVISION_2_TRACE_2 = bytes.fromhex(
    "12 34 01 01 00 02 00 00 00 01 00 00 00 00 00 00 01 00 04 D2"
    "00 00 04 00 00 02 01 00 17 70 00 00 00 00 00 00"
    "00 00 00 00 01 00 00 00 00 00 00 00 00 00 00 00"
)
SAMPLES = 6000


def samples_of(trace: int) -> np.ndarray:
    return (np.arange(SAMPLES) * 0.5 - 10 * trace).astype(">f4")


def record(headers: bytes, trace_2: bytes, number_bytes: tuple[int, ...]) -> bytes:
    parts = [headers]
    for trace in (1, 2, 3):
        header = bytearray(trace_2)
        for position in number_bytes:
            header[position - 1] = trace
        parts += [bytes(header), samples_of(trace).tobytes()]
    return b"".join(parts)


@pytest.fixture
def revision_3(tmp_path: Path) -> Path:
    path = tmp_path / "worked.segd"
    # Trace number: byte 6; receiver point: 26 (20 + 6); extended number: 44 (20 + 24).
    path.write_bytes(record(REVISION_3_HEADERS, REVISION_3_TRACE_2, (6, 26, 44)))
    return path


@pytest.fixture
def revision_2(tmp_path: Path) -> Path:
    path = tmp_path / "worked.segd"
    path.write_bytes(record(REVISION_2_HEADERS, REVISION_2_TRACE_2, (6, 26)))
    return path


def test_sizes_of_the_worked_records(revision_2: Path) -> None:
    assert revision_2.stat().st_size == 72284  # 4 x 32 + 3 x (20 + 32 + 24000)


def test_revision_3_headers(revision_3: Path) -> None:
    assert revision_3.stat().st_size == 72508  # 5 x 32 + 96 + 3 x (20 + 64 + 24000)
    (found,) = read_records(revision_3)
    general, (of,) = found.general, found.sets
    assert general.revision == (3, 0)
    assert general.file_number == 123456
    assert general.format_code == 8058
    assert general.utc_s == 1717243200  # 2024-06-01T12:00:00Z
    assert general.time_zero_us == 1_401_278_418_000_000
    assert general.base_interval_ns == 2_000_000
    assert (general.declared_record_size, general.declared_header_size) == (72508, 256)
    assert not general.extended_recording
    assert (of.scan_type, of.number, of.kind, of.channels, of.samples) == (1, 1, "seismic", 3, 6000)
    assert (of.start_us, of.end_us, of.interval_ns) == (0, 12_000_000, 2_000_000)
    assert (of.descale, of.unit, of.extensions, of.streamer) == (1.0, "µPa", 2, 4)
    assert of.description == "STREAMER 4 HYDROPHONES"
    assert found.traces.position.tolist() == [256 + 84 + k * 24084 for k in range(3)]
    assert found.traces.number.tolist() == [1, 2, 3]
    assert found.traces.start_us.tolist() == [1_401_278_418_000_000] * 3
    assert found.end == 72508
    assert found.findings == ()


def test_revision_3_samples(revision_3: Path) -> None:
    recording = open_recording(revision_3, time_scale="gps")
    assert recording.shape == (3, SAMPLES)
    assert recording.start_ns == START_NS
    assert recording.interval_s == 0.002
    assert recording.amplitude_unit == "µPa"
    read = recording.read([0, 1, 2], 0, SAMPLES)
    np.testing.assert_array_equal(read, [samples_of(trace) for trace in (1, 2, 3)])
    np.testing.assert_array_equal(recording.read([2], 17, 21)[0], samples_of(3)[17:21])


def test_revision_3_source_event(revision_3: Path) -> None:
    (found,) = read_records(revision_3)
    (event,) = source_events(found)
    assert (event.source, event.line, event.point) == (2, 1001.5, 5060.25)
    assert event.time_us - 1_401_278_418_000_000 == 3_512_345
    assert event.depth_m == 6.0
    shots = read_segd_shots(revision_3, time_scale="gps")
    assert shots.fire_time_ns.tolist() == [START_NS + 3_512_345_000]
    assert (shots.source.tolist(), shots.shot_point.tolist()) == ([2], [5060])
    assert shots.line.tolist() == ["1001.5"]
    assert np.isnan(shots.x_m).all()
    recording = open_recording(revision_3, time_scale="gps")
    assert [f.metric for f in recording.findings] == ["fractional_shot_points"]


def test_revision_2(revision_2: Path) -> None:
    (found,) = read_records(revision_2)
    general, (of,) = found.general, found.sets
    assert (general.revision, general.file_number) == ((2, 1), 1234)
    assert (general.utc_s, general.time_zero_us) == (1717243200, None)
    assert (of.kind, of.channels, of.end_us, of.descale, of.unit) == (
        "seismic",
        3,
        12_000_000,
        1.0,
        "mV",
    )
    assert found.traces.samples.tolist() == [6000] * 3
    assert found.findings == ()
    recording = open_segd(revision_2, time_scale="utc", start_offset_s=0.25)
    assert recording.start_ns == 1717243200_250000000
    read = recording.read([0, 1, 2], 0, SAMPLES)
    np.testing.assert_array_equal(read, [samples_of(trace) for trace in (1, 2, 3)])


def test_revision_2_has_no_fire_times(revision_2: Path) -> None:
    with pytest.raises(ShotTableError, match=r"2\.1 carries no time of a source event.*shot table"):
        read_segd_shots(revision_2, time_scale="utc")


def test_whole_seconds_are_refused_unless_the_caller_vouches(revision_2: Path) -> None:
    with pytest.raises(TimeError, match=r"whole second only.*start_is_exact=True"):
        open_recording(revision_2, time_scale="utc")
    recording = open_recording(revision_2, time_scale="utc", start_is_exact=True)
    assert recording.start_ns == 1717243200_000000000


def test_the_stated_scale_has_to_be_that_of_the_file(revision_2: Path, tmp_path: Path) -> None:
    with pytest.raises(TimeError, match=r'UTC, in whole seconds.*State "utc"'):
        open_recording(revision_2, time_scale="gps")
    newer = tmp_path / "newer.segd"
    newer.write_bytes(record(REVISION_3_HEADERS, REVISION_3_TRACE_2, (6, 26, 44)))
    with pytest.raises(TimeError, match=r'GPS time.*State "gps"'):
        open_recording(newer, time_scale="utc")
    with pytest.raises(TimeError, match=r'count GPS time.*State "gps"'):
        read_segd_shots(newer, time_scale="utc")


def test_files_are_known_by_their_first_bytes(revision_3: Path) -> None:
    assert looks_like_segd(REVISION_3_HEADERS)
    assert looks_like_segd(REVISION_2_HEADERS)
    assert looks_like_segd(b"   1SD3.1RECORD".ljust(128))
    assert not looks_like_segd(b"\xc3\x40\xf1".ljust(3200, b"\x40"))  # EBCDIC text of SEG-Y
    assert not looks_like_segd(b"C 1 CLIENT".ljust(3200))
    assert not looks_like_segd(b"")
    assert not looks_like_segd(bytes(64))
