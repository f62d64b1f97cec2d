"""Rows that a table leaves out show in its numbers and times."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from deblend.check.headers.missing_shot_points import missing_shot_points
from deblend.model.recording import Gap, Recording
from deblend.model.shots import Shots, make_shots

PER_SHOT_NS = 5_000_000_000


def recording(lost: slice | None = None) -> Recording:
    samples = np.zeros((1, 100_000), np.float32)
    gaps = () if lost is None else (Gap(lost.start, lost.stop),)
    return Recording(samples, interval_s=0.004, start=0, time_scale="utc", gaps=gaps)


def in_turn(count: int = 60) -> Shots:
    """Two sources in turn, in one row of numbers that falls along the line."""
    number = np.arange(count)
    jitter = np.random.default_rng(1).integers(-(10**9), 10**9, count)
    return make_shots(number % 2 + 1, 2000 - number, (number + 1) * PER_SHOT_NS + jitter, "utc")


def in_pairs(shared: bool, count: int = 30) -> Shots:
    """Two sources nearly together, which share each number or deal numbers out as they fire."""
    dither = np.random.default_rng(2).integers(0, 10**9, (count, 2))
    times = np.ravel((np.arange(count) + 1)[:, None] * PER_SHOT_NS + dither)
    source = np.tile([1, 2], count)
    numbers = np.repeat(np.arange(count), 2) if shared else np.argsort(np.argsort(times))
    return make_shots(source, 1000 + numbers, times, "utc")


def without(shots: Shots, rows: list[int]) -> Shots:
    return shots.take(np.setdiff1d(np.arange(len(shots)), rows))


def found(shots: Shots, held: Recording | None = None) -> list[tuple[str, float, str]]:
    findings = missing_shot_points(held or recording(), shots)
    return [
        (one.metric, one.value, one.message.partition(":")[2].partition(";")[0]) for one in findings
    ]


@pytest.mark.parametrize(
    "shots",
    [in_turn(), in_pairs(shared=True), in_pairs(shared=False)],
    ids=["turn", "pairs", "row"],
)
def test_a_whole_table_misses_nothing(shots: Shots) -> None:
    assert found(shots) == []


def test_missing_rows_are_named_by_source() -> None:
    shots = without(in_turn(), [20, 30, 32, 31])
    (one, two) = missing_shot_points(recording(), shots)
    assert (one.metric, one.verdict, one.value, one.source) == ("missing_shot_points", "look", 3, 1)
    assert "3 shot points of source 1 without a row" in one.message
    assert ": 1980, 1970 to 1968; the first between 1970-01-01T00:01:3" in one.message
    assert "live = false for what did not fire" in one.message
    assert (two.source, two.value) == (2, 1)
    assert ": 1969; " in two.message


@pytest.mark.parametrize("rows", [[12], [12, 13], [12, 15]])
def test_missing_rows_of_pairs(rows: list[int]) -> None:
    count = sum(value for _, value, _ in found(without(in_pairs(shared=True), rows)))
    assert count == len(rows)
    ((metric, value, named),) = found(without(in_pairs(shared=False), rows))
    assert metric == "missing_shot_points"
    assert value == len(rows)
    assert named.split()[0].rstrip(",") in ("1012", "1013")


def test_numbers_that_are_skipped_without_time_are_no_missing_rows() -> None:
    shots = in_turn()
    point = np.where(np.arange(len(shots)) > 30, shots.shot_point - 10, shots.shot_point)
    skipped = found(replace(shots, shot_point=point))
    assert {metric for metric, _, _ in skipped} == {"shot_points_skipped"}


def test_what_was_not_recorded_is_not_missed() -> None:
    shots = without(in_turn(), [20])
    lost = slice(20 * 1250, 22 * 1250 + 600)  # of 4 ms: about the missing shot
    ((metric, _, named),) = found(shots, recording(lost))
    assert metric == "shot_points_skipped"
    assert "1980" in named


def test_numbers_that_count_nothing_say_nothing() -> None:
    shots = in_turn()
    numbers: NDArray[np.int64] = np.random.default_rng(3).integers(0, 10**6, len(shots))
    assert found(replace(shots, shot_point=numbers)) == []
    assert found(shots.take(np.arange(6))) == []


def test_another_part_of_the_line_is_no_gap() -> None:
    shots = in_turn()
    point = np.where(np.arange(len(shots)) > 30, shots.shot_point - 1000, shots.shot_point)
    assert found(replace(shots, shot_point=point)) == []


def test_a_row_with_another_date_is_not_missing() -> None:
    shots = in_turn()
    fired_ns = shots.fire_time_ns.copy()
    fired_ns[10] += 31 * 86_400 * 10**9
    assert found(replace(shots, fire_time_ns=fired_ns)) == []
