"""How much the separation took away from each source, relative to the pseudo-deblended gathers.

The figure has an expected value, not a good one: K equal, fully overlapping sources leave 1/K of
the pseudo-deblended energy in each, so about 10 log10(1 - 1/K) dB is removed. A source or a window
far from its neighbours wants a look at the removed part itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.qc.residual import ratios


@dataclass(frozen=True, eq=False)
class RemovedEnergy:
    """Energy before and of the removed part; add them over blocks of channels."""

    pseudo_deblended: NDArray[np.float64]
    removed: NDArray[np.float64]
    """(shot, window): Energies, in squared amplitude units; removed is pseudo-deblended minus
    estimate."""

    def __add__(self, other: RemovedEnergy) -> RemovedEnergy:
        return RemovedEnergy(
            self.pseudo_deblended + other.pseudo_deblended, self.removed + other.removed
        )


def removed_energy(
    pseudo_deblended: NDArray[np.float32],
    estimate: NDArray[np.float32],
    windows: Sequence[tuple[int, int]],
    alive: NDArray[np.bool_] | None = None,
) -> RemovedEnergy:
    """Energy before separation and of the part removed by it.

    Parameters
    ----------
    pseudo_deblended, estimate : ndarray of float32, shape (shot, channel, time)
        Gathers before and after separation.
    windows : sequence of (int, int)
        Sample ranges ``[start, stop)`` after the time break.
    alive : ndarray of bool, shape (channel,), optional
        False for dead channels, which take no part.

    Returns
    -------
    RemovedEnergy
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


def removed_findings(
    energy: RemovedEnergy,
    shots: Shots,
    counted: NDArray[np.bool_],
    windows_s: Sequence[tuple[float, float]],
) -> list[Finding]:
    """Rows of the findings table, one a source and window.

    Parameters
    ----------
    energy : RemovedEnergy
        Over all channels.
    shots : Shots
        What the rows of `energy` are.
    counted : ndarray of bool, shape (shot,)
        Shots that take part.
    windows_s : sequence of (float, float)
        The windows, in seconds after firing.
    """
    return [
        Finding(
            "energy_removed",
            value,
            "dB",
            "note",
            "Energy of pseudo-deblended minus estimate, relative to pseudo-deblended.",
            source=source,
            window_s=window,
        )
        for source, window, value in ratios(
            energy.removed, energy.pseudo_deblended, shots, counted, windows_s
        )
    ]
