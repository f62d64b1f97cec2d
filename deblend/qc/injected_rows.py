"""What came back of injected events, as a table: one row an event, source and class of offsets."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Final

from deblend.errors import InputError, reason_of
from deblend.files import csv_text

ALL: Final = "all"
"""Events in every source, or channels of every offset."""
CAUTION: Final = (
    "Injected events are smoother along the line and with offset than geology is; what comes back "
    "of them is more than what comes back of weak reflections, so these figures are optimistic."
)


@dataclass(frozen=True)
class InjectedRow:
    """One event in the gathers of one source."""

    put_into: str
    """Source that got events, or "all"."""
    source: str
    """Source in whose gathers it was looked for; where it is not the one that got events, the row
    tells what appeared of them elsewhere, at the same times after firing."""
    time_s: float
    """Two-way time at zero offset."""
    frequency_hz: float
    """Centre of its octave."""
    velocity_m_s: float
    """Of its moveout; infinite without any."""
    offsets: str
    """"all", "near", "middle" or "far" third of the channels."""
    offset_m: float
    """Mean offset of these channels; NaN where unknown."""
    amplitude_percent: float
    amplitude_error_percent: float
    """Part of its amplitude that was found, and one standard error."""
    late_ms: float
    late_error_ms: float
    """How much later it was found, and one standard error; NaN where too little was found."""


COLUMNS: Final = tuple(field.name for field in fields(InjectedRow))
_TEXTS: Final = ("put_into", "source", "offsets")


def injected_csv(rows: Iterable[InjectedRow]) -> str:
    """Text of a CSV table, one header line first."""
    cells = ((getattr(row, name) for name in COLUMNS) for row in rows)
    return csv_text(
        COLUMNS, ([one if isinstance(one, str) else f"{one:.5g}" for one in row] for row in cells)
    )


def read_injected(path: str | Path) -> tuple[InjectedRow, ...]:
    """Read the table back.

    Raises
    ------
    InputError
        If it cannot be read or is damaged.
    """
    path = Path(path)
    try:
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.DictReader(file, strict=True)
            if tuple(reader.fieldnames or ()) != COLUMNS:
                raise ValueError(f"its columns are {reader.fieldnames}")
            return tuple(
                InjectedRow(
                    **{name: row[name] if name in _TEXTS else float(row[name]) for name in COLUMNS}  # type: ignore[arg-type]
                )
                for row in reader
            )
    except (OSError, ValueError, TypeError, csv.Error) as error:
        raise InputError(
            f"the table of injected events cannot be read ({reason_of(error)})",
            where=str(path),
            remedy="Name one that `deblend inject` wrote.",
        ) from error
