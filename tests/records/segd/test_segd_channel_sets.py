"""Channel sets chosen by number and type, in files put together by hand from the standard."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
from segd_bytes import Record, Set

from deblend.errors import RecordError
from deblend.records.open import open_recording


def payload(values: tuple[float, ...], samples: int = 50) -> tuple[bytes, ...]:
    return tuple(struct.pack(f">{samples}f", *([value] * samples)) for value in values)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Three seismic channels, two near-field hydrophones, and one auxiliary trace."""
    record = Record(
        sets=(
            Set(payload((1.0, 2.0, 3.0)), 50, number=1, kind=0x10),
            Set(payload((11.0, 12.0)), 50, number=2, kind=0x70),
            Set(payload((21.0,)), 50, number=3, kind=0x20),
        )
    )
    path = tmp_path / "line.segd"
    path.write_bytes(record.bytes())
    return path


@pytest.mark.parametrize(
    ("sets", "values"),
    [
        ((), [1.0, 2.0, 3.0]),
        (("seismic",), [1.0, 2.0, 3.0]),
        (("2",), [11.0, 12.0]),
        (("type 0x70",), [11.0, 12.0]),
        (("auxiliary",), [11.0, 12.0, 21.0]),
        (("1", "type 0x20"), [1.0, 2.0, 3.0, 21.0]),
    ],
)
def test_sets_by_number_and_type(path: Path, sets: tuple[str, ...], values: list[float]) -> None:
    recording = open_recording(path, time_scale="gps", channel_sets=sets)
    samples = recording.read(range(recording.shape[0]), 0, 1)
    assert np.array_equal(samples[:, 0], values)


def test_sets_that_are_left_out_are_named(path: Path) -> None:
    found = open_recording(path, time_scale="gps").findings
    (left_out,) = [f for f in found if f.metric == "channel_sets_left_out"]
    assert "2 (auxiliary, type 0x70, 2 channels), 3 (auxiliary, type 0x20" in left_out.message


def test_sets_that_are_not_there(path: Path) -> None:
    with pytest.raises(RecordError, match=r"in channel_sets, by number or type: 1 \(seismic"):
        open_recording(path, time_scale="gps", channel_sets=("9",))
    with pytest.raises(RecordError, match="'type water' is not understood"):
        open_recording(path, time_scale="gps", channel_sets=("type water",))
