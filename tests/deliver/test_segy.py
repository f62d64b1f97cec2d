"""Delivered SEG-Y, byte for byte against the standard and opened with segyio.

Byte positions: SEG Technical Standards Committee, 2002, SEG Y rev 1 Data Exchange Format, tables 2
and 3; written here as numbers, not taken from the package's own table.
"""

from __future__ import annotations

import hashlib
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import segyio
from numpy.typing import NDArray
from segyio import BinField, TraceField

from deblend.deliver.segy import DeliveredFile, write_source_segy
from deblend.deliver.trace_headers import SourceGathers
from deblend.errors import OutputError
from deblend.model.geometry import Geometry, unknown_geometry
from deblend.model.shots import make_shots
from deblend.model.timebase import parse_instant
from deblend.records.segy.gathers import open_trace_file

SHOT_COUNT, CHANNEL_COUNT, LENGTH = 3, 4, 50
TRACE_BYTES = 240 + 4 * LENGTH
INSTANTS = (
    "2024-06-01T12:00:03.512345999",  # the instant of the worked example, with nanoseconds
    "2024-06-01T12:00:11.000000001",
    "2024-12-31T23:59:59.999999999",
)


def amplitudes() -> NDArray[np.float32]:
    shape = (SHOT_COUNT, CHANNEL_COUNT, LENGTH)
    return np.random.default_rng(3).standard_normal(shape).astype(np.float32)


def gathers(
    *,
    time_scale: str = "utc",
    x_m: float = 456789.12,
    y_m: float = 6484321.50,
    known: bool = True,
    interval_ns: int = 2_000_000,
    length: int = LENGTH,
    shot_point: int = 5060,
    unit: str = "recorded unit",
    history: tuple[str, ...] = ("Separated.",),
) -> SourceGathers:
    scale = "utc" if time_scale == "utc" else "gps"
    along = np.arange(SHOT_COUNT) * 18.75
    behind = 100.4 + 12.5 * np.arange(CHANNEL_COUNT)
    shots = make_shots(
        np.full(SHOT_COUNT, 2),
        shot_point + np.arange(SHOT_COUNT),
        np.array([parse_instant(text, scale) for text in INSTANTS]),
        scale,
        x_m=x_m + along if known else None,
        y_m=np.full(SHOT_COUNT, y_m) if known else None,
        depth_m=np.full(SHOT_COUNT, 6.5) if known else None,
    )
    shape = (SHOT_COUNT, CHANNEL_COUNT)
    geometry = Geometry(
        np.broadcast_to(-behind, shape).copy(),
        x_m + along[:, None] - behind,
        np.full(shape, y_m + 37.25),
        np.full(CHANNEL_COUNT, 8.25),
    )
    return SourceGathers(
        shots=shots,
        geometry=geometry if known else unknown_geometry(*shape),
        channel_numbers=np.array([1, 2, 3, 120]),
        dead=np.array([False, True, False, False]),
        interval_ns=interval_ns,
        length=length,
        amplitude_unit=unit,
        line="Example line",
        history=history,
    )


def written(tmp_path: Path, what: SourceGathers) -> tuple[Path, DeliveredFile]:
    path = tmp_path / "source_2.sgy"
    return path, write_source_segy(path, amplitudes(), what)


def word(content: bytes, trace: int, byte: int, kind: str) -> int:
    start = 3600 + trace * TRACE_BYTES + byte - 1
    return int(struct.unpack_from(f">{kind}", content, start)[0])


def test_words_lie_at_the_bytes_of_the_standard(tmp_path: Path) -> None:
    path, _ = written(tmp_path, gathers())
    content = path.read_bytes()
    assert len(content) == 3600 + SHOT_COUNT * CHANNEL_COUNT * TRACE_BYTES
    binary = {
        (3213, "h"): CHANNEL_COUNT,  # data traces per ensemble
        (3217, "h"): 2000,  # sample interval, us
        (3221, "h"): LENGTH,  # samples per trace
        (3225, "h"): 5,  # IEEE float
        (3229, "h"): 5,  # common source
        (3255, "h"): 1,  # metres
        (3501, "h"): 0x0100,  # revision 1.0
        (3503, "h"): 1,  # fixed trace length
        (3505, "h"): 0,  # no extended textual headers
        (3507, "i"): 0,
    }
    for (byte, kind), value in binary.items():
        assert struct.unpack_from(f">{kind}", content, byte - 1)[0] == value, byte
    trace = CHANNEL_COUNT + 3  # second shot, fourth channel
    header = {
        (1, "i"): trace + 1,  # sequence in line
        (5, "i"): trace + 1,  # sequence in file
        (9, "i"): 2,  # field record
        (13, "i"): 120,  # channel
        (17, "i"): 5061,  # energy source point
        (29, "h"): 1,  # seismic data
        (35, "h"): 1,  # production
        (37, "i"): -138,  # offset 137.9 m, behind
        (41, "i"): -825,  # receiver elevation, cm
        (49, "i"): 650,  # source depth, cm
        (69, "h"): -100,
        (71, "h"): -100,
        (73, "i"): 45680787,  # source x 456789.12 + 18.75 m, cm
        (77, "i"): 648432150,  # source y 6484321.50 m
        (81, "i"): 45666997,  # receiver x, 137.9 m behind
        (85, "i"): 648435875,
        (89, "h"): 1,  # length units
        (109, "h"): 0,  # delay
        (115, "h"): LENGTH,
        (117, "h"): 2000,
        (157, "h"): 2024,
        (159, "h"): 153,  # 1 June of a leap year
        (161, "h"): 12,
        (163, "h"): 0,
        (165, "h"): 11,
        (167, "h"): 4,  # UTC
        (181, "i"): 45673892,  # midpoint x, 68.95 m behind the source
        (185, "i"): 648434012,  # halfway from 6484321.50 to 6484358.75 m
        (197, "i"): 5061,  # shot point
        (201, "h"): 1,
        (203, "h"): 0,  # unit unknown
        (213, "h"): 2,  # source
        (215, "h"): 1,  # scalar of the delay
        (217, "h"): 0,  # source type unknown
        (233, "i"): 0,  # microseconds
        (237, "i"): 1,  # remaining nanoseconds
    }
    for (byte, kind), value in header.items():
        assert word(content, trace, byte, kind) == value, byte
    covered = np.zeros(240, bool)
    for byte, kind in [*header, (31, "h"), (33, "h")]:
        covered[byte - 1 : byte - 1 + struct.calcsize(kind)] = True
    start = 3600 + trace * TRACE_BYTES
    rest = np.frombuffer(content, np.uint8, 240, start)[~covered]
    assert not rest.any(), "bytes that nobody documented are not zero"


def test_known_hexadecimal_words(tmp_path: Path) -> None:
    # 456789.12 m is 02 B9 01 40 and 6484321.50 m is 26 A6 4A 16 with scalar -100; 1.0 is 3F 80 00
    # 00 in IEEE single precision (IEEE 754): computed by hand.
    path = tmp_path / "one.sgy"
    write_source_segy(path, np.ones((SHOT_COUNT, CHANNEL_COUNT, LENGTH), np.float32), gathers())
    header = path.read_bytes()[3600:]
    assert header[72:80].hex() == "02b9014026a64a16"
    assert header[240:244].hex() == "3f800000"


def test_fire_instants_are_cut_and_complete(tmp_path: Path) -> None:
    path, _ = written(tmp_path, gathers())
    content = path.read_bytes()
    expected = [(153, 3, 512345, 999), (153, 11, 0, 1), (366, 59, 999999, 999)]
    for shot, values in enumerate(expected):
        trace = shot * CHANNEL_COUNT
        got = tuple(
            word(content, trace, *place)
            for place in ((159, "h"), (165, "h"), (233, "i"), (237, "i"))
        )
        assert got == values


def test_gps_time_basis(tmp_path: Path) -> None:
    path, _ = written(tmp_path, gathers(time_scale="gps"))
    assert word(path.read_bytes(), 0, 167, "h") == 5
    assert "Time scale of all instants: GPS" in _text(path)


def test_segyio_reads_it_back(tmp_path: Path) -> None:
    path, delivered = written(tmp_path, gathers(unit="Pa"))
    with segyio.open(path, ignore_geometry=True) as file:
        assert file.tracecount == delivered.trace_count == SHOT_COUNT * CHANNEL_COUNT
        assert file.bin[BinField.Format] == 5
        assert file.bin[BinField.SEGYRevision] == 1
        assert file.bin[BinField.SortingCode] == 5
        assert file.bin[BinField.TraceFlag] == 1
        np.testing.assert_array_equal(
            file.trace.raw[:].reshape(SHOT_COUNT, CHANNEL_COUNT, LENGTH), amplitudes()
        )
        np.testing.assert_allclose(file.samples, 2.0 * np.arange(LENGTH))  # ms, no delay
        np.testing.assert_array_equal(
            file.attributes(TraceField.TraceIdentificationCode)[:], [1, 2, 1, 1] * SHOT_COUNT
        )
        np.testing.assert_array_equal(
            file.attributes(TraceField.ShotPoint)[:], np.repeat([5060, 5061, 5062], CHANNEL_COUNT)
        )
        assert file.header[0][TraceField.TraceValueMeasurementUnit] == 1
        assert file.header[0][TraceField.UnassignedInt1] == 512345


def _text(path: Path) -> str:
    with segyio.open(path, ignore_geometry=True) as file:
        return file.text[0].decode("ascii")


def test_textual_header(tmp_path: Path) -> None:
    path, _ = written(tmp_path, gathers(history=("Pseudo-deblended. " * 30, "Left out.")))
    content = path.read_bytes()
    assert content[0] == 0xC3  # C in EBCDIC
    text = content[:3200].decode("cp037")
    lines = [text[start : start + 80] for start in range(0, 3200, 80)]
    assert [line[:3] for line in lines] == [f"C{number:2d}" for number in range(1, 41)]
    assert lines[38].rstrip() == "C39 SEG Y REV1"
    assert lines[39].rstrip() == "C40 END TEXTUAL HEADER"
    for words in ("Example line", "Source: 2", "233-236", "Polarity as recorded", "UTC"):
        assert words in text
    assert "Pseudo-deblended" in text
    assert "Left out" in text


@pytest.mark.parametrize(
    ("source", "number"), [(7, 7), ("12", 12), ("port", 0), (40_000, 0), ("\u0663", 0)]
)
def test_the_source_number_is_in_every_trace(
    tmp_path: Path, source: int | str, number: int
) -> None:
    what = gathers()
    named = replace(what.shots, source=np.full(len(what.shots), source))
    path, _ = written(tmp_path, replace(what, shots=named))
    with segyio.open(path, ignore_geometry=True) as file:
        found = file.attributes(TraceField.TraceIdentifier)[:]
    np.testing.assert_array_equal(found, number)


def test_checksum_and_size(tmp_path: Path) -> None:
    path, delivered = written(tmp_path, gathers())
    content = path.read_bytes()
    assert delivered.sha256 == hashlib.sha256(content).hexdigest()
    assert delivered.size_bytes == len(content)
    assert [entry.name for entry in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize(
    ("y_m", "scalar", "stored"),
    [(21_474_836.4, -100, 2147483640), (100_000_000.5, -10, 1000000005), (2e9, 1, 2000000000)],
)
def test_coordinates_take_the_finest_scalar_that_fits(
    tmp_path: Path, y_m: float, scalar: int, stored: int
) -> None:
    what = gathers(y_m=y_m)
    what.geometry.receiver_y_m[:] = y_m
    path, _ = written(tmp_path, what)
    content = path.read_bytes()
    assert word(content, 0, 71, "h") == scalar
    assert word(content, 0, 77, "i") == stored


def test_unknown_positions_are_zero(tmp_path: Path) -> None:
    path, _ = written(tmp_path, gathers(known=False))
    content = path.read_bytes()
    for byte in (37, 41, 49, 73, 77, 81, 85, 181, 185):
        assert word(content, 5, byte, "i") == 0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"length": 32768}, "32768 samples a trace do not fit"),
        ({"y_m": 3e9}, "coordinate of 3000000037 m does not fit"),
        ({"shot_point": 2**31}, "source point 2147483648 does not fit the 4 bytes"),
        ({"length": LENGTH + 1}, r"shape \(3, 4, 50\), not \(3, 4, 51\)"),
    ],
)
def test_what_does_not_fit_is_refused(
    tmp_path: Path, change: dict[str, float], message: str
) -> None:
    with pytest.raises(OutputError, match=message):
        written(tmp_path, gathers(**change))  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("interval_ns", [62_500, 3_333_333, 40_000_000])
def test_intervals_beyond_revision_1_go_to_revision_2(tmp_path: Path, interval_ns: int) -> None:
    path, _ = written(tmp_path, gathers(interval_ns=interval_ns))
    content = path.read_bytes()
    # SEG-Y revision 2.0, table 2 and trace header extension 1.
    assert content[3500:3502] == bytes([2, 0])
    assert struct.unpack_from(">d", content, 3272)[0] == interval_ns / 1000
    assert struct.unpack_from(">I", content, 3296)[0] == 0x01020304
    assert struct.unpack_from(">I", content, 3506)[0] == 1
    begin = 3600
    assert content[begin + 232 : begin + 240] == b"SEG00000"
    assert content[begin + 240 + 232 : begin + 480] == b"SEG00001"
    assert struct.unpack_from(">h", content, begin + 212)[0] == 2  # source
    assert struct.unpack_from(">i", content, begin + 184)[0] == 648434012  # midpoint y
    whole_ns = parse_instant(INSTANTS[0], "utc")
    assert struct.unpack_from(">i", content, begin + 240 + 140)[0] == whole_ns % 10**9
    again = open_trace_file(path, ["shot_point", "channel"])
    assert again.interval_ns == interval_ns
    assert again.words["shot_point"].tolist() == [5060] * 4 + [5061] * 4 + [5062] * 4
    np.testing.assert_array_equal(
        again.read(np.arange(12)).reshape(amplitudes().shape), amplitudes()
    )
    assert "SEG-Y REV2.0" in content[:3200].decode("cp037")


def test_values_beyond_two_bytes_do_not_wrap(tmp_path: Path) -> None:
    what = gathers()
    what.channel_numbers[0] = 2**40
    with pytest.raises(OutputError, match="channel 1099511627776 does not fit"):
        written(tmp_path, what)
    assert list(tmp_path.iterdir()) == []


def test_unknown_samples_are_refused(tmp_path: Path) -> None:
    bad = amplitudes()
    bad[1, 2, 3] = np.nan
    with pytest.raises(OutputError, match=r"shot point 5061: .*NaN"):
        write_source_segy(tmp_path / "bad.sgy", bad, gathers())
    assert list(tmp_path.iterdir()) == []


def test_missing_folder_is_said(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"cannot be written .*No such file"):
        write_source_segy(tmp_path / "absent" / "a.sgy", amplitudes(), gathers())


def test_many_blocks_equal_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _, whole = written(tmp_path, gathers())
    monkeypatch.setattr("deblend.deliver.segy._BLOCK_BYTES", 1)
    _, pieces = written(tmp_path, gathers())
    assert pieces.sha256 == whole.sha256
