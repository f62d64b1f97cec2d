"""How much the separation took away from each source, relative to the pseudo-deblended gathers.

The figure has an expected value, not a good one: K equal, fully overlapping sources leave 1/K of
the pseudo-deblended energy in each, so about 10 log10(1 - 1/K) dB is removed. A source or a window
far from its neighbours wants a look at the removed part itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.decibels import NOTHING_DB
from deblend.model.findings import Finding
from deblend.qc.metric import MeasuredBlock, MeasuredLine, Metric
from deblend.qc.residual import ratios
from deblend.qc.sums import Sums


@dataclass(frozen=True, eq=False)
class RemovedEnergy(Sums):
    """Energy before and of the removed part; add them over blocks of channels."""

    pseudo_deblended: NDArray[np.float64]
    removed: NDArray[np.float64]
    """(shot, window): Energies, in squared amplitude units; removed is pseudo-deblended minus
    estimate."""


def removed_energy(
    pseudo_deblended: NDArray[np.float32],
    estimate: NDArray[np.float32],
    windows: Sequence[tuple[int, int]],
    alive: NDArray[np.bool_] | None = None,
) -> RemovedEnergy:
    """Energy before separation and of the part removed by it.

    Gathers have shape (shot, channel, time); windows are sample ranges after the time break. Dead
    channels, not `alive`, take no part.
    """
    channels = slice(None) if alive is None or alive.all() else alive
    before = np.empty((len(estimate), len(windows)))
    removed = np.empty_like(before)
    for column, (start, stop) in enumerate(windows):
        for row in range(len(estimate)):  # a shot at a time bounds the memory of the difference
            whole = pseudo_deblended[row, channels, start:stop]
            part = whole - estimate[row, channels, start:stop]
            before[row, column] = np.einsum("ct,ct->", whole, whole, dtype=np.float64)
            removed[row, column] = np.einsum("ct,ct->", part, part, dtype=np.float64)
    return RemovedEnergy(before, removed)


def removed_findings(line: MeasuredLine, energy: RemovedEnergy) -> Iterator[Finding]:
    """One row for each source and window."""
    for source, window, value in ratios(energy.removed, energy.pseudo_deblended, line.setup):
        yield Finding(
            "energy_removed",
            max(value, NOTHING_DB),
            "dB",
            "note",
            "Energy of pseudo-deblended minus estimate, relative to pseudo-deblended.",
            source=source,
            window_s=window,
        )


def _measure(block: MeasuredBlock) -> RemovedEnergy:
    energy = removed_energy(block.before, block.estimate, block.setup.windows, block.alive)
    return block.in_line_rows(energy)


REMOVED: Final = Metric("removed", removed_findings, _measure)
