"""What a study shows on the terminal."""

from __future__ import annotations

from collections.abc import Sequence

import click
from rich.box import SIMPLE
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from deblend.study.present import line_title, verdicts
from deblend.study.results import Row
from deblend.study.summary import Summary


def show_row(row: Row, done: int, missing: int) -> None:
    """One line for a run that has ended."""
    about = f"{row['scene']}, {row['blend']}, {row['noise']}, seed {row['seed']}, {row['method']}"
    if row["status"] == "done":
        said = f"{row['start_db']:.1f} to {row['snr_db']:.1f} dB in {row['seconds']:.1f} s"
    else:
        said = f"{row['status']}: {row['message']}"
    click.echo(f"{done}/{missing}  {about}: {said}")


def show_summaries(found: Sequence[Summary]) -> None:
    """The table of a study, and where each method wins and fails."""
    table = Table(box=SIMPLE, pad_edge=False)
    for name in ("line", "method", "standing"):
        table.add_column(name)
    for name in ("before (dB)", "after (dB)", "95 % interval", "behind (dB)", "time (s)"):
        table.add_column(name, justify="right")
    last = ""
    for one in found:
        title = line_title(one)
        table.add_row(
            "" if title == last else escape(title),
            escape(one.method),
            one.standing,
            f"{one.start_db:.1f}",
            f"{one.snr_db:.1f}",
            f"{one.low_db:.1f} to {one.high_db:.1f}",
            f"{one.behind_db:.1f}",
            f"{one.seconds:.1f}",
        )
        last = title
    console = Console()
    console.print(table)
    for text in verdicts(found):
        console.print(escape(text), highlight=False)
