"""The command `deblend`; each command makes one library call and shows what came of it."""

from __future__ import annotations

import atexit
import gc
from pathlib import Path

import click

from deblend import __version__
from deblend.cli.benchmark_line import benchmark_line
from deblend.cli.blend import blend
from deblend.cli.compare import compare
from deblend.cli.errors import PlainGroup, plain_errors, usage_error
from deblend.cli.inject import inject
from deblend.cli.judge import judge
from deblend.cli.make import make
from deblend.cli.plan import plan
from deblend.cli.separate import separate
from deblend.cli.trial import trial
from deblend.cli.view import view
from deblend.words import counted

EXIT_LOOK = 1


@click.group("deblend", cls=PlainGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="deblend")
@click.option("--traceback", is_flag=True, help="Show where in the program an error arose.")
def main(traceback: bool) -> None:
    """Separate the sources of a marine seismic line recorded continuously."""
    # At its end Python looks through all that was ever loaded for cycles: a second for nothing.
    atexit.register(gc.freeze)


@main.command(short_help="Make a line with a known answer, separate and score it.")
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="New folder for everything."
)
@click.option("--small", is_flag=True, help="A short line of a few channels.")
@plain_errors
def demo(out: Path, small: bool) -> None:
    """Make a line with a known answer, separate it and score the result."""
    from deblend.cli.display import show_outcome
    from deblend.cli.progress import progress_display
    from deblend.demo import run_demo

    with progress_display() as progress:
        outcome = run_demo(out, progress, small=small)
    show_outcome(outcome)


@main.command(short_help="Say what is there, what a run would do, what is wrong.")
@click.argument("line_file", metavar="LINE.toml", required=False, type=click.Path(path_type=Path))
@click.option("--keys", is_flag=True, help="List every key of a line file instead.")
@click.option("--overwrite", is_flag=True, help="As with separate.")
@click.option(
    "--with-samples",
    is_flag=True,
    help="Also verify clocks and shots against direct arrivals, and measure the noise.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option(
    "--mended-shots",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Also write the shot table as the findings say it should be, with reasons, to be looked "
    "at; reads samples.",
)
@click.pass_context
@plain_errors
def check(
    context: click.Context,
    line_file: Path | None,
    keys: bool,
    overwrite: bool,
    with_samples: bool,
    as_json: bool,
    mended_shots: Path | None,
) -> None:
    """Check the input: what is there, what would be done, what is wrong.

    Reads headers and tables only, unless --with-samples is given.

    Exit status 0: nothing to look at; 1: findings want a look; 2: cannot be run.
    """
    from deblend.cli.display import show_check, show_keys
    from deblend.line.line_file import list_keys, read_line_file

    if keys:
        show_keys(list_keys())
        return
    if line_file is None:
        raise usage_error("no line file was given", "Name one, or ask for --keys.")
    from deblend.check.check import check_json, check_line, write_mended_shots

    with_samples = with_samples or mended_shots is not None
    result = check_line(read_line_file(line_file), overwrite=overwrite, with_samples=with_samples)
    if as_json:
        click.echo(check_json(result))
    else:
        show_check(result)
        if not with_samples:
            click.echo("headers and tables only; --with-samples verifies clocks and shots")
    if mended_shots is not None:
        count = write_mended_shots(result, mended_shots)
        click.echo(f"{counted(count, 'row')} changed in {mended_shots}", err=as_json)
    if not result.clean:
        context.exit(EXIT_LOOK)


@main.command()
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@click.option(
    "--with",
    "others",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Show this, too: the folder of an injection, or the table of a benchmark line.",
)
@click.option("--png", type=click.Path(path_type=Path), help="Folder for every figure by itself.")
@plain_errors
def report(out: Path, others: tuple[Path, ...], png: Path | None) -> None:
    """Draw the report of a finished run in folder OUT again."""
    from deblend.cli.progress import progress_display
    from deblend.results.rebuild_report import rebuild_report

    with progress_display() as progress:
        page = rebuild_report(out, others, png, progress)
    click.echo(f"{page} written")
    if png is not None:
        click.echo(f"{counted(len(list(png.glob('*.png'))), 'picture')} in {png}")


for command in (benchmark_line, blend, compare, inject, judge, make, plan, separate, trial, view):
    main.add_command(command)
