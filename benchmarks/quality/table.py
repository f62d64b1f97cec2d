"""The table of scores: one row for every line, size, method, number of iterations and seed."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Final

from benchmarks.quality.score import Row

KEY: Final = ("scene", "size", "method", "iterations", "seed")
SCORES: Final = tuple(
    f"{prefix}{name}_{kind}db"
    for kind in ("", "window_", "octave_")
    for prefix in ("", "difference_")
    for name in ("start", "snr")
)
COLUMNS: Final = (
    *KEY,
    *SCORES,
    "worst_source_db",
    "unblended_window_db",
    "under_next_shot_db",
    "window_s",
    "octave_hz",
    "sources",
    "shots",
    "channels",
    "samples",
    "seconds",
    "sample_iterations_per_s",
    "peak_mib",
    "threads",
    "settings",
    "machine",
    "versions",
    "commit",
    "date",
)
Key = tuple[str, ...]


def read_table(path: Path) -> dict[Key, Row]:
    """Rows by key; none where there is no file."""
    if not path.exists():
        return {}
    with path.open(encoding="utf-8", newline="") as file:
        return {key_of(row): row for row in csv.DictReader(file)}


def write_table(path: Path, rows: dict[Key, Row]) -> None:
    """Write all rows, sorted, under a temporary name first."""
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_suffix(".partial")
    with partial.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n", restval="")
        writer.writeheader()
        writer.writerows(rows[key] for key in sorted(rows))
    partial.replace(path)


def key_of(row: Row) -> Key:
    """What tells a row from the others."""
    return tuple(row[name] for name in KEY)
