"""Tables of delays: written for those who load them, and any table read in."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import SettingsError
from deblend.files import csv_text
from deblend.plan.text_lines import number_of, read_text_lines
from deblend.words import counted

Floats = NDArray[np.float64]
NOT_FOR_LOADING: Final = (
    "NOT FOR LOADING until source mechanics and navigators have checked it against recycle and "
    "safety limits"
)
COLUMNS: Final = ("shot_point", "source", "delay_ms")


@dataclass(frozen=True, eq=False)
class DelayTable:
    """Delays as written in a table: none negative, and the offset that is in them."""

    shot_point: NDArray[np.int64]
    source: NDArray[np.int64]
    """(shot,): Which shot."""
    written_s: Floats
    """(shot,): Delay of the table, from 0."""
    offset_s: float
    """Included in every one: the nominal instant is passed this long after delay 0."""

    @property
    def delay_s(self) -> Floats:
        """After (positive) or before the nominal instant."""
        return self.written_s - self.offset_s


def table_text(
    table: DelayTable, *, resolution_s: float, facts: Mapping[str, str] | None = None
) -> str:
    """A firing table as CSV with a header of comments."""
    digits = max(0, math.ceil(-math.log10(resolution_s * 1e3) - 1e-9))
    head = {
        "delay": "fire at the instant when the nominal place is passed, minus offset, plus delay",
        "sign": "a larger delay fires later; no delay is negative",
        "offset_ms": f"{table.offset_s * 1e3:.{digits}f}",
        "resolution_ms": f"{resolution_s * 1e3:g}",
        "shots": str(len(table.source)),
    } | dict(facts or {})
    lines = [NOT_FOR_LOADING, *(f"{name}: {' '.join(text.split())}" for name, text in head.items())]
    delays = (f"{delay * 1e3:.{digits}f}" for delay in table.written_s.tolist())
    rows = zip(table.shot_point.tolist(), table.source.tolist(), delays, strict=True)
    return "".join(f"# {line}\n" for line in lines) + csv_text(COLUMNS, rows)


def read_delay_table(path: Path) -> DelayTable:
    """Read a table of delays with the columns shot_point, source and delay_ms.

    Lines that begin with # are comments; the comment ``# offset_ms: VALUE`` states the offset,
    which is 0 without it.
    """
    lines = read_text_lines(path, "table of delays", "Give the path of a CSV file in UTF-8.")
    offset_s = _offset_s(lines, path)
    rows = [
        (number, line)
        for number, line in enumerate(lines, start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not rows:
        raise SettingsError(
            "the table holds no row", where=str(path), remedy=f"Columns: {', '.join(COLUMNS)}."
        )
    names = [name.strip() for name in next(csv.reader([rows[0][1]]))]
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        raise SettingsError(
            f"column {missing[0]!r} is missing; the header has {', '.join(names)}",
            where=f"{path}, line {rows[0][0]}",
            remedy=f"Columns: {', '.join(COLUMNS)}.",
        )
    cells = np.array(
        [_numbers(line, names, f"{path}, line {number}") for number, line in rows[1:]]
    ).reshape(-1, 3)
    if not len(cells):
        raise SettingsError("the table holds no shot", where=str(path), remedy="Add rows.")
    shot = cells[:, :2].astype(np.int64)
    each, rows_of_each = np.unique(shot, axis=0, return_counts=True)
    if rows_of_each.max() > 1:
        point, source = each[rows_of_each.argmax()].tolist()
        raise SettingsError(
            f"shot point {point} of source {source} occurs {rows_of_each.max()} times",
            where=str(path),
            remedy="Give one row a shot.",
        )
    return DelayTable(shot[:, 0], shot[:, 1], cells[:, 2] * 1e-3, offset_s)


def _offset_s(lines: list[str], path: Path) -> float:
    for number, line in enumerate(lines, start=1):
        name, colon, value = line.lstrip("# ").partition(":")
        if line.lstrip().startswith("#") and colon and name.strip() == "offset_ms":
            return number_of(value, f"{path}, line {number}") * 1e-3
    return 0.0


def _numbers(line: str, names: list[str], where: str) -> tuple[float, float, float]:
    cells = next(csv.reader([line]))
    if len(cells) != len(names):
        raise SettingsError(
            f"{counted(len(cells), 'cell')} under {counted(len(names), 'heading')}",
            where=where,
            remedy="Separate cells by commas.",
        )
    point, source, delay = (number_of(cells[names.index(name)], where) for name in COLUMNS)
    if delay < 0.0:
        raise SettingsError(
            f"the delay is {delay:g} ms",
            where=where,
            remedy="No delay of a table is negative; state what was added as # offset_ms: VALUE.",
        )
    if point != round(point) or source != round(source) or max(abs(point), abs(source)) > 2**53:
        raise SettingsError(
            f"shot point {point:g} or source {source:g} is no whole number",
            where=where,
            remedy="Number shot points and sources.",
        )
    return point, source, delay
