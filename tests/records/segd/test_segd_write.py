"""The writer, byte by byte against the tables of SEG-D Rev 3.0 sections 8.1-8.22 and Rev 3.1."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from segd_bytes import START_NS

from deblend.errors import InputError, OutputError, TimeError
from deblend.model.shots import Shots, make_shots
from deblend.records.open import open_recording
from deblend.records.segd.open import read_segd_shots
from deblend.records.segd.read_headers import read_records
from deblend.synth.segd_write import write_continuous_segd

INTERVAL_NS = 2_000_000


def block(text: str) -> bytes:
    return bytes.fromhex(text)


def shots_at(*fire_time_ns: int, source: object = None, scale: str = "gps") -> Shots:
    count = len(fire_time_ns)
    return make_shots(
        np.arange(1, count + 1) if source is None else np.asarray(source),
        np.arange(5060, 5060 + count),
        np.array(fire_time_ns, np.int64),
        scale,  # type: ignore[arg-type]
        line=np.full(count, "1001.5"),
        x_m=np.full(count, 456288.5),
        y_m=np.full(count, 6484622.25),
        depth_m=np.full(count, 6.0),
    )


def ramp(channels: int, samples: int) -> NDArray[np.float32]:
    return np.arange(channels * samples, dtype=np.float32).reshape(channels, samples) / 8 - 3


def test_every_header_byte(tmp_path: Path) -> None:
    path = tmp_path / "line.segd"
    samples = np.full((2, 3), 1.0, np.float32)
    samples[1] = -1.5
    write_continuous_segd(
        path,
        samples,
        interval_ns=INTERVAL_NS,
        start_ns=START_NS,
        time_scale="gps",
        shots=shots_at(START_NS + 4_345_000),
        file_number=123456,
        amplitude_unit="µPa",
    )
    label = (
        b"   1" + b"SD3.1" + b"RECORD" + b" " * 4 + b" " * 10 + b" " * 10 + b" " * 11 + b" " * 78
    )
    # Header 7 + 3 blocks = 320 bytes; trace 20 + 64 + 12 = 96; record 320 + 2 x 96 = 512 = 200h.
    general = (
        block("FFFF 8058 000000000000 24 6153 12 00 00 00 0000 000000 20 0000 8FFF 01 01 00 00 00")
        + block("01E240 0001 000000 0000 0301 00000000 00000000 0000 0006 0007D0 000000 00 02")
        + block("0004FA748E561880 0000000000000200 0000000000000200 00000140 01 00 00 03")
        + block("01E240 0003E9 8000 0013C4 0000 01 0258 0000 01 01 00 00 00 0000 0000 0000 0000 17")
        + block("0004FA748E562979 01 01 01" + "20" * 20 + "20")
        + block("0004FA748E562979 0004FA748E562979 7F800000 7F800000 7F800000 FFFF 02 50")
        + np.array([456288.5, 6484622.25, np.inf], ">f8").tobytes()
        + block("0000 01 01 000000 51")
    )
    descriptor = (
        block("01 0001 10 00000000 00000000 00000003 3F800000 000002 0007D0 01 02 03 01 01 30")
        + block("00000000" * 7 + "00 13 00 31")
        + block("00000000" + b"STREAMER 1 HYDROPHONES     ".hex() + "32")
    )
    traces = b"".join(
        block(f"FFFF 01 01 000{trace} 000000 02 00 00 000000 0001 01E240")
        + block(f"000001 00000{trace} 01 00 00 00 0000000000 0000000000 01 00000{trace}")
        + block("00000003 01 00 13 40")
        + block("0004FA748E561880" + "00" * 23 + "42")
        + block(words * 3)
        for trace, words in ((1, "3F800000"), (2, "BFC00000"))
    )
    expected = label + general + descriptor + traces
    written = path.read_bytes()
    assert len(written) == len(expected) == 128 + 512
    for first in range(0, len(expected), 32):
        assert written[first : first + 32].hex(" ") == expected[first : first + 32].hex(" "), first


def test_fixed_length_and_odd_interval(tmp_path: Path) -> None:
    path = tmp_path / "line.segd"
    write_continuous_segd(
        path,
        ramp(1, 10),
        interval_ns=1_333_000,
        start_ns=START_NS,
        time_scale="gps",
        extended=False,
        label=False,
    )
    data = path.read_bytes()
    assert data[22] == 0xFF  # base scan interval: see general header 2
    assert data[32 + 24 : 32 + 27] == (1333).to_bytes(3, "big")
    assert data[32 + 16 : 32 + 20] == (13330).to_bytes(4, "big")  # record length, µs
    assert data[64 + 28] == 0  # extended recording mode
    assert data[96 + 8 : 96 + 12] == (13330).to_bytes(4, "big")  # end time of the set
    assert open_recording(path, time_scale="gps").interval_s == 0.001333


@settings(max_examples=25, derandomize=True, deadline=None)
@given(
    streamers=st.lists(st.integers(1, 4), min_size=1, max_size=3),
    samples=st.integers(1, 40),
    shot_count=st.integers(0, 6),
    start_us=st.integers(0, 10**15),
    options=st.tuples(st.booleans(), st.booleans(), st.integers(0, (1 << 24) - 1)),
    seed=st.integers(0, 2**32 - 1),
)
def test_round_trip_is_bit_exact(
    streamers: list[int],
    samples: int,
    shot_count: int,
    start_us: int,
    options: tuple[bool, bool, int],
    seed: int,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    generator = np.random.default_rng(seed)
    words = generator.integers(0, 2**32, (sum(streamers), samples), dtype=np.uint32)
    stored = words.view(np.float32)
    path = tmp_path_factory.mktemp("round") / "line.segd"
    extended, label, file_number = options
    start_ns = START_NS + start_us * 1000
    delay = generator.permutation(samples * 2000)[:shot_count]
    shots = shots_at(*(start_ns + delay * 1000).tolist()) if len(delay) else None
    write_continuous_segd(
        path,
        stored,
        interval_ns=INTERVAL_NS,
        start_ns=start_ns,
        time_scale="gps",
        shots=shots,
        streamer_channels=streamers,
        file_number=file_number,
        extended=extended,
        label=label,
    )
    recording = open_recording(path, time_scale="gps")
    assert recording.start_ns == start_ns
    assert {f.metric for f in recording.findings} <= {"channel_numbers", "dead_trace"}
    read = recording.read(range(sum(streamers)), 0, samples)
    dead = np.isnan(stored).all(axis=1)
    np.testing.assert_array_equal(read[~dead].view(np.uint32), words[~dead])
    assert np.isnan(read[dead]).all()
    (record,) = read_records(path)
    assert record.general.file_number == file_number
    if shots is not None:
        order = np.argsort(shots.fire_time_ns)
        back = read_segd_shots(path, time_scale="gps")
        for name, column in back.columns():
            np.testing.assert_array_equal(column, getattr(shots, name)[order], err_msg=name)


def test_many_events_need_the_extended_block_count(tmp_path: Path) -> None:
    path = tmp_path / "line.segd"
    shots = shots_at(*(START_NS + 1000 * k for k in range(50)))
    write_continuous_segd(
        path,
        ramp(1, 40),
        interval_ns=INTERVAL_NS,
        start_ns=START_NS,
        time_scale="gps",
        shots=shots,
        label=False,
    )
    data = path.read_bytes()
    assert data[11] >> 4 == 0xF
    assert int.from_bytes(data[32 + 22 : 32 + 24], "big") == 2 + 4 * 50
    assert len(read_segd_shots(path, time_scale="gps")) == 50


def test_events_outside_the_record_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "line.segd"
    stop_ns = START_NS + 10 * INTERVAL_NS
    write_continuous_segd(
        path,
        ramp(1, 10),
        interval_ns=INTERVAL_NS,
        start_ns=START_NS,
        time_scale="gps",
        shots=shots_at(START_NS - 1000, START_NS, stop_ns - 1000, stop_ns),
    )
    assert read_segd_shots(path, time_scale="gps").source.tolist() == [2, 3]


def test_more_than_9999_channels(tmp_path: Path) -> None:
    path = tmp_path / "line.segd"
    write_continuous_segd(
        path, ramp(10_002, 1), interval_ns=INTERVAL_NS, start_ns=START_NS, time_scale="gps"
    )
    (record,) = read_records(path)
    assert record.traces.number.tolist() == list(range(1, 10_003))
    assert record.findings == ()


def test_dead_channel_is_never_silent(tmp_path: Path) -> None:
    path = tmp_path / "line.segd"
    samples = ramp(3, 4)
    samples[1] = np.nan
    samples[2, 1] = np.nan
    write_continuous_segd(
        path, samples, interval_ns=INTERVAL_NS, start_ns=START_NS, time_scale="gps"
    )
    (record,) = read_records(path)
    assert record.traces.edit.tolist() == [0, 2, 0]
    np.testing.assert_array_equal(
        open_recording(path, time_scale="gps").read([0, 1, 2], 0, 4), samples
    )


@pytest.mark.parametrize(
    ("changes", "error", "message"),
    [
        ({"time_scale": "utc"}, TimeError, 'times in utc cannot be.*state "gps"'),
        ({"start_ns": START_NS + 1}, TimeError, "no whole number of microseconds"),
        ({"start_ns": 0}, TimeError, "outside 1980 to 2199"),
        ({"interval_ns": 2_000_500}, TimeError, "interval of 2000500 ns cannot be written"),
        ({"amplitude_unit": "furlong"}, InputError, "'furlong' has no code"),
        ({"file_number": 1 << 24}, InputError, "does not fit into its field"),
        ({"streamer_channels": (1, 2)}, InputError, r"streamers of \(1, 2\) channels"),
        ({"shots": shots_at(START_NS, scale="utc")}, TimeError, "times in gps and utc"),
        ({"shots": shots_at(START_NS + 5)}, TimeError, "no whole number of microseconds"),
        ({"shots": shots_at(START_NS, source=["port"])}, InputError, "source port cannot be"),
        ({"shots": shots_at(START_NS, source=[256])}, InputError, "source 256 cannot be"),
    ],
)
def test_what_cannot_be_written(
    changes: dict[str, object], error: type[Exception], message: str, tmp_path: Path
) -> None:
    arguments: dict[str, object] = {
        "interval_ns": INTERVAL_NS,
        "start_ns": START_NS,
        "time_scale": "gps",
    }
    with pytest.raises(error, match=message):
        write_continuous_segd(
            tmp_path / "line.segd",
            ramp(2, 4),
            **(arguments | changes),  # type: ignore[arg-type]
        )
    assert list(tmp_path.iterdir()) == []


def test_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        write_continuous_segd(
            tmp_path / "none" / "line.segd",
            ramp(2, 4),
            interval_ns=INTERVAL_NS,
            start_ns=START_NS,
            time_scale="gps",
        )
