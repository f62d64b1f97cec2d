"""What segyio finds in a delivered file that is not as it was to be written."""

from __future__ import annotations

import struct
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from deblend.deliver import segy
from deblend.deliver.second_reader import read_again, traces_to_read
from deblend.deliver.segy import write_source_segy
from deblend.deliver.trace_headers import SourceGathers
from deblend.errors import OutputError
from deblend.model.geometry import Geometry
from deblend.model.shots import make_shots
from deblend.model.timebase import parse_instant

SHOTS, CHANNELS, LENGTH = 3, 4, 20
TRACE_BYTES = 240 + 4 * LENGTH
SAMPLES = np.random.default_rng(1).standard_normal((SHOTS, CHANNELS, LENGTH)).astype(np.float32)


def line(source: int | str = 2, interval_ns: int = 2_000_000) -> SourceGathers:
    behind = 100.4 + 12.5 * np.arange(CHANNELS)
    along = 18.75 * np.arange(SHOTS)
    first = parse_instant("2024-12-31T23:59:59.999999999", "utc")  # the next shot is next year
    return SourceGathers(
        shots=make_shots(
            np.full(SHOTS, source),
            5060 + np.arange(SHOTS),
            first + 8_000_000_123 * np.arange(SHOTS),
            "utc",
            x_m=456_789.123 + along,
            y_m=np.array([6_484_321.5, np.nan, 6_484_321.5]),
            depth_m=np.full(SHOTS, 6.5),
        ),
        geometry=Geometry(
            np.broadcast_to(-behind, (SHOTS, CHANNELS)).copy(),
            456_789.123 + along[:, None] - behind,
            np.full((SHOTS, CHANNELS), 6_484_358.75),
            np.full(CHANNELS, 8.25),
        ),
        channel_numbers=np.array([1, 2, 3, 120]),
        dead=np.zeros(CHANNELS, bool),
        interval_ns=interval_ns,
        length=LENGTH,
        amplitude_unit="Pa",
        line="Example line",
        history=("Separated.",),
    )


def written_traces() -> dict[int, NDArray[np.float32]]:
    flat = SAMPLES.reshape(-1, LENGTH)
    return {trace: flat[trace] for trace in traces_to_read(len(flat))}


@pytest.mark.parametrize("source", [2, "port [A]", "Ström"])
def test_a_file_as_written_passes(tmp_path: Path, source: int | str) -> None:
    delivered = write_source_segy(tmp_path / "a.sgy", SAMPLES, line(source))
    assert delivered.read_again == f"segyio {version('segyio')}"


def test_first_middle_and_last_trace_are_read() -> None:
    assert traces_to_read(12) == [0, 6, 11]
    assert traces_to_read(1) == [0]


@pytest.mark.parametrize(
    ("trace", "byte", "kind", "message"),
    [
        (6, 9, "i", "record number 7 in trace 7, not 2"),
        (6, 117, "h", "sample interval in us 7 in trace 7, not 2000"),
        (6, 13, "i", "channel 7 in trace 7, not 3"),
        (0, 17, "i", "source point 7 in trace 1, not 5060"),
        (0, 197, "i", "shot point 7 in trace 1, not 5060"),
        (8, 197, "i", "shot point 7 in trace 9, not 5062"),
        (11, 37, "i", "offset in whole metres 7 in trace 12, not -138"),
        (6, 71, "h", "source x in m 319765509 in trace 7, not 456807.873"),
        (0, 73, "i", "source x in m 0.07 in trace 1, not 456789.123"),
        (6, 77, "i", "source y in m 0.07 in trace 7, not 0"),
        (11, 81, "i", "receiver x in m 0.07 in trace 12"),
        (11, 85, "i", "receiver y in m 0.07 in trace 12, not 6484358.75"),
        (6, 181, "i", "midpoint x in m 0.07 in trace 7, not 456745.17"),
        (11, 185, "i", "midpoint y in m 0.07 in trace 12, not 6484340.125"),
        (6, 185, "i", "midpoint y in m 0.07 in trace 7, not 0"),
        (6, 213, "h", "source number 7 in trace 7, not 2"),
        (0, 165, "h", "second of the time break 1735689547 in trace 1, not 1735689599"),
        (0, 237, "i", "nanosecond of the time break 999999007 in trace 1, not 999999999"),
        (6, 241 + 4 * 5, "f", r"sample 5 7 in trace 7, not "),
    ],
)
def test_a_changed_word_is_found(
    tmp_path: Path, trace: int, byte: int, kind: str, message: str
) -> None:
    path = tmp_path / "a.sgy"
    write_source_segy(path, SAMPLES, line())
    content = bytearray(path.read_bytes())
    struct.pack_into(f">{kind}", content, 3600 + trace * TRACE_BYTES + byte - 1, 7)
    path.write_bytes(content)
    with pytest.raises(OutputError, match=message):
        read_again(path, line(), written_traces())


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda content: content[:-TRACE_BYTES], "finds 11 traces, not 12"),
        (lambda content: content[:-7], "segyio cannot read the delivered file"),
        (lambda content: content.replace("Source: 2".encode("cp037"), b"Source: 3"), "no 'Source"),
        (lambda content: content[:3220] + b"\0\x13" + content[3222:], "cannot read|finds"),
        (
            lambda content: content[:3216] + b"\x0f\xa0" + content[3218:],
            "finds 4000 microseconds of sample interval, not 2000",
        ),
    ],
)
def test_a_changed_file_is_found(
    tmp_path: Path, change: Callable[[bytes], bytes], message: str
) -> None:
    path = tmp_path / "a.sgy"
    write_source_segy(path, SAMPLES, line())
    path.write_bytes(change(path.read_bytes()))
    with pytest.raises(OutputError, match=message):
        read_again(path, line(), written_traces())


def test_a_file_that_is_read_otherwise_is_not_delivered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The writer fills a wrong field: nothing is left under the final name."""
    fill = segy.fill_headers

    def wrong(headers: NDArray[np.void], gathers: SourceGathers, first: int, scale: int) -> None:
        fill(headers, gathers, first, scale)
        headers["offset"] = -headers["offset"]

    monkeypatch.setattr(segy, "fill_headers", wrong)
    with pytest.raises(OutputError, match=r"offset in whole metres 100 .*Nothing was delivered"):
        write_source_segy(tmp_path / "a.sgy", SAMPLES, line())
    assert list(tmp_path.iterdir()) == []


def test_revision_2_is_left_out_and_says_so(tmp_path: Path) -> None:
    delivered = write_source_segy(tmp_path / "a.sgy", SAMPLES, line(interval_ns=62_500))
    assert delivered.read_again == "not read again: revision 2 is beyond segyio"
