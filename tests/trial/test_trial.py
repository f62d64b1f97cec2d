"""A trial of lines from files: table, expectations, verdict, page; numbers against theory."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from test_compare_lines import LENGTH, reflections, write_line

from deblend.cli.main import main
from deblend.decibels import decibels
from deblend.errors import SettingsError
from deblend.qc.limits import default_limits
from deblend.stack.bins import bin_grid
from deblend.stack.velocity import VelocityTable
from deblend.trial.compare_lines import stacked
from deblend.trial.likeness import nrms_percent
from deblend.trial.line_stack import filled_bins, line_stack, ratio_db, snr_db
from deblend.trial.placed_gathers import read_gathers
from deblend.trial.run_trial import run_trial
from deblend.trial.trial_file import read_trial_file

VELOCITIES = "position_m,time_s,rms_velocity_m_s\n0,0,1800\n0,1,1800\n"
HEAD = 'name = "made"\nbenchmark = "usual"\nvelocities = "velocities.csv"\nbin_m = 6.25\n'


def write_trial(folder: Path, **lines: str) -> Path:
    (folder / "velocities.csv").write_text(VELOCITIES)
    text = HEAD
    for name, keys in lines.items():
        text += f'\n[[lines]]\nname = "{name}"\n{keys}\n'
    path = folder / "trial.toml"
    path.write_text(text)
    return path


def call(path: Path, out: Path, *more: str) -> Result:
    return CliRunner().invoke(main, ["trial", str(path), "--out", str(out), *more])


@pytest.fixture
def two_lines(tmp_path: Path) -> Path:
    write_line(tmp_path / "usual.sgy", shots=20, shot_m=25.0, noise=0.2)
    write_line(tmp_path / "dense.sgy", shots=40, shot_m=12.5, noise=0.2, away_m=3.0)
    return write_trial(
        tmp_path,
        usual='gathers = ["usual.sgy"]\nvolumes_in3 = [3000]',
        dense='gathers = ["dense.sgy"]',
    )


@pytest.mark.slow
def test_a_trial_leaves_page_table_and_content(tmp_path: Path, two_lines: Path) -> None:
    out = tmp_path / "out"
    result = call(two_lines, out, "--png", str(tmp_path / "png"))
    assert result.exit_code in (0, 1), result.output
    assert {path.name for path in out.iterdir()} == {
        "trial.html",
        "trial.csv",
        "trial.json",
        "findings.csv",
    }
    rows = list(csv.DictReader((out / "trial.csv").read_text().splitlines()))
    density = next(row for row in rows if row["quantity"] == "trace density")
    assert float(density["dense"]) == pytest.approx(2.0 * float(density["usual"]), rel=0.1)
    assert next(row for row in rows if row["quantity"] == "volumes")["dense"] == "not known"
    content = json.loads((out / "trial.json").read_text())
    assert content["verdict"] in ("pass", "look")
    assert "dense bought" in content["sentences"][0]
    page = (out / "trial.html").read_text()
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")
    assert len(list((tmp_path / "png").glob("stack-*.png"))) == 3
    again = call(two_lines, out)
    assert again.exit_code == 2


def test_opposite_polarity_fails_the_trial_a_few_metres_away(tmp_path: Path) -> None:
    write_line(tmp_path / "usual.sgy", shots=20, shot_m=25.0)
    write_line(tmp_path / "turned.sgy", shots=20, shot_m=25.0, away_m=5.9, factor=-1.0)
    path = write_trial(tmp_path, usual='gathers = ["usual.sgy"]', turned='gathers = ["turned.sgy"]')
    result = run_trial(path, default_limits())
    assert result.verdict == "fail"
    failed = [row for row in result.findings if row.verdict == "fail"]
    assert any(
        row.metric == "opposite_polarity" and "stack of turned" in row.message for row in failed
    )


def test_a_line_that_cannot_be_compared_is_left_out_with_the_reason(
    tmp_path: Path, two_lines: Path
) -> None:
    write_line(tmp_path / "fine.sgy", shots=20, shot_m=25.0, interval_ns=2_000_000)
    two_lines.write_text(
        two_lines.read_text() + '\n[[lines]]\nname = "fine"\ngathers = ["fine.sgy"]\n'
    )
    result = run_trial(two_lines, default_limits())
    assert "fine has a sample interval of 2 ms" in result.not_compared["fine"]
    assert [line.name for line in result.compared] == ["usual", "dense"]
    assert any("fine could not be compared" in text for text in result.sentences)


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ('benchmark = "usual"', 'benchmark = "usua"', "none of the lines"),
        ('name = "dense"', 'name = "usual"', "two lines are called 'usual'"),
        ('gathers = ["dense.sgy"]', "", "given in 0 ways"),
        ("bin_m = 6.25", "bin_m = 0", "bin_m at the top of the file is 0"),
    ],
)
def test_a_trial_file_is_checked(two_lines: Path, old: str, new: str, match: str) -> None:
    two_lines.write_text(two_lines.read_text().replace(old, new))
    with pytest.raises(SettingsError, match=match):
        read_trial_file(two_lines)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_gain_by_fold_and_noise_by_halves_are_those_of_theory(tmp_path: Path, seed: int) -> None:
    """White noise of known level: its power in a stack of n traces is that of one over n."""
    velocities = VelocityTable(np.zeros(1), (np.zeros(1),), (np.full(1, 1800.0),))
    stacks, noise = [], 0.3
    for name, shots, shot_m in (("usual", 40, 25.0), ("dense", 160, 6.25)):
        path = tmp_path / f"{name}.sgy"
        write_line(path, shots=shots, shot_m=shot_m, noise=noise, seed=seed + shots)
        line = read_gathers(path)
        if not stacks:
            grid = bin_grid(line.shots, line.geometry, inline_m=12.5)
        stacks.append((stacked(line, grid, velocities), line))
    filled = filled_bins([sums for sums, _ in stacks])
    usual, dense = (line_stack(sums, filled, grid, line, (), LENGTH) for sums, line in stacks)
    window_s = (0.6, 1.0)
    folds = [one.effective_fold(window_s) for one in (usual, dense)]
    gain, _ = ratio_db(usual, dense, window_s, 0, noise=True)
    assert gain == pytest.approx(decibels(folds[1], folds[0]), abs=0.3)
    signal = reflections(np.zeros((1, 1)), 0.004)[0, 0, 150:250]
    for one, fold in zip((usual, dense), folds, strict=True):
        # Linear interpolation between samples eight times as dense takes next to nothing of it.
        theory = decibels(float(np.mean(signal**2)) * fold, noise**2)
        value, error = snr_db(one, window_s, 0)
        assert value == pytest.approx(theory, abs=max(0.6, 3.0 * error))


@pytest.mark.parametrize("shift_ms", [0.5, 2.0, 5.0])
def test_nrms_of_a_known_shift(shift_ms: float) -> None:
    """E. Kragh and P. Christie, 2002, The Leading Edge 21, 640-647: a sine shifted by dt.

    rms(a - b) = 2 |sin(pi f dt)| rms(a), so that NRMS is 200 |sin(pi f dt)| per cent.
    """
    time_s = np.arange(4000) * 1e-3
    first, second = (np.sin(2 * np.pi * 30.0 * (time_s - late)) for late in (0.0, 1e-3 * shift_ms))
    wanted = 200.0 * np.sin(np.pi * 30.0 * 1e-3 * shift_ms)
    assert nrms_percent(first[None], second[None]) == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize("factor", [0.5, 0.9, 1.3, -1.0])
def test_nrms_of_a_known_scaling(factor: float) -> None:
    """The same source: 200 |1 - g| / (1 + |g|) per cent."""
    trace = np.random.default_rng(0).standard_normal((3, 500))
    wanted = 200.0 * abs(1 - factor) / (1 + abs(factor))
    assert nrms_percent(trace, factor * trace) == pytest.approx(wanted)
