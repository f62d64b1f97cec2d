"""What a simulation of an alternative says about its separation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

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
