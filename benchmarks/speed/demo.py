"""Time, peak memory and scores of `deblend demo`, from an empty folder to the report.

    python -m benchmarks.speed.demo

Processor time is that of all threads together, which a busy machine lengthens least. Peak memory is
the largest resident size of the process. Scores are those of its findings table:
truth over error of whole gathers and of the deepest time window, with their starting values.
"""

from __future__ import annotations

import csv
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from benchmarks.result import Number, keep, refuse_forced_kernel

Row = dict[str, str]


def run_demo(folder: Path) -> tuple[float, float, float]:
    """Wall and processor time in s and peak memory in GB of one run."""
    begin = time.perf_counter()
    command = [Path(sys.executable).with_name("deblend"), "demo", "--out", folder]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        sys.exit(f"the demonstration ended with status {process.returncode}")
    processor_s = usage.ru_utime + usage.ru_stime
    return time.perf_counter() - begin, processor_s, usage.ru_maxrss * 1024 / 1e9


def scores(folder: Path) -> dict[str, Number]:
    """Starting value, result and noise limit for each source, whole and in the deepest window."""
    with (folder / "findings.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["source"] and not row["band_hz"]]
    deepest = max((row["window_s"] for row in rows if row["metric"] == "snr"), key=_begin_s)
    numbers: dict[str, Number] = {}
    for place, window in (("", ""), ("_deepest_window", deepest)):
        for metric in ("snr_start", "snr", "snr_noise_limit"):
            found = [row for row in rows if (row["metric"], row["window_s"]) == (metric, window)]
            found.sort(key=lambda row: row["source"])
            numbers[f"{metric}{place}_db"] = [round(float(row["value"]), 1) for row in found]
    return numbers


def _begin_s(window: str) -> float:
    return float(window.partition(":")[0] or -1)


def main() -> None:
    refuse_forced_kernel()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "demo"
        wall_s, processor_s, peak_gb = run_demo(folder)
        numbers: dict[str, Number] = {
            "wall_s": round(wall_s, 1),
            "processor_s": round(processor_s, 1),
            "peak_gb": round(peak_gb, 2),
        }
        keep("speed.demo", numbers | scores(folder))


if __name__ == "__main__":
    main()
