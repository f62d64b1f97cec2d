"""Everything that a plan says, put together for the table, the page and JSON."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.plan.as_shot import AsShot
from deblend.plan.keys import TargetTable
from deblend.plan.numbers import AlternativeNumbers, Quantity
from deblend.plan.signature import SignatureMeasures

NOT_A_PROMISE: Final = (
    "A simulation, not a promise: a small made earth without the noise, currents and faults of a "
    "field line, few channels and shots, 8 ms sampling, energy up to 55 Hz. It compares "
    "alternatives; it does not predict decibels at sea."
)


@dataclass(frozen=True, eq=False)
class Prediction:
    """Signal-to-noise ratio of one alternative, by time after firing."""

    alternative: str
    """Its name."""
    scene: str
    """What was simulated, in words."""
    windows_s: tuple[tuple[float, float], ...]
    """Windows after firing."""
    sources: tuple[int, ...]
    """Sources."""
    start_db: NDArray[np.float64]
    snr_db: NDArray[np.float64]
    """(seed, source, window): Truth over error before and after separation. Empty where nothing was
    simulated."""
    reason: str = ""
    """Why nothing was simulated; empty otherwise."""

    def rows(self) -> list[tuple[str, float, float, float, float]]:
        """Window in words, then mean start, mean, lowest and highest seed, over sources, in dB."""
        if not self.snr_db.size:
            return []
        start, after = self.start_db.mean(axis=1), self.snr_db.mean(axis=1)
        return [
            (
                f"{low:.1f} to {high:.1f} s",
                float(start[:, k].mean()),
                float(after[:, k].mean()),
                float(after[:, k].min()),
                float(after[:, k].max()),
            )
            for k, (low, high) in enumerate(self.windows_s)
        ]


def not_simulated(alternative: str, reason: str) -> Prediction:
    """An alternative for which nothing was simulated."""
    empty = np.zeros((0, 0, 0))
    return Prediction(alternative, "", (), (), empty, empty, reason)


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
    def deciding_findings(self) -> list[Finding]:
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
