"""Faults planted on made lines are found in the samples, where they are and of their size."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.geometry import unknown_geometry
from deblend.model.timebase import parse_instant
from deblend.qc.input_check import verify_against_samples
from deblend.qc.onsets import Onsets, find_clock_lag, onset_strength, shuffle_dither
from deblend.synth.build import build_line
from deblend.synth.input_faults import FaultyLine, plant_fault
from deblend.synth.line import Line
from deblend.synth.scenes import make_scene, scene_plan


def short_line(scene: str, seed: int, shots_per_source: int = 24) -> Line:
    """A standard scene with fewer shots, over the same earth."""
    plan = scene_plan(scene)
    acquisition = plan.acquisition
    firing = replace(acquisition.firing, shots_per_source=shots_per_source)
    return build_line(replace(plan, acquisition=replace(acquisition, firing=firing)), seed)


@pytest.fixture(scope="module", params=["five-in-turn", "gaps-and-misfires", "swell-and-spikes"])
def line(request: pytest.FixtureRequest) -> Line:
    return short_line(request.param, 1, 16 if request.param == "five-in-turn" else 24)


def wrong(faulty: FaultyLine) -> list[Finding]:
    found = verify_against_samples(faulty.recording, faulty.shots, faulty.geometry)
    return [finding for finding in found if finding.verdict in ("look", "fail")]


def test_nothing_is_found_where_nothing_is_wrong(line: Line) -> None:
    found = verify_against_samples(line.recording, line.shots, line.geometry)
    assert {finding.verdict for finding in found} == {"pass"}
    (offset,) = [finding for finding in found if finding.metric == "clock_offset"]
    assert abs(offset.value) < 0.006


def test_a_gap_is_no_fault_of_shots(line: Line) -> None:
    assert wrong(plant_fault(line, "gap", 1)) == []


def test_gps_and_utc_mixed_up(line: Line) -> None:
    (found,) = wrong(plant_fault(line, "mixed_scales"))
    assert (found.metric, found.verdict, found.unit) == ("clock_offset", "fail", "s")
    # Fire times 18 s late, as GPS times against a record in UTC: arrivals come 18 s too early.
    assert found.value == pytest.approx(-18.0, abs=0.006)
    assert "fire times are in GPS time and the record in UTC, 18 s apart" in found.message


def test_other_offsets_are_no_time_scales(two: Line) -> None:
    late = replace(two.shots, fire_time_ns=two.shots.fire_time_ns - 7_250_000_000)
    (found,) = wrong(FaultyLine(two.recording, late, two.geometry))
    assert found.metric == "clock_offset"
    assert found.value == pytest.approx(7.25, abs=0.006)
    assert "one of the clocks was set wrong" in found.message


def test_clock_step(line: Line) -> None:
    faulty = plant_fault(line, "clock_step", 1)
    (found,) = wrong(faulty)
    assert found.metric == "clock_step"
    assert found.shot_point == faulty.shot_points[0]
    assert found.value == pytest.approx(-0.5, abs=0.001)


def test_clock_drift(line: Line) -> None:
    (found,) = wrong(plant_fault(line, "clock_drift"))
    assert (found.metric, found.unit) == ("clock_drift", "ms")
    assert found.value == pytest.approx(-5.0, abs=0.6)


def test_misfire(line: Line) -> None:
    faulty = plant_fault(line, "misfire", 2)
    (found,) = wrong(faulty)
    assert (found.metric, found.unit) == ("misfire_not_marked", "%")
    assert found.shot_point == faulty.shot_points[0]
    assert abs(found.value) < 15.0


def test_autofire(line: Line) -> None:
    faulty = plant_fault(line, "autofire", 2)
    (found,) = wrong(faulty)
    assert found.metric == "shot_not_in_table"
    assert found.value == pytest.approx(100.0, abs=15.0)
    assert "deliver = false" in found.message
    assert abs(stated_ns(found) - faulty.instant_ns) < 1_500_000


def stated_ns(found: Finding) -> int:
    stated = re.match(r"Something fired at (\S+) that is in no row", found.message)
    assert stated
    return parse_instant(stated[1], "utc")


@pytest.fixture(scope="module")
def three() -> Line:
    return short_line("three-sources", 2, 30)


@pytest.fixture(scope="module")
def two() -> Line:
    return short_line("two-sources", 1)


def test_marked_misfire_that_fired(three: Line) -> None:
    live = three.shots.live.copy()
    live[70] = False
    shots = three.shots.with_flags(live=live)
    (found,) = wrong(FaultyLine(three.recording, shots, three.geometry))
    assert (found.metric, found.shot_point) == ("misfire_that_fired", int(shots.shot_point[70]))


@pytest.mark.parametrize("late_s", [0.04, 0.005])
def test_one_late_shot(three: Line, late_s: float) -> None:
    late = three.shots.fire_time_ns.copy()
    late[43] += round(late_s * 1e9)
    shots = replace(three.shots, fire_time_ns=late)
    (found,) = wrong(FaultyLine(three.recording, shots, three.geometry))
    assert (found.metric, found.unit) == ("fire_time_error", "ms")
    assert found.value == pytest.approx(-1e3 * late_s, abs=0.5)


def test_autofire_within_milliseconds_of_another_shot() -> None:
    # Its arrival and that of the shot beside it overlap: it was told as a misfire of that shot.
    line = make_scene("three-sources", "small", 31)
    faulty = plant_fault(line, "autofire", 31)
    apart_ns = np.abs(faulty.shots.fire_time_ns - faulty.instant_ns).min()
    assert apart_ns < 30_000_000
    (found,) = wrong(faulty)
    assert found.metric == "shot_not_in_table"
    assert abs(stated_ns(found) - faulty.instant_ns) < 1_500_000


def test_source_number_in_the_samples() -> None:
    line = short_line("unlike-sources", 2)
    source = line.shots.source.copy()
    row = 50
    source[row] = source[row] % 3 + 1
    shots = replace(line.shots, source=source)
    (found,) = wrong(FaultyLine(line.recording, shots, line.geometry))
    assert (found.metric, found.shot_point) == (
        "source_number_wrong",
        int(shots.shot_point[row]),
    )


def test_table_of_another_line_does_not_fit(three: Line) -> None:
    other = short_line("three-sources", 3, 30)
    shots = replace(three.shots, fire_time_ns=np.sort(other.shots.fire_time_ns))
    metrics = {
        finding.metric for finding in wrong(FaultyLine(three.recording, shots, three.geometry))
    }
    assert metrics & {"clock_not_verified", "table_does_not_fit"}


def test_offsets_unknown(three: Line) -> None:
    unknown = unknown_geometry(len(three.shots), three.recording.shape[0])
    found = verify_against_samples(three.recording, three.shots, unknown)
    (offset,) = [finding for finding in found if finding.metric == "clock_offset"]
    # The nearest channel is 140 m away: 93 ms.
    assert offset.verdict == "pass"
    assert offset.value == pytest.approx(0.1, abs=0.03)


@pytest.mark.parametrize(
    ("told", "ratio"),
    [
        (lambda offset_m: offset_m, 1.0),
        (lambda offset_m: offset_m[:, ::-1], -1.0),
        (lambda offset_m: 0.6 * offset_m + 56.0, 1.67),
    ],
)
def test_offsets_that_are_wrong(
    two: Line, told: Callable[[NDArray[np.float64]], NDArray[np.float64]], ratio: float
) -> None:
    geometry = replace(two.geometry, offset_m=told(np.abs(two.geometry.offset_m)))
    found = verify_against_samples(two.recording, two.shots, geometry)
    (crossing,) = [finding for finding in found if finding.metric == "offsets_fit"]
    assert crossing.value == pytest.approx(ratio, abs=0.2)
    assert crossing.verdict == ("pass" if ratio == 1.0 else "look")


@pytest.fixture(scope="module")
def little_dither() -> Line:
    return short_line("small-dither", 7)


@pytest.mark.parametrize(
    ("fault", "metrics"),
    [
        ("none", []),
        ("mixed_scales", ["clock_offset"]),
        ("clock_step", ["clock_step"]),
        ("misfire", ["misfire_not_marked"]),
        ("autofire", ["shot_not_in_table"]),
    ],
)
def test_little_dither_still_tells(little_dither: Line, fault: str, metrics: list[str]) -> None:
    found = wrong(plant_fault(little_dither, fault, 7))
    assert [finding.metric for finding in found] == metrics


def test_swapped_sources_show_in_the_samples(three: Line) -> None:
    faulty = plant_fault(three, "swapped_sources", 2)
    found = wrong(faulty)
    assert {finding.metric for finding in found} == {"source_number_wrong"}
    assert {finding.shot_point for finding in found} == set(faulty.shot_points)
    # Told by positions, they are fitted as what they are, and said only once.
    true = {int(row): three.shots.source[row].item() for row in range(len(three.shots))}
    rows = np.flatnonzero(faulty.shots.source != three.shots.source).tolist()
    placed = {row: true[row] for row in rows}
    told = verify_against_samples(faulty.recording, faulty.shots, faulty.geometry, placed_as=placed)
    assert all(finding.verdict == "pass" for finding in told)


def test_too_little_to_verify(three: Line) -> None:
    few = three.shots.take(np.arange(6))
    unknown = unknown_geometry(6, three.recording.shape[0])
    found = verify_against_samples(three.recording, few, unknown)
    assert [finding.metric for finding in found] == ["not_verified"]


def test_null_of_noise() -> None:
    # White noise has onsets everywhere; no lag may stand out.
    random = np.random.default_rng(5)
    record = random.standard_normal((2, 60_000)).astype(np.float32)
    strength = onset_strength(record, np.ones(record.shape, bool), 0.004, np.zeros(2))
    fire = np.arange(40) * 1300.0 + random.uniform(0, 80, 40) + 3000
    lags = [
        find_clock_lag(Onsets(strength[None], 0.004), fire, np.zeros(40, int), seed=seed).found
        for seed in range(5)
    ]
    assert not any(lags)


def test_shuffling_keeps_course_and_spread() -> None:
    random = np.random.default_rng(6)
    dither = random.uniform(-50, 50, 200)
    fire = 1350.0 * np.arange(200) + 0.3 * np.arange(200) ** 2 + dither
    shuffled = shuffle_dither(fire, np.zeros(200, int), random)
    assert np.abs(shuffled - fire).max() < 300
    assert np.corrcoef(np.diff(shuffled, 2), np.diff(fire, 2))[0, 1] < 0.3
    assert np.std(np.diff(shuffled, 2)) == pytest.approx(np.std(np.diff(fire, 2)), rel=0.3)
