"""Functions of a whole line: called, held to the contract and scored as all other methods."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import deblend
from deblend.errors import SeparationError, SettingsError
from deblend.study.keys import BlendTable, SceneTable
from deblend.study.one_run import LineCache, carry_out
from deblend.study.study import Study, StudyMethod, StudyRun, read_study
from deblend.study.whole_line import separate_whole_line
from deblend.synth.line import MadeLine

TINY = BlendTable(label="short line", shots_per_source=6, sources=2)
STUDY = """
name = "whole line"
seeds = [0]
iterations = 12
[[scenes]]
name = "two-sources"
[[methods]]
method = "{folder}/whole_line_method.py:ista"
whole_line = true
settings = {{ {settings} }}
"""


def first_estimate(record, shots, operator, length_s, factor=1.0):
    return factor * (operator.H @ record)


def run_of(function, **settings) -> StudyRun:
    method = StudyMethod("own", function, settings, whole_line=True)
    study = Study("s", [SceneTable(name="two-sources")], [method], [0], [TINY], iterations=7)
    return next(iter(study.runs()))


@pytest.fixture(scope="module")
def line() -> MadeLine:
    return LineCache(Path()).line(run_of(first_estimate))[0]


def test_the_score_is_that_of_the_gathers(line: MadeLine) -> None:
    row = carry_out(run_of(first_estimate, factor=0.5), LineCache(Path()), print)
    assert row["status"] == "done", row["message"]
    operator = deblend.operator_of(line.recording, line.shots, line.length_s, dtype=np.float32)
    estimate = 0.5 * (operator.H @ line.recording.read(range(8), 0, line.recording.shape[1]))
    assert row["snr_db"] == pytest.approx(deblend.score(line, estimate)["snr_db"])
    assert row["snr_db"] == pytest.approx(deblend.snr_db(line.gathers, estimate))
    assert '"factor": 0.5' in row["settings"]
    assert "test_whole_line:first_estimate" in row["settings"]


def test_iterations_are_given_to_those_who_ask(line: MadeLine) -> None:
    seen = []

    def asks(record, shots, operator, length_s, iterations):
        seen.append(iterations)
        return operator.label_gathers(np.zeros(operator.gathers_shape))

    assert carry_out(run_of(asks), LineCache(Path()), print, warm=False)["status"] == "diverged"
    assert seen == [7]


def test_the_example_separates(line: MadeLine) -> None:
    study = read_study(Path(__file__).parents[2] / "examples" / "study.toml")
    (ista,) = (method for method in study.methods if method.whole_line)
    found = ista.separate(line.recording, line.shots, line.length_s, 12)
    start = deblend.score(line, found.estimate.values)["start_db"]
    assert deblend.snr_db(line.gathers, found.estimate.values) > start + 3.0
    assert found.history[-1].residual_db < -15.0


@pytest.mark.parametrize(
    ("function", "message"),
    [
        (lambda *_: np.zeros((1, 2, 3)), r"returns gathers of shape \(1, 2, 3\)"),
        (lambda r, s, operator, n: np.full(operator.gathers_shape, np.nan), "not finite"),
        (lambda r, s, operator, n: np.zeros(operator.gathers_shape, complex), "not finite"),
    ],
)
def test_what_breaks_the_contract_is_refused(line: MadeLine, function, message: str) -> None:
    with pytest.raises(SeparationError, match=message):
        separate_whole_line(function, line.recording, line.shots, line.length_s, 1, {})


@pytest.mark.parametrize(
    ("settings", "name", "message"),
    [
        ("first = 3", "ista", r"cannot be called .*unexpected keyword argument 'first'"),
        ("", "np", "is a function, and this is module"),
    ],
)
def test_a_study_file_with_a_mistake_is_refused(
    tmp_path: Path, settings: str, name: str, message: str
) -> None:
    folder = Path(__file__).parents[2] / "examples"
    text = STUDY.format(folder=folder, settings=settings).replace(":ista", f":{name}")
    (tmp_path / "study.toml").write_text(text)
    with pytest.raises(SettingsError, match=message):
        read_study(tmp_path / "study.toml")
