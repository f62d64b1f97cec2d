"""Rows of a results file: which stands for a run of the study, and which no longer does."""

from __future__ import annotations

import json
from dataclasses import dataclass

from deblend.study.content import RowContent, changed_entries
from deblend.study.results import COLUMNS, LABELS, Row, labels_of
from deblend.study.study import StudyRun


@dataclass(frozen=True)
class StaleRow:
    """A row that stands for something else than the run that is now called so."""

    row: Row
    changed: tuple[str, ...]
    """In words, what is no longer as it was."""


class KnownRows:
    """Rows of a results file, by what they are called and what they stand for."""

    def __init__(self, rows: list[Row], runs: list[StudyRun], contents: list[RowContent]) -> None:
        self.runs = runs
        self._contents = {run.labels: one for run, one in zip(runs, contents, strict=True)}
        self._rows = {(labels_of(row), row["key"]): row for row in rows}
        known = {row["key"]: row for row in rows}
        for labels, one in self._contents.items():  # the same thing may have been called otherwise
            same = known.get(one.key)
            if same is not None and (labels, one.key) not in self._rows:
                self._rows[labels, one.key] = (
                    same
                    | dict(zip(LABELS, labels, strict=True))
                    | {name: same[name] for name in ("seed", "iterations")}
                )

    def row_of(self, run: StudyRun) -> Row | None:
        """The row that stands for a run."""
        return self._rows.get((run.labels, self._contents[run.labels].key))

    def take(self, row: Row) -> Row:
        """Put in a new row, in place of all others that are called so."""
        labels = labels_of(row)
        one = self._contents[labels]
        whole = {name: row.get(name) for name in COLUMNS} | {"key": one.key, "content": one.text}
        for key in [key for key in self._rows if key[0] == labels]:
            del self._rows[key]
        self._rows[labels, one.key] = whole
        return whole

    def stale(self) -> list[StaleRow]:
        """Rows that are called as a run of the study, and stand for something else."""
        return [
            StaleRow(row, tuple(changed_entries(json.loads(row["content"]), one.entries)))
            for (labels, key), row in self._rows.items()
            if (one := self._contents.get(labels)) is not None and key != one.key
        ]

    def rows(self) -> list[Row]:
        """Rows of the study in its order, then all others as they were."""
        place = {run.labels: number for number, run in enumerate(self.runs)}
        return [
            self._rows[key]
            for key in sorted(self._rows, key=lambda key: (place.get(key[0], len(place)), key))
        ]
