"""The command `deblend make`."""

from __future__ import annotations

from pathlib import Path
from shlex import quote
from typing import Literal

import click

from deblend.cli.errors import plain_errors, usage_error


@click.command(short_help="Make a line with a known answer.")
@click.argument("scene", required=False)
@click.option("--out", type=click.Path(path_type=Path), help="New folder for the line.")
@click.option("--size", type=click.Choice(["small", "full"]), default="small", show_default=True)
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True)
@click.option("--scenes", is_flag=True, help="List the standard scenes instead.")
@click.option("--keys", is_flag=True, help="List every key of a scene file instead.")
@plain_errors
def make(
    scene: str | None, out: Path | None, size: str, seed: int, scenes: bool, keys: bool
) -> None:
    """Make a line with a known answer: a standard SCENE by name, or a scene file (TOML).

    Writes continuous records, a shot table, the true gathers and a line file, ready for
    `deblend separate`. SCENE may also be source-test: four such lines over one earth, two and three
    sources in turn and together, with the file of a trial (`deblend trial`) that compares them.
    """
    from deblend.cli.progress import progress_display
    from deblend.files import filling
    from deblend.synth.build import build_line
    from deblend.synth.scene_file import read_scene_file
    from deblend.synth.scenes import scene_design, scene_names
    from deblend.synth.source_test import SOURCE_TEST, write_source_test
    from deblend.synth.write import write_line

    if keys:
        from deblend.cli.display import show_keys
        from deblend.synth.scene_keys import list_scene_keys

        show_keys(list_scene_keys())
        return
    if scenes:
        for name in scene_names():
            click.echo(f"{name:20s}{scene_design(name).description}")
        return
    if scene is None or out is None:
        missing = "scene" if scene is None else "folder (--out)"
        raise usage_error(f"no {missing} was given", "Name both, or ask for --scenes or --keys.")
    extent: Literal["small", "full"] = "full" if size == "full" else "small"
    if scene == SOURCE_TEST:
        with progress_display() as progress:
            trial_file = write_source_test(out, extent, seed, progress)
        click.echo(f"Next: deblend trial {quote(str(trial_file))} --out FOLDER")
        return
    plan = read_scene_file(scene) if scene.endswith(".toml") else scene_design(scene, extent)
    with filling(out):
        written = write_line(build_line(plan, seed), out)
    click.echo(f"Next: deblend separate {quote(str(written))}")
