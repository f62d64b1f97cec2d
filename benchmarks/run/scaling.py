"""Scaling of separation over processes, threads and channels; planning of 10,000 blocks.

    python -m benchmarks.run.scaling [--workers 1 2] [--channels 64] [--iterations 30]

Every case is a command of its own that separates a made line up to the last block. Timed are the
steps of separation; what comes before (imports, plan, reading, start of the workers, line-wide
quantities) is told by itself as `start_up`. For each number N of workers:

- strong: all channels, in blocks that are the same for every N, by N processes of one thread each.
- threads: all channels in one block, by one process of N threads.
- weak: N times the channels of one worker, by N processes of one thread each.
- limit: N runs of one worker's channels side by side, that know nothing of each other: what the
  machine itself gives, with its memory shared and its clock lowered.

Speed-ups are over one worker. Of weak and limit, the channels that each worker computes in a
second, neighbours of blocks included, are in percent of those of one worker alone. Other work on
the machine spoils all of it, so run it alone.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from benchmarks.result import Number, keep, refuse_forced_kernel
from benchmarks.run.lines import make_line, memory_for
from deblend.separation.plan_blocks import Extent, plan_blocks

BLOCK_CHANNELS: Final = 4
"""Of the strong case: a line of 64 channels makes 16 blocks."""


@dataclass(frozen=True)
class Took:
    """Times of one run in s, before separation and of it; blocks, and channels in all of them."""

    start_up_s: float
    separation_s: float
    blocks: int
    computed_channels: int

    def rate(self, workers: int) -> float:
        """Channels, neighbours included, that a worker computes in a second."""
        return self.computed_channels / workers / self.separation_s


class _EnoughError(Exception):
    """Separation is over; delivery is not measured."""


Run = subprocess.Popen[str]


def begin_run(line: Path, out: Path, threads: int, *asked: object) -> Run:
    """Start `one_run` below in a process of its own."""
    given = [str(part) for part in (line, out, *asked)]
    return subprocess.Popen(
        [sys.executable, "-m", "benchmarks.run.scaling", "--one-run", *given],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"NUMBA_NUM_THREADS": str(threads), "OMP_NUM_THREADS": str(threads)},
    )


def end_run(process: Run) -> Took:
    output, _ = process.communicate()
    if process.returncode:
        raise SystemExit(f"a run ended with status {process.returncode}")
    return Took(**json.loads(output.splitlines()[-1]))


def one_run(line: Path, out: Path, processes: int, block_channels: int) -> None:
    """Separate a line in blocks of so many channels, and print what it took."""
    begin = time.perf_counter()
    from deblend.line.line_file import read_line_file
    from deblend.progress import Step
    from deblend.run.begin import RunOptions
    from deblend.run.execute import Machines
    from deblend.run.pipeline import run_line
    from deblend.run.run_folder import RunFolder
    from deblend.run.unfinished import open_unfinished

    stamps: list[float] = []

    def tell(step: Step) -> None:
        if step.stage == "separate":
            stamps.append(time.perf_counter())
        elif step.stage == "deliver":
            raise _EnoughError

    memory_bytes = round(processes * memory_for(line, block_channels))
    options = RunOptions(memory_bytes=memory_bytes, machines=Machines(processes))
    with suppress(_EnoughError):
        run_line(read_line_file(line).with_output(out), tell, options=options)
    work = open_unfinished(RunFolder.of(out).path)
    parts = [range(*part) for part in work.plan.channels]
    computed = sum(len(work.job.with_halo(part)) for part in parts) * len(work.plan.spans)
    took = Took(stamps[0] - begin, stamps[-1] - stamps[0], work.plan.count, computed)
    print(json.dumps(vars(took)))


@dataclass(frozen=True)
class Lines:
    """Made lines of some numbers of channels, each written once, and runs of them."""

    folder: Path
    asked: argparse.Namespace

    def of(self, channels: int) -> Path:
        """The line file."""
        path = self.folder / f"line-{channels}" / "line.toml"
        if path.exists():
            return path
        asked = self.asked
        return make_line(path.parent, asked.minutes, channels, 4.0, asked.iterations, asked.method)

    def begin(self, channels: int, threads: int, processes: int, block_channels: int) -> Run:
        """Start a run; processes share the threads."""
        out = Path(tempfile.mkdtemp(dir=self.folder)) / "out"
        return begin_run(self.of(channels), out, threads, processes, block_channels)


def strong(lines: Lines, workers: int) -> Took:
    return end_run(lines.begin(lines.asked.channels, workers, workers, BLOCK_CHANNELS))


def threads(lines: Lines, workers: int) -> Took:
    return end_run(lines.begin(lines.asked.channels, workers, 1, lines.asked.channels))


def weak(lines: Lines, workers: int) -> Took:
    each: int = lines.asked.channels_each
    return end_run(lines.begin(workers * each, workers, workers, each))


def limit(lines: Lines, workers: int) -> Took:
    """The slowest of runs side by side."""
    each: int = lines.asked.channels_each
    runs = [lines.begin(each, 1, 1, each) for _ in range(workers)]
    slowest = max((end_run(run) for run in runs), key=lambda took: took.separation_s)
    return replace(slowest, computed_channels=workers * slowest.computed_channels)


CASES: Final[dict[str, Callable[[Lines, int], Took]]] = {
    "strong": strong,
    "threads": threads,
    "weak": weak,
    "limit": limit,
}
SPLIT: Final = ("strong", "threads")
"""Cases in which one line is split among the workers."""


def scaling(lines: Lines, asked: argparse.Namespace) -> Iterator[dict[str, Number]]:
    """One case after the other, for all its numbers of workers."""
    end_run(lines.begin(asked.channels_each, 1, 1, BLOCK_CHANNELS))  # so that no compiler is timed
    for name in asked.cases:
        numbers: dict[str, Number] = {}
        first: tuple[int, Took] | None = None
        for workers in asked.workers if name in SPLIT else asked.side_by_side or asked.workers:
            took = CASES[name](lines, workers)
            first = first or (workers, took)
            words = f"{name}_{workers}"
            numbers[f"{words}_s"] = round(took.separation_s, 2)
            if name in SPLIT:
                numbers[f"{words}_start_up_s"] = round(took.start_up_s, 1)
                numbers[f"{words}_blocks"] = took.blocks
                numbers[f"{words}_speed_up"] = round(first[1].separation_s / took.separation_s, 2)
            else:
                part = took.rate(workers) / first[1].rate(first[0])
                numbers[f"{words}_percent"] = round(100 * part)
            print(words, took, file=sys.stderr, flush=True)
        yield numbers


def planning_s() -> float:
    extent = Extent(3, 2000, 16_000, 4000, 5_400_000, 18, 8, 48)
    begin = time.perf_counter()
    count = plan_blocks(extent, 2_000_000_000).count
    assert count > 10_000
    return time.perf_counter() - begin


def main() -> None:
    refuse_forced_kernel()
    if sys.argv[1:2] == ["--one-run"]:
        line, out, processes, block_channels = sys.argv[2:]
        one_run(Path(line), Path(out), int(processes), int(block_channels))
        return
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--channels", type=int, default=64)
    parser.add_argument("--channels-each", type=int, default=16, help="of one worker, weak case")
    parser.add_argument("--iterations", type=int, default=30)
    parser.add_argument("--method", default="fk")
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--side-by-side", type=int, nargs="+", help="weak and limit; as --workers")
    parser.add_argument("--cases", nargs="+", default=list(CASES), choices=CASES)
    asked = parser.parse_args()
    numbers: dict[str, Number] = {
        "minutes": asked.minutes,
        "channels": asked.channels,
        "channels_each": asked.channels_each,
        "iterations": asked.iterations,
        "plan_of_10000_blocks_s": round(planning_s(), 3),
    }
    with tempfile.TemporaryDirectory() as name:
        for found in scaling(Lines(Path(name), asked), asked):  # kept even if it is ended early
            numbers |= found
            keep("run.scaling", numbers)


if __name__ == "__main__":
    main()
