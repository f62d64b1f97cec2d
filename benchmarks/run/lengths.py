"""Memory and time of a whole run against the length of the line.

    python -m benchmarks.run.lengths [--minutes 10 30 60 180] [--channels 32] [--memory-gb 1.2]

A made line of three sources, 4 ms, gathers of 4 s, two iterations, from SEG-Y to results. The
budget is what the shortest line just fills in one block, unless another is given: a larger one
would not bind there, and memory would grow with the line until it does. Peak memory is that of the
command with all processes that it starts, as the system counts it and as seen every 20 ms.
Processor time is that of all threads, which other work on the machine lengthens least; a straight
line through the shortest and the longest run says what the others should take.
"""

from __future__ import annotations

import argparse
import math
import tempfile
from pathlib import Path

import numpy as np

from benchmarks.result import Number, keep, refuse_forced_kernel
from benchmarks.run.lines import Used, make_line, memory_for, run_command


def measured(
    minutes: float, asked: argparse.Namespace, budget_gb: float | None
) -> tuple[float, Used]:
    """Budget in GB, what the line just fills in one block unless it is given, and what was used."""
    with tempfile.TemporaryDirectory() as name:
        length = minutes, asked.channels, 4.0, asked.iterations, asked.method
        line = make_line(Path(name) / "line", *length)
        budget_gb = budget_gb or math.ceil(memory_for(line, asked.channels) / 1e6) / 1e3
        used = run_command("separate", line, "--memory-gb", budget_gb)
        print(minutes, used, flush=True)
        return budget_gb, used


def main() -> None:
    refuse_forced_kernel()
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, nargs="+", default=[10, 30, 60, 180])
    parser.add_argument("--channels", type=int, default=32)
    parser.add_argument("--iterations", type=int, default=2)
    parser.add_argument("--memory-gb", type=float)
    parser.add_argument("--method", default="fk")
    asked = parser.parse_args()
    minutes = sorted(asked.minutes)
    measured(1.0, asked, None)  # the compiler is none of it
    budget_gb, first = measured(minutes[0], asked, asked.memory_gb)
    used = [first, *(measured(one, asked, budget_gb)[1] for one in minutes[1:])]
    along = np.array(minutes)
    processor = np.array([part.processor_s for part in used])
    straight = np.interp(along, along[[0, -1]], processor[[0, -1]])
    peak = np.array([part.peak_gb for part in used])
    numbers: dict[str, Number] = {
        "minutes": minutes,
        "channels": asked.channels,
        "iterations": asked.iterations,
        "budget_gb": budget_gb,
        "peak_gb": peak.round(3).tolist(),
        "peak_spread_percent": round(100 * float(peak.max() / peak.min() - 1), 1),
        "processor_s": processor.round(1).tolist(),
        "wall_s": [round(part.wall_s, 1) for part in used],
        "off_a_straight_line_percent": (100 * (processor / straight - 1)).round(1).tolist(),
        "statuses": [part.status for part in used],
    }
    keep("run.lengths", numbers)


if __name__ == "__main__":
    main()
