"""The command `deblend plan`."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from deblend.cli.errors import plain_errors, usage_error

if TYPE_CHECKING:
    from deblend.model.timebase import TimeScale


@click.command(short_help="What sources, shots and delays buy and cost.")
@click.argument("plan_file", metavar="PLAN.toml", required=False, type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="New folder for page, tables and firing tables.",
)
@click.option("--simulate", is_flag=True, help="Also fire a made earth and separate it (minutes).")
@click.option(
    "--shots",
    type=click.Path(path_type=Path),
    help="Shot table of a line that was shot, to be held against the plan.",
)
@click.option("--time-scale", type=click.Choice(["utc", "gps"]), help="Of --shots; no default.")
@click.option("--alternative", help="By which --shots was shot; the first one if left out.")
@click.option(
    "--delays", type=click.Path(path_type=Path), help="Table of delays that --shots was to follow."
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option("--keys", is_flag=True, help="List every key of a plan file instead.")
@click.pass_context
@plain_errors
def plan(
    context: click.Context,
    plan_file: Path | None,
    out: Path | None,
    simulate: bool,
    shots: Path | None,
    time_scale: TimeScale | None,
    alternative: str | None,
    delays: Path | None,
    as_json: bool,
    keys: bool,
) -> None:
    """Say what sources, shots and delays buy and cost, before the line is shot.

    Holds the alternatives of PLAN.toml against each other and against a conventional two-source
    line; with --shots, also a line as shot against its plan. The numbers are advice: local law, the
    permit and licensed practice decide.

    --shots is a CSV file with the columns source, shot_point and fire_time (ISO 8601), and live,
    x_m, y_m where known. --delays is a CSV file with the columns shot_point, source and delay_ms,
    none negative; a line "# offset_ms: VALUE" says what was added to every one. Where shot points
    are numbered otherwise in the two, first point, step and direction are found and named.

    Exit status 0: within all limits; 1: findings want a look; 3: an alternative, or the line as
    shot, is beyond a limit that PLAN.toml states; 2: cannot be planned.
    """
    if keys:
        _show_keys()
        return
    if plan_file is None:
        raise usage_error("no plan file was given", "Name one, or ask for --keys.")
    if (shots is None) != (time_scale is None):
        given, missing = ("--shots", "--time-scale")[:: 1 if time_scale is None else -1]
        raise usage_error(f"{given} is given without {missing}", "They go together.")
    if shots is None and (alternative is not None or delays is not None):
        given = "--delays" if alternative is None else "--alternative"
        raise usage_error(f"{given} is given without --shots", "They go together.")
    from deblend.cli.display_plan import show_plan
    from deblend.files import filling
    from deblend.plan.make_plan import ShotLine, make_plan
    from deblend.plan.write_plan import plan_json, write_plan
    from deblend.qc.limits import overall_verdict
    from deblend.results.judge import EXIT_STATUS

    line = None
    if shots is not None and time_scale is not None:
        line = ShotLine(shots, time_scale, alternative, delays)
    # A folder that will not do is refused before the minutes of a simulation.
    with filling(out) if out is not None else nullcontext():
        contents = make_plan(plan_file, simulate=simulate, shot=line, on_progress=_report_progress)
        written = None if out is None else write_plan(contents, out)
    if as_json:
        click.echo(plan_json(contents), nl=False)
    else:
        show_plan(contents)
    verdict = overall_verdict(contents.deciding_findings)
    if not as_json:
        click.echo(f"verdict: {verdict}")
    if written is not None:
        click.echo(f"{written[0]} written", err=True)
    context.exit(EXIT_STATUS[verdict])


def _report_progress(what: str) -> None:
    click.echo(f"simulating: {what}", err=True)


def _show_keys() -> None:
    from deblend.cli.display import show_keys
    from deblend.plan.keys import list_plan_keys

    show_keys(list_plan_keys())
