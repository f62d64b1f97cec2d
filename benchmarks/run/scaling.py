"""Scaling of separation over processes, threads and channels; planning of 10,000 blocks.

    python -m benchmarks.run.scaling [--channels 16 64] [--minutes 5] [--iterations 20]

Every case is a command of its own that separates a made line; timed are the steps of separation,
and the whole command. Processor time is that of separation in the processes that compute.

- Cores: one process of one thread against two of one thread each, from the same plan of blocks.
- Threads: one process of one thread against one of two, all channels in one block.
- As the command decides: nothing stated (one process, all cores), against ``--processes 2``.
- Weak: half of the channels in one process of one thread, against all of them in two.

Other work on the machine spoils all of it, so run it alone. ``limit`` says what the machine gives:
two runs of one thread side by side that know nothing of each other, over one alone.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from benchmarks.result import Number, keep, refuse_forced_kernel
from benchmarks.run.lines import make_line, memory_for
from deblend.separation.plan_blocks import Extent, plan_blocks


@dataclass(frozen=True)
class Took:
    """Times of one run in s: separation, and all of the command but the drawing of the page."""

    separation_s: float
    whole_s: float
    blocks: int


def begin_run(line: Path, out: Path, threads: int, *asked: object) -> subprocess.Popen[str]:
    """Start `one_run` below in a process of its own."""
    given = [str(part) for part in (line, out, *asked)]
    return subprocess.Popen(
        [sys.executable, "-m", "benchmarks.run.scaling", "--one-run", *given],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=os.environ | {"NUMBA_NUM_THREADS": str(threads), "OMP_NUM_THREADS": str(threads)},
    )


def end_run(process: subprocess.Popen[str]) -> Took:
    told, _ = process.communicate()
    if process.returncode:
        raise SystemExit(f"a run ended with status {process.returncode}")
    return Took(**json.loads(told.splitlines()[-1]))


def one_run(line: Path, out: Path, processes: int, block_channels: int) -> None:
    """Separate a line in blocks of so many channels, and print what it took."""
    import deblend.report.page
    from deblend.run.execute import Machines
    from deblend.run.line_file import read_line_file
    from deblend.run.pipeline import RunOptions, run_line
    from deblend.run.progress import Step

    deblend.report.page.write_report = lambda contents, path, extras=None: path.touch()
    stamps: list[float] = []
    plans: list[str] = []

    def tell(step: Step) -> None:
        if step.stage == "separate":
            stamps.append(time.perf_counter())
        elif step.stage == "plan":
            plans.append(step.note)

    begin = time.perf_counter()
    memory_bytes = round(processes * memory_for(line, block_channels))
    options = RunOptions(memory_bytes=memory_bytes, machines=Machines(processes))
    run_line(read_line_file(line).with_output(out), tell, options=options)
    whole_s = time.perf_counter() - begin
    print(json.dumps(vars(Took(stamps[-1] - stamps[0], whole_s, int(plans[0].split()[0])))))


def scaling(folder: Path, channels: int, minutes: float, iterations: int) -> dict[str, Number]:
    """All cases of one size."""
    line, half = (
        make_line(folder / f"line-{count}", minutes, count, 4.0, iterations, "fk")
        for count in (channels, channels // 2)
    )
    count = iter(range(100))

    def took(line: Path, threads: int, processes: int, block_channels: int) -> Took:
        out = folder / f"out-{next(count)}"
        return end_run(begin_run(line, out, threads, processes, block_channels))

    # Two processes share what NUMBA_NUM_THREADS says: one thread each.
    one_core = took(line, 1, 1, channels // 2)
    two_cores = took(line, 2, 2, channels // 2)
    one_thread = took(line, 1, 1, channels)
    default = took(line, 2, 1, channels)
    weak = took(half, 1, 1, channels)
    side_by_side = [begin_run(line, folder / f"side-{k}", 1, 1, channels) for k in (0, 1)]
    slower_s = max(end_run(run).separation_s for run in side_by_side)
    return {
        "blocks": two_cores.blocks,
        "one_process_one_thread_s": round(one_core.separation_s, 1),
        "two_processes_one_thread_each_s": round(two_cores.separation_s, 1),
        "strong_scaling_over_cores": round(one_core.separation_s / two_cores.separation_s, 2),
        "limit_of_the_machine": round(2 * one_thread.separation_s / slower_s, 2),
        "one_block_one_thread_s": round(one_thread.separation_s, 1),
        "one_block_two_threads_s": round(default.separation_s, 1),
        "strong_scaling_over_threads": round(one_thread.separation_s / default.separation_s, 2),
        "weak_scaling_percent": round(100 * weak.separation_s / two_cores.separation_s),
        "whole_command_by_default_s": round(default.whole_s, 1),
        "whole_command_two_processes_s": round(two_cores.whole_s, 1),
        "whole_command_one_thread_s": round(one_thread.whole_s, 1),
    }


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
    parser.add_argument("--channels", type=int, nargs="+", default=[16, 64])
    parser.add_argument("--iterations", type=int, default=20)
    asked = parser.parse_args()
    numbers: dict[str, Number] = {}
    for channels in asked.channels:
        with tempfile.TemporaryDirectory() as name:
            found = scaling(Path(name), channels, asked.minutes, asked.iterations)
        numbers |= {f"{channels}_channels_{key}": value for key, value in found.items()}
    numbers["plan_of_10000_blocks_s"] = round(planning_s(), 3)
    keep("run.scaling", numbers)


if __name__ == "__main__":
    main()
