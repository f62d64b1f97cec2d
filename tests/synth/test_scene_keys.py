"""Keys of scene files: every one is listed and explained, and the example is made of them."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from deblend.cli.main import main
from deblend.synth.build import build_line
from deblend.synth.scene_file import GEOLOGY, NOISE, read_scene_file
from deblend.synth.scene_keys import list_scene_keys


def test_every_key_is_explained() -> None:
    keys = list_scene_keys()
    assert not [key for key in keys if not key.description]
    named = {key.name.partition(":")[0] for key in keys if ":" in key.name}
    assert named == {*GEOLOGY, *NOISE}


def test_the_command_lists_them() -> None:
    shown = CliRunner().invoke(main, ["make", "--keys"])
    assert shown.exit_code == 0
    assert (
        "| [acquisition.firing.dither] | range_s | float | s | required | Uniform" in shown.output
    )
    assert (
        "| [[noise]] | White: level | float |  | required | Rms over signal rms. |" in shown.output
    )


def test_the_example_is_a_scene() -> None:
    design = read_scene_file(Path(__file__).parents[2] / "examples" / "scene.toml")
    line = build_line(design)
    assert len(line.shots) == 48
    assert set(line.noise_rms or {}) == {"SwellBursts"}
