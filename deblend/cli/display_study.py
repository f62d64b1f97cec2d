"""What a study shows on the terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import groupby
from typing import Final

import click
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from deblend.study.kept import Repeated
from deblend.study.known_rows import StaleRow
from deblend.study.present import line_title, verdicts
from deblend.study.results import COLUMNS, Row
from deblend.study.summary import Summary
from deblend.words import are, counted

WIDEST_LABEL: Final = 16
"""Of a method; longer ones go on in the next line, so that 80 columns hold the table."""


def show_columns() -> None:
    """What the columns of results hold, as Markdown."""
    click.echo("| column | unit | meaning |\n|---|---|---|")
    for name, (_, unit, meaning) in COLUMNS.items():
        click.echo(f"| {name} | {unit} | {meaning} |")


def show_row(row: Row, done: int, missing: int) -> None:
    """One line for a run that has ended."""
    click.echo(f"{done}/{missing}  {_about(row)}: {_outcome(row)}")


def _about(row: Row) -> str:
    return f"{row['scene']}, {row['blend']}, {row['noise']}, seed {row['seed']}, {row['method']}"


def _outcome(row: Row) -> str:
    if row["status"] == "done":
        return f"{row['start_db']:.1f} to {row['snr_db']:.1f} dB in {row['seconds']:.1f} s"
    return f"{row['status']}: {row['message']}"


def show_stale(stale: Sequence[StaleRow]) -> None:
    """Which rows no longer stand for what the study asks, and why."""
    reasons = Counter((one.row["method"], ", ".join(one.changed)) for one in stale)
    for (method, changed), count in reasons.items():
        rows = f"{counted(count, 'row')} of {method} {are(count)}"
        click.echo(f"{rows} out of date: other {changed}")


def show_repeated(repeated: Repeated) -> None:
    """A row and its repetition."""
    kept, again = repeated.kept, repeated.again
    for name in repeated.changed:
        click.echo(f"not as it was: {name}")
    if not repeated.different:
        click.echo(f"{_about(kept)}: {_outcome(again)}; the same to the last digit")
    for name in repeated.different:
        click.echo(f"{name}: {kept[name]} in the results, {again.get(name)} now")


def show_summaries(found: Sequence[Summary]) -> None:
    """A table for each line of a study, and where each method wins and fails."""
    console = Console()
    console.print(
        "truth over error in dB; interval: 95 % over the seeds, too narrow where they are few",
        highlight=False,
    )
    widest = max((len(one.method) for one in found), default=0)
    for title, group in groupby(found, line_title):
        console.print(f"\n[bold]{escape(title)}[/bold]", highlight=False)
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        table.add_column("", min_width=min(widest, WIDEST_LABEL))
        table.add_column("", min_width=len("as good"))
        for name in ("before", "after", "interval", "behind", "time (s)"):
            table.add_column(name, justify="right", no_wrap=True)
        for one in group:
            table.add_row(
                escape(one.method),
                one.standing,
                f"{one.start_db:.1f}",
                f"{one.snr_db:.1f}",
                f"{one.low_db:.1f} to {one.high_db:.1f}",
                f"{one.behind_db:.1f}",
                f"{one.seconds:.1f}",
            )
        console.print(table)
    console.print()
    for text in verdicts(found):
        console.print(escape(text), highlight=False)
