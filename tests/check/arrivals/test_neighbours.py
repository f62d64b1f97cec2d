"""Shots among reflections as strong as their direct arrivals, and recorded ones."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from benchmarks.input_check.input_faults import plant_fault
from benchmarks.qc.verdict_lines import blended_gathers, verdict_lines
from deblend.check.verify_samples import verify_against_samples
from deblend.model.findings import Finding
from deblend.model.geometry import unknown_geometry
from deblend.synth.line import MadeLine

CHANNELS, SHOTS, LENGTH = 3, 20, 450


@cache
def scattered_line() -> MadeLine:
    """Two sources: a weak direct arrival, and a tail of 4 to 30 Hz that changes along the line."""
    random = np.random.default_rng(4)
    gathers = []
    for _ in range(2):
        # The first and the last are drawn, the others lie between.
        drawn = random.standard_normal((2, CHANNELS, LENGTH))
        spectrum = np.fft.rfft(drawn, axis=2)
        frequency = np.fft.rfftfreq(LENGTH, 0.004)
        spectrum[..., (frequency < 4.0) | (frequency > 30.0)] = 0.0
        drawn = np.fft.irfft(spectrum, LENGTH, axis=2)
        part = (np.arange(SHOTS) / SHOTS)[:, None, None]
        between = (1.0 - part) * drawn[0] + part * drawn[1]
        after_s = 0.004 * np.arange(LENGTH) - (150.0 + 12.5 * np.arange(CHANNELS)[:, None]) / 1500.0
        tail = between * np.where(after_s < 0.02, 0.0, np.exp(-after_s))
        direct = 0.6 * (1.0 - (100.0 * after_s) ** 2) * np.exp(-0.5 * (100.0 * after_s) ** 2)
        gathers.append((tail + direct).astype(np.float32))
    line = blended_gathers("scattered", gathers, 0.4, 7)
    offset = np.tile(-150.0 - 12.5 * np.arange(CHANNELS), (len(line.shots), 1))
    known = replace(line.geometry, offset_m=offset)
    return replace(line, geometry=known)


def found_in(line: MadeLine) -> list[Finding]:
    return verify_against_samples(line.recording, line.shots, line.geometry)


def accused(found: list[Finding]) -> list[Finding]:
    return [one for one in found if one.verdict in ("look", "fail")]


def test_exact_times_accuse_nobody_where_no_direct_arrival_stands_out() -> None:
    found = found_in(scattered_line())
    assert not [one for one in accused(found) if one.shot_point is not None]
    (verified,) = [one for one in found if one.metric == "shots_verified"]
    assert "against their neighbours, because direct arrivals do not stand out" in verified.message
    assert verified.verdict == "pass"
    # The first and last two of each source have no two neighbours on either side.
    assert verified.value == 2 * (SHOTS - 4)
    # The two sources are unlike.
    assert not [one for one in found if one.metric == "source_numbers_not_verified"]


def without_row(line: MadeLine, row: int) -> MadeLine:
    """The line with a shot that its table does not hold."""
    kept = np.delete(np.arange(len(line.shots)), row)
    offset = line.geometry.offset_m[kept]
    geometry = replace(unknown_geometry(*offset.shape), offset_m=offset)
    gathers = line.gathers[kept]
    shots = line.shots.take(kept)
    truth = {source: gathers[shots.rows_of(source)] for source in shots.sources}
    exact_ns = shots.fire_time_ns
    return replace(line, shots=shots, geometry=geometry, truth=truth, true_fire_time_ns=exact_ns)


def test_a_shot_in_no_row_is_named_and_no_other_shot() -> None:
    line = scattered_line()
    found = accused(found_in(without_row(line, 9)))
    (stray,) = [one for one in found if not one.metric.startswith("clock_")]
    assert (stray.metric, stray.verdict) == ("shot_not_in_table", "fail")
    assert stray.source == line.shots.source[9]
    assert stray.instant_ns == pytest.approx(line.shots.fire_time_ns[9], abs=3_000_000)
    assert stray.value == pytest.approx(100.0, abs=25.0)


@pytest.mark.parametrize("fault", ["autofire", "misfire", "swapped_sources"])
def test_faults_of_recorded_shots_without_positions(fault: str) -> None:
    (receiver,) = (one for one in verdict_lines() if one.scene == "receiver")
    faulty = plant_fault(receiver.make(), fault, 1)
    found = accused(verify_against_samples(faulty.recording, faulty.shots, faulty.geometry))
    metric = {
        "autofire": "shot_not_in_table",
        "misfire": "misfire_not_marked",
        "swapped_sources": "source_number_wrong",
    }[fault]
    assert {one.metric for one in found} == {metric}
    if fault == "autofire":
        assert found[0].instant_ns == pytest.approx(faulty.instant_ns, abs=3_000_000)
    else:
        assert {one.shot_point for one in found} == set(faulty.shot_points)


@pytest.mark.parametrize("late_ms", [10, -20])
def test_a_late_shot_is_named_with_its_error(late_ms: int) -> None:
    line = scattered_line()
    early = line.shots.fire_time_ns.copy()
    early[8] -= late_ms * 1_000_000
    found = found_in(replace(line, shots=replace(line.shots, fire_time_ns=early)))
    (late,) = [one for one in accused(found) if one.shot_point is not None]
    assert (late.metric, late.verdict) == ("fire_time_error", "fail")
    assert (late.source, late.shot_point) == (line.shots.source[8], line.shots.shot_point[8])
    assert late.value == pytest.approx(late_ms, abs=3.0)


def test_a_misfire_is_named() -> None:
    line = scattered_line()
    gathers = line.gathers.copy()
    gathers[29] = 0.0
    own = {source: gathers[line.shots.rows_of(source)] for source in line.shots.sources}
    silent = blended_gathers("scattered", list(own.values()), 0.4, 7)
    found = found_in(replace(silent, geometry=line.geometry))
    (missing,) = [one for one in accused(found) if one.shot_point is not None]
    assert missing.metric == "misfire_not_marked"
    assert missing.shot_point == line.shots.shot_point[29]
    assert missing.value < 30.0
