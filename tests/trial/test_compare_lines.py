"""A trial against a benchmark from files: fair by default, refused where it makes no sense."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from numpy.typing import NDArray

from deblend.cli.main import main
from deblend.deliver.segy import write_source_segy
from deblend.deliver.trace_headers import SourceGathers
from deblend.errors import InputError
from deblend.model.geometry import towed_geometry
from deblend.model.shots import make_shots
from deblend.results.checked_manifest import renew_record
from deblend.results.report_extras import read_extras
from deblend.stack.bins import bin_grid
from deblend.stack.velocity import VelocityTable
from deblend.trial.placed_gathers import read_gathers, through_separation
from deblend.trial.trial_separation import trial_separation
from deblend.trial.velocity_check import velocity_rows

CHANNELS, LENGTH, GROUP_M = 8, 250, 12.5


def write_line(
    path: Path,
    *,
    shots: int,
    shot_m: float,
    noise: float = 0.0,
    interval_ns: int = 4_000_000,
    away_m: float = 0.0,
    channels: int = CHANNELS,
    length: int = LENGTH,
    north_m: float = 6e6,
    factor: float = 1.0,
    seed: int | None = None,
) -> Path:
    """One source over three flat layers, v = 1800 m/s."""
    table = make_shots(
        np.ones(shots, np.int64),
        np.arange(shots) + 1,
        np.arange(shots) * 10**10,
        "utc",
        x_m=5e5 + shot_m * np.arange(shots),
        y_m=np.full(shots, north_m + away_m),
        depth_m=np.full(shots, 6.0),
    )
    geometry = towed_geometry(
        table, channels, nearest_offset_m=50.0, group_interval_m=GROUP_M, streamer_depth_m=8.0
    )
    traces = reflections(geometry.offset_m, interval_ns * 1e-9)[..., :length]
    random = np.random.default_rng(shots if seed is None else seed)
    traces = factor * traces + noise * random.standard_normal(traces.shape)
    description = SourceGathers(
        table,
        geometry,
        np.arange(channels) + 1,
        np.zeros(channels, bool),
        interval_ns,
        length,
        "recorded unit",
        "line",
        ("Made.",),
    )
    write_source_segy(path, traces.astype(np.float32), description)
    return path


def reflections(offset_m: NDArray[np.float64], interval_s: float) -> NDArray[np.float64]:
    time = np.arange(LENGTH) * interval_s
    zero = np.array([0.3, 0.5, 0.7, 0.85])[:, None, None]
    arrival = np.sqrt(zero**2 + (offset_m / 1800.0) ** 2)
    phase = (np.pi * 25.0 * (time - arrival[..., None])) ** 2
    return np.asarray(((1 - 2 * phase) * np.exp(-phase)).sum(axis=0))


@pytest.fixture
def velocities(tmp_path: Path) -> Path:
    path = tmp_path / "velocities.csv"
    path.write_text("position_m,time_s,rms_velocity_m_s\n0,0,1800\n0,1,1800\n")
    return path


def call(*arguments: object, iterations: int | None = 5) -> Result:
    stated = () if iterations is None else ("--iterations", str(iterations))
    return CliRunner().invoke(main, ["benchmark-line", *map(str, arguments), *stated])


def test_gathers_come_back_with_their_positions(tmp_path: Path) -> None:
    line = read_gathers(write_line(tmp_path / "a.sgy", shots=5, shot_m=25.0))
    assert line.amplitude.shape == (5, CHANNELS, LENGTH)
    samples = line.of_shots(np.arange(5))
    np.testing.assert_allclose(samples, reflections(line.geometry.offset_m, 0.004), atol=2e-2)
    np.testing.assert_array_equal(line.of_channel(2), samples[:, 2])
    some = line.take(np.array([3, 1]), "some")
    np.testing.assert_array_equal(some.of_shots(np.arange(2)), samples[[3, 1]])
    np.testing.assert_allclose(np.diff(line.shots.x_m), 25.0, atol=0.02)
    np.testing.assert_allclose(np.diff(line.midpoint_m[0, :, 0]), -GROUP_M / 2, atol=0.02)
    np.testing.assert_allclose(line.geometry.offset_m[0, :2], [-50.0, -62.5], atol=0.6)


def test_a_coordinate_of_zero_is_known_where_the_other_is_not_zero(tmp_path: Path) -> None:
    line = read_gathers(write_line(tmp_path / "a.sgy", shots=5, shot_m=25.0, north_m=0.0))
    np.testing.assert_array_equal(line.shots.y_m, 0.0)
    np.testing.assert_array_equal(line.midpoint_m[..., 1], 0.0)
    np.testing.assert_allclose(line.shots.x_m, 5e5 + 25.0 * np.arange(5), atol=0.01)


def test_the_whole_command(tmp_path: Path, velocities: Path) -> None:
    trial = write_line(tmp_path / "trial.sgy", shots=40, shot_m=12.5, noise=0.1)
    benchmark = write_line(tmp_path / "benchmark.sgy", shots=20, shot_m=25.0, noise=0.1)
    out = tmp_path / "comparison.csv"
    result = call(trial, benchmark, "--out", out, "--velocities", velocities)
    assert result.exit_code in (0, 1, 3), result.output
    text = out.read_text()
    for words in (
        "stack: trial against benchmark",
        "midpoint gather at",
        "common offset, far",
        "trial thinned to the fold of benchmark",
        "benchmark through the same filter",
        "stack_snr_of_halves",
        "position_difference",
        "fold_ratio",
        "snr_gain_shortfall",
        "velocity_over_table",
    ):
        assert words in text
    rows = [row for row in text.splitlines() if row.startswith("fold_ratio")]
    ratio = {float(row.split(",")[1]) for row in rows if "stack: trial against benchmark." in row}
    assert max(ratio) == pytest.approx(2.0, rel=0.1)


def test_the_filter_removes_noise_from_the_benchmark(tmp_path: Path) -> None:
    noisy = read_gathers(write_line(tmp_path / "a.sgy", shots=32, shot_m=12.5, noise=0.3))
    clean = read_gathers(write_line(tmp_path / "b.sgy", shots=32, shot_m=12.5))
    filtered = through_separation(noisy, tmp_path, method="fk", iterations=10, seed=0)
    before, after, wanted = (g.of_shots(np.arange(32)) for g in (noisy, filtered, clean))
    assert np.std(after - wanted) < 0.6 * np.std(before - wanted)
    assert filtered.name.endswith("through the same filter")


@pytest.mark.parametrize(
    ("changed", "match"),
    [
        ({"interval_ns": 2_000_000}, "interval of 4 ms and benchmark one of 2 ms"),
        ({"away_m": 900.0}, "do not overlap: the closest traces are 900.0 m apart"),
        ({"shots": 1}, "benchmark holds 1 shot"),
    ],
    ids=["interval", "position", "shots"],
)
def test_lines_that_cannot_be_compared(tmp_path: Path, changed: dict[str, int], match: str) -> None:
    trial = write_line(tmp_path / "trial.sgy", shots=20, shot_m=12.5)
    settings = {"shots": 20, "shot_m": 12.5, **changed}
    benchmark = write_line(tmp_path / "benchmark.sgy", **settings)  # type: ignore[arg-type]
    result = call(trial, benchmark, "--out", tmp_path / "out.csv")
    assert result.exit_code == 2
    assert match in result.stderr
    assert not (tmp_path / "out.csv").exists()


def test_a_table_never_takes_the_place_of_data(tmp_path: Path) -> None:
    trial = write_line(tmp_path / "trial.sgy", shots=20, shot_m=12.5)
    before = trial.read_bytes()
    result = call(trial, trial, "--out", trial)
    assert result.exit_code == 2
    assert "Give a name that ends in .csv" in result.stderr
    assert trial.read_bytes() == before


@pytest.mark.parametrize("option", ["--farthest-m", "--bin-m"])
def test_distances_are_not_negative(tmp_path: Path, option: str) -> None:
    trial = write_line(tmp_path / "trial.sgy", shots=20, shot_m=12.5)
    result = call(trial, trial, "--out", tmp_path / "out.csv", option, "-1")
    assert result.exit_code == 2
    assert f"invalid value for '{option}'" in result.stderr


def test_lines_too_far_apart_are_said_so_with_velocities_too(
    tmp_path: Path, velocities: Path
) -> None:
    trial = write_line(tmp_path / "trial.sgy", shots=20, shot_m=12.5)
    benchmark = write_line(tmp_path / "benchmark.sgy", shots=20, shot_m=12.5, away_m=40.0)
    result = call(trial, benchmark, "--out", tmp_path / "out.csv", "--velocities", velocities)
    assert result.exit_code == 2
    assert "do not overlap: the closest traces are 40.0 m apart" in result.stderr
    assert "allow traces farther apart than 12.5 m" in result.stderr


def test_velocities_that_miss_the_line(tmp_path: Path) -> None:
    trial = write_line(tmp_path / "trial.sgy", shots=20, shot_m=12.5)
    path = tmp_path / "velocities.csv"
    path.write_text(
        "position_m,time_s,rms_velocity_m_s\n9000,0,1800\n9000,1,1800\n9100,0,1800\n9100,1,1800\n"
    )
    result = call(trial, trial, "--out", tmp_path / "out.csv", "--velocities", path)
    assert result.exit_code == 2
    assert "the velocity table runs from 9000" in result.stderr


def with_manifest(folder: Path, trial: Path, **changed: object) -> Path:
    """A trial in a folder of results, as a run leaves it."""
    (folder / "delivered").mkdir(parents=True)
    moved = trial.rename(folder / "delivered" / "trial.sgy")
    record = {"path": "delivered/trial.sgy", "size_bytes": moved.stat().st_size, **changed}
    settings = {"method": "fk", "iterations": 3, "seed": 4, "method.patch": "(16, 1, 32)"}
    (folder / "manifest.json").write_text(json.dumps({"outputs": [record], "settings": settings}))
    return moved


def test_the_manifest_says_what_the_trial_has_been_through(tmp_path: Path) -> None:
    benchmark = write_line(tmp_path / "benchmark.sgy", shots=20, shot_m=12.5)
    trial = with_manifest(
        tmp_path / "out", write_line(tmp_path / "trial.sgy", shots=20, shot_m=12.5)
    )
    passed = trial_separation(trial, None, None, None)
    assert (passed.method, passed.iterations, passed.seed) == ("fk", 3, 4)
    assert passed.for_channels(CHANNELS).patch == (16, 1, 32)
    result = call(trial, benchmark, "--out", tmp_path / "table.csv", iterations=None)
    assert result.exit_code in (0, 1, 3), result.output
    text = (tmp_path / "table.csv").read_text()
    assert "through method fk, 3 iterations, seed 4 (from manifest.json)" in text
    assert trial_separation(trial, "joint", 7, None).settings == {}
    assert not list(tmp_path.glob("unfinished-*"))


def test_a_trial_that_is_not_the_one_of_the_manifest(tmp_path: Path) -> None:
    line = write_line(tmp_path / "trial.sgy", shots=3, shot_m=12.5)
    trial = with_manifest(tmp_path / "out", line, size_bytes=17)
    with pytest.raises(InputError, match="bytes, and 17 in the manifest"):
        trial_separation(trial, None, None, None)
    (tmp_path / "out" / "manifest.json").write_text("{}")
    with pytest.raises(InputError, match="manifest cannot be read"):
        trial_separation(trial, None, None, None)


def test_other_length_and_channel_count_are_said(tmp_path: Path) -> None:
    trial = write_line(tmp_path / "trial.sgy", shots=20, shot_m=12.5)
    benchmark = write_line(
        tmp_path / "benchmark.sgy", shots=20, shot_m=12.5, channels=5, length=200
    )
    out = tmp_path / "table.csv"
    assert call(trial, benchmark, "--out", out).exit_code in (0, 1, 3)
    text = out.read_text()
    assert "trial is 1.000 s long and benchmark 0.800 s" in text
    # The far channel of the trial has no partner in the shorter streamer.
    assert any(
        row.startswith("not_compared") and "common offset, far" in row for row in text.splitlines()
    )


@pytest.mark.parametrize("factor", [1.0, 1.1])
def test_semblance_checks_the_velocity_table(tmp_path: Path, factor: float) -> None:
    # Layers of 1800 m/s over offsets up to 575 m; a table that is 1.1 times too slow shows as 1.1.
    trial = read_gathers(write_line(tmp_path / "trial.sgy", shots=50, shot_m=12.5, channels=43))
    grid = bin_grid(trial.shots, trial.geometry, inline_m=6.25)
    table = VelocityTable(np.zeros(1), (np.array([0.0]),), (np.array([1800.0 / factor]),))
    rows = list(velocity_rows(trial, grid, table, [(0.4, 0.6), (0.6, 0.8)]))
    assert len(rows) == 6
    np.testing.assert_allclose([row.value for row in rows], factor, atol=0.021)


def test_panels_for_the_report_lie_beside_the_table(tmp_path: Path) -> None:
    trial = write_line(tmp_path / "trial.sgy", shots=30, shot_m=12.5)
    older = write_line(tmp_path / "older.sgy", shots=30, shot_m=12.5, away_m=1.0)
    table = tmp_path / "table.csv"
    how = ["--method", "fk", "--iterations", "2"]
    CliRunner().invoke(main, ["benchmark-line", str(trial), str(older), "--out", str(table), *how])
    (tmp_path / "manifest.json").write_text('{"outputs": []}')
    renew_record(tmp_path, trial)
    extras = read_extras(tmp_path, [table])
    titles = [panel.title.split(" at ")[0].split(",")[0] for panel in extras.panels]
    assert titles == ["common offset"] * 3 + ["midpoint gather"] * 3
    first, gather = extras.panels[0], extras.panels[3]
    assert first.axis_label == "distance along the line (m)"
    np.testing.assert_allclose(first.axis, 12.5 * np.arange(30), atol=0.1)
    assert gather.axis_label == "offset (m)"
    assert np.abs(first.difference).max() < 1e-3 * np.abs(first.trial).max()
    assert first.apart_m == pytest.approx(1.0, abs=0.01)
    assert len(extras.findings) > 10
    with pytest.raises(InputError, match="no table with panels beside it"):
        read_extras(tmp_path, [trial])
