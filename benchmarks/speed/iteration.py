"""One iteration of `fk` and `joint` over the bare transforms of the same patches.

    python -m benchmarks.speed.iteration [--shots 60] [--channels 32] [--length-s 4] [--sources 3]

The line is made of random samples. They are what costs most: the threshold reaches them in
the last iterations, where the joint method rotates every patch and frequency; of signal it rotates
only what stands out. The bare time is that of forward
and inverse transform of every batch of patches that the iteration hands to its method, with the
same batches and threads, and nothing else. The iteration holds everything: blending, its inverse,
the measurement of noise, cutting, transforms, rotation, threshold, adding back.
"""

from __future__ import annotations

import argparse
import statistics
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from benchmarks.result import Number, keep, refuse_forced_kernel
from deblend.arrays import Array, irfftn, rfftn, thread_count
from deblend.model.recording import Recording
from deblend.model.shots import make_shots
from deblend.separation.choose import choose_method
from deblend.separation.job import Job, prepare, separate_channels
from deblend.separation.loop import IterationRecord
from deblend.separation.patches import PatchBatch, Separator

INTERVAL_S: Final = 0.004
AXES: Final = (2, 3, 4)
ITERATIONS: Final = 6
"""The time between the first and the second is the first that counts."""
ROUNDS: Final = 3


@dataclass(frozen=True, eq=False)
class Watched:
    """A method that notes the shapes it is handed."""

    method: Separator
    shapes: list[tuple[int, ...]] = field(default_factory=list)

    @property
    def patch(self) -> tuple[int, int, int]:
        """Of the method."""
        return self.method.patch

    @property
    def overlap(self) -> float:
        """Of the method."""
        return self.method.overlap

    @property
    def window(self) -> Literal["tapered", "flat"]:
        """Of the method."""
        return self.method.window

    def largest(self, batch: PatchBatch) -> float:
        """Of the method."""
        return self.method.largest(batch)

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Array:
        """Of the method."""
        self.shapes.append(batch.amplitude.shape)
        return self.method.keep(batch, strictness, reference)


def made_job(asked: argparse.Namespace, method: Separator, iterations: int) -> Job:
    rng = np.random.default_rng(0)
    base_s = 1.0 + 5.4 * np.arange(asked.shots)
    times_s = np.concatenate(
        [base_s + rng.uniform(0, 0.6, asked.shots) for _ in range(asked.sources)]
    )
    shots = make_shots(
        np.repeat(np.arange(1, asked.sources + 1), asked.shots),
        np.tile(np.arange(asked.shots), asked.sources),
        np.rint(times_s * 1e9).astype(np.int64),
        "utc",
    )
    count = round((5.4 * asked.shots + asked.length_s + 2) / INTERVAL_S)
    samples = rng.standard_normal((asked.channels, count)).astype(np.float32)
    recording = Recording(
        samples, interval_s=INTERVAL_S, start="1970-01-01T00:00:00", time_scale="utc"
    )
    return prepare(
        recording,
        shots,
        length_s=asked.length_s,
        method=method,
        iterations=iterations,
        device="cpu",
        memory_bytes=1 << 40,
    )


def iteration_s(job: Job) -> float:
    """Seconds of an iteration, the median over several."""
    stamps: list[float] = []

    def stamp(_: IterationRecord) -> None:
        stamps.append(time.perf_counter())

    separate_channels(job, job.blocks[0], stamp)
    return statistics.median(np.diff(stamps).tolist())


def batch_shapes(asked: argparse.Namespace, method: Separator) -> list[tuple[int, ...]]:
    """Shapes that the method is handed in one iteration."""
    watched = Watched(method)
    job = made_job(asked, watched, 1)
    separate_channels(job, job.blocks[0])
    return watched.shapes


def bare_s(shapes: list[tuple[int, ...]]) -> float:
    """Seconds of forward and inverse transform of batches of these shapes."""
    rng = np.random.default_rng(1)
    samples = {shape: rng.standard_normal(shape).astype(np.float32) for shape in set(shapes)}

    def there_and_back(shape: tuple[int, ...]) -> None:
        irfftn(np, rfftn(np, samples[shape], AXES), shape[2:], AXES)

    taken = []
    with ThreadPoolExecutor(thread_count()) as pool:
        for _ in range(ROUNDS + 1):
            begin = time.perf_counter()
            list(pool.map(there_and_back, shapes))
            taken.append(time.perf_counter() - begin)
    return statistics.median(taken[1:])


def measure(asked: argparse.Namespace, name: str) -> dict[str, Number]:
    method = choose_method(name, asked.sources, asked.channels)
    job = made_job(asked, method, ITERATIONS)
    shapes = batch_shapes(asked, method)
    # Alternating, so that a change in the load of the machine strikes both.
    pairs = [(bare_s(shapes), iteration_s(job)) for _ in range(ROUNDS)]
    bare, whole = min(pair[0] for pair in pairs), min(pair[1] for pair in pairs)
    values = asked.sources * asked.shots * asked.channels * job.length
    redundancy = sum(int(np.prod(shape)) for shape in shapes) / values
    return {
        f"{name}_iteration_s": round(whole, 3),
        f"{name}_bare_transforms_s": round(bare, 3),
        f"{name}_ratio": round(whole / bare, 2),
        f"{name}_million_sample_iterations_per_s": round(values / whole / 1e6, 2),
        f"{name}_redundancy": round(redundancy, 2),
        f"{name}_patches": sum(shape[0] for shape in shapes),
    }


def main() -> None:
    refuse_forced_kernel()
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--shots", type=int, default=60)
    parser.add_argument("--channels", type=int, default=32)
    parser.add_argument("--length-s", type=float, default=4.0)
    parser.add_argument("--sources", type=int, default=3)
    parser.add_argument("--methods", nargs="+", default=["fk", "joint"])
    asked = parser.parse_args()
    numbers: dict[str, Number] = {
        "sources": asked.sources,
        "shots_per_source": asked.shots,
        "channels": asked.channels,
        "samples": round(asked.length_s / INTERVAL_S),
        "threads": thread_count(),
    }
    for name in asked.methods:
        numbers |= measure(asked, name)
    keep("speed.iteration", numbers)


if __name__ == "__main__":
    main()
