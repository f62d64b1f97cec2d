"""Time of `import deblend` in a fresh interpreter, and of fetching its first function.

    python -m benchmarks.speed.import_time

Median of nine runs each, less the start of an interpreter that imports nothing.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

from benchmarks.result import keep, refuse_forced_kernel

RUNS = 9


def median_s(code: str) -> float:
    times = []
    for _ in range(RUNS):
        begin = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], check=True)
        times.append(time.perf_counter() - begin)
    return statistics.median(times)


def main() -> None:
    refuse_forced_kernel()
    start = median_s("pass")
    keep(
        "speed.import_time",
        {
            "import_deblend_s": round(median_s("import deblend") - start, 3),
            "with_separate_s": round(median_s("from deblend import separate") - start, 3),
        },
    )


if __name__ == "__main__":
    main()
