"""Runs that are killed again and again, compared with one that nothing disturbed.

    python -m benchmarks.run.kills [--kills 100]

A small made line of a few blocks. Each run is killed (SIGKILL) at a random moment and begun again
by the same command, some times in a row, then left to end; delivered files and findings are
compared byte by byte. The page of the report is left out.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

from benchmarks.result import keep
from benchmarks.run.lines import make_line

DRIVER: Final = Path(__file__).parents[2] / "tests" / "pipeline" / "plain_separate.py"
IN_A_ROW: Final = 5


def start(line: Path, out: Path, memory_gb: float) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, DRIVER, out, "separate", line, "--memory-gb", str(memory_gb)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=os.environ | {"NUMBA_NUM_THREADS": "1"},
    )


def digest(out: Path) -> str:
    found = hashlib.sha256()
    for path in sorted([*(out / "delivered").glob("*.sgy"), out / "findings.csv"]):
        found.update(path.read_bytes())
    return found.hexdigest()


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--memory-gb", type=float, default=0.5009)
    asked = parser.parse_args()
    draw = random.Random(8)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        line = make_line(folder / "line", 1.0, 5, 1.2, 4, "fk")
        begin = time.perf_counter()
        start(line, folder / "whole", asked.memory_gb).wait()
        whole_s = time.perf_counter() - begin
        expected = digest(folder / "whole")
        kills = identical = results = 0
        while kills < asked.kills:
            out = folder / "out"
            for _ in range(min(IN_A_ROW, asked.kills - kills)):
                run = start(line, out, asked.memory_gb)
                try:
                    run.wait(draw.uniform(0.0, whole_s))
                    break  # it was quicker
                except subprocess.TimeoutExpired:
                    run.send_signal(signal.SIGKILL)
                    run.wait()
                    kills += 1
            while not (out / "manifest.json").exists():
                start(line, out, asked.memory_gb).wait()
            results += 1
            identical += digest(out) == expected
            shutil.rmtree(out)
            print(f"{kills} kills, {identical} of {results} results identical", flush=True)
    keep("run.kills", {"kills": kills, "results": results, "identical": identical})


if __name__ == "__main__":
    main()
