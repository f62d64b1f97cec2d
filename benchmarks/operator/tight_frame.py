"""Do patches that keep everything change nothing? Relative error of cutting and adding back.

    python -m benchmarks.operator.tight_frame

One iteration of `separate` with a method that returns each patch as it is must give the
back-projected record times the step, and nothing else. Ten random patch origins, two window
sizes, 3 sources, 16 channels, white noise, single precision; the largest error is kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchmarks.result import keep
from deblend import Recording, make_operator, make_shots, separate
from deblend.arrays import Array
from deblend.separation.contract import PatchBatch

ORIGINS = 10
LENGTH = 500
INTERVAL_S = 0.004


@dataclass(frozen=True)
class KeepAll:
    """A method that keeps everything."""

    patch: tuple[int, int, int]
    overlap: float
    window: Literal["tapered"] = "tapered"

    def largest(self, batch: PatchBatch) -> float:
        """Of no use here."""
        return 1.0

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Array:
        """The patches as they are."""
        return batch.amplitude


def relative_error(method: KeepAll, seed: int) -> float:
    generator = np.random.default_rng(seed)
    count = 120
    fire_time_s = 1.0 + 0.8 * np.arange(count) + generator.uniform(0, 0.3, count)
    shots = make_shots(
        np.arange(count) % 3, np.arange(count), np.round(fire_time_s * 1e9).astype(np.int64), "utc"
    )
    samples = generator.standard_normal((16, 26_000)).astype(np.float32)
    recording = Recording(samples, interval_s=INTERVAL_S, start=0, time_scale="utc")
    result = separate(
        recording, shots, length_s=LENGTH * INTERVAL_S, method=method, iterations=1, seed=seed
    )
    operator = make_operator(
        shots,
        start_ns=0,
        interval_ns=recording.interval_ns,
        sample_count=samples.shape[1],
        length=LENGTH,
    )
    expected = float(result.settings["step"]) * operator.pseudo_inverse(samples)
    error = result.estimate.values - expected
    return float(np.linalg.norm(error) / np.linalg.norm(expected))


def main() -> None:
    methods = (KeepAll((16, 1, 32), 0.5), KeepAll((24, 8, 32), 0.25))
    errors = [relative_error(method, seed) for method in methods for seed in range(ORIGINS)]
    keep("operator.tight_frame", {"largest_relative_error": max(errors)})


if __name__ == "__main__":
    main()
