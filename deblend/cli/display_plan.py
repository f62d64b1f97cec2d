"""The table of a plan on the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rich.box import SIMPLE
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from deblend.plan.as_shot import AsShot
from deblend.plan.contents import NOT_A_PROMISE, PlanContents, Prediction
from deblend.plan.signature import SignatureMeasures
from deblend.plan.words import (
    ADVICE,
    CAUTIONS,
    SHOT_COLUMNS,
    SIGNATURE_COLUMNS,
    shot_cells,
    signature_cells,
    speed_words,
    value_text,
)

NARROWEST: Final = 100
"""Columns: a narrower table cannot be read, and a terminal wraps it."""

QUANTITY_WIDTH: Final = 36
VALUE_WIDTH: Final = 12
"""Wide enough for any number; words go on in the next line."""


def show_plan(contents: PlanContents) -> None:
    """Alternatives side by side, what wants a look, and the cautions."""
    console = Console()
    # A column that finds no room would be left out without a word.
    least = QUANTITY_WIDTH + (VALUE_WIDTH + 2) * len(contents.columns)
    console = Console(width=max(console.width, NARROWEST, least))
    console.print(f"[bold]{escape(contents.name)}[/bold]")
    for number, column in enumerate(contents.columns):
        console.print(f"  {number}  {escape(column.alternative.name)}", highlight=False)
    table = Table(box=SIMPLE, pad_edge=False)
    table.add_column("", width=QUANTITY_WIDTH)
    for number in range(len(contents.columns)):
        table.add_column(str(number), justify="right", width=VALUE_WIDTH)
    group = ""
    for quantity, values in contents.rows():
        if quantity.group != group:
            group = quantity.group
            table.add_section()
            table.add_row(f"[bold]{escape(group)}[/bold]")
        unit = f" ({quantity.unit})" if quantity.unit else ""
        table.add_row(
            escape(quantity.name + unit), *(escape(value_text(value)) for value in values)
        )
    console.print(table)
    _show_predictions(console, contents.predictions)
    _show_signatures(console, contents.signatures)
    if contents.shot is not None:
        _show_shot(console, contents.shot)
    for name, finding in contents.findings:
        if finding.verdict == "pass":
            continue
        mark = finding.verdict if finding.verdict == "note" else f"[bold]{finding.verdict}[/bold]"
        console.print(f"{mark}  {escape(name)}: {escape(finding.message)}", highlight=False)
    console.print("formulas: --out or --json", highlight=False)
    console.print(f"\n[bold]{ADVICE}[/bold]", highlight=False)
    for caution in CAUTIONS:
        console.print(f"- {escape(caution)}", highlight=False)


def _show_predictions(console: Console, predictions: Sequence[Prediction]) -> None:
    """Ratios before and after, mean over sources, with the spread over draws of the delays."""
    if not predictions:
        return
    table = Table(box=SIMPLE, pad_edge=False, title_justify="left")
    table.title = "predicted separation, truth over error (dB), mean over sources"
    for name in ("alternative", "after firing", "before", "after", "lowest and highest draw"):
        table.add_column(name, justify="left" if name == "alternative" else "right")
    for one in predictions:
        if one.reason:
            table.add_row(escape(one.alternative), escape(one.reason))
        for place, start, mean, low, high in one.rows():
            spread = f"{low:.1f} to {high:.1f}"
            table.add_row(escape(one.alternative), place, f"{start:.1f}", f"{mean:.1f}", spread)
    console.print(table)
    console.print(NOT_A_PROMISE, highlight=False)


def _show_signatures(console: Console, signatures: Sequence[SignatureMeasures]) -> None:
    if not signatures:
        return
    rows = [signature_cells(one) for one in signatures]
    console.print(_side_by_side("far-field signatures", SIGNATURE_COLUMNS, rows))


def _side_by_side(title: str, names: Sequence[str], rows: Sequence[Sequence[str]]) -> Table:
    """A column for each row, headed by its first cell: many names stand better below each other."""
    table = Table(box=SIMPLE, pad_edge=False, title=title, title_justify="left")
    table.add_column("")
    for row in rows:
        table.add_column(escape(row[0]), justify="right")
    for name, *cells in zip(names[1:], *(row[1:] for row in rows), strict=True):
        table.add_row(name, *map(escape, cells))
    return table


def _show_shot(console: Console, shot: AsShot) -> None:
    rows = [
        [f"source {first}", *rest] for first, *rest in (shot_cells(row) for row in shot.sources)
    ]
    title = f"line as shot, against {escape(shot.alternative)}"
    console.print(_side_by_side(title, SHOT_COLUMNS, rows))
    console.print(speed_words(shot), highlight=False)
    if shot.table is not None:
        console.print(f"table of delays: {shot.table.reading}", highlight=False)
