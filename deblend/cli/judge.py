"""The command `deblend judge`."""

from __future__ import annotations

from pathlib import Path

import click

from deblend.cli.errors import plain_errors, usage_error


@click.command(short_help="Hold a finished run against limits.")
@click.argument("out", metavar="OUT", required=False, type=click.Path(path_type=Path))
@click.option(
    "--limits", type=click.Path(path_type=Path), help="TOML file with limits of your own."
)
@click.option("--show-limits", is_flag=True, help="Print the default limits instead.")
@click.pass_context
@plain_errors
def judge(context: click.Context, out: Path | None, limits: Path | None, show_limits: bool) -> None:
    """Hold the findings of a finished run in folder OUT against limits.

    Exit status 0: within all limits, or nothing was judged; 1: findings want a look; 3: findings
    fail; 2: cannot be judged. The re-blend residual alone decides nothing.
    """
    from deblend.cli.display import show_findings
    from deblend.qc.limits import default_limits, read_limits
    from deblend.results.judge import EXIT_STATUS, judge_folder, limits_text

    if show_limits:
        click.echo(limits_text(), nl=False)
        return
    if out is None:
        raise usage_error(
            "no folder was given", "Name that of a finished run, or ask for --show-limits."
        )
    judgement = judge_folder(out, default_limits() if limits is None else read_limits(limits))
    show_findings(judgement.findings, out)
    click.echo(f"verdict: {judgement.verdict}")
    context.exit(EXIT_STATUS[judgement.verdict])
