"""Everything that a plan says, put together for the table, the page and JSON."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from deblend.model.findings import Finding
from deblend.plan.keys import TargetTable
from deblend.plan.numbers import AlternativeNumbers
from deblend.plan.quantities import Quantity


@dataclass(frozen=True, eq=False)
class PlanContents:
    """A whole plan in numbers.

    Parameters
    ----------
    name : str
        Of the plan.
    target : TargetTable
        What is to be recorded.
    columns : tuple of AlternativeNumbers
        The reference first.
    """

    name: str
    target: TargetTable
    columns: tuple[AlternativeNumbers, ...]

    @property
    def findings(self) -> list[tuple[str, Finding]]:
        """Name of the alternative and finding, in the order of the columns."""
        return [
            (column.alternative.name, finding)
            for column in self.columns
            for finding in column.findings
        ]

    def rows(self) -> Iterator[tuple[Quantity, list[float | str]]]:
        """Each quantity, as of the first column, with its value in every column."""
        for same in zip(*(column.quantities for column in self.columns), strict=True):
            yield same[0], [quantity.value for quantity in same]

    def formulas(self) -> Iterator[tuple[Quantity, list[str]]]:
        """Each quantity with where its formula comes from in every column, without repeats."""
        for same in zip(*(column.quantities for column in self.columns), strict=True):
            yield same[0], list(dict.fromkeys(quantity.source for quantity in same))
