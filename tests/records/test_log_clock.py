"""What the times of a log and of the table have in common, and what differs."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.model.shots import Shots, make_shots
from deblend.records.log_clock import LogClock, log_clock
from deblend.records.source_log import LogRow, apply_source_log

COUNT = 60
ZERO_NS = 10**18


def table(sources: int = 2) -> Shots:
    random = np.random.default_rng(3)
    fire_s = 10.0 * np.arange(COUNT)[:, None] + random.uniform(0.1, 0.9, (COUNT, sources))
    return make_shots(
        np.tile(np.arange(1, sources + 1), COUNT),
        np.repeat(np.arange(101, 101 + COUNT), sources),
        ZERO_NS + np.rint(fire_s.ravel() * 1e9).astype(np.int64),
        "utc",
    )


def held(shots: Shots, late_s: np.ndarray | float) -> LogClock:
    late_ns = np.rint(np.broadcast_to(late_s, len(shots)) * 1e9).astype(np.int64)
    return log_clock(shots, np.arange(len(shots)), shots.fire_time_ns + late_ns, "log.csv")


@pytest.mark.parametrize("sources", [2, 3])
def test_one_source_with_another_zero(sources: int) -> None:
    shots = table(sources)
    (only,) = held(shots, np.where(shots.source == 2, 0.02, 0.0)).findings
    assert (only.metric, only.source) == ("log_source_offset", 2)
    assert only.value == pytest.approx(20.0, abs=0.01)


@pytest.mark.parametrize("first", [14, 60, 110])
def test_a_step_is_one_finding_at_its_shot(first: int) -> None:
    shots = table()
    order = np.argsort(shots.fire_time_ns)
    late_s = np.zeros(len(shots))
    late_s[order[first:]] = -0.5
    clock = held(shots, 18.0 + late_s)
    assert [f.metric for f in clock.findings] == ["log_clock_offset", "log_clock_step"]
    assert clock.findings[1].shot_point == shots.shot_point[order[first]]
    assert clock.findings[1].value == pytest.approx(-500.0)
    for at in (first - 3, first + 3):
        fired = int(shots.fire_time_ns[order[at]])
        assert clock.on_table(fired + round((18.0 + late_s[order[at]]) * 1e9)) == fired


def test_what_a_drifting_log_adds_comes_to_the_table() -> None:
    shots = table()
    seconds = (shots.fire_time_ns - ZERO_NS) * 1e-9
    clock = held(shots, 18.0 + 1e-4 * seconds)
    assert [f.metric for f in clock.findings] == ["log_clock_offset", "log_clock_drift"]
    fired = ZERO_NS + 5 * 10**11
    assert abs(clock.on_table(fired + round((18.0 + 1e-4 * 500.0) * 1e9)) - fired) < 100_000


def test_times_of_the_other_source() -> None:
    shots = table()
    there = shots.fire_time_ns.reshape(-1, 2)[:, ::-1].ravel()
    (only,) = held(shots, (there - shots.fire_time_ns) * 1e-9).findings
    assert (only.metric, only.verdict) == ("log_times_differ", "fail")
    assert "sources are exchanged in the log" in only.message
    random = np.random.default_rng(1)
    other_line = held(shots, random.uniform(-3.0, 3.0, len(shots))).findings[-1]
    assert "the log is of another line" in other_line.message


def test_exchanged_names_are_one_finding() -> None:
    shots = table(1)
    two = make_shots(np.tile([1, 2], COUNT // 2), shots.shot_point, shots.fire_time_ns, "utc")
    nan = (float("nan"),) * 4
    rows = tuple(
        LogRow(number, str(3 - source), int(point), None, "full", *nan)
        for number, (source, point) in enumerate(
            zip(two.source.tolist(), two.shot_point.tolist(), strict=True)
        )
    )
    (only,) = apply_source_log(two, rows).findings
    assert (only.metric, only.verdict) == ("log_sources_exchanged", "fail")
    assert f"{COUNT} logged shots have shot points of the table, but of another" in only.message
