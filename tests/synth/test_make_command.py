import shlex
from pathlib import Path

from click.testing import CliRunner

from deblend.cli.make import make
from deblend.synth.scenes import scene_names


def test_the_standard_scenes_are_listed() -> None:
    result = CliRunner().invoke(make, ["--scenes"])
    assert result.exit_code == 0
    assert [line.split()[0] for line in result.output.splitlines()] == list(scene_names())


def test_a_scene_is_written(tmp_path: Path) -> None:
    result = CliRunner().invoke(make, ["two-sources", "--out", str(tmp_path / "line")])
    assert result.exit_code == 0, result.output
    assert {path.name for path in (tmp_path / "line").iterdir()} == {
        "line.toml",
        "records",
        "shots.csv",
        "truth",
    }


def test_an_unknown_scene_writes_nothing(tmp_path: Path) -> None:
    result = CliRunner().invoke(make, ["two-source", "--out", str(tmp_path / "line")])
    assert result.exit_code == 2
    assert "Did you mean 'two-sources'?" in result.output
    assert not (tmp_path / "line").exists()


def test_the_next_command_can_be_copied_whatever_the_folder_is_called(tmp_path: Path) -> None:
    out = tmp_path / "zwei Quellen über See"
    result = CliRunner().invoke(make, ["two-sources", "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert shlex.split(result.output) == ["Next:", "deblend", "separate", str(out / "line.toml")]


def test_a_scene_needs_a_folder() -> None:
    result = CliRunner().invoke(make, ["two-sources"])
    assert result.exit_code == 2
    assert "no folder (--out) was given" in result.output
