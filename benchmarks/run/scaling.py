"""Scaling of a whole run over local processes and over channels; planning of 10,000 blocks.

    python -m benchmarks.run.scaling [--minutes 5] [--channels 16] [--iterations 20]

Strong scaling: one process with one thread against two. Weak: half of the channels in one process
against all of them in two. The times are those of separation alone, from the steps that a run
tells; other work on the machine spoils them, so run it alone.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

from benchmarks.result import Number, keep, refuse_forced_kernel
from benchmarks.run.lines import make_line
from deblend.run.execute import Machines
from deblend.run.line_file import read_line_file
from deblend.run.pipeline import RunOptions, run_line
from deblend.run.progress import Step
from deblend.separation.plan_blocks import Extent, plan_blocks


def separation_s(line: Path, out: Path, processes: int, memory_gb: float) -> float:
    """Wall time from the first to the last step of separation."""
    stamps: list[float] = []

    def tell(step: Step) -> None:
        if step.stage == "separate":
            stamps.append(time.perf_counter())

    options = RunOptions(
        memory_bytes=round(memory_gb * 1e9 * processes), machines=Machines(processes)
    )
    run_line(read_line_file(line).with_output(out), tell, options=options)
    return stamps[-1] - stamps[0]


def planning_s() -> float:
    extent = Extent(3, 2000, 16_000, 4000, 5_400_000, 18, 8, 48)
    begin = time.perf_counter()
    count = plan_blocks(extent, 2_000_000_000).count
    assert count > 10_000
    return time.perf_counter() - begin


def main() -> None:
    refuse_forced_kernel()
    os.environ["NUMBA_NUM_THREADS"] = "2"
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--channels", type=int, default=16)
    parser.add_argument("--iterations", type=int, default=20)
    parser.add_argument("--memory-gb", type=float, default=0.6)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lines = {
            channels: make_line(
                folder / f"line-{channels}", asked.minutes, channels, 4.0, asked.iterations, "fk"
            )
            for channels in (asked.channels // 2, asked.channels)
        }
        both = lines[asked.channels]
        two_s = separation_s(both, folder / "two", 2, asked.memory_gb)
        os.environ["NUMBA_NUM_THREADS"] = "1"
        one_s = separation_s(both, folder / "one", 1, asked.memory_gb)
        half_s = separation_s(lines[asked.channels // 2], folder / "half", 1, asked.memory_gb)
    numbers: dict[str, Number] = {
        "channels": asked.channels,
        "one_process_s": round(one_s, 1),
        "two_processes_s": round(two_s, 1),
        "strong_scaling": round(one_s / two_s, 2),
        "half_of_the_channels_one_process_s": round(half_s, 1),
        "weak_scaling_percent": round(100 * half_s / two_s),
        "plan_of_10000_blocks_s": round(planning_s(), 3),
    }
    keep("run.scaling", numbers)


if __name__ == "__main__":
    main()
