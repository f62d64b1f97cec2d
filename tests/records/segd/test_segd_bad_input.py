"""Damaged files: one clear error, and no memory for what a header promises."""

from __future__ import annotations

import os
import struct
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from segd_bytes import START_US, Record, Set, air_gun, event, floats, revision_2_record
from segd_mutants import mutant, seeds, use

from deblend.errors import DeblendError, RecordError
from deblend.records.open import open_recording
from deblend.records.segd.open import open_segd
from deblend.records.segd.read_headers import read_records

ONE = Set((floats(1, 2, 3, 4), floats(5, 6, 7, 8)), 4)


def write(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "line.segd"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("label", [False, True])
def test_truncation_anywhere_is_an_error(label: bool, tmp_path: Path) -> None:
    blocks = (air_gun(1, "0003E98000", "0000010000"), event(1, START_US))
    record = Record((ONE,), blocks=blocks, label=label, header_blocks=(1, 1), trailer=1)
    data = record.bytes()
    start = 128 if label else 0
    boundaries = {start + 32 * block for block in range(12)}
    boundaries |= {len(data) - 32, len(data) - 32 - 16, len(data) - 32 - 16 - 52, len(data) - 1}
    for size in sorted(boundaries | {0, 1, start + 63, start + 65}):
        if size >= len(data):
            continue
        with pytest.raises(RecordError, match=r"line\.segd.*") as caught:
            open_segd(write(tmp_path, data[:size]), time_scale="gps")
        assert caught.value.remedy


@pytest.mark.parametrize("size", range(0, 216, 7))
def test_truncated_revision_2(size: int, tmp_path: Path) -> None:
    data = revision_2_record((floats(1, 2), floats(3, 4)), end_2ms=2, samples=2)
    assert len(data) == 96 + 2 * 60
    with pytest.raises(RecordError, match=r"line\.segd"):
        open_segd(write(tmp_path, data[:size]), time_scale="utc", start_is_exact=True)


def promising(tmp_path: Path) -> dict[str, Path]:
    """Files of a few hundred bytes whose headers promise far more."""
    record = Record((ONE,))
    descriptor = 96
    promises = {
        # 16777215 channels of 4294967295 samples of 4 bytes: 2.9e17 bytes.
        "everything": {descriptor + 13: "FFFFFFFF", descriptor + 21: "FFFFFF"},
        # 10 TB in one trace: 2.5e9 samples of 4 bytes a channel in 1000 channels.
        "ten terabytes": {descriptor + 13: "9502F900", descriptor + 21: "0003E8"},
        "channels": {descriptor + 21: "FFFFFF"},
        "general headers": {12: "F1", 32 + 23: "FFFF"},
        "channel sets": {29: "FF", 32 + 4: "FFFF"},
        "skew": {30: "FF", 32 + 9: "FFFF"},
        "extended header": {31: "FF", 32 + 6: "FFFFFF"},
        "external header": {32: "FF", 32 + 28: "FFFFFF"},
        "trailer": {32 + 13: "FFFFFFFF"},
    }
    paths = {}
    for name, changes in promises.items():
        paths[name] = tmp_path / f"{name}.segd"
        paths[name].write_bytes(record.but(changes=changes))
    return paths


def test_headers_that_promise_terabytes_cost_no_memory(tmp_path: Path) -> None:
    for name, path in promising(tmp_path).items():
        tracemalloc.start()
        try:
            with pytest.raises(RecordError, match=r"needs \d+ bytes|holds no header") as caught:
                open_segd(path, time_scale="gps")
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert path.name in str(caught.value), name
        assert peak < 1 << 20, name


def test_trace_that_promises_terabytes(tmp_path: Path) -> None:
    of = Set((floats(1, 2),), 2, own_samples=(4_000_000_000,))
    with pytest.raises(RecordError, match="trace 1 needs 16000000000 bytes from byte 244, but"):
        open_segd(write(tmp_path, Record((of,)).bytes()), time_scale="gps")


def test_file_that_is_cut_or_changed_between_opening_and_reading(tmp_path: Path) -> None:
    data = Record((ONE,)).bytes()
    path = write(tmp_path, data)
    recording = open_recording(path, time_scale="gps")
    assert recording.read([0], 0, 4).tolist() == [[1, 2, 3, 4]]
    path.write_bytes(data[:-4])
    with pytest.raises(RecordError, match="has changed since its headers were read"):
        recording.read([0], 0, 4)
    path.write_bytes(data)
    os.utime(path, ns=(1, 1))
    with pytest.raises(RecordError, match="has changed since its headers were read"):
        recording.read([0], 0, 4)
    path.unlink()
    with pytest.raises(RecordError, match="cannot be read"):
        recording.read([0], 0, 4)


def test_file_that_is_cut_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path, Record((ONE,)).bytes())
    recording = open_recording(path, time_scale="gps")
    plain = os.preadv

    def cutting(descriptor: int, buffers: list[memoryview], position: int) -> int:
        os.truncate(path, position)
        return plain(descriptor, buffers, position)

    monkeypatch.setattr(os, "preadv", cutting)
    with pytest.raises(RecordError, match="has changed since its headers were read"):
        recording.read([0, 1], 0, 4)


def test_file_that_grows_while_its_headers_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path, Record((ONE,)).bytes())
    plain = os.pread

    def growing(descriptor: int, count: int, position: int) -> bytes:
        with path.open("ab") as file:
            file.write(b"\0")
        return plain(descriptor, count, position)

    monkeypatch.setattr(os, "pread", growing)
    with pytest.raises(RecordError, match="has changed since its headers were read"):
        read_records(path)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({1: "1A00"}, "file number holds the digits 1A00, which are not decimal"),
        ({3: "80A8"}, "format code holds the digits 80A8"),
        ({12: "01"}, r"general header 2 gives the revision 3\.0"),
        ({32 + 11: "01"}, r"revision 1\.0.*revisions 2.x and 3.x"),
        ({32 + 11: "04"}, r"revision 4\.0"),
        ({28: "00"}, "counts 0 scan types"),
        ({29: "00"}, "counts 0 channel sets"),
        ({64 + 32: "17"}, "third general header is not the one with the time"),
        ({96 + 21: "000000"}, "holds no trace"),
        ({96 + 24: "000000"}, "sample interval comes to 0 ns"),
        ({96 + 2: "0002"}, "byte 192 holds no header of a trace of channel set 2"),
        ({96 + 1: "0A"}, "channel set 1 of the record at byte 0: scan type holds the digits 0A"),
        ({96 + 4: "00"}, "no channel set is 'seismic'"),
        ({64 + 1: "7FFFFFFFFFFFFFFF"}, "GPS timestamp 9223372036854775807 µs lies outside"),
    ],
)
def test_damaged_fields_are_named(changes: dict[int, str], message: str, tmp_path: Path) -> None:
    path = write(tmp_path, Record((ONE,), changes=changes).bytes())
    with pytest.raises(DeblendError, match=message) as caught:
        open_segd(path, time_scale="gps")
    assert "line.segd" in str(caught.value)
    assert caught.value.remedy


def test_records_without_samples_are_refused(tmp_path: Path) -> None:
    of = Set((b"", b""), 0)
    with pytest.raises(RecordError, match="traces of channel set 1 have no samples"):
        open_segd(write(tmp_path, Record((of,)).bytes()), time_scale="gps")


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no file matches"):
        open_segd(tmp_path / "none.segd", time_scale="gps")
    with pytest.raises(RecordError, match="cannot be read"):
        read_records(tmp_path)


@pytest.mark.parametrize("round_", range(4))
def test_mutated_files_give_errors_of_the_package_only(round_: int, tmp_path: Path) -> None:
    generator = np.random.default_rng([5, round_])
    outcomes = set()
    originals = seeds()
    for number in range(120):
        seed = originals[number % len(originals)]
        outcomes.add(use(write(tmp_path, mutant(seed, generator))))
    assert {"read", "RecordError"} <= outcomes


def test_the_seeds_of_the_mutants_are_good_files(tmp_path: Path) -> None:
    for number, data in enumerate(seeds()):
        path = write(tmp_path, data)
        (scale,) = {"gps" if one.general.time_zero_us else "utc" for one in read_records(path)}
        recording = open_segd(path, time_scale=scale, start_is_exact=scale == "utc")
        assert np.isfinite(recording.read([0], 0, 1)).all(), number


def test_struct_of_a_timestamp() -> None:
    # The builder above and the worked records agree on the bytes of one instant.
    assert struct.pack(">q", START_US).hex() == "0004fa748e561880"
