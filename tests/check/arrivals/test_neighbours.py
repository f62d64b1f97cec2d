"""Shots among reflections as strong as their direct arrivals, and recorded ones."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from benchmarks.qc.verdict_lines import blended_gathers
from deblend.check.verify_samples import verify_against_samples
from deblend.model.findings import Finding
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
    (numbers,) = [one for one in found if one.metric == "source_numbers_not_verified"]
    assert "1 and 2" in numbers.message


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
