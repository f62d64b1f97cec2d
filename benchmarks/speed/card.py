"""One iteration of `fk` and `joint` on a card: the whole, each step, and the bare transforms.

    python -m benchmarks.speed.card [--shots 200] [--channels 480] [--length-s 4] [--sources 3]

The line is made of random samples, which cost most (see `benchmarks.speed.iteration`). Iterations
count without reviews, half of them measure noise. `_end_to_end` is a whole run of 60 iterations:
reference and record to the card (`_before_first_iteration_s`), reviews, what leaked put back and
gathers to the host (`_after_last_iteration_s`). Steps are timed one by one on the same arrays, so
they hold the starts of kernels that the whole overlaps. `_keep_up` is what a vessel of twelve
streamers of 480 channels with three sources every 5.4 s asks of 60 iterations at 4 ms.
"""

from __future__ import annotations

import time

STARTED = time.perf_counter()

import argparse  # noqa: E402
import subprocess  # noqa: E402
from collections.abc import Callable  # noqa: E402

import numpy as np  # noqa: E402

from benchmarks.result import Number, keep  # noqa: E402
from benchmarks.speed.iteration import AXES, made_job  # noqa: E402
from deblend.arrays import irfftn_on_card, namespace_for, rfftn  # noqa: E402
from deblend.separation.block import live_traces  # noqa: E402
from deblend.separation.card_windows import card_windows  # noqa: E402
from deblend.separation.choose import choose_method  # noqa: E402
from deblend.separation.job import Job, separate_channels  # noqa: E402
from deblend.separation.loop import IterationRecord, residual_of, stepped  # noqa: E402
from deblend.separation.noise import NoiseFloor  # noqa: E402
from deblend.separation.patch_grid import patch_grid  # noqa: E402
from deblend.separation.patches import _run_size, coherent_part  # noqa: E402
from deblend.separation.transforms.spectra import apply_threshold  # noqa: E402

KEEP_UP = 3.9e8


def stamped(job: Job) -> tuple[list[float], list[bool], float]:
    """When iterations ended, which were followed by a review, and seconds of the whole."""
    stamps: list[float] = []
    reviews: list[bool] = []

    def stamp(record: IterationRecord) -> None:
        stamps.append(time.perf_counter())
        reviews.append(record.review_follows)

    begin = time.perf_counter()
    separate_channels(job, job.blocks[0], stamp)
    return stamps, reviews, time.perf_counter() - begin


def timed_s(function: Callable[[], object], rounds: int = 3) -> float:
    """Least seconds of a call, the card waited for."""
    import cupy

    taken = []
    for _ in range(rounds + 1):
        cupy.cuda.Device().synchronize()
        begin = time.perf_counter()
        function()
        cupy.cuda.Device().synchronize()
        taken.append(time.perf_counter() - begin)
    return min(taken[1:])


def steps_s(job: Job) -> dict[str, float]:
    """Seconds of each step of an iteration, and of the bare transforms of the same patches."""
    xp, operator, method = job.xp, job.operator, job.method
    sources = job.layout.source_count
    record = job.read(range(job.recording.shape[0]))
    known = xp.ones_like(record)
    gathers = operator.pseudo_inverse(record)
    by_source = gathers.reshape(sources, -1, *gathers.shape[1:])
    noise = NoiseFloor(method, by_source.shape, xp)
    live = live_traces(operator, sources, len(record))
    grid = patch_grid(by_source.shape[1:], method, (0, 0, 0), seed=0, iteration=1)
    windows = card_windows(grid, by_source.shape, xp)
    size = _run_size(grid, method, by_source.shape, xp)
    assert size.patches is not None
    channels = range(min(size.channels, len(grid.channel.start)))
    runs = len(grid.slot.start) * len(grid.channel.start) / len(channels)
    patches = windows.cut(by_source, 0, channels, size.patches)
    spectrum = rfftn(xp, patches, AXES)
    threshold = xp.full((len(patches), spectrum.shape[-1]), 3.0, np.float32)
    total = xp.zeros_like(by_source)
    noise._calls = 1

    def observe() -> None:
        noise._calls = 1
        noise.observe(by_source, 1.0)

    jointly = "joint" in type(method).__name__.lower()
    shape = patches.shape[2:]
    return {
        "cut": runs * timed_s(lambda: windows.cut(by_source, 0, channels, len(patches))),
        "forward": runs * timed_s(lambda: rfftn(xp, patches, AXES)),
        "threshold": runs
        * timed_s(lambda: apply_threshold(spectrum, threshold, 1.0, jointly=jointly)),
        "inverse": runs * timed_s(lambda: irfftn_on_card(spectrum, shape, AXES)),
        "add": runs * timed_s(lambda: windows.add(total, patches, 0, channels)),
        "coherent_part": timed_s(
            lambda: coherent_part(method, by_source, live, grid, noise, 0.004, 0.1, 100.0, xp)
        ),
        "noise_every_other": timed_s(observe),
        "blend": timed_s(lambda: operator.blend(gathers)),
        "pseudo_inverse": timed_s(lambda: operator.pseudo_inverse(record)),
        "step": timed_s(lambda: stepped(gathers, gathers, gathers, 0.0, 0.0, xp)),
        "residual": timed_s(lambda: residual_of(record, known, record, record, 0.5, xp)),
    }


def measure(asked: argparse.Namespace, name: str) -> dict[str, Number]:
    """Numbers of one method."""
    method = choose_method(name, asked.sources, asked.channels)
    job = made_job(asked, method, 12, device="gpu")
    values = len(job.shots) * job.recording.shape[0] * job.length
    first, _, _ = stamped(job)
    numbers: dict[str, Number] = {f"{name}_first_iteration_s": round(first[0] - STARTED, 2)}
    stamps, reviews, _ = stamped(job)
    taken = np.diff(stamps)[~np.array(reviews[:-1])]
    iteration = float(np.mean(taken[1:]))
    steps = steps_s(job)
    bare = steps["forward"] + steps["inverse"]
    job = made_job(asked, method, 60, device="gpu")
    began = time.perf_counter()
    stamps, reviews, whole = stamped(job)
    gaps = np.diff(stamps)
    reviewed = float(gaps[reviews[:-1]].sum()) - iteration * sum(reviews[:-1])
    rate, end_to_end = values / iteration, 60 * values / whole
    return numbers | {
        f"{name}_iteration_s": round(iteration, 4),
        f"{name}_ratio_to_bare_transforms": round(iteration / bare, 2),
        f"{name}_million_sample_iterations_per_s": round(rate / 1e6),
        f"{name}_bare_million_sample_iterations_per_s": round(values / bare / 1e6),
        f"{name}_end_to_end_million_sample_iterations_per_s": round(end_to_end / 1e6),
        f"{name}_times_keep_up": round(end_to_end / KEEP_UP, 2),
        f"{name}_before_first_iteration_s": round(stamps[0] - began, 2),
        f"{name}_reviews_s": round(reviewed, 2),
        f"{name}_after_last_iteration_s": round(began + whole - stamps[-1], 2),
        **{f"{name}_{step}_ms": round(1e3 * taken_s, 2) for step, taken_s in steps.items()},
    }


def main() -> None:
    """Measure and keep."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--shots", type=int, default=200)
    parser.add_argument("--channels", type=int, default=480)
    parser.add_argument("--length-s", type=float, default=4.0)
    parser.add_argument("--sources", type=int, default=3)
    parser.add_argument("--methods", nargs="+", default=["joint", "fk"])
    asked = parser.parse_args()
    namespace_for("gpu")
    told = subprocess.run(
        ["nvidia-smi", "--query-gpu=name,memory.total", "--format=csv,noheader"],
        capture_output=True,
        text=True,
        check=False,
    )
    print(told.stdout.strip())
    numbers: dict[str, Number] = {
        "sources": asked.sources,
        "shots_per_source": asked.shots,
        "channels": asked.channels,
        "samples": round(asked.length_s / 0.004),
    }
    for name in asked.methods:
        numbers |= measure(asked, name)
    keep("speed.card", numbers)


if __name__ == "__main__":
    main()
