"""A separator method of your own, complete in one file.

    python examples/new_method.py

The idea of this one: in the (shot, channel) matrix of one frequency, a straight event is an outer
product and has rank one, while interference fired at random times has full rank. Keeping the
largest singular values keeps events. Copy the file, change `keep`, and see what it scores.

To make it known by name, give your package this in its pyproject.toml, and `method = "low-rank"`
works in line files and in deblend.separate:

    [project.entry-points."deblend.separators"]
    low-rank = "your_module:LowRank"
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

import deblend
from deblend.separation.contract import PatchBatch
from deblend.testing import check_separator


@dataclass(frozen=True)  # settings must not change while a line runs
class LowRank:
    """Every field is a setting, which line files can change."""

    patch: tuple[int, int, int] = (12, 8, 24)  # shots, channels, time samples; may shrink
    overlap: float = 0.5  # with the next patch; the library cuts, tapers and adds back
    window: str = "tapered"  # "flat" if your method cannot bear tapered edges
    noise_factor: float = 1.0

    def largest(self, batch: PatchBatch) -> float:
        """Where the threshold begins: the largest coefficient, in units of your own."""
        return float(np.linalg.svd(self._matrices(batch), compute_uv=False).max())

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> np.ndarray:
        """Coherent part; `strictness` falls from 1 to 0.0001 over the iterations."""
        shots, channels, samples = batch.amplitude.shape[2:]
        left, value, right = np.linalg.svd(self._matrices(batch), full_matrices=False)
        # batch.noise is the level of a coefficient over shots, channels and time. The largest
        # singular value of white noise is sqrt(shots) + sqrt(channels) times that of one entry.
        widest = (shots**0.5 + channels**0.5) / (shots * channels) ** 0.5
        floor = self.noise_factor * widest * batch.noise[:, None, :, None]
        value[value < np.maximum(strictness * reference, floor)] = 0
        spectrum = np.moveaxis((left * value[..., None, :]) @ right, 2, 4)
        return scipy.fft.irfft(spectrum, samples, axis=4)  # float32 stays float32

    def _matrices(self, batch: PatchBatch) -> np.ndarray:
        """Matrices (patch, source, frequency, shot, channel)."""
        return np.moveaxis(scipy.fft.rfft(batch.amplitude, axis=4), 4, 2)


def main(iterations: int = 20) -> None:
    check_separator(LowRank())  # says what is wrong before a line is spent on it
    line = deblend.make_scene("two-sources")
    live = line.shots.live
    for method in ("fk", LowRank()):
        result = deblend.separate(
            line.recording, line.shots, length_s=line.length_s, method=method, iterations=iterations
        )
        found = deblend.snr_db(line.gathers[live], result.estimate.values[live])
        print(f"{result.settings['method']}: {found:.1f} dB after {iterations} iterations")


if __name__ == "__main__":
    main()
