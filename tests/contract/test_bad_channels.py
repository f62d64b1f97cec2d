"""A line on which more than half of the channels are bad still gives the others, and says so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import deblend
from deblend.separation.separate import Separation
from deblend.synth.build import build_line
from deblend.synth.line import MadeLine
from deblend.synth.scenes import scene_design

CHANNELS, BAD = 9, 5


@pytest.fixture(scope="module")
def line() -> MadeLine:
    plan = scene_design("two-sources")
    acquisition = plan.acquisition
    firing = replace(acquisition.firing, shots_per_source=16)
    streamer = replace(acquisition.streamer, channel_count=CHANNELS)
    return build_line(
        replace(plan, acquisition=replace(acquisition, firing=firing, streamer=streamer))
    )


def bad_channels(count: int) -> np.ndarray:
    return np.random.default_rng(0).permutation(CHANNELS)[:count]


def separated(line: MadeLine, kind: str, count: int, *, robust: bool = True) -> Separation:
    samples = line.recording.read(range(CHANNELS), 0, line.recording.shape[1])
    bad = bad_channels(count)
    noise = np.random.default_rng(1).standard_normal((count, samples.shape[1]))
    samples[bad] = {"dead": 0 * noise, "unknown": np.nan * noise, "noise": 5 * noise}[kind]
    return deblend.separate(
        replace(line.recording, samples=samples),
        line.shots,
        length_s=line.length_s,
        method="fk",
        iterations=12,
        robust=robust,
    )


def score_of_the_good(line: MadeLine, result: Separation, count: int) -> float:
    good = np.setdiff1d(np.arange(CHANNELS), bad_channels(count))
    truth = line.gathers[:, good]
    left = truth - result.estimate.values[:, good]
    return float(10 * np.log10(np.sum(truth**2) / np.sum(left**2)))


@pytest.mark.parametrize("kind", ["dead", "unknown", "noise"])
def test_good_channels_do_not_suffer_from_the_majority(line: MadeLine, kind: str) -> None:
    result = separated(line, kind, BAD)
    plain = separated(line, kind, BAD, robust=False)
    assert np.isfinite(result.estimate.values).all()
    worst = score_of_the_good(line, plain, BAD) - score_of_the_good(line, result, BAD)
    assert worst < 0.5
    told = [f for f in result.findings if f.metric == "bad_channels"]
    if kind == "noise":  # of the others the record itself says that nothing is there
        (finding,) = told
        assert finding.verdict == "fail"
        assert finding.value == pytest.approx(100 * BAD / CHANNELS)
        assert "more than half" in finding.message
    else:
        assert not told


@pytest.mark.parametrize("kind", ["dead", "unknown"])
def test_a_line_without_any_channel_gives_nothing(line: MadeLine, kind: str) -> None:
    result = separated(line, kind, CHANNELS)
    assert not result.estimate.values.any()
