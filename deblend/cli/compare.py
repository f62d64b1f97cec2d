"""The command `deblend compare`."""

from __future__ import annotations

from pathlib import Path

import click

from deblend.cli.errors import plain_errors, usage_error
from deblend.cli.options import Text
from deblend.words import are, counted


@click.command(short_help="Compare methods on lines with a known answer.")
@click.argument("study_file", metavar="STUDY.toml", required=False, type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder for results, table and page.")
@click.option(
    "--processes",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    help="Runs at the same time, on this machine.",
)
@click.option(
    "--scheduler",
    type=Text(),
    metavar="ADDRESS",
    help="Use the workers of this dask.distributed scheduler.",
)
@click.option("--only", multiple=True, metavar="LABEL", help="Run only this method now.")
@click.option("--again", multiple=True, metavar="LABEL", help="Run this method again.")
@click.option("--retry", is_flag=True, help="Also run again what failed or took too long.")
@click.option(
    "--repeat",
    type=Text(),
    metavar="KEY",
    help="Run the row of OUT with this key once more, from what OUT keeps, and compare.",
)
@click.option("--keys", is_flag=True, help="List every key of a study file instead.")
@click.option("--columns", is_flag=True, help="List every column of the results instead.")
@plain_errors
def compare(
    study_file: Path | None,
    out: Path | None,
    processes: int,
    scheduler: str | None,
    only: tuple[str, ...],
    again: tuple[str, ...],
    retry: bool,
    repeat: str | None,
    keys: bool,
    columns: bool,
) -> None:
    """Compare methods on lines with a known answer, as STUDY.toml says.

    Every run is a row of OUT/results.parquet as soon as it is done. Stopped in whatever way, the
    same command goes on with what is missing. Rows are named and run again where anything has
    changed that they stand for, code of your own too. OUT/kept holds what is needed to repeat each
    row: `deblend compare --repeat KEY --out OUT`; the column key of the results has the keys.
    OUT/table.csv and OUT/study.html are made from the rows at the end, and at any time from those
    that are there when nothing is missing. Exit status 1: some run failed, diverged or took too
    long.
    """
    from deblend.cli.display_study import row_display, show_repeated, show_stale, show_summaries
    from deblend.study.compare import run_study
    from deblend.study.study import read_study

    if keys:
        from deblend.cli.display import show_keys
        from deblend.study.keys import list_study_keys

        show_keys(list_study_keys())
        return
    if columns:
        from deblend.cli.display_study import show_columns

        show_columns()
        return
    if repeat is not None and out is not None:
        from deblend.study.kept import repeat_row

        repeated = repeat_row(out, repeat)
        show_repeated(repeated)
        raise click.exceptions.Exit(1 if repeated.different else 0)
    if study_file is None or out is None:
        missing = "study file" if study_file is None and repeat is None else "folder (--out)"
        raise usage_error(f"no {missing} was given", "Name both, or ask for --keys.")
    from deblend.study.present import present

    study = read_study(study_file)
    try:
        rows = run_study(
            study,
            out / "results.parquet",
            processes=processes,
            scheduler=scheduler,
            only=only,
            again=again,
            retry=retry,
            on_row=row_display(),
            on_stale=show_stale,
        )
    except KeyboardInterrupt:
        raise KeyboardInterrupt("finished runs are kept; the same command goes on") from None
    presented = present(study, rows, out)
    show_summaries(presented.summaries)
    for text in presented.missing:
        click.echo(text)
    click.echo(f"{presented.page} written")
    bad = sum(row["status"] != "done" for row in rows)
    if bad:
        click.echo(f"{counted(bad, 'run')} of {len(rows)} {are(bad)} not done: see the page")
        raise click.exceptions.Exit(1)
