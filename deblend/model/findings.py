"""Findings: one row for each thing measured or noticed, from the input check to the last metric."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Final, Literal

from deblend.files import csv_text

Verdict = Literal["note", "pass", "look", "fail"]
"""``note`` carries no judgement; the other three are advice, never an acceptance."""


@dataclass(frozen=True)
class Finding:
    """One row of the findings table."""

    metric: str
    """What was measured, in words joined by underscores."""
    value: float
    """The number, in `unit`; NaN where the finding is a statement without a number."""
    unit: str
    """Unit of `value` ("dB", "%", "s", "shots"); empty for a pure count or statement."""
    verdict: Verdict
    """Advice to the reader."""
    message: str
    """One sentence: what it means and what was or will be done about it."""
    source: int | str | None = None
    shot_point: int | None = None
    channel: int | None = None
    """What it concerns; None means all."""
    window_s: tuple[float, float] | None = None
    """Two-way-time window after firing, in seconds."""
    band_hz: tuple[float, float] | None = None
    """Frequency band, in hertz."""
    limit: float | None = None
    """Value beyond which the verdict changes."""
    other_source: int | str | None = None
    """The second source of a figure between two: where the energy came from."""
    error: float | None = None
    """One standard deviation of `value`, in `unit`."""
    instant_ns: int | None = None
    """When what it concerns happened, in the time scale of the shots, where no row of the table
    says so; not a column."""


NOTHING_TO_SEPARATE: Final = "nothing_to_separate"
"""Metric of the finding of a line in which no two shots overlap."""


def nothing_to_separate(findings: Iterable[Finding]) -> str:
    """That nothing had to be separated and what is done instead; empty where something has."""
    return next((row.message for row in findings if row.metric == NOTHING_TO_SEPARATE), "")


_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
"""Text that begins so would be computed by a spreadsheet; an apostrophe before it prevents that."""
COLUMNS: Final = tuple(field.name for field in fields(Finding) if field.name != "instant_ns")


def findings_csv(findings: Iterable[Finding]) -> str:
    """Text of a CSV table of `findings`, one header line first; ranges as ``low:high``."""
    return csv_text(COLUMNS, map(finding_cells, findings))


def finding_cells(finding: Finding) -> list[str]:
    """A finding as text under `COLUMNS`."""
    return [_cell(getattr(finding, name)) for name in COLUMNS]


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, tuple):
        return ":".join(f"{part:.6g}" for part in value)
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, str) and value.lstrip("'").startswith(_FORMULA):
        return f"'{value}"
    return str(value)


def cell_text(cell: str) -> str:
    """The text that `findings_csv` wrote as a cell."""
    return cell[1:] if cell.startswith("'") and cell.lstrip("'").startswith(_FORMULA) else cell
