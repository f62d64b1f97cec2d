"""Exact tables accuse nobody: recorded shots, slow pulses, computed waves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.qc.verdict_lines import VerdictLine, verdict_lines
from deblend.check.verify_samples import verify_against_samples
from deblend.model.findings import Finding
from deblend.synth.build import SceneDesign, build_line
from deblend.synth.line import MadeLine
from deblend.synth.scenes import make_scene, scene_design
from deblend.synth.signature import Signature

RECORDED = [line for line in verdict_lines() if line.kind == "recorded"]
UNKNOWN = {"clock_not_verified", "shots_verified", "source_not_verified"}
SLOW = Signature(3.0, 12.0, 30.0, 6.0, surface_coefficient=0.0, bubble_period_s=0.13)


def asked(line: MadeLine) -> list[Finding]:
    found = verify_against_samples(line.recording, line.shots, line.geometry)
    return [one for one in found if one.verdict in ("look", "fail")]


@pytest.mark.parametrize("recorded", RECORDED, ids=lambda line: str(line.scene))
def test_recorded_shots(recorded: VerdictLine) -> None:
    # Without positions, and with arrivals that move 17 ms from shot to shot in two of them.
    found = asked(recorded.make())
    assert {one.metric for one in found} <= UNKNOWN
    assert {one.verdict for one in found} <= {"look"}


def test_arrivals_that_move_along_the_line_are_no_steps_of_a_clock() -> None:
    (moving,) = (line for line in RECORDED if line.scene == "two shots dither")
    (found,) = asked(moving.make())
    assert found.metric == "clock_not_verified"
    assert "No clock is stepped so often" in found.message


def slow_design() -> SceneDesign:
    """Two sources of zero-phase pulses that rise over some 40 ms."""
    plan = scene_design("two-sources")
    sources = tuple(replace(one, signature=SLOW) for one in plan.acquisition.sources)
    firing = replace(plan.acquisition.firing, shots_per_source=20)
    return replace(plan, acquisition=replace(plan.acquisition, sources=sources, firing=firing))


@pytest.fixture(scope="module")
def slow() -> MadeLine:
    return build_line(slow_design(), 3)


def test_slow_pulses_of_zero_phase(slow: MadeLine) -> None:
    assert not asked(slow)


def test_slow_pulses_that_are_early_are_named(slow: MadeLine) -> None:
    late = replace(slow.shots, fire_time_ns=slow.shots.fire_time_ns + 60_000_000)
    (found,) = asked(replace(slow, shots=late))
    assert (found.metric, found.verdict) == ("clock_offset", "look")
    assert "as far as a pulse that rises over" in found.message


def test_a_pulse_that_begins_at_once_and_peaks_late(slow: MadeLine) -> None:
    # t^2 exp(-t / 30 ms) has its peak after 60 ms.
    after = np.arange(150) * 0.004 / 0.03
    kernel = after**2 * np.exp(-after)
    record = slow.recording.read(range(slow.recording.shape[0]), 0, slow.recording.shape[1])
    smooth = np.stack([np.convolve(trace, kernel)[: len(trace)] for trace in record])
    drawn = replace(slow.recording, samples=smooth.astype(np.float32))
    assert {one.metric for one in asked(replace(slow, recording=drawn))} <= UNKNOWN


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 1])
def test_computed_waves(seed: int) -> None:
    assert not asked(make_scene("wave-equation", "small", seed))
