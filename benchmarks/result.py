"""What every benchmark does: print its numbers, and keep them with machine and versions.

Run them as modules from the root of the project: ``python -m benchmarks.operator.dot_test``.
Each keeps its latest numbers in ``benchmarks/results``; README.md quotes them from there.
"""

from __future__ import annotations

import json
import os
import platform
import sys
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Final

RESULTS: Final = Path(__file__).parent / "results"
PACKAGES: Final = ("deblend", "numpy", "scipy", "numba")
KERNEL_CHOICE: Final = ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")
"""Settings that force a slower linear-algebra kernel than the processor has."""

Number = float | int | list[float]


def machine() -> dict[str, str | float]:
    """Processor, cores, memory and how busy the machine is: timings on a shared one are rough."""
    return {
        "processor": _processor(),
        "cores": len(os.sched_getaffinity(0)),
        "memory_gib": round(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30, 1),
        "system": f"{platform.system()} {platform.machine()}",
        "load_average_1_min": round(os.getloadavg()[0], 1),
    }


def _processor() -> str:
    for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
        if line.startswith("model name"):
            return line.partition(":")[2].strip()
    return platform.processor()


def keep(name: str, numbers: dict[str, Number]) -> None:
    """Print the numbers of a benchmark and keep them as ``results/NAME.json``.

    Parameters
    ----------
    name : str
        Module of the benchmark below ``benchmarks``, for instance ``operator.dot_test``.
    numbers : dict
        Name, with its unit, and value.
    """
    content = {
        "command": f"python -m benchmarks.{name}",
        "date": datetime.now(UTC).date().isoformat(),
        "machine": machine(),
        "versions": {"python": platform.python_version()}
        | {package: version(package) for package in PACKAGES},
        "numbers": numbers,
    }
    text = json.dumps(content, indent=2, ensure_ascii=False)
    print(text)
    RESULTS.mkdir(exist_ok=True)
    (RESULTS / f"{name}.json").write_text(text + "\n", encoding="utf-8")


def refuse_forced_kernel() -> None:
    """Stop where the environment forces another linear-algebra kernel than users will have."""
    forced = [name for name in KERNEL_CHOICE if name in os.environ]
    if forced:
        sys.exit(f"unset {' and '.join(forced)} first: timings would not be those of users")
