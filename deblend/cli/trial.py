"""The command `deblend trial`."""

from __future__ import annotations

from pathlib import Path

import click

from deblend.cli.errors import plain_errors, usage_error


@click.command(short_help="Hold the lines of a source test against each other.")
@click.argument("trial_file", metavar="TRIAL.toml", required=False, type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="New folder for page and tables.")
@click.option("--png", type=click.Path(path_type=Path), help="Folder for every figure by itself.")
@click.option("--limits", type=click.Path(path_type=Path), help="Limits of your own.")
@click.option("--keys", is_flag=True, help="List every key of a trial file instead.")
@click.pass_context
@plain_errors
def trial(
    context: click.Context,
    trial_file: Path | None,
    out: Path | None,
    png: Path | None,
    limits: Path | None,
    keys: bool,
) -> None:
    """Hold the lines of a source test, as TRIAL.toml names them, against one of them.

    Leaves trial.html, trial.csv, trial.json and findings.csv. Lines given as line files are
    separated first where they are not yet.

    Exit status 0: within all limits; 1: findings want a look; 3: findings fail.
    """
    from deblend.cli.display import show_findings, show_keys
    from deblend.cli.progress import progress_display
    from deblend.files import filling
    from deblend.qc.limits import default_limits, read_limits
    from deblend.results.judge import EXIT_STATUS
    from deblend.trial.run_trial import PAGE, run_trial, write_trial
    from deblend.trial.trial_file import list_trial_keys

    if keys:
        show_keys(list_trial_keys())
        return
    if trial_file is None or out is None:
        missing = "trial file" if trial_file is None else "folder (--out)"
        raise usage_error(f"no {missing} was given", "Name both, or ask for --keys.")
    judged = default_limits() if limits is None else read_limits(limits)
    with filling(out) as folder, progress_display() as progress:
        result = run_trial(trial_file, judged, progress)
        write_trial(result, folder, png, progress)
    show_findings(result.findings)
    for sentence in result.sentences:
        click.echo(f"- {sentence}")
    click.echo(f"page: {out / PAGE}\nverdict: {result.verdict}")
    context.exit(EXIT_STATUS[result.verdict])
