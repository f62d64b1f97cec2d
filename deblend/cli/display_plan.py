"""The table of a plan on the terminal."""

from __future__ import annotations

from typing import Final

from rich.box import SIMPLE
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from deblend.plan.cautions import ADVICE, CAUTIONS
from deblend.plan.contents import PlanContents

NARROWEST: Final = 100
"""Columns: a narrower table cannot be read, and a terminal wraps it."""


def show_plan(contents: PlanContents) -> None:
    """Alternatives side by side, what wants a look, and the cautions."""
    console = Console()
    console = Console(width=max(console.width, NARROWEST))
    console.print(f"[bold]{escape(contents.name)}[/bold]")
    for number, column in enumerate(contents.columns):
        console.print(f"  {number}  {escape(column.alternative.name)}", highlight=False)
    table = Table(box=SIMPLE, pad_edge=False)
    table.add_column("", min_width=36)
    for number in range(len(contents.columns)):
        table.add_column(str(number), justify="right")
    group = ""
    for quantity, values in contents.rows():
        if quantity.group != group:
            group = quantity.group
            table.add_section()
            table.add_row(f"[bold]{escape(group)}[/bold]")
        unit = f" ({quantity.unit})" if quantity.unit else ""
        table.add_row(escape(quantity.name + unit), *map(value_text, values))
    console.print(table)
    for name, finding in contents.findings:
        mark = "note" if finding.verdict == "note" else "[bold]look[/bold]"
        console.print(f"{mark}  {escape(name)}: {escape(finding.message)}", highlight=False)
    console.print("formulas: --out or --json", highlight=False)
    console.print(f"\n[bold]{ADVICE}[/bold]", highlight=False)
    for caution in CAUTIONS:
        console.print(f"- {escape(caution)}", highlight=False)


def value_text(value: float | str) -> str:
    """A value of the table: four figures, a dash where it is unknown or does not apply."""
    if isinstance(value, str):
        return escape(value)
    if value != value:
        return "–"
    return f"{value:,.0f}" if abs(value) >= 1e4 else f"{value:.4g}"
