"""Source events to shots; blocks 17, 20 and 51 of SEG-D Rev 3.0, section 8."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from segd_bytes import START_NS, START_US, Record, Set, air_gun, event, floats, place

from deblend.errors import ShotTableError, TimeError
from deblend.records.open import open_recording
from deblend.records.segd.open import read_segd_shots

SAMPLES = Set((floats(1, 2),), 2)
LINE = "0003E98000"  # 1001.5


def written(tmp_path: Path, *blocks: bytes, **fields: object) -> Path:
    path = tmp_path / "line.segd"
    path.write_bytes(Record((SAMPLES,), blocks=blocks).but(**fields))
    return path


def test_events_become_shots_in_the_order_of_time(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        air_gun(2, LINE, "0013C40000"),  # 5060
        event(2, START_US + 900),
        place(456288.31, 6484622.84),
        air_gun(1, "FFFC168000", "FFFFFF0000", 0),  # -1001.5, -1
        event(1, START_US + 1),
        place(58.5, 2.25),
    )
    shots = read_segd_shots(path, time_scale="gps")
    assert shots.time_scale == "gps"
    assert shots.source.tolist() == [1, 2]
    assert shots.shot_point.tolist() == [-1, 5060]
    assert shots.line.tolist() == ["-1001.5", "1001.5"]
    assert shots.fire_time_ns.tolist() == [START_NS + 1000, START_NS + 900_000]
    # Degrees are no metres, and a depth field of zero says nothing.
    np.testing.assert_array_equal(shots.x_m, [np.nan, 456288.31])
    np.testing.assert_array_equal(shots.y_m, [np.nan, 6484622.84])
    np.testing.assert_array_equal(shots.depth_m, [np.nan, 6.0])
    assert shots.live.all()


def test_event_belongs_to_the_nearest_source_block_before_it(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        air_gun(1, LINE, "0000010000"),
        event(1, START_US),
        air_gun(1, LINE, "0000020000"),
        air_gun(2, LINE, "0000030000"),
        event(1, START_US + 5),
        event(3, START_US + 9),
        air_gun(3, LINE, "0000040000"),
    )
    shots = read_segd_shots(path, time_scale="gps")
    assert list(zip(shots.source.tolist(), shots.shot_point.tolist(), strict=True)) == [
        (1, 1),
        (1, 2),
        (3, 4),
    ]


def test_invalid_position_is_unknown(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        air_gun(1, LINE, "0000010000"),
        place(1e6, 1e6, valid=0),
        event(1, START_US),
    )
    assert np.isnan(read_segd_shots(path, time_scale="gps").x_m).all()


def test_event_of_two_records_counts_once(tmp_path: Path) -> None:
    blocks = (air_gun(1, LINE, "0000010000"), event(1, START_US))
    record = Record((SAMPLES,), blocks=blocks)
    path = tmp_path / "line.segd"
    path.write_bytes(record.bytes() + record.but(start_us=START_US + 4000))
    assert len(read_segd_shots(path, time_scale="gps")) == 1


def test_bad_status_is_said_and_the_shot_stays_live(tmp_path: Path) -> None:
    path = written(tmp_path, air_gun(4, LINE, "0000010000"), event(4, START_US, status=0x16))
    assert read_segd_shots(path, time_scale="gps").live.all()
    (finding,) = open_recording(path, time_scale="gps").findings
    assert (finding.metric, finding.source, finding.shot_point) == ("source_status", 4, 1)
    assert "air leak (status 16)" in finding.message


def test_what_cannot_become_shots(tmp_path: Path) -> None:
    with pytest.raises(ShotTableError, match=r"no source event in 1 SEG-D record.*shot table"):
        read_segd_shots(written(tmp_path, air_gun(1, LINE, "0000010000")), time_scale="gps")
    with pytest.raises(ShotTableError, match="source id 7, but no source block has it"):
        read_segd_shots(written(tmp_path, event(7, START_US)), time_scale="gps")
    gun = air_gun(1, LINE, "0000010000")
    with pytest.raises(TimeError, match="-5 µs lies outside 1980 to 2199"):
        read_segd_shots(written(tmp_path, gun, event(1, -5)), time_scale="gps")
    with pytest.raises(ShotTableError, match="count from a record start"):
        read_segd_shots(
            written(tmp_path, gun, event(1, 5), relative=1, start_us=0), time_scale="utc"
        )


def test_damaged_events_do_not_keep_the_samples_from_being_read(tmp_path: Path) -> None:
    recording = open_recording(written(tmp_path, event(7, START_US)), time_scale="gps")
    assert [f.metric for f in recording.findings] == ["source_events"]
    assert recording.read([0], 0, 2).tolist() == [[1, 2]]
