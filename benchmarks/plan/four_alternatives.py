"""Time of a plan with four alternatives and a reference, with and without the simulation.

    python -m benchmarks.plan.four_alternatives [--simulate]

The plan is examples/plan.toml. Whole processes are timed, start of Python included: the table on
the terminal; the same with page, tables and firing tables; and, if asked, with the simulation.
Asked: 3 s without the simulation, 120 s with it, on two cores.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

from benchmarks.result import Number, keep, refuse_forced_kernel

PLAN: Final = Path(__file__).parents[2] / "examples" / "plan.toml"
REPEATS: Final = 3


def best_of(repeats: int, *options: str) -> float:
    times = []
    for _ in range(repeats):
        with tempfile.TemporaryDirectory() as folder:
            filled = [option.replace("OUT", f"{folder}/plan") for option in options]
            code = "from deblend.cli.main import main; main()"
            command = [sys.executable, "-c", code, "plan", str(PLAN), *filled]
            begin = time.perf_counter()
            subprocess.run(command, check=True, capture_output=True)
            times.append(time.perf_counter() - begin)
    return round(min(times), 2)


def main() -> None:
    refuse_forced_kernel()
    numbers: dict[str, Number] = {
        "table_s": best_of(REPEATS),
        "table_and_page_s": best_of(REPEATS, "--out", "OUT"),
    }
    if "--simulate" in sys.argv:
        numbers["with_simulation_s"] = best_of(1, "--simulate", "--out", "OUT")
    keep("plan.four_alternatives", numbers)


if __name__ == "__main__":
    main()
