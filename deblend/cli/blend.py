"""The command `deblend blend`."""

from __future__ import annotations

from pathlib import Path
from shlex import quote

import click

from deblend.cli.errors import plain_errors
from deblend.words import counted


@click.command(short_help="Blend unblended SEG-Y gathers; keep the answer.")
@click.argument("plan_file", metavar="PLAN.toml", type=click.Path(path_type=Path))
@click.option(
    "--inputs",
    type=click.Path(path_type=Path),
    help="Folder that the gathers and the shot table are in, if not that of PLAN.toml.",
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="New folder, in place of that in PLAN.toml."
)
@plain_errors
def blend(plan_file: Path, inputs: Path | None, out: Path | None) -> None:
    """Blend unblended SEG-Y gathers as PLAN.toml says, and keep the answer.

    Writes continuous records, a shot table, the true gathers and a line file, ready for
    `deblend separate`.
    """
    from deblend.files import filling
    from deblend.synth.blend_file import read_blend_plan
    from deblend.synth.blend_line import blend_gathers
    from deblend.synth.write import write_line

    plan = read_blend_plan(plan_file)
    folder = out or plan_file.parent / plan.output.folder
    with filling(folder):
        line = blend_gathers(plan, inputs or plan_file.parent)
        written = write_line(line, folder, slice_s=plan.output.slice_s)
    click.echo(
        f"{line.description} {counted(len(line.shots), 'shot')}, "
        f"{counted(line.recording.shape[0], 'channel')}, "
        f"{line.recording.duration_s:.1f} s of record.\n"
        f"Next: deblend separate {quote(str(written))}"
    )
