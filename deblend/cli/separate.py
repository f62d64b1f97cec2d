"""`deblend separate`: a whole line, or its parts for a batch queue."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from deblend.cli.errors import plain_errors, usage_error
from deblend.cli.options import FiniteRange, Text


@click.command()
@click.argument("line_file", metavar="LINE.toml", type=click.Path(path_type=Path))
@click.option("--overwrite", is_flag=True, help="Replace the results of an earlier run.")
@click.option("--restart", is_flag=True, help="Throw away an unfinished run and begin anew.")
@click.option(
    "--memory-gb",
    type=FiniteRange(min=0, max=1e5, min_open=True),
    help="Memory that the run may take in GB; three quarters of what is free by default.",
)
@click.option(
    "--processes",
    type=click.IntRange(min=1),
    help="Local processes that separate blocks side by side.",
)
@click.option(
    "--scheduler",
    type=Text(),
    metavar="ADDRESS",
    help="Use the workers of this dask.distributed scheduler.",
)
@click.option(
    "--prepare", is_flag=True, help="For a batch queue, first: plan, read the records, measure."
)
@click.option(
    "--block", type=click.IntRange(min=0), help="Then, as jobs of their own: one block, from 0."
)
@click.option("--finish", is_flag=True, help="At last, when all blocks are done: deliver.")
@click.pass_context
@plain_errors
def separate(
    context: click.Context,
    line_file: Path,
    overwrite: bool,
    restart: bool,
    memory_gb: float | None,
    processes: int | None,
    scheduler: str | None,
    prepare: bool,
    block: int | None,
    finish: bool,
) -> None:
    """Separate the line that LINE.toml describes.

    The same command goes on where an earlier one was stopped.

    Exit status 0: within all limits, or nothing was judged; 1: done, and findings want a look; 3:
    done, and findings fail; 2: cannot be done. The re-blend residual alone decides nothing.
    """
    if prepare + (block is not None) + finish > 1:
        raise usage_error(
            "several of --prepare, --block and --finish are given",
            "Each is a command of its own: give one of them.",
        )
    if processes and scheduler:
        raise usage_error(
            "both --processes and --scheduler are given",
            "Blocks go to local processes or to the workers of a scheduler: give one of them.",
        )
    planned = {
        "--overwrite": overwrite,
        "--restart": restart,
        "--memory-gb": memory_gb,
        "--processes": processes,
        "--scheduler": scheduler,
    }
    extra = ", ".join(name for name, value in planned.items() if value)
    if extra and (finish or block is not None):
        raise usage_error(
            f"{extra} cannot be given with {'--finish' if finish else '--block'}",
            "--block and --finish follow the plan of --prepare: give it there.",
        )
    from deblend.cli.display import show_outcome
    from deblend.cli.progress import progress_display
    from deblend.line.line_file import read_line_file
    from deblend.qc.limits import overall_verdict
    from deblend.results.judge import EXIT_STATUS
    from deblend.run.begin import RunOptions
    from deblend.run.execute import machines_of
    from deblend.run.pipeline import finish_run, prepare_run, run_block, run_line

    line = read_line_file(line_file)
    options = RunOptions(
        overwrite=overwrite,
        restart=restart,
        memory_bytes=None if memory_gb is None else round(memory_gb * 1e9),
        machines=replace(machines_of(line), processes=processes or 1, scheduler=scheduler)
        if processes or scheduler
        else None,
    )
    with progress_display() as progress:
        if prepare:
            count = prepare_run(line, progress, options=options)
        elif block is not None:
            run_block(line, block, progress)
        else:
            outcome = (
                finish_run(line, progress) if finish else run_line(line, progress, options=options)
            )
    if prepare:
        numbers = "--block 0" if count == 1 else f"each of --block 0 to --block {count - 1}"
        click.echo(f"next: the command with {numbers}, as jobs of their own, then with --finish")
    elif block is not None:
        click.echo(f"block {block} is finished")
    else:
        show_outcome(outcome)
        verdict = overall_verdict(outcome.findings)
        click.echo(f"verdict: {verdict}")
        context.exit(EXIT_STATUS[verdict])
