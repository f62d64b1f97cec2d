"""One iteration of `fk` and `joint` over the bare transforms of the same patches.

    python -m benchmarks.speed.iteration [--shots 60] [--channels 32] [--length-s 4] [--sources 3]

Two lines. One is made of random samples, which cost most: the threshold reaches all at once, so
that no patch is spared and the joint method rotates every patch and frequency. The other is a
standard scene, and there the mean over all iterations of a run counts (`scene_`). The bare time is
that of forward and inverse transform by scipy of all patches that the iteration hands to its
method, with the same threads, in batches that stay in cache, and nothing else; patches that the
method spares count in it. The iteration holds everything: blending, its inverse, the measurement of
noise in every other iteration, weights, cutting, transforms, rotation, threshold, adding back. Of
the random line the two reviews of a run, which decide weights, are told by themselves
(`_review_s`). `_quarter` is with a quarter of a window shared.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from benchmarks.result import Number, keep, refuse_forced_kernel
from deblend.arrays import Array, irfftn, rfftn, thread_count
from deblend.model.recording import Recording
from deblend.model.shots import make_shots
from deblend.separation.choose import choose_method
from deblend.separation.contract import PatchBatch, Separator
from deblend.separation.job import Job, prepare, separate_channels
from deblend.separation.loop import IterationRecord
from deblend.separation.settings import SeparationSettings
from deblend.synth.scenes import make_scene

INTERVAL_S: Final = 0.004
AXES: Final = (2, 3, 4)
ITERATIONS: Final = 9
"""The time from the first to the second is the first that counts; without the two that are followed
by a review, half of them measure noise."""
BATCH_VALUES: Final = 1 << 18
"""Of the bare transforms: larger batches are slower."""
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


def made_job(
    asked: argparse.Namespace,
    method: Separator,
    iterations: int,
    device: Literal["cpu", "gpu"] = "cpu",
) -> Job:
    """A line of random samples."""
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
        settings=SeparationSettings(iterations=iterations, device=device),
        memory_bytes=1 << 40,
    )


def scene_job(asked: argparse.Namespace, method: Separator, iterations: int) -> Job:
    line = make_scene(asked.scene, asked.size, 0)
    return prepare(
        line.recording,
        line.shots,
        length_s=line.length_s,
        method=method,
        settings=SeparationSettings(iterations=iterations, device="cpu"),
        memory_bytes=1 << 40,
    )


def taken_s(job: Job) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Seconds of all iterations but the first, and which of them held a review."""
    stamps: list[tuple[float, bool]] = []

    def stamp(record: IterationRecord) -> None:
        stamps.append((time.perf_counter(), record.review_follows))

    separate_channels(job, job.blocks[0], stamp)
    when, reviewed = zip(*stamps, strict=True)
    return np.diff(when), np.array(reviewed[:-1])


def iteration_and_review_s(job: Job) -> tuple[float, float]:
    """Mean seconds of an iteration without a review, and of a review."""
    taken, reviewed = taken_s(job)
    iteration = float(taken[~reviewed].mean())
    return iteration, float(taken[reviewed].mean()) - iteration


def batch_shapes(
    make: Callable[[argparse.Namespace, Separator, int], Job],
    asked: argparse.Namespace,
    method: Separator,
) -> list[tuple[int, ...]]:
    """Shapes that the method is handed in one iteration."""
    watched = Watched(method)
    job = make(asked, watched, 1)
    separate_channels(job, job.blocks[0])
    return watched.shapes


def bare_s(shapes: list[tuple[int, ...]]) -> float:
    """Seconds of forward and inverse transform of batches of these shapes."""
    rng = np.random.default_rng(1)
    shapes = [part for shape in shapes for part in cached_batches(shape)]
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


def cached_batches(shape: tuple[int, ...]) -> list[tuple[int, ...]]:
    """A batch of patches cut into such as stay in cache."""
    most = max(1, BATCH_VALUES // int(np.prod(shape[1:])))
    counts = [min(most, shape[0] - begin) for begin in range(0, shape[0], most)]
    return [(count, *shape[1:]) for count in counts]


def measure(asked: argparse.Namespace, name: str) -> dict[str, Number]:
    chosen = choose_method(name, asked.sources, asked.channels)
    quarter = replace(chosen, overlap=0.25)  # type: ignore[type-var]
    numbers: dict[str, Number] = {}
    for method, words in ((chosen, name), (quarter, f"{name}_quarter")):
        job = made_job(asked, method, ITERATIONS)
        shapes = batch_shapes(made_job, asked, method)
        # Alternating, so that a change in the load of the machine strikes both.
        rounds = [(bare_s(shapes), *iteration_and_review_s(job)) for _ in range(ROUNDS)]
        bare, whole, review = (min(taken) for taken in zip(*rounds, strict=True))
        numbers |= _told(words, job, shapes, bare, whole) | {f"{words}_review_s": round(review, 3)}
    job = scene_job(asked, chosen, asked.iterations)
    shapes = batch_shapes(scene_job, asked, chosen)
    before, mean_s = bare_s(shapes), float(taken_s(job)[0].mean())
    bare = statistics.fmean([before, bare_s(shapes)])
    return numbers | _told(f"scene_{name}", job, shapes, bare, mean_s)


def _told(
    words: str, job: Job, shapes: list[tuple[int, ...]], bare: float, whole: float
) -> dict[str, Number]:
    values = len(job.shots) * job.recording.shape[0] * job.length
    redundancy = sum(int(np.prod(shape)) for shape in shapes) / values
    return {
        f"{words}_iteration_s": round(whole, 3),
        f"{words}_bare_transforms_s": round(bare, 3),
        f"{words}_ratio": round(whole / bare, 2),
        f"{words}_million_sample_iterations_per_s": round(values / whole / 1e6, 2),
        f"{words}_redundancy": round(redundancy, 2),
        f"{words}_patches": sum(shape[0] for shape in shapes),
    }


def main() -> None:
    refuse_forced_kernel()
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--shots", type=int, default=60)
    parser.add_argument("--channels", type=int, default=32)
    parser.add_argument("--length-s", type=float, default=4.0)
    parser.add_argument("--sources", type=int, default=3)
    parser.add_argument("--scene", default="three-sources")
    parser.add_argument("--size", default="small")
    parser.add_argument("--iterations", type=int, default=60)
    parser.add_argument("--methods", nargs="+", default=["fk", "joint"])
    asked = parser.parse_args()
    numbers: dict[str, Number] = {
        "sources": asked.sources,
        "shots_per_source": asked.shots,
        "channels": asked.channels,
        "samples": round(asked.length_s / INTERVAL_S),
        "threads": thread_count(),
        "scene_iterations": asked.iterations,
    }
    for name in asked.methods:
        numbers |= measure(asked, name)
    keep("speed.iteration", numbers)


if __name__ == "__main__":
    main()
