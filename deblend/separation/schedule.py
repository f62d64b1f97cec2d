"""How strict the coherence filter is in each iteration."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import SettingsError

FLOOR: Final = 1e-4


@dataclass(frozen=True)
class Schedule:
    """Thresholds and steps of all iterations.

    Notes
    -----
    Pseudo-inverse times operator has eigenvalues between 0 and 1. An error along one of them,
    before any threshold, obeys e'' = (1 - step * eigenvalue) * ((1 + momentum) * e' - momentum *
    e), which dies out for all of them if step < (2 + 2 * momentum) / (1 + 2 * momentum): below 2
    without momentum, below 1.5 at a half.
    """

    iterations: int
    """Number of iterations."""
    floor: float = FLOOR
    """Last threshold over the reference amplitude."""
    step: float = 1.45
    """Step along the back-projected residual; above 1 it is faster."""
    momentum: float = 0.5
    """Part of the last change that is added again."""

    def __post_init__(self) -> None:
        limit = (2 + 2 * self.momentum) / (1 + 2 * self.momentum)
        if not (0 <= self.momentum < 1 and 0 < self.step < limit):
            raise SettingsError(
                f"a step of {self.step} with a momentum of {self.momentum} can diverge",
                remedy=f"Keep the momentum from 0 to below 1 and the step below {limit:.3f}.",
            )

    def strictness(self) -> NDArray[np.float64]:
        """Threshold over reference amplitude in each iteration: exponential from 1 to `floor`."""
        if self.iterations == 1:
            return np.array([self.floor])
        return self.floor ** (np.arange(self.iterations) / (self.iterations - 1))
