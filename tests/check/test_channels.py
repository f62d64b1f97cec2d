"""Channels that are dead, silent in one file, or of reversed polarity are named, and no others."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from deblend.check.channels import channel_findings
from deblend.errors import InputError
from deblend.model.recording import Recording, SourceFile
from deblend.records.reversed_channels import turn_channels
from deblend.synth.line import MadeLine
from deblend.synth.scenes import make_scene


@cache
def line() -> MadeLine:
    return make_scene("three-sources", "small", 3)


def recording() -> Recording:
    return line().recording


def samples_of(one: Recording) -> NDArray[np.float32]:
    return one.read(range(one.shape[0]), 0, one.shape[1]).copy()


def found_in(samples: NDArray[np.float32]) -> list[tuple[str, int | None]]:
    found = channel_findings(replace(recording(), samples=samples), line().shots, line().geometry)
    return [(finding.metric, finding.channel) for finding in found]


@pytest.mark.parametrize("scene", ["three-sources", "swell-and-spikes", "gaps-and-misfires"])
def test_nothing_is_wrong(scene: str) -> None:
    made = make_scene(scene, "small", 1)
    assert channel_findings(made.recording, made.shots, made.geometry) == []


@pytest.mark.parametrize("rows", [[0], [4], [7], [2, 3], [1, 6]])
def test_reversed(rows: list[int]) -> None:
    samples = samples_of(recording())
    samples[rows] *= -1
    numbers = recording().channel_numbers[rows].tolist()
    assert found_in(samples) == [("channel_reversed", number) for number in numbers]
    turned = turn_channels(replace(recording(), samples=samples), numbers)
    assert [one.channel for one in turned.findings] == numbers
    assert channel_findings(turned, line().shots, line().geometry) == []
    assert np.array_equal(samples_of(turned), samples_of(recording()))


def test_all_zeros() -> None:
    samples = samples_of(recording())
    samples[5] = 0
    assert found_in(samples) == [("dead_channel", int(recording().channel_numbers[5]))]


@pytest.mark.parametrize(("factor", "level_db"), [(0.0, -200.0), (0.016, -35.9)])
def test_silent_in_one_file(factor: float, level_db: float) -> None:
    whole = recording()
    samples = samples_of(whole)
    third = whole.shape[1] // 3
    files = tuple(
        SourceFile(Path(f"{part}.sgy"), part * third, (part + 1) * third) for part in range(3)
    )
    samples[3, third : 2 * third] *= factor
    (found,) = channel_findings(
        replace(whole, samples=samples, files=files), line().shots, line().geometry
    )
    assert (found.metric, found.verdict) == ("channel_silent", "look")
    assert found.channel == whole.channel_numbers[3]
    assert found.value == pytest.approx(level_db, abs=3.0)


def test_a_channel_that_is_not_there() -> None:
    with pytest.raises(InputError, match="no channel 99"):
        turn_channels(recording(), [99])
