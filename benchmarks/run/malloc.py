"""What it costs when the allocator gives freed memory back at once, as in a worker of dask.

    python -m benchmarks.run.malloc [--minutes 2] [--channels 64]

The same run of one thread in three processes: as the command runs; with the environment that the
nanny of a dask worker gives it, MALLOC_TRIM_THRESHOLD_ of 64 kB; and with that environment and
`keep_freed_memory`, which is what a worker does. Time of the processor in user and system mode (the
latter clears pages that arrays are taken from), page faults, and peak memory.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

from benchmarks.result import Number, keep, refuse_forced_kernel
from benchmarks.run.lines import make_line

ONE_RUN: Final = (sys.executable, "-m", "benchmarks.run.malloc", "--one-run")
NANNY: Final = {"MALLOC_TRIM_THRESHOLD_": "65536"}
CASES: Final[dict[str, tuple[dict[str, str], bool]]] = {
    "command": ({}, False),
    "worker_as_started": (NANNY, False),
    "worker_as_used": (NANNY, True),
}


def one_run(line: Path, out: Path, kept: bool) -> dict[str, float]:
    """Separate a line here, and what that took."""
    import deblend.report.page
    from deblend.line.line_file import read_line_file
    from deblend.memory import keep_freed_memory
    from deblend.run.pipeline import run_line

    deblend.report.page.write_report = lambda contents, path, extras=None: path.touch()
    if kept:
        keep_freed_memory()
    run_line(read_line_file(line).with_output(out))
    used = resource.getrusage(resource.RUSAGE_SELF)
    return {
        "user_s": round(used.ru_utime, 1),
        "system_s": round(used.ru_stime, 1),
        "million_page_faults": round(used.ru_minflt / 1e6, 2),
        "peak_gb": round(used.ru_maxrss * 1024 / 1e9, 2),
    }


def main() -> None:
    refuse_forced_kernel()
    if sys.argv[1:2] == ["--one-run"]:
        path, out, keeps = sys.argv[2:]
        print(json.dumps(one_run(Path(path), Path(out), keeps == "True")))
        return
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, default=2.0)
    parser.add_argument("--channels", type=int, default=64)
    asked = parser.parse_args()
    numbers: dict[str, Number] = {}
    with tempfile.TemporaryDirectory() as name:
        line = make_line(Path(name) / "line", asked.minutes, asked.channels, 4.0, 10, "fk")
        for case, (environment, kept) in CASES.items():
            output = subprocess.run(
                [*ONE_RUN, line, f"{name}/{case}", str(kept)],
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                check=True,
                text=True,
                env=os.environ | {"NUMBA_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"} | environment,
            ).stdout
            found = json.loads(output.splitlines()[-1])
            numbers |= {f"{case}_{key}": value for key, value in found.items()}
    keep("run.malloc", numbers)


if __name__ == "__main__":
    main()
