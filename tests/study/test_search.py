from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from deblend.errors import SettingsError
from deblend.study.search import by_injection, by_truth, search
from deblend.study.study import StudyMethod
from deblend.synth.build import build_line
from deblend.synth.line import MadeLine
from deblend.synth.scenes import scene_design


@pytest.fixture(scope="module")
def line() -> MadeLine:
    plan = scene_design("two-sources")
    acquisition = plan.acquisition
    return build_line(
        replace(
            plan,
            acquisition=replace(
                acquisition,
                firing=replace(acquisition.firing, shots_per_source=16),
                streamer=replace(acquisition.streamer, channel_count=2),
            ),
            noise=scene_design("white-noise").noise,
        )
    )


FK = StudyMethod("fk", "fk", {"patch": [12, 1, 32]})


def test_search_with_truth_and_without_agree_on_what_is_clearly_worse(
    line: MadeLine, tmp_path: Path
) -> None:
    values = [2.5, 30.0]  # a threshold of thirty times the noise removes weak signal
    with_truth = search(FK, "noise_factor", values, by_truth(line, iterations=12), "SNR (dB)")
    without = search(
        FK,
        "noise_factor",
        values,
        by_injection(
            line.recording,
            line.shots,
            length_s=line.length_s,
            offset_m=np.abs(line.geometry.offset_m),
            iterations=12,
        ),
        "events (dB)",
    )
    assert with_truth.best == without.best == 2.5
    assert with_truth.scores[0] > with_truth.scores[1] + 1
    assert without.scores[0] > without.scores[1] + 1
    assert with_truth.picture(tmp_path / "curve.png").stat().st_size > 2000


def test_iterations_are_a_setting_too(line: MadeLine) -> None:
    found = search(FK, "iterations", [1, 8], by_truth(line), "SNR (dB)")
    assert found.best == 8


def test_values_that_fail_leave_a_gap(line: MadeLine) -> None:
    found = search(FK, "overlap", [0.9, 0.5], by_truth(line, iterations=2), "SNR (dB)")
    assert np.isnan(found.scores[0])
    assert "overlap is 0.9" in found.failures[0]
    assert found.best == 0.5
    nothing = search(FK, "overlap", [0.9], by_truth(line, iterations=2), "SNR (dB)")
    with pytest.raises(SettingsError, match="failed with every value of overlap"):
        _ = nothing.best


def test_nothing_to_try_is_refused(line: MadeLine) -> None:
    with pytest.raises(SettingsError, match="there is no value to try"):
        search(FK, "overlap", [], by_truth(line), "SNR (dB)")


def test_switches_around_a_method_can_be_searched() -> None:
    tried: list[StudyMethod] = []

    def scored(method: StudyMethod) -> float:
        tried.append(method)
        return float(method.separation.robust)

    assert search(FK, "robust", [False, True], scored, "score").best is True
    assert [method.separation.robust for method in tried] == [False, True]
    assert all(method.settings == FK.settings for method in tried)
