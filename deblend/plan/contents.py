"""Everything that a plan says, put together for the table, the page and JSON."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from deblend.model.findings import Finding
from deblend.plan.as_shot import AsShot
from deblend.plan.keys import TargetTable
from deblend.plan.numbers import AlternativeNumbers
from deblend.plan.prediction import Prediction
from deblend.plan.quantities import Quantity
from deblend.plan.signature import SignatureMeasures


@dataclass(frozen=True, eq=False)
class PlanContents:
    """A whole plan in numbers."""

    name: str
    """Of the plan."""
    target: TargetTable
    """What is to be recorded."""
    columns: tuple[AlternativeNumbers, ...]
    """The reference first."""
    predictions: tuple[Prediction, ...] = ()
    """Of a simulation; empty where none was asked for."""
    signatures: tuple[SignatureMeasures, ...] = ()
    """Those that the plan names."""
    signature_findings: tuple[Finding, ...] = ()
    """What their comparison says."""
    shot: AsShot | None = None
    """The line as shot, where one was given."""

    @property
    def findings(self) -> list[tuple[str, Finding]]:
        """Whose finding it is, and the finding: alternatives first, then signatures and line."""
        rows = [
            (column.alternative.name, finding)
            for column in self.columns
            for finding in column.findings
        ]
        rows += [("signatures", finding) for finding in self.signature_findings]
        if self.shot is not None:
            rows += [("line as shot", finding) for finding in self.shot.findings]
        return rows

    @property
    def judged(self) -> list[Finding]:
        """Findings that decide: all but those of the reference, which nobody asks to shoot."""
        alternatives = [finding for column in self.columns[1:] for finding in column.findings]
        shot = () if self.shot is None else self.shot.findings
        return [*alternatives, *self.signature_findings, *shot]

    def rows(self) -> Iterator[tuple[Quantity, list[float | str]]]:
        """Each quantity, as of the first column, with its value in every column."""
        for same in zip(*(column.quantities for column in self.columns), strict=True):
            yield same[0], [quantity.value for quantity in same]

    def formulas(self) -> Iterator[tuple[Quantity, list[str]]]:
        """Each quantity with where its formula comes from in every column, without repeats."""
        for same in zip(*(column.quantities for column in self.columns), strict=True):
            yield same[0], list(dict.fromkeys(quantity.source for quantity in same))
