"""Expected error: against the true one of lines whose answer is known, and where nothing is known.

The coefficients come from `benchmarks.qc.verdict`; no line of this file is one of its lines.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from deblend.in_memory import separate
from deblend.qc.expected_error import ErrorTrial, channels_to_try, try_errors
from deblend.qc.limits import default_limits, overall_verdict
from deblend.qc.metric import MeasuredLine
from deblend.qc.metrics import METRICS, setup_of
from deblend.separation.job import Job, prepare, separate_channels
from deblend.separation.settings import SeparationSettings
from deblend.synth.build import build_line
from deblend.synth.firing import Trouble
from deblend.synth.line import MadeLine
from deblend.synth.scenes import Extent, scene_design

EXPECTED = next(metric for metric in METRICS if metric.name == "expected_error")
WITHIN_DB = 6.0
"""Nine of ten predictions are within 5 dB."""


def small_line(scene: str) -> MadeLine:
    return build_line(scene_design(scene, Extent(24, 4, 1.2)), 31)


def job_of(line: MadeLine, method: str, iterations: int) -> Job:
    return prepare(
        line.recording,
        line.shots,
        length_s=line.length_s,
        method=method,
        settings=SeparationSettings(iterations=iterations, learn_floor=False),
    )


@pytest.mark.parametrize(("method", "iterations"), [("fk", 2), ("fk", 4), ("fk", 25)])
def test_it_follows_the_true_error(method: str, iterations: int) -> None:
    line = small_line("three-sources")
    job = job_of(line, method, iterations)
    estimate = separate_channels(job, range(4)).estimate
    expected = try_errors(job, range(4)).expected_db[:, 0]
    for number, source in enumerate(line.shots.sources):
        rows = line.shots.rows_of(source)
        truth = line.gathers[rows]
        error = np.sum((estimate[rows] - truth) ** 2) / np.sum(truth**2)
        assert abs(expected[number] - 10 * np.log10(error)) < WITHIN_DB


def test_wrong_times_add_their_error_to_that_of_the_separation() -> None:
    nothing, mirror, shift = np.zeros((1, 2)), np.array([[0.1, 1e-6]]), np.array([[0.1, 0.1]])
    level = np.ones((1, 2))
    alone = ErrorTrial(level, mirror, nothing, nothing, (1,), 4).expected_db
    late = ErrorTrial(level, nothing, shift, nothing, (1,), 4).expected_db
    both = ErrorTrial(level, mirror, shift, nothing, (1,), 4).expected_db
    assert alone[0, 0] == pytest.approx(-10 * 1.008 - 3.813, abs=0.01)
    assert late[0, 0] == pytest.approx(-10 + 2.244, abs=0.01)
    expected = 10 * np.log10(10 ** (alone / 10) + 10 ** (late / 10))
    np.testing.assert_allclose(both, expected, atol=0.01)
    unexplained = ErrorTrial(level, nothing, nothing, shift, (1,), 4).expected_db
    np.testing.assert_allclose(unexplained, -10 + 1.85, atol=0.01)


def test_fire_times_wrong_by_2_ms_are_seen() -> None:
    trouble = Trouble(timing_error_rms_s=0.002)
    design = scene_design("three-sources", Extent(24, 4, 1.2))
    acquisition = replace(design.acquisition, trouble=trouble)
    line = build_line(replace(design, acquisition=acquisition), 31)
    job = job_of(line, "fk", 15)
    truth = line.gathers
    error = separate_channels(job, range(4)).estimate - truth
    true_db = 10 * np.log10(np.sum(error**2) / np.sum(truth**2))
    expected = try_errors(job, range(4)).expected_db[:, 0]
    assert abs(10 * np.log10(np.mean(10 ** (expected / 10))) - true_db) < 3.0
    limit = default_limits()["expected_error"]
    assert all(limit.verdict(value) != "pass" for value in expected.tolist())


@pytest.mark.slow
def test_a_mediocre_run_of_many_iterations_does_not_pass() -> None:
    line = build_line(scene_design("wave-equation", Extent(30, 8, 1.6)), 31)
    done = separate(
        line.recording,
        line.shots,
        length_s=line.length_s,
        method="fk",
        iterations=60,
        quality=True,
    )
    error = done.estimate.values - line.gathers
    assert np.sum(error**2) > 0.07 * np.sum(line.gathers**2)  # -11.5 dB
    assert overall_verdict(done.findings) in ("look", "fail")
    own = [row for row in done.findings if row.metric == "expected_error"]
    assert overall_verdict(own) in ("look", "fail")


def test_nothing_known_asks_for_a_look() -> None:
    setup = setup_of(job_of(small_line("two-sources"), "fk", 1))
    line = MeasuredLine(setup, np.arange(1, 5), 1000, default_limits())
    (row,) = EXPECTED.rows(line, None)
    assert (row.verdict, row.message) == (
        "look",
        "Nothing is known of the error: it was not asked for.",
    )
    nothing = np.full((2, 5), np.nan)
    trial = ErrorTrial(nothing, nothing, nothing, nothing, line.setup.sources, 4)
    rows = list(EXPECTED.rows(replace(line, error_trial=trial), None))
    assert [row.verdict for row in rows] == ["look", "look"]
    assert all("Nothing is known of the error of this source" in row.message for row in rows)


def test_windows_without_signal_are_not_judged() -> None:
    setup = setup_of(job_of(small_line("two-sources"), "fk", 1))
    level = np.array([[1.0, 0.9, 0.1, 1e-3, 1e-5]] * 2)
    trial = ErrorTrial(level, 0.001 * level**0, 1e-6 * level**0, 0 * level, setup.sources, 4)
    line = MeasuredLine(setup, np.arange(1, 5), 1000, default_limits(), error_trial=trial)
    verdicts = [row.verdict for row in EXPECTED.rows(line, None)]
    assert verdicts == 2 * ["pass", "pass", "pass", "pass", "note"]


def test_the_middle_channels_are_tried() -> None:
    assert channels_to_try(range(3, 7)) == range(3, 7)
    assert channels_to_try(range(100, 140)) == range(114, 126)
