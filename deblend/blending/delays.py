"""What the compiled fractional delays take: lengths, weights and phases."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class DelaySteps(NamedTuple):
    """Delays of some shots, for traces of one length.

    A trace is taken as a table of so many columns by so many rows; its transform goes down the
    columns first and then along the rows, where each fits into the fastest cache.
    """

    shape: NDArray[np.int64]
    """(2,): Rows and columns; their product is the length of the padded trace."""
    down: NDArray[np.int64]
    along: NDArray[np.int64]
    """Factors of the transforms of a column and of a row, of `steps_of`."""
    weights: NDArray[np.float32]
    """Of the transforms of a column and of a row, and the turns between them, one after the other.
    """
    begins: NDArray[np.int64]
    """(3,): Where these begin in `weights`."""
    phases: NDArray[np.float32]
    """(shot, row + column, 2): Real and imaginary parts. The transfer function at frequency i +
    rows * j, up to the Nyquist frequency, is number i times number rows + j."""


def delay_steps(delay: NDArray[np.float64], length: int) -> DelaySteps:
    """Steps of delays above -1 and below 1 sample, for padded traces of a length."""
    from deblend.vector_transforms.columns import steps_of

    rows = max(part for part in range(1, int(length**0.5) + 1) if length % part == 0)
    columns = length // rows
    (down, weights_down), (along, weights_along) = steps_of(rows, 1), steps_of(columns, 1)
    row, column = np.mgrid[0:rows, 0:columns]
    turns = np.exp(-2j * np.pi * row * column / length).astype(np.complex64).view(np.float32)
    weights = weights_down, weights_along, turns.ravel()
    frequency = np.concatenate([np.arange(rows), rows * np.arange(columns)])
    phases = np.exp(-2j * np.pi / length * delay[:, None] * frequency)
    return DelaySteps(
        np.array([rows, columns]),
        down,
        along,
        np.concatenate(weights),
        np.cumsum([0, *map(len, weights[:-1])]),
        np.stack([phases.real, phases.imag], axis=2).astype(np.float32),
    )
