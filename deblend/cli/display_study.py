"""What a study shows on the terminal."""

from __future__ import annotations

import textwrap
import time
from collections import Counter
from collections.abc import Sequence
from datetime import timedelta
from itertools import groupby
from typing import Final

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from deblend.study.compare import OnRow
from deblend.study.kept import Repeated
from deblend.study.known_rows import StaleRow
from deblend.study.present import interval_words, line_title, number_or, verdicts
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


def row_display() -> OnRow:
    """What shows each run that has ended, how long the others take, and every error once."""
    began_s, told = time.monotonic(), set[tuple[str, str]]()

    def show(row: Row, done: int, missing: int) -> None:
        remains_s = (time.monotonic() - began_s) / done * (missing - done)
        left = f", {timedelta(seconds=round(remains_s))} left" if remains_s >= 1 else ""
        click.echo(f"{done}/{missing}  {_about(row)}: {_outcome(row)}{left}")
        error = row["method"], row["message"]
        if row.get("traceback") and error not in told:
            told.add(error)
            click.echo(textwrap.indent(row["traceback"].rstrip(), "    "), err=True)

    return show


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
    console = Console(emoji=False, markup=False, highlight=False)
    console.print(
        "truth over error in dB; interval: 95 % over three seeds or more, too narrow where they "
        "are few"
    )
    widest = max((len(one.method) for one in found), default=0)
    for title, group in groupby(found, line_title):
        console.print("\n" + title, style="bold")
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        table.add_column("", min_width=min(widest, WIDEST_LABEL))
        table.add_column("", min_width=len("as good"))
        for name in ("before", "after", "interval", "behind", "time (s)"):
            table.add_column(name, justify="right", no_wrap=True)
        for one in group:
            table.add_row(
                Text(one.method),  # as it is: no markup, no smileys
                one.standing,
                number_or(one.start_db, "–"),
                number_or(one.snr_db, "failed"),
                interval_words(one.low_db, one.high_db),
                number_or(one.behind_db, "–"),
                number_or(one.seconds, "–"),
            )
        console.print(table)
    console.print()
    for text in verdicts(found):
        console.print(text)
