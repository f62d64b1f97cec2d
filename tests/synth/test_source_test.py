"""The source test: four lines of one earth and one sea, written as field data would come."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from deblend.cli.make import make
from deblend.model.midpoints import midpoint_m
from deblend.records.navigation.open import read_positions
from deblend.synth import source_test
from deblend.synth.acquisition import true_shots
from deblend.synth.source_test import LINES, signature_of, source_test_designs


def test_lines_share_earth_sea_and_ground_and_differ_in_sources_and_positions() -> None:
    designs = source_test_designs()
    assert len({id(design.geology) for design in designs}) == 1
    assert len({design.noise for design in designs}) == 1
    assert len({line.volume_in3 for line in LINES}) == len(LINES)
    tracks = []
    for design in designs:
        fired = true_shots(design.acquisition, 0)
        x_m, y_m = midpoint_m(fired.shots, fired.geometry)
        tracks.append((x_m.min(), x_m.max(), y_m[:, 0].mean(), y_m[:, -1].mean()))
    spread = np.ptp(np.array(tracks), axis=0)
    assert np.all(spread[:2] < 25.0)  # one ground
    assert np.all((spread[2:] > 1.0) & (spread[2:] < 10.0))  # other tracks and feathering


def test_strength_goes_with_the_cube_root_of_the_volume() -> None:
    # W. Dragoset, 2000, Introduction to air guns and air-gun arrays, The Leading Edge 19, 892.
    assert signature_of(3000.0 / 8).gain == 0.5 * signature_of(3000.0).gain
    assert signature_of(3000.0 / 8).bubble_period_s == 0.5 * signature_of(3000.0).bubble_period_s


def test_the_command_writes_lines_with_positions_and_a_trial_file(
    tmp_path: Path, monkeypatch
) -> None:
    few = {"small": replace(source_test._EXTENTS["small"], points=6, channels=4, length_s=1.2)}
    monkeypatch.setattr(source_test, "_EXTENTS", few)
    out = tmp_path / "test"
    result = CliRunner().invoke(make, ["source-test", "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert "Next: deblend trial" in result.output
    trial = tomllib.loads((out / "trial.toml").read_text())
    assert trial["benchmark"] == "two-in-turn"
    assert [line["name"] for line in trial["lines"]] == [line.name for line in LINES]
    for line in LINES:
        assert (out / line.name / "truth" / "source-1.npy").exists()
        read_positions(out / line.name / "positions.p190")
