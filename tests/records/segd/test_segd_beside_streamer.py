"""Near-field hydrophones and time breaks in channel sets of their own, chosen by keys."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from segd_bytes import START_US, Set
from segd_line import FILES, SAMPLES, Fired, fired, one_set, pulses, set_of, write_line

from deblend.check.check import check_line
from deblend.errors import SettingsError
from deblend.line.line_file import read_line_file
from deblend.line.open_line import open_line
from deblend.model.findings import Finding

NEAR_FIELD = """
[near_field]
channel_sets = ["type 0x70"]
[near_field.channels]
1 = [1]
2 = [2]
3 = [3]
"""
TIME_BREAKS = """
[auxiliary]
channel_sets = ["{sets}"]
[auxiliary.time_breaks]
1 = 1
2 = 1
3 = 1
"""
MISFIRED = 1017
LATE = 1030


def beside(shots: list[Fired], channels: int, late_us: dict[int, int]) -> np.ndarray:
    """A sharp pulse a shot at its time, on the channel of its source or on the only one."""
    random = np.random.default_rng(9)
    record = 1e-3 * random.standard_normal((channels, FILES * SAMPLES))
    shape = np.array([0.0, 1.0, 1.0, -0.5, -0.2, 0.0])
    time = np.arange(record.shape[1])
    for shot in shots:
        if shot.shot_point == MISFIRED:
            continue
        at = shot.time_us + late_us.get(shot.shot_point, late_us.get(shot.source, 0)) - START_US
        near = slice(max(0, at // 4000 - 10), at // 4000 + 20)
        row = shot.source - 1 if channels > 1 else 0
        record[row, near] += np.interp(time[near] - at / 4000, np.arange(-1, 5), shape, 0.0, 0.0)
    return record.astype(np.float32)


def written(folder: Path, late_us: dict[int, int], tables: str) -> Path:
    shots = fired()
    hydrophones, breaks = beside(shots, 3, {}), beside(shots, 1, late_us)
    streamer = one_set(pulses(shots))

    def sets(number: int) -> tuple[Set, ...]:
        part = slice(number * SAMPLES, (number + 1) * SAMPLES)
        return (
            *streamer(number),
            replace(set_of(hydrophones[:, part]), number=2, kind=0x70),
            replace(set_of(breaks[:, part]), number=3, kind=0x20, unit=0x0F),
        )

    return write_line(folder, shots, sets, tables=tables)


def found(path: Path, begin: str) -> list[Finding]:
    line = open_line(read_line_file(path))
    return [finding for finding in line.findings if finding.metric.startswith(begin)]


def test_hydrophones_of_their_own_set(tmp_path: Path) -> None:
    path = written(tmp_path, {}, NEAR_FIELD)
    line = open_line(read_line_file(path))
    assert line.recording.shape[0] == 4
    assert not line.shots.live[line.shots.shot_point == MISFIRED].any()
    assert line.shots.live.sum() == len(line.shots) - 1
    (missed,) = [f for f in found(path, "near_field") if f.verdict == "look"]
    assert (missed.metric, missed.shot_point) == ("near_field_misfired", MISFIRED)


@pytest.mark.parametrize("sets", ["3", "type 0x20"])
@pytest.mark.parametrize("late_ms", [0.0, 5.0, -20.0, 300.0])
def test_time_breaks_name_the_source_that_is_late(
    tmp_path: Path, late_ms: float, sets: str
) -> None:
    late_us = round(1000 * late_ms)
    path = written(tmp_path, {2: late_us, LATE: 8000}, TIME_BREAKS.format(sets=sets))
    offsets = found(path, "time_break_offset")
    assert [finding.source for finding in offsets] == [1, 2, 3]
    for finding in offsets:
        expected = late_ms if finding.source == 2 else 0.0
        # The pulse rises from zero to one over the sample before its time.
        assert finding.value == pytest.approx(expected - 2.0, abs=1.5)
    verdicts = [finding.verdict for finding in offsets]
    assert verdicts == ["pass", "look" if late_ms else "pass", "pass"]
    others = [f for f in found(path, "time_break_") if f.metric != "time_break_offset"]
    assert ("time_break_missing", MISFIRED) in {(f.metric, f.shot_point) for f in others}
    (late,) = [f for f in others if f.shot_point == LATE]
    assert late.value == pytest.approx(8.0 - (late_ms if late.source == 2 else 0.0), abs=1.5)


def test_no_time_breaks_without_the_table_and_sets_left_out_are_named(tmp_path: Path) -> None:
    path = written(tmp_path, {2: 20_000}, "")
    assert not found(path, "time_break")
    (left_out,) = found(path, "channel_sets_left_out")
    assert "2 (auxiliary, type 0x70, 3 channels), 3 (auxiliary, type 0x20, 1 channel)" in (
        left_out.message
    )
    assert "[near_field] and [auxiliary]" in left_out.message
    assert check_line(read_line_file(path)).clean


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        (TIME_BREAKS.format(sets="3").replace("3 = 1", "3 = 7"), "have no channel 7"),
        (TIME_BREAKS.format(sets="3").replace("3 = 1", "9 = 1"), "source '9', which is not in"),
    ],
)
def test_what_is_refused(tmp_path: Path, tables: str, message: str) -> None:
    with pytest.raises(SettingsError, match=message):
        open_line(read_line_file(written(tmp_path, {}, tables)))
