"""Shots and channels that are unlike their neighbours are named, with the place and the size."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.shots import make_shots
from deblend.qc.like_neighbours import (
    delay_among_neighbours,
    measure_neighbours,
    neighbour_findings,
    polarity_of,
)
from deblend.qc.limits import default_limits
from deblend.qc.measure_setup import MeasureSetup, sample_windows
from deblend.qc.metric import MeasuredBlock, MeasuredLine

SHOTS, CHANNELS, LENGTH, INTERVAL_S = 24, 10, 200, 0.004


def gathers(late_s: NDArray[np.float64]) -> NDArray[np.float32]:
    """Three dipping events of 25 Hz, each shot later by `late_s`."""
    time = np.arange(LENGTH) * INTERVAL_S
    out = np.zeros((SHOTS, CHANNELS, LENGTH))
    for at, along, across in ((0.12, 0.0, 0.008), (0.3, 0.0006, 0.004), (0.5, -0.0004, 0.003)):
        arrival = at + along * np.arange(SHOTS)[:, None] + across * np.arange(CHANNELS)
        arrival = arrival + late_s[:, None]
        phase = (np.pi * 25.0 * (time - arrival[..., None])) ** 2
        out += (1 - 2 * phase) * np.exp(-phase)
    return out.astype(np.float32)


def found_in(estimate: NDArray[np.float32]) -> list[Finding]:
    fired_ns = np.arange(SHOTS) * 1_000_000_000
    shots = make_shots(np.ones(SHOTS, dtype=int), 100 + np.arange(SHOTS), fired_ns, "utc")
    setup = MeasureSetup(
        shots=shots,
        counted=np.ones(SHOTS, dtype=np.bool_),
        interval_s=INTERVAL_S,
        length=LENGTH,
        windows=sample_windows(LENGTH),
        channel_count=CHANNELS,
    )
    count = 250 * SHOTS
    nothing = np.zeros((CHANNELS, count), np.float32)
    block = MeasuredBlock(
        setup=setup,
        channels=range(CHANNELS),
        rows=np.arange(SHOTS),
        alive=np.ones(CHANNELS, dtype=np.bool_),
        pseudo_deblended=estimate,
        estimate=estimate,
        residual=nothing,
        record=nothing,
        known=np.ones(nothing.shape, dtype=np.bool_),
        fold=np.ones(count, dtype=np.int64),
        first_sample=np.arange(SHOTS) * 250,
    )
    line = MeasuredLine(setup, np.arange(1, CHANNELS + 1), count, default_limits())
    found = list(neighbour_findings(line, measure_neighbours(block)))
    return [one for one in found if one.verdict in ("look", "fail")]


def test_nothing_stands_out() -> None:
    assert found_in(gathers(np.zeros(SHOTS))) == []


@pytest.mark.parametrize("row", [1, 9, 22])
@pytest.mark.parametrize("late_ms", [-5.0, 10.0, 20.0])
def test_a_late_shot(row: int, late_ms: float) -> None:
    late_s = np.zeros(SHOTS)
    late_s[row] = late_ms * 1e-3
    (found,) = found_in(gathers(late_s))
    assert (found.metric, found.source, found.shot_point) == ("shot_delay", 1, 100 + row)
    assert found.value == pytest.approx(abs(late_ms), abs=1.0)
    assert found.verdict == ("look" if abs(late_ms) < 6 else "fail")
    assert f"{'+' if late_ms > 0 else '-'}" in found.message


@pytest.mark.parametrize("row", [0, 12, 23])
def test_a_weak_shot(row: int) -> None:
    estimate = gathers(np.zeros(SHOTS))
    estimate[row] *= 0.3
    found = found_in(estimate)
    assert {one.metric for one in found} == {"shot_level", "shot_likeness"}
    assert {one.shot_point for one in found} == {100 + row}
    (level,) = [one.value for one in found if one.metric == "shot_level"]
    assert level == pytest.approx(-20 * np.log10(0.3), abs=0.1)


def test_a_reversed_channel_and_a_reversed_shot() -> None:
    estimate = gathers(np.zeros(SHOTS))
    estimate[:, 4] *= -1
    (channel,) = found_in(estimate)
    assert (channel.metric, channel.channel, channel.verdict) == ("channel_likeness", 5, "fail")
    assert "other polarity" in channel.message
    estimate = gathers(np.zeros(SHOTS))
    estimate[8] *= -1
    (shot,) = [one for one in found_in(estimate) if one.metric == "shot_likeness"]
    assert (shot.shot_point, shot.verdict) == (108, "fail")
    assert "other polarity" in shot.message


def test_polarity_is_that_of_most_channels_of_a_stretch() -> None:
    alike = np.array([0.9, -0.9, -0.9, 0.9, np.nan, -0.9, 0.9])
    assert polarity_of(alike).tolist() == [1, 1, -1, 1, 1, -1, 1, 1]


def test_events_that_move_from_shot_to_shot_are_no_delay() -> None:
    steady = np.array([-27.0, -14.7, 9.4, 20.8])
    lag = np.stack([steady, steady + 10.0, [-0.6, -13.4, 42.2, 27.0], [np.nan, -12.0, 16.0, 30.0]])
    # Moving; moving and late; a cycle off, as on recorded shots; the second shot of a line.
    assert delay_among_neighbours(lag) == pytest.approx([-2.65, 6.9, 0.0, 2.0])
