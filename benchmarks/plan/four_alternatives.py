"""Time of a plan with four alternatives and a reference, with and without the simulation.

    python -m benchmarks.plan.four_alternatives [--simulate]

The plan is examples/plan.toml. Whole processes are timed, start of Python included: the table on
the terminal; the same with page, tables and firing tables; and, if asked, with the simulation.
Asked: 3 s without the simulation, 120 s with it, on two cores. The numbers kept are those of
2026-11-25, when the scenario of the example was another one of the same size.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

from benchmarks.result import Number, keep, refuse_forced_kernel
from deblend.results.judge import EXIT_STATUS

PLAN: Final = Path(__file__).parents[2] / "examples" / "plan.toml"
REPEATS: Final = 3


def best_of(repeats: int, *options: str) -> tuple[float, float]:
    """Shortest wall time and shortest processor time of some runs, in seconds."""
    times = []
    for _ in range(repeats):
        with tempfile.TemporaryDirectory() as folder:
            filled = [option.replace("OUT", f"{folder}/plan") for option in options]
            code = "from deblend.cli.main import main; main()"
            command = [sys.executable, "-c", code, "plan", str(PLAN), *filled]
            begin, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            if done.returncode not in EXIT_STATUS.values():
                raise RuntimeError(done.stderr)
            wall, after = time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_CHILDREN)
            processor = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            times.append((wall, processor))
    return round(min(wall for wall, _ in times), 2), round(min(cpu for _, cpu in times), 2)


def main() -> None:
    refuse_forced_kernel()
    runs: dict[str, tuple[int, tuple[str, ...]]] = {
        "table": (REPEATS, ()),
        "table_and_page": (REPEATS, ("--out", "OUT")),
    }
    if "--simulate" in sys.argv:
        runs["with_simulation"] = (1, ("--simulate", "--out", "OUT"))
    numbers: dict[str, Number] = {}
    for name, (repeats, options) in runs.items():
        numbers[f"{name}_s"], numbers[f"{name}_processor_s"] = best_of(repeats, *options)
        keep("plan.four_alternatives", numbers)  # what is known so far, should the rest be stopped


if __name__ == "__main__":
    main()
