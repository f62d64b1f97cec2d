"""Faults planted on made lines are found in the samples, where they are and of their size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from deblend.model.findings import Finding
from deblend.model.geometry import unknown_geometry
from deblend.qc.input_check import verify_against_samples
from deblend.qc.onsets import Onsets, find_clock_lag, onset_strength, shuffle_dither
from deblend.synth.input_faults import FaultyLine, plant_fault
from deblend.synth.line import Line
from deblend.synth.scenes import make_scene


@pytest.fixture(scope="module", params=["five-in-turn", "gaps-and-misfires", "swell-and-spikes"])
def line(request: pytest.FixtureRequest) -> Line:
    return make_scene(request.param, "small", 1)


def wrong(faulty: FaultyLine) -> list[Finding]:
    found = verify_against_samples(faulty.recording, faulty.shots, faulty.geometry)
    return [finding for finding in found if finding.verdict in ("look", "fail")]


@pytest.mark.parametrize("fault", ["none", "gap"])
def test_nothing_is_found_where_nothing_is_wrong(line: Line, fault: str) -> None:
    assert wrong(plant_fault(line, fault, 1)) == []


def test_clocks_agree_to_a_sample(line: Line) -> None:
    found = verify_against_samples(line.recording, line.shots, line.geometry)
    (offset,) = [finding for finding in found if finding.metric == "clock_offset"]
    assert offset.verdict == "pass"
    assert abs(offset.value) < 0.006


def test_gps_and_utc_mixed_up(line: Line) -> None:
    (found,) = wrong(plant_fault(line, "mixed_scales"))
    assert (found.metric, found.verdict, found.unit) == ("clock_offset", "fail", "s")
    # Fire times 18 s late, as GPS times against a record in UTC: arrivals come 18 s too early.
    assert found.value == pytest.approx(-18.0, abs=0.006)
    assert "fire times are in GPS time and the record in UTC, 18 s apart" in found.message


def test_other_offsets_are_no_time_scales(line: Line) -> None:
    late = replace(line.shots, fire_time_ns=line.shots.fire_time_ns - 7_250_000_000)
    (found,) = wrong(FaultyLine(line.recording, late, line.geometry))
    assert found.metric == "clock_offset"
    assert found.value == pytest.approx(7.25, abs=0.006)
    assert "one of the clocks was set wrong" in found.message


@pytest.mark.parametrize("seed", [1, 2])
def test_clock_step(line: Line, seed: int) -> None:
    faulty = plant_fault(line, "clock_step", seed)
    (found,) = wrong(faulty)
    assert found.metric == "clock_step"
    assert found.shot_point == faulty.shot_points[0]
    assert found.value == pytest.approx(-0.5, abs=0.006)


def test_clock_drift(line: Line) -> None:
    (found,) = wrong(plant_fault(line, "clock_drift"))
    assert (found.metric, found.unit) == ("clock_drift", "ms")
    assert found.value == pytest.approx(-5.0, abs=0.6)


@pytest.mark.parametrize("seed", [1, 2])
def test_misfire(line: Line, seed: int) -> None:
    faulty = plant_fault(line, "misfire", seed)
    (found,) = wrong(faulty)
    assert (found.metric, found.unit) == ("misfire_not_marked", "%")
    assert found.shot_point == faulty.shot_points[0]
    assert abs(found.value) < 15.0


@pytest.mark.parametrize("seed", [1, 2])
def test_autofire(line: Line, seed: int) -> None:
    faulty = plant_fault(line, "autofire", seed)
    (found,) = wrong(faulty)
    assert found.metric == "shot_not_in_table"
    assert found.value == pytest.approx(100.0, abs=25.0)
    assert "deliver = false" in found.message


def test_marked_misfire_that_fired() -> None:
    line = make_scene("three-sources", "small", 2)
    live = line.shots.live.copy()
    live[70] = False
    shots = line.shots.with_flags(live=live)
    (found,) = wrong(FaultyLine(line.recording, shots, line.geometry))
    assert (found.metric, found.shot_point) == ("misfire_that_fired", int(shots.shot_point[70]))


def test_one_late_shot() -> None:
    line = make_scene("five-in-turn", "small", 3)
    late = line.shots.fire_time_ns.copy()
    late[100] += 40_000_000
    shots = replace(line.shots, fire_time_ns=late)
    (found,) = wrong(FaultyLine(line.recording, shots, line.geometry))
    assert (found.metric, found.unit) == ("fire_time_error", "ms")
    assert found.value == pytest.approx(-40.0, abs=5.0)


def test_source_number_in_the_samples() -> None:
    line = make_scene("unlike-sources", "small", 2)
    source = line.shots.source.copy()
    row = 60
    source[row] = source[row] % 3 + 1
    shots = replace(line.shots, source=source)
    found = wrong(FaultyLine(line.recording, shots, line.geometry))
    assert int(shots.shot_point[row]) in {finding.shot_point for finding in found}


def test_table_of_another_line_does_not_fit() -> None:
    line = make_scene("three-sources", "small", 0)
    other = make_scene("three-sources", "small", 1)
    shots = replace(line.shots, fire_time_ns=np.sort(other.shots.fire_time_ns))
    metrics = {
        finding.metric for finding in wrong(FaultyLine(line.recording, shots, line.geometry))
    }
    assert metrics & {"clock_not_verified", "table_does_not_fit"}


def test_offsets_unknown() -> None:
    line = make_scene("three-sources", "small", 0)
    unknown = unknown_geometry(len(line.shots), line.recording.shape[0])
    found = verify_against_samples(line.recording, line.shots, unknown)
    (offset,) = [finding for finding in found if finding.metric == "clock_offset"]
    # The nearest channel is 140 m away: 93 ms.
    assert offset.verdict == "pass"
    assert offset.value == pytest.approx(0.1, abs=0.03)


def test_offsets_that_are_wrong() -> None:
    line = make_scene("two-sources", "small", 1)
    offset_m = np.abs(line.geometry.offset_m)
    for told, ratio in ((offset_m, 1.0), (offset_m[:, ::-1], -1.0), (0.6 * offset_m + 56.0, 1.67)):
        geometry = replace(line.geometry, offset_m=told)
        found = verify_against_samples(line.recording, line.shots, geometry)
        (crossing,) = [finding for finding in found if finding.metric == "offsets_fit"]
        assert crossing.value == pytest.approx(ratio, abs=0.2)
        assert crossing.verdict == ("pass" if ratio == 1.0 else "look")


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize("fault", ["mixed_scales", "clock_step", "misfire"])
def test_little_dither_still_tells(seed: int, fault: str) -> None:
    faulty = plant_fault(make_scene("small-dither", "small", seed), fault, seed)
    found = [finding for finding in wrong(faulty) if finding.metric != "clock_not_verified"]
    wanted = {
        "mixed_scales": "clock_offset",
        "clock_step": "clock_step",
        "misfire": "misfire_not_marked",
    }
    assert [finding.metric for finding in found] == [wanted[fault]]


def test_swapped_sources_show_in_the_samples() -> None:
    line = make_scene("three-sources", "small", 2)
    faulty = plant_fault(line, "swapped_sources", 2)
    found = wrong(faulty)
    assert {finding.metric for finding in found} == {"source_number_wrong"}
    assert {finding.shot_point for finding in found} == set(faulty.shot_points)
    # Told by positions, they are fitted as what they are, and said only once.
    true = {int(row): line.shots.source[row].item() for row in range(len(line.shots))}
    rows = np.flatnonzero(faulty.shots.source != line.shots.source).tolist()
    placed = {row: true[row] for row in rows}
    told = verify_against_samples(faulty.recording, faulty.shots, faulty.geometry, placed_as=placed)
    assert all(finding.verdict == "pass" for finding in told)


def test_too_little_to_verify() -> None:
    line = make_scene("three-sources", "small", 0)
    few = line.shots.take(np.arange(6))
    found = verify_against_samples(
        line.recording, few, unknown_geometry(6, line.recording.shape[0])
    )
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
