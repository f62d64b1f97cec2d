"""The command `deblend plan`."""

from __future__ import annotations

from pathlib import Path

import click

from deblend.cli.errors import plain_errors


@click.command()
@click.argument("plan_file", metavar="PLAN.toml", required=False, type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="New folder for page, tables and firing tables.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option("--keys", is_flag=True, help="List every key of a plan file instead.")
@plain_errors
def plan(plan_file: Path | None, out: Path | None, as_json: bool, keys: bool) -> None:
    """Say what sources, shots and delays buy and cost, before the line is shot.

    Holds the alternatives of PLAN.toml against each other and against a conventional two-source
    line. The numbers are advice: local law, the permit and licensed practice decide.
    """
    from deblend.cli.display_plan import show_plan
    from deblend.run.plan import make_plan, plan_json, write_plan

    if keys:
        from deblend.cli.display import show_keys
        from deblend.run.plan_keys import list_plan_keys

        show_keys(list_plan_keys())
        return
    if plan_file is None:
        raise click.UsageError("Name a plan file, or ask for --keys.")
    _, contents = make_plan(plan_file)
    if as_json:
        click.echo(plan_json(contents), nl=False)
    else:
        show_plan(contents)
    if out is not None:
        click.echo(f"{write_plan(contents, out)[0]} written", err=True)
