"""What a study shows on the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Final

import click
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from deblend.study.present import line_title, verdicts
from deblend.study.results import Row
from deblend.study.summary import Summary

WIDEST_LABEL: Final = 16
"""Of a method; longer ones go on in the next line, so that 80 columns hold the table."""


def show_row(row: Row, done: int, missing: int) -> None:
    """One line for a run that has ended."""
    about = f"{row['scene']}, {row['blend']}, {row['noise']}, seed {row['seed']}, {row['method']}"
    if row["status"] == "done":
        result = f"{row['start_db']:.1f} to {row['snr_db']:.1f} dB in {row['seconds']:.1f} s"
    else:
        result = f"{row['status']}: {row['message']}"
    click.echo(f"{done}/{missing}  {about}: {result}")


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
