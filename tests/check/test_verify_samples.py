"""Faults planted on made lines are found in the samples, where they are and of their size."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.input_check.input_faults import FaultyLine, plant_fault
from deblend.blending.operator import make_operator
from deblend.check.arrivals.search import UNVERIFIED
from deblend.check.arrivals.shot_findings import UNVERIFIED_BECAUSE, verified_findings
from deblend.check.clocks.onsets import Onsets, find_clock_lag, onset_strength, shuffle_dither
from deblend.check.verify_samples import verify_against_samples
from deblend.model.findings import Finding
from deblend.model.geometry import Geometry, unknown_geometry
from deblend.model.timebase import parse_instant
from deblend.synth.build import build_line
from deblend.synth.line import MadeLine
from deblend.synth.scenes import scene_design


@cache
def short_line(scene: str, seed: int = 1) -> MadeLine:
    """A standard scene with fewer shots, over the same earth."""
    plan = scene_design(scene)
    acquisition = plan.acquisition
    # Enough for all its gaps, and for two stretches of two sources.
    shots_per_source = 24 if scene in ("gaps-and-misfires", "two-sources", "small-dither") else 16
    firing = replace(acquisition.firing, shots_per_source=shots_per_source)
    return build_line(replace(plan, acquisition=replace(acquisition, firing=firing)), seed)


def wrong(faulty: FaultyLine) -> list[Finding]:
    found = verify_against_samples(faulty.recording, faulty.shots, faulty.geometry)
    return [finding for finding in found if finding.verdict in ("look", "fail")]


def about(found: list[Finding], metric: str) -> list[Finding]:
    return [finding for finding in found if finding.metric == metric]


@pytest.mark.parametrize("scene", ["five-in-turn", "gaps-and-misfires", "swell-and-spikes"])
def test_nothing_is_found_where_nothing_is_wrong(scene: str) -> None:
    line = short_line(scene)
    found = verify_against_samples(line.recording, line.shots, line.geometry)
    assert {finding.verdict for finding in found} <= {"pass", "note"}
    (offset,) = about(found, "clock_offset")
    assert abs(offset.value) < 0.006
    (verified,) = about(found, "shots_verified")
    missing = about(found, "shot_not_verified")
    assert {finding.verdict for finding in missing} <= {"note"}
    assert verified.value == len(line.shots) - len(missing)
    assert verified.value >= 0.95 * len(line.shots)


def test_a_gap_is_no_fault_of_shots_but_leaves_them_unverified() -> None:
    faulty = plant_fault(short_line("five-in-turn"), "gap", 1)
    found = verify_against_samples(faulty.recording, faulty.shots, faulty.geometry)
    assert {finding.verdict for finding in found} == {"pass", "note"}
    missing = about(found, "shot_not_verified")
    # The direct arrival comes 93 ms after firing, and is looked for from 60 ms before it on.
    after_s = (faulty.shots.fire_time_ns - faulty.instant_ns) * 1e-9
    wholly = faulty.shots.shot_point[(after_s > -0.1) & (after_s < faulty.size_s - 0.1)]
    near = faulty.shots.shot_point[(after_s > -0.4) & (after_s < faulty.size_s)]
    told = {finding.shot_point for finding in missing}
    assert set(wholly.tolist()) <= told <= set(near.tolist())
    assert all("falls into a gap" in finding.message for finding in missing)
    (verified,) = about(found, "shots_verified")
    assert f"{len(missing)} not recorded or in a gap" in verified.message


@pytest.mark.parametrize("offset_s", [0.0, 7.25])
def test_part_of_the_files_and_the_table_of_the_whole_line(two: MadeLine, offset_s: float) -> None:
    recording, count = two.recording, two.recording.shape[1]
    half = count // 2
    part = replace(
        recording,
        samples=recording.read(range(recording.shape[0]), half, count),
        start=recording.start_ns + half * recording.interval_ns,
    )
    earlier_ns = two.shots.fire_time_ns - round(offset_s * 1e9)
    late = replace(two.shots, fire_time_ns=earlier_ns)
    found = verify_against_samples(part, late, two.geometry)
    (offset,) = about(found, "clock_offset")
    assert offset.value == pytest.approx(offset_s, abs=0.006)
    (verified,) = about(found, "shots_verified")
    inside = np.count_nonzero(two.shots.fire_time_ns > part.start_ns)
    assert inside - 2 <= verified.value <= inside
    wrong_metrics = {f.metric for f in found if f.verdict in ("look", "fail")}
    assert wrong_metrics <= {"shots_verified", "clock_offset"}


def test_a_table_far_from_the_record_is_not_verified(two: MadeLine) -> None:
    late = replace(two.shots, fire_time_ns=two.shots.fire_time_ns + 600_000_000_000)
    (found,) = verify_against_samples(two.recording, late, two.geometry)
    assert found.metric == "not_verified"
    assert "0 live shots at the time of the record" in found.message


def test_gps_and_utc_mixed_up() -> None:
    (found,) = wrong(plant_fault(short_line("five-in-turn"), "mixed_scales"))
    assert (found.metric, found.verdict, found.unit) == ("clock_offset", "fail", "s")
    # Fire times 18 s late, as GPS times against a record in UTC: arrivals come 18 s too early.
    assert found.value == pytest.approx(-18.0, abs=0.006)
    assert "fire times are in GPS time and the record in UTC, 18 s apart" in found.message


def test_other_offsets_are_no_time_scales(two: MadeLine) -> None:
    late = replace(two.shots, fire_time_ns=two.shots.fire_time_ns - 7_250_000_000)
    (found,) = wrong(FaultyLine(two.recording, late, two.geometry))
    assert found.metric == "clock_offset"
    assert found.value == pytest.approx(7.25, abs=0.006)
    assert "one of the clocks was set wrong" in found.message


@pytest.mark.parametrize("scene", ["five-in-turn", "gaps-and-misfires"])
def test_clock_step(scene: str) -> None:
    faulty = plant_fault(short_line(scene), "clock_step", 1)
    (found,) = wrong(faulty)
    assert found.metric == "clock_step"
    assert found.shot_point == faulty.shot_points[0]
    assert found.value == pytest.approx(-0.5, abs=0.001)


def test_clock_step_at_shots_that_were_not_recorded() -> None:
    line = short_line("five-in-turn")
    order = np.argsort(line.shots.fire_time_ns)
    times = (line.shots.fire_time_ns[order] - line.recording.start_ns) * 1e-9
    first = 40
    gap = slice(*(round(time_s / 0.004) for time_s in (times[first] - 0.3, times[first + 1] + 1)))
    record = line.recording.read(range(line.recording.shape[0]), 0, line.recording.shape[1])
    record[:, gap] = np.nan
    late = line.shots.fire_time_ns.copy()
    late[order[first:]] += 500_000_000
    shots = replace(line.shots, fire_time_ns=late)
    found = wrong(FaultyLine(replace(line.recording, samples=record), shots, line.geometry))
    assert [finding.metric for finding in found] == ["clock_step"]
    points = shots.shot_point[order[first : first + 3]].tolist()
    assert found[0].shot_point in points[:2]
    assert f"shot point {points[0]}" in found[0].message
    assert "between which the record does not tell" in found[0].message


def test_clock_drift() -> None:
    (found,) = wrong(plant_fault(short_line("gaps-and-misfires"), "clock_drift"))
    assert (found.metric, found.unit) == ("clock_drift", "ms")
    assert found.value == pytest.approx(-5.0, abs=0.3)


def test_a_step_takes_nothing_of_a_drift() -> None:
    # Either side of the step was levelled with a part of the drift, and half of it was not told.
    faulty = plant_fault(short_line("five-in-turn"), "clock_drift")
    time_ns = faulty.shots.fire_time_ns
    stepped = time_ns >= np.sort(time_ns)[len(time_ns) // 3]
    shots = replace(faulty.shots, fire_time_ns=time_ns + np.where(stepped, 500_000_000, 0))
    found = wrong(replace(faulty, shots=shots))
    assert [finding.metric for finding in found] == ["clock_step", "clock_drift"]
    assert found[0].value == pytest.approx(-0.5, abs=0.0005)
    assert found[1].value == pytest.approx(-5.0, abs=0.3)


@pytest.mark.parametrize("scene", ["five-in-turn", "swell-and-spikes"])
def test_misfire(scene: str) -> None:
    faulty = plant_fault(short_line(scene), "misfire", 2)
    (found,) = wrong(faulty)
    assert (found.metric, found.unit) == ("misfire_not_marked", "%")
    assert found.shot_point == faulty.shot_points[0]
    assert abs(found.value) < 15.0


@pytest.mark.parametrize("scene", ["gaps-and-misfires", "swell-and-spikes"])
def test_autofire(scene: str) -> None:
    faulty = plant_fault(short_line(scene), "autofire", 2)
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
def three() -> MadeLine:
    return short_line("three-sources", 2)


@pytest.fixture(scope="module")
def two() -> MadeLine:
    return short_line("two-sources")


def test_marked_misfire_that_fired(three: MadeLine) -> None:
    live = three.shots.live.copy()
    live[30] = False
    shots = three.shots.with_flags(live=live)
    (found,) = wrong(FaultyLine(three.recording, shots, three.geometry))
    assert (found.metric, found.shot_point) == ("misfire_that_fired", int(shots.shot_point[30]))


@pytest.mark.parametrize("late_s", [0.04, 0.005])
def test_one_late_shot(three: MadeLine, late_s: float) -> None:
    late = three.shots.fire_time_ns.copy()
    late[24] += round(late_s * 1e9)
    shots = replace(three.shots, fire_time_ns=late)
    (found,) = wrong(FaultyLine(three.recording, shots, three.geometry))
    assert (found.metric, found.unit) == ("fire_time_error", "ms")
    assert found.value == pytest.approx(-1e3 * late_s, abs=0.5)


@pytest.mark.parametrize(
    ("table_ms", "log_ms", "words"),
    [(0, 2.5, "as the table says, and not as the log"), (8, 8.0, "as the log says: the table is")],
)
def test_samples_decide_between_table_and_log(
    three: MadeLine, table_ms: int, log_ms: float, words: str
) -> None:
    row = int(np.argsort(three.shots.fire_time_ns)[20])
    fire_time_ns = three.shots.fire_time_ns.copy()
    fire_time_ns[row] -= table_ms * 1_000_000
    shots = replace(three.shots, fire_time_ns=fire_time_ns)
    source, point = shots.source[row].item(), int(shots.shot_point[row])
    logged = Finding("log_time_differs", log_ms, "ms", "look", "", source=source, shot_point=point)
    found = verify_against_samples(three.recording, shots, three.geometry, logged=[logged])
    (told,) = about(found, "log_time_by_samples")
    assert words in told.message
    assert told.verdict == ("look" if table_ms else "note")


def test_autofire_within_milliseconds_of_another_shot(three: MadeLine) -> None:
    # Its arrival and that of the shot beside it overlap: it was told as a misfire of that shot.
    order = np.argsort(three.shots.fire_time_ns)
    apart_ns = np.diff(three.shots.fire_time_ns[order])
    place = int(np.argmin(np.where(np.arange(len(apart_ns)) < 10, np.inf, apart_ns)))
    assert apart_ns[place] < 30_000_000
    kept = np.delete(np.arange(len(three.shots)), order[place])
    geometry = Geometry(
        three.geometry.offset_m[kept],
        three.geometry.receiver_x_m[kept],
        three.geometry.receiver_y_m[kept],
        three.geometry.receiver_depth_m,
    )
    (found,) = wrong(FaultyLine(three.recording, three.shots.take(kept), geometry))
    assert found.metric == "shot_not_in_table"
    assert abs(stated_ns(found) - three.true_fire_time_ns[order[place]]) < 1_500_000


def test_shots_at_one_instant_are_told_as_not_verified(three: MadeLine) -> None:
    # A second row of another source at the time of one that fired alone: which of them did?
    shots = three.shots
    time = shots.fire_time_ns.copy()
    order = np.argsort(time)
    one, other = order[20], order[21]
    time[other] = time[one]
    shots = replace(shots, fire_time_ns=time)
    found = verify_against_samples(three.recording, shots, three.geometry)
    told = {f.shot_point for f in found if f.metric != "shots_verified"}
    assert int(shots.shot_point[other]) in told


def test_a_source_with_few_shots_is_not_verified(three: MadeLine) -> None:
    source = three.shots.source.copy()
    rows = np.flatnonzero(source == 2)[3:6]
    source[rows] = 9
    shots = replace(three.shots, source=source)
    found = verify_against_samples(three.recording, shots, three.geometry)
    told = {f.shot_point for f in about(found, "shot_not_verified") if "too few" in f.message}
    assert told == set(shots.shot_point[rows].tolist())


def test_source_number_in_the_samples() -> None:
    line = short_line("unlike-sources", 2)
    source = line.shots.source.copy()
    row = 30
    source[row] = source[row] % 3 + 1
    shots = replace(line.shots, source=source)
    (found,) = wrong(FaultyLine(line.recording, shots, line.geometry))
    assert (found.metric, found.shot_point) == (
        "source_number_wrong",
        int(shots.shot_point[row]),
    )


def test_table_of_another_line_does_not_fit(three: MadeLine) -> None:
    other = short_line("three-sources", 3)
    shots = replace(three.shots, fire_time_ns=np.sort(other.shots.fire_time_ns))
    metrics = {
        finding.metric for finding in wrong(FaultyLine(three.recording, shots, three.geometry))
    }
    assert metrics & {"clock_not_verified", "table_does_not_fit"}


def test_mirrored_sources_are_told_as_not_verified(two: MadeLine) -> None:
    # They lie at equal distances from the streamer: an exchange of their numbers leaves nothing.
    found = verify_against_samples(two.recording, two.shots, two.geometry)
    (numbers,) = about(found, "source_numbers_not_verified")
    assert (numbers.verdict, numbers.value) == ("note", 1.0)
    assert "of 1 and 2 are not verified" in numbers.message


def test_one_source_with_another_zero_of_time(three: MadeLine) -> None:
    late = three.shots.fire_time_ns + np.where(three.shots.source == 2, 20_000_000, 0)
    shots = replace(three.shots, fire_time_ns=late)
    (found,) = wrong(FaultyLine(three.recording, shots, three.geometry))
    assert (found.metric, found.source) == ("source_offset", 2)
    assert found.value == pytest.approx(-20.0, abs=1.5)


@pytest.mark.parametrize("late_ms", [-300.0, 5.0, 25.0, 100.0, 300.0, 1000.0])
@pytest.mark.parametrize("scene", ["three-sources", "two-sources"])
def test_a_source_late_throughout_is_named(scene: str, late_ms: float) -> None:
    line = short_line(scene)
    last = line.shots.sources[-1]
    early_ns = np.where(line.shots.source == last, round(late_ms * 1e6), 0)
    shots = replace(line.shots, fire_time_ns=line.shots.fire_time_ns - early_ns)
    (found,) = wrong(FaultyLine(line.recording, shots, line.geometry))
    assert (found.metric, found.source) == ("source_offset", last)
    assert found.value == pytest.approx(late_ms, abs=1.5)


def test_a_source_late_throughout_is_named_without_positions(three: MadeLine) -> None:
    early_ns = np.where(three.shots.source == 3, 100_000_000, 0)
    shots = replace(three.shots, fire_time_ns=three.shots.fire_time_ns - early_ns)
    unknown = unknown_geometry(len(shots), three.recording.shape[0])
    found = about(wrong(FaultyLine(three.recording, shots, unknown)), "source_offset")
    assert [finding.source for finding in found] == [3]
    assert found[0].value == pytest.approx(100.0, abs=20.0)


def test_a_source_that_cannot_be_verified_as_a_whole_is_a_finding(three: MadeLine) -> None:
    why = np.where(three.shots.source == 3, "overlapped", "")
    found = verified_findings(three.shots, why, 10)
    assert [(f.metric, f.source) for f in found if f.verdict == "look"] == [
        ("source_not_verified", 3)
    ]


def test_a_source_that_stopped_is_told_shot_by_shot(three: MadeLine) -> None:
    # Its last seven are taken out of the record: far more than the few that make a table not fit.
    rows = three.shots.rows_of(2)[9:]
    recording = three.recording
    operator = make_operator(
        replace(three.shots, fire_time_ns=three.true_fire_time_ns).take(rows),
        start_ns=recording.start_ns,
        interval_ns=recording.interval_ns,
        sample_count=recording.shape[1],
        length=three.truth[2].shape[2],
        dtype=np.float64,
    )
    record = recording.read(range(recording.shape[0]), 0, recording.shape[1])
    record -= operator.blend(three.truth[2][9:].astype(np.float64)).astype(np.float32)
    found = wrong(FaultyLine(replace(recording, samples=record), three.shots, three.geometry))
    assert {finding.metric for finding in found} == {"misfire_not_marked"}
    told = {finding.shot_point for finding in found}
    assert told <= set(three.shots.shot_point[rows].tolist())
    assert len(told) >= len(rows) - 1


@pytest.mark.parametrize("noise", [0.3, 0.5])
def test_noise_is_no_fault(three: MadeLine, noise: float) -> None:
    record = three.recording.read(range(three.recording.shape[0]), 0, three.recording.shape[1])
    white = np.random.default_rng(1).standard_normal(record.shape).astype(np.float32)
    noisy = replace(three.recording, samples=record + noise * np.abs(record).max() * white)
    found = wrong(FaultyLine(noisy, three.shots, three.geometry))
    # Noise before the arrival was taken for its begin, and the clock for a tenth of a second off.
    unverified = {"clock_not_verified", "shots_verified", "source_not_verified"}
    assert {finding.metric for finding in found} <= unverified
    assert {finding.verdict for finding in found} <= {"look"}


def test_shots_in_swell_are_told_as_not_verified(three: MadeLine) -> None:
    recording = three.recording
    record = recording.read(range(recording.shape[0]), 0, recording.shape[1])
    time_s = np.arange(record.shape[1]) * recording.interval_s
    begin_s, end_s = 0.4 * time_s[-1], 0.8 * time_s[-1]
    swell = np.where((time_s > begin_s) & (time_s < end_s), np.sin(10.0 * np.pi * time_s), 0.0)
    record += (3.0 * np.abs(record).max() * swell).astype(np.float32)
    found = verify_against_samples(replace(recording, samples=record), three.shots, three.geometry)
    told = {f.shot_point for f in about(found, "shot_not_verified") if "noise" in f.message}
    after_s = (three.shots.fire_time_ns - recording.start_ns) * 1e-9
    # It begins and ends unseen: what is usual is taken from shots on either side.
    within = three.shots.shot_point[(after_s > begin_s) & (after_s < end_s)]
    assert len(told) >= 3
    assert told <= set(within.tolist())
    assert not {f.metric for f in found if f.verdict in ("look", "fail")}


def test_offsets_unknown(three: MadeLine) -> None:
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
    two: MadeLine, told: Callable[[NDArray[np.float64]], NDArray[np.float64]], ratio: float
) -> None:
    geometry = replace(two.geometry, offset_m=told(np.abs(two.geometry.offset_m)))
    found = verify_against_samples(two.recording, two.shots, geometry)
    (crossing,) = [finding for finding in found if finding.metric == "offsets_fit"]
    assert crossing.value == pytest.approx(ratio, abs=0.2)
    assert crossing.verdict == ("pass" if ratio == 1.0 else "look")


@pytest.fixture(scope="module")
def little_dither() -> MadeLine:
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
def test_little_dither_still_tells(little_dither: MadeLine, fault: str, metrics: list[str]) -> None:
    found = wrong(plant_fault(little_dither, fault, 7))
    assert [finding.metric for finding in found] == metrics


def test_swapped_sources_show_in_the_samples() -> None:
    line = short_line("unlike-sources", 2)
    faulty = plant_fault(line, "swapped_sources", 2)
    found = wrong(faulty)
    assert {finding.metric for finding in found} == {"source_number_wrong"}
    assert {finding.shot_point for finding in found} == set(faulty.shot_points)
    # Told by positions, they are fitted as what they are, and said only once.
    true = {int(row): line.shots.source[row].item() for row in range(len(line.shots))}
    rows = np.flatnonzero(faulty.shots.source != line.shots.source).tolist()
    placed = {row: true[row] for row in rows}
    told = verify_against_samples(faulty.recording, faulty.shots, faulty.geometry, placed_as=placed)
    assert {finding.verdict for finding in told} <= {"pass", "note"}


def test_too_little_to_verify(three: MadeLine) -> None:
    few = three.shots.take(np.arange(6))
    unknown = unknown_geometry(6, three.recording.shape[0])
    found = verify_against_samples(three.recording, few, unknown)
    assert [finding.metric for finding in found] == ["not_verified"]


def test_every_reason_has_its_words() -> None:
    assert set(UNVERIFIED_BECAUSE) == set(UNVERIFIED)


def test_what_does_not_fit_stays_in_the_list(three: MadeLine) -> None:
    # Two of three sources are missing from the table.
    rows = three.shots.rows_of(1)
    known = unknown_geometry(len(rows), three.recording.shape[0])
    found = verify_against_samples(three.recording, three.shots.take(rows), known)
    (cause,) = about(found, "table_does_not_fit")
    notes = [f for f in found if f.verdict == "note" and f.metric != "shot_not_verified"]
    assert cause.value == len(notes) >= 20
    assert "rows, or whole sources, missing from the table" in cause.message


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


def test_both_sides_of_a_swap_are_named_once() -> None:
    line = short_line("three-sources", 2)
    order = np.argsort(line.shots.fire_time_ns, kind="stable")
    source = line.shots.source.copy()
    one, other = order[20], order[21]
    assert source[one] != source[other]
    source[[one, other]] = source[[other, one]]
    swapped = replace(line.shots, source=source)
    found = about(wrong(FaultyLine(line.recording, swapped, line.geometry)), "source_number_wrong")
    assert {(f.source, f.shot_point, f.other_source) for f in found} == {
        (int(source[row]), int(line.shots.shot_point[row]), int(line.shots.source[row]))
        for row in (one, other)
    }
