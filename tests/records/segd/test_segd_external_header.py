"""Mapped fields of the external header, a user part of SEG-D (Rev 3.0, section 6)."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from segd_bytes import Record, Set, floats

from deblend.errors import InputError, ShotTableError
from deblend.records.segd.external_header import external_layout, read_external_headers
from deblend.records.segd.read_headers import read_records

FIELDS = {
    "source": "1 unsigned",
    "shot_point": "2-5 unsigned",
    "fire_time": "6-13 unsigned",
    "guns_out": "14 unsigned",
    "timing_error_ms": "15-16 signed 0.1",
    "depth_m": "17-20 float",
    "pressure": "21-22 decimal",
    "state": "23-32 text",
}
TIME_US = 1_401_278_421_512_345


def entry(
    source: int, point: int, out: int = 0, late: int = 0, state: bytes = b"", psi: str = "2000"
) -> bytes:
    head = struct.pack(">BIQBhf", source, point, TIME_US + point, out, late, 6.0)
    return head + bytes.fromhex(psi) + state.ljust(10, b"\x00")


def written(path: Path, header: bytes) -> Path:
    """A record with that external header behind an extended header of one block."""
    record = Record((Set((floats(1, 2),), 2),), header_blocks=(1, len(header) // 32))
    data = bytearray(record.bytes())
    path.write_bytes(data)
    general = read_records(path)[0].general
    begin = general.position + general.size - len(header)
    data[begin : begin + len(header)] = header
    path.write_bytes(data)
    return path


def layout(**changes: str):
    return external_layout({**FIELDS, **changes}, entry_bytes=32, fire_time_unit="gps_us")


def test_entries_one_after_another(tmp_path: Path) -> None:
    header = entry(1, 100) + entry(2, 101, 3, -21, b"reduced") + bytes(32) + entry(3, 102)
    path = written(tmp_path / "line.segd", header)
    rows = read_external_headers([path], layout(), time_scale="gps")
    assert [(row.source, row.shot_point) for row in rows] == [("1", 100), ("2", 101), ("3", 102)]
    assert [row.state for row in rows] == ["full", "reduced", "full"]
    second = rows[1]
    assert (second.guns_out, second.depth_m, second.pressure) == (3.0, 6.0, 2000.0)
    assert second.timing_error_ms == pytest.approx(-2.1)
    # GPS microseconds since 1980-01-06, of which GPS time lies 315 964 800 s after 1970.
    assert second.fire_time_ns == (TIME_US + 101) * 1000 + 315_964_800 * 10**9


def test_one_entry_a_record_behind_other_bytes(tmp_path: Path) -> None:
    path = written(tmp_path / "line.segd", b"\xff" * 32 + entry(4, 7))
    mapped = external_layout({"source": "1 unsigned", "shot_point": "2-5 unsigned"}, first_byte=33)
    rows = read_external_headers([path], mapped, time_scale="gps")
    assert [(row.source, row.shot_point, row.fire_time_ns) for row in rows] == [("4", 7, None)]


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"shot_point": "1 unsigned"}, "are mapped"),
        ({**FIELDS, "colour": "1 unsigned"}, "are mapped"),
        ({**FIELDS, "state": "words"}, "state is mapped to 'words'"),
        ({**FIELDS, "depth_m": "1-3 float"}, "3 bytes of kind float"),
        ({**FIELDS, "depth_m": "9-1 unsigned"}, "-7 bytes of kind unsigned"),
        ({**FIELDS, "state": "30-35 text"}, "ends at byte 35 of an entry of 32 bytes"),
    ],
)
def test_layouts_that_are_refused(fields: dict[str, str], message: str) -> None:
    with pytest.raises(ShotTableError, match=message):
        external_layout(fields, entry_bytes=32)


@pytest.mark.parametrize(
    ("header", "message"),
    [
        (b"", "external header has 0 bytes and the fields reach byte 32"),
        (entry(1, 100, psi="20fa"), r"bytes 20fa are no decimal"),
        (entry(1, 100, state=b"odd"), "'odd' is no state"),
        (entry(1, 100, state=b"\xff"), "are no text"),
    ],
)
def test_headers_that_are_refused(tmp_path: Path, header: bytes, message: str) -> None:
    path = written(tmp_path / "line.segd", header)
    with pytest.raises(ShotTableError, match=message):
        read_external_headers([path], layout(), time_scale="gps")


@settings(derandomize=True, max_examples=60, deadline=None)
@given(data=st.binary(min_size=64, max_size=64))
def test_arbitrary_headers(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = written(tmp_path_factory.getbasetemp() / "any.segd", data)
    try:
        rows = read_external_headers([path], layout(), time_scale="gps")
    except InputError as error:
        said = str(error)
    else:
        said = str(path)
        assert len(rows) <= 2
    assert "any.segd" in said
