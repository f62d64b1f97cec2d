"""Memory and time of a whole run against the length of the line.

    python -m benchmarks.run.lengths [--minutes 10 30 90 180] [--channels 32] [--memory-gb 1.2]

A made line of three sources, 4 ms, gathers of 4 s, two iterations, from SEG-Y to results.
Processor time is that of all threads, which other work on the machine lengthens least; a straight
line through the shortest and the longest run says what the others should take. Peak memory is the
largest resident size of the process.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np

from benchmarks.result import Number, keep, refuse_forced_kernel
from benchmarks.run.lines import make_line, run_command


def main() -> None:
    refuse_forced_kernel()
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, nargs="+", default=[10, 30, 90, 180])
    parser.add_argument("--channels", type=int, default=32)
    parser.add_argument("--memory-gb", type=float, default=1.2)
    parser.add_argument("--method", default="fk")
    parser.add_argument("--name", default="run.lengths")
    asked = parser.parse_args()
    used = []
    for minutes in asked.minutes:
        with tempfile.TemporaryDirectory() as name:
            line = make_line(Path(name) / "line", minutes, asked.channels, 4.0, 2, asked.method)
            used.append(run_command("separate", line, "--memory-gb", asked.memory_gb))
            print(minutes, used[-1], flush=True)
    length = np.array(asked.minutes)
    processor = np.array([part.processor_s for part in used])
    straight = np.interp(length, length[[0, -1]], processor[[0, -1]])
    peak = np.array([part.peak_gb for part in used])
    numbers: dict[str, Number] = {
        "minutes": asked.minutes,
        "channels": asked.channels,
        "budget_gb": asked.memory_gb,
        "peak_gb": peak.round(3).tolist(),
        "peak_spread_percent": round(100 * float(peak.max() / peak.min() - 1), 1),
        "processor_s": processor.round(1).tolist(),
        "wall_s": [round(part.wall_s, 1) for part in used],
        "off_a_straight_line_percent": (100 * (processor / straight - 1)).round(1).tolist(),
        "statuses": [part.status for part in used],
    }
    keep(asked.name, numbers)


if __name__ == "__main__":
    main()
