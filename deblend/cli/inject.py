"""The command `deblend inject`."""

from __future__ import annotations

from pathlib import Path

import click

from deblend.cli.errors import plain_errors


@click.command(short_help="Add weak events, separate, see what comes back.")
@click.argument("line_file", metavar="LINE.toml", type=click.Path(path_type=Path))
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    help="Empty or new folder for tables and page.",
)
@click.option(
    "--level-db",
    default=-6.0,
    show_default=True,
    help="Strength of the events relative to the separated data around them (dB).",
)
@click.option("--one-source", help="Source that gets events alone; the first if left out.")
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=0,
    show_default=True,
    help="Of polarity and undulation.",
)
@click.option("--restart", is_flag=True, help="Throw away an unfinished injection.")
@click.pass_context
@plain_errors
def inject(
    context: click.Context,
    line_file: Path,
    out: Path,
    level_db: float,
    one_source: str | None,
    seed: int,
    restart: bool,
) -> None:
    """Add weak events to the record, separate, and see what comes back of them.

    The line is separated three times: as recorded, with events in all sources, and with events in
    one source. A run that was stopped goes on with the same command.

    Exit status 0: within all limits; 1: findings want a look; 3: findings fail.
    """
    from deblend.cli.display import show_findings
    from deblend.cli.progress import progress_display
    from deblend.inject.injection import inject_line
    from deblend.inject.unfinished import PAGE
    from deblend.line.line_file import read_line_file
    from deblend.qc.injected_rows import CAUTION
    from deblend.qc.limits import overall_verdict
    from deblend.results.judge import EXIT_STATUS

    line = read_line_file(line_file)
    with progress_display() as progress:
        result = inject_line(
            line,
            out,
            progress,
            level_db=level_db,
            one_source=one_source,
            seed=seed,
            restart=restart,
        )
    show_findings(result.findings)
    verdict = overall_verdict(result.findings)
    click.echo(f"{CAUTION}\npage: {out / PAGE}\nverdict: {verdict}")
    context.exit(EXIT_STATUS[verdict])
