"""What withheld samples say of noise, on made numbers and on noise of known kind.

The wrong part is 0 for signal and 1 for noise by its definition (cross-validation, Stone 1974).
A recorded gather stands in tests/pipeline/test_real_records.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from deblend.in_memory import separate
from deblend.separation.job import Job, prepare
from deblend.separation.learned_floor import (
    LEAST_SHARE,
    WrongPart,
    channels_to_learn_from,
    learn_noise_share,
    learns_floor,
    noise_share,
    octaves_of,
    withheld_pieces,
)
from deblend.separation.settings import SeparationSettings
from deblend.synth.build import build_line
from deblend.synth.line import MadeLine
from deblend.synth.noise import White
from deblend.synth.scenes import Extent, scene_design

SIZE = 24
CELLS = (2, 10, 5)
"""Ranges, time places, octaves of windows of 24 samples."""


def job_of(line: MadeLine, method: str = "auto", iterations: int = 40) -> Job:
    settings = SeparationSettings(iterations=iterations)
    return prepare(
        line.recording, line.shots, length_s=line.length_s, method=method, settings=settings
    )


def noisy_line(level: float) -> MadeLine:
    design = scene_design("three-sources", Extent(48, 8, 1.2))
    return build_line(replace(design, noise=(White(level),) if level else ()), 3)


def cells(wrong: float, variance: float = 1.0) -> WrongPart:
    taken = np.full(CELLS, 100.0)
    return WrongPart(wrong * taken, taken, np.full(CELLS, variance))


def test_octaves_of_a_window() -> None:
    assert octaves_of(24).tolist() == [0, 1, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4, 4]


@pytest.mark.parametrize(("wrong", "share"), [(-0.5, LEAST_SHARE), (0.0, LEAST_SHARE), (1.0, 1.0)])
def test_what_is_wrong_decides(wrong: float, share: float) -> None:
    np.testing.assert_allclose(noise_share(cells(wrong), SIZE), share, rtol=1e-6)


def test_what_is_uncertain_leaves_the_low_floor() -> None:
    assert noise_share(cells(1.0, variance=1e9), SIZE).max() == pytest.approx(LEAST_SHARE)


def test_a_cell_of_its_own_is_told_from_the_line() -> None:
    some = cells(0.0)
    some.wrong[:, :, 4] = 100.0
    share = noise_share(some, SIZE)
    assert share[:, 8:].min() > 0.9
    assert share[:, :4].max() < 0.5


def test_the_mean_of_a_window_follows_the_first_frequency() -> None:
    some = cells(0.0)
    some.wrong[:, :, 1] = 100.0
    assert noise_share(some, SIZE)[:, :2].min() > 0.9


def test_pieces_are_few_and_the_same_for_any_block() -> None:
    whole = withheld_pieces((6, 20_000), 0, 10)
    assert 0.02 < whole.mean() < 0.04
    np.testing.assert_array_equal(whole[2:4], withheld_pieces((2, 20_000), 0, 12))
    assert not np.array_equal(whole[0], whole[1])
    assert not np.array_equal(whole, withheld_pieces((6, 20_000), 1, 10))


def test_channels_are_those_in_the_middle() -> None:
    assert channels_to_learn_from(range(100)) == range(38, 62)
    assert channels_to_learn_from(range(40, 48)) == range(40, 48)


@pytest.mark.parametrize(
    ("method", "iterations", "learns"),
    [("joint", 40, True), ("fk", 12, True), ("fk", 11, False), ("median", 40, False)],
)
def test_who_learns(method: str, iterations: int, learns: bool) -> None:
    assert learns_floor(job_of(noisy_line(0.0), method, iterations)) is learns


def test_it_can_be_switched_off() -> None:
    line = noisy_line(0.2)
    both = [
        separate(
            line.recording,
            line.shots,
            length_s=line.length_s,
            method="joint",
            iterations=14,
            learn_floor=learn,
        )
        for learn in (True, False)
    ]
    assert [result.settings["learn_floor"] for result in both] == [True, False]
    assert not np.array_equal(*(result.estimate for result in both))


def test_white_noise_is_recognised_and_signal_is_not_taken_for_it() -> None:
    noisy, clean = (
        learn_noise_share(job, channels_to_learn_from(range(8)))
        for job in (job_of(noisy_line(level)) for level in (0.2, 0.0))
    )
    assert noisy.mean() > 0.9
    assert clean.mean() < 0.6
    assert clean.min() >= np.float32(LEAST_SHARE)
