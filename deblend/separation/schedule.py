"""How strict the coherence filter is in each iteration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Schedule:
    """Settings of the iteration.

    Parameters
    ----------
    iterations : int
        Number of iterations.
    floor : float
        Last threshold over the reference amplitude.
    step : float
        Step along the back-projected residual; below 2 it cannot diverge, above 1 it is faster.
    momentum : float
        Part of the last change that is added again.
    """

    iterations: int = 60
    floor: float = 1e-4
    step: float = 1.7
    momentum: float = 0.0

    def strictness(self) -> NDArray[np.float64]:
        """Threshold over reference amplitude in each iteration: exponential from 1 to `floor`."""
        if self.iterations == 1:
            return np.array([self.floor])
        return self.floor ** (np.arange(self.iterations) / (self.iterations - 1))
